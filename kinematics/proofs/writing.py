"""A proof print as lines of G-code, in the words of the user's own dialect."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import command_that_sets
from kinematics.gcode.dialects import Dialect
from kinematics.limits.flow import filament_area
from kinematics.machine import Machine
from kinematics.proofs.plan import (
    ADVANCE_PROOF,
    FILTER_PROOF,
    FIRST_LAYER_SPEED,
    FLOW_PROOF,
    FREE_HEIGHT,
    SLOW,
    Bands,
    ProofPlan,
    unit_of,
)
from kinematics.proofs.shape import WALL, Loop, Point, foot_loops, thirds, wall_loops
from kinematics.wording import quantity_text

MARK = "kinematics proof"
TRAVEL_MM_S = 80.0  # mm/s between lines, where nobody says
CLIMB = 5.0  # mm/s up and down, where the machine file has no speed of Z
LIFT = 5.0  # mm above the print at its end
_HEADER = re.compile(MARK + r" (\{.*\})")


class Header(NamedTuple):
    """What a proof print's file says of itself: enough to read a measurement by."""

    kind: str
    keys: tuple[str, ...]
    unit: str
    bands: Bands
    nozzle_c: float | None
    piece_mm: float

    def line(self) -> str:
        """The header as one line of text."""
        values = {"kind": self.kind, "keys": list(self.keys), "unit": self.unit, "bands": list(self.bands)}
        return (
            f"{MARK} {json.dumps(values | {'nozzle_c': self.nozzle_c, 'piece_mm': self.piece_mm}, ensure_ascii=False)}"
        )


def header_of(text: str, place: str) -> Header:
    """The header of a proof print's file. Raises InputError where it has none."""
    found = _HEADER.search(text)
    try:
        values = json.loads(found[1]) if found else {}
        start, step, count, base, band = values["bands"]
        bands = Bands(float(start), float(step), int(count), float(base), float(band))
        nozzle = None if values["nozzle_c"] is None else float(values["nozzle_c"])
        keys = tuple(str(key) for key in values["keys"])
        return Header(str(values["kind"]), keys, str(values["unit"]), bands, nozzle, float(values["piece_mm"]))
    except (ValueError, KeyError, TypeError):
        raise InputError.at(place, "is no proof print of this program", "a file that kinematics proof wrote") from None


def _word(dialect: Dialect, meaning: str) -> str:
    """The word of a dialect with a meaning. Raises InputError where it has none."""
    word = next((word for word, means in dialect.words.items() if means == meaning), None)
    if word is None:
        allowed = f'a row of [words] in its table, "…" = "{meaning}"'
        raise InputError.at(f"dialect {dialect.name}", f"it has no word for {meaning!r}", allowed)
    return word


class _Lines:
    """The lines so far; filament is reckoned from the rounded places, and what rounding leaves goes into the next."""

    def __init__(self, machine: Machine, dialect: Dialect, relative: bool, plan: ProofPlan) -> None:
        self.lines: list[str] = []
        self._dialect, self._relative = dialect, relative
        self._area = filament_area(machine)
        self._section = plan.width * plan.layer
        self._place: list[float | None] = [None, None, None]
        self._fed = self._written = 0.0  # mm of filament, or mm³
        self._line, self._rapid = _word(dialect, "line"), _word(dialect, "rapid")

    def comment(self, text: str) -> None:
        """A remark, as the dialect marks them."""
        self.lines.append(f"; {text}" if self._dialect.semicolon_comments else f"({text})")

    def command(self, text: str) -> None:
        """A line as it stands."""
        self.lines.append(text)

    def travel(
        self, x: float | None = None, y: float | None = None, z: float | None = None, speed: float = TRAVEL_MM_S
    ) -> None:
        """A move without filament."""
        words = self._words((x, y, z))
        self.lines.append(f"{self._rapid}{words} F{60.0 * speed:.6g}")

    def road(self, to: Point, speed: float) -> None:
        """A printed line from the present place, of the print's own width and height."""
        before = self._place[0], self._place[1]
        words = self._words((*to, None))
        dx, dy = ((self._place[i] or 0.0) - (before[i] or 0.0) for i in (0, 1))
        volume = (dx * dx + dy * dy) ** 0.5 * self._section
        self.lines.append(f"{self._line}{words}{self._filament(volume)} F{60.0 * speed:.6g}")

    def extrude(self, volume: float, filament_speed: float) -> None:
        """Filament alone: a volume (mm³, below 0 drawn back) at a speed of the filament (mm/s)."""
        per_minute = 60.0 * filament_speed * (self._area if self._dialect.extruder_is_volume else 1.0)
        self.lines.append(f"{self._line}{self._filament(volume)} F{per_minute:.6g}")

    def _words(self, to: Sequence[float | None]) -> str:
        words = ""
        for i, (letter, value) in enumerate(zip("XYZ", to, strict=True)):
            if value is not None:
                self._place[i] = round(value, 3)
                words += f" {letter}{self._place[i]:g}" if abs(value) < 1000.0 else f" {letter}{value:.3f}"
        return words

    def _filament(self, volume: float) -> str:
        self._fed += volume if self._dialect.extruder_is_volume else volume / self._area
        target = round(self._fed, 5)
        amount = target - self._written if self._relative else target
        self._written = target
        return f" {self._dialect.extruder_letter}{amount:.5f}"


def proof_text(
    plan: ProofPlan, machine: Machine, dialect: Dialect, start_code: str, end_code: str, relative: bool = False
) -> str:
    """The file of a proof print: the user's start code, our shape, the user's end code.

    `relative` writes amounts of filament from move to move in place of sums. Raises InputError where the dialect lacks
    a word for what has to be said, or does not tell how a setting is made.
    """
    lines = _Lines(machine, dialect, relative, plan)
    header = Header(plan.kind.name, plan.keys, unit_of(plan), plan.bands, plan.nozzle_c, plan.piece_mm)
    lines.comment(header.line())
    unit = unit_of(plan)
    for value, (low, high) in zip(plan.bands.values, plan.bands.edges(), strict=True):
        where = "" if plan.kind.name == FLOW_PROOF else f"from {low:.2f} to {high:.2f} mm: "
        lines.comment(f"{where}{plan.kind.varies} {quantity_text(value)} {unit}")
    lines.comment("your own start code")
    lines.command(start_code.rstrip("\n"))
    lines.comment("here the print begins")
    for meaning in ("millimetre", "absolute", "extruder relative" if relative else "extruder absolute"):
        lines.command(_word(dialect, meaning))
    lines.command(f"{_word(dialect, 'rename position')} {dialect.extruder_letter}0")
    proof = machine.proof
    for meaning, heat in (("bed wait", proof.bed_c), ("nozzle wait", proof.nozzle_c)):
        if heat is not None:
            lines.command(f"{_word(dialect, meaning)} S{heat:g}")
    if plan.kind.name == FLOW_PROOF:
        _pieces(lines, plan, machine, dialect)
    else:
        _walls(lines, plan, machine, dialect)
    lines.comment("your own end code")
    lines.command(end_code.rstrip("\n"))
    return "\n".join(lines.lines) + "\n"


def _settings(plan: ProofPlan, dialect: Dialect, value: float) -> Iterator[str]:
    """The lines that set what a proof varies; none where the print itself varies."""
    if not plan.kind.means:
        return
    for key in plan.keys:
        step = key.removeprefix("motion.speed_step_mm_s.")
        yield command_that_sets(dialect, plan.kind.means if step == key else f"{step} step", value)


def _walls(lines: _Lines, plan: ProofPlan, machine: Machine, dialect: Dialect) -> None:
    """The fork, layer by layer; the setting changes where a band begins, at the tip of a tine."""
    bands = plan.bands
    per_band, foot = round(bands.band_mm / plan.layer), round(bands.base_mm / plan.layer)
    corner = plan.centre[0] - WALL / 2.0, plan.centre[1] - WALL / 2.0
    retraction, climb = machine.retraction, machine.axes.z.max_speed_mm_s or CLIMB
    for layer in range(foot + bands.many * per_band):
        band, inside = divmod(layer - foot, per_band)
        if layer == 0 or (layer >= foot and inside == 0):
            value = bands.value(max(band, 0))
            if layer > 0:
                lines.comment(f"band {band + 1}: {plan.kind.varies} {quantity_text(value)} {unit_of(plan)}")
            for command in _settings(plan, dialect, value):
                lines.command(command)
        speed = bands.value(max(band, 0)) if plan.kind.name == FILTER_PROOF else plan.speed
        speed = min(speed, FIRST_LAYER_SPEED) if layer == 0 else speed
        loops = (
            *(foot_loops(plan.width) if layer == 0 else ()),
            *wall_loops(plan.width, ribbed=layer >= foot and inside == 0),
        )
        if layer == 0:  # to its place first, and down only there
            lines.travel(corner[0] + loops[0].corners[0][0], corner[1] + loops[0].corners[0][1])
        lines.travel(z=(layer + 1) * plan.layer, speed=climb)
        for loop in loops:
            _around(lines, loop, corner, speed, plan.kind.name == ADVANCE_PROOF and layer > 0)
    for key in plan.keys:  # as the machine file has it, for whoever prints next
        present = machine.value_of(key)
        if plan.kind.means and present is not None:
            for command in _settings(plan._replace(keys=(key,)), dialect, float(present)):
                lines.command(command)
    if retraction.length_mm and retraction.speed_mm_s:
        lines.extrude(-retraction.length_mm * filament_area(machine), retraction.speed_mm_s)
    lines.travel(z=bands.top_mm + LIFT, speed=climb)


def _around(lines: _Lines, loop: Loop, corner: Point, speed: float, changing: bool) -> None:
    """One closed line; `changing` drives the middle third of the long sides slowly."""
    (x, y), *_ = loop.corners
    lines.travel(corner[0] + x, corner[1] + y)
    for a, b in loop.sides():
        places = [(b, speed)]
        if changing and max(abs(b[0] - a[0]), abs(b[1] - a[1])) > WALL / 2.0:
            one, two = thirds(a, b)
            places = [(one, speed), (two, min(SLOW, speed / 2.0)), (b, speed)]
        for (x, y), fast in places:
            lines.road((corner[0] + x, corner[1] + y), fast)


def _pieces(lines: _Lines, plan: ProofPlan, machine: Machine, dialect: Dialect) -> None:
    """Pieces of equal length into free air, each at a flow of its own, with a pause to take it off."""
    area = filament_area(machine)
    lines.travel(
        z=FREE_HEIGHT, speed=TRAVEL_MM_S if machine.axes.z.max_speed_mm_s is None else machine.axes.z.max_speed_mm_s
    )
    lines.travel(*plan.centre)
    pause = f"{_word(dialect, 'dwell')} P{plan.wait_s / dialect.dwell_p_seconds:.6g}"
    for number, flow in enumerate(plan.bands.values, 1):
        lines.comment(f"piece {number}: {quantity_text(flow)} mm³/s")
        lines.extrude(plan.piece_mm * area, flow / area)
        lines.command(pause)
