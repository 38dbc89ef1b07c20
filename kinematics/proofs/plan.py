"""What a proof print tries: which key, in which bands, and whether the machine's known caps take all of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

from kinematics.errors import Finding, InputError
from kinematics.limits.flow import FLOW_KEY, filament_area
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of
from kinematics.proofs.shape import extent
from kinematics.studies.caps import ALONG, RIGHT_ANGLE, MachineCaps
from kinematics.wording import quantity_text

ACCELERATION_PROOF, CORNER_PROOF, ADVANCE_PROOF, FLOW_PROOF, FILTER_PROOF = (
    "acceleration",
    "corner",
    "pressure-advance",
    "flow",
    "filter",
)
FOOT_LAYERS = 2  # below the first band, with its value
FIRST_LAYER_SPEED = 20.0  # mm/s (common practice, no source)
SLOW = 20.0  # mm/s, of the middle third of a wall where pressure advance is looked at
USUAL_SPEED = 100.0  # mm/s along the walls, where nothing holds them back
TOP_SHARE = 0.9  # of what the hotend melts: what walls of the usual speed may ask
SAME = 1.0 + 1e-9
MOST_BANDS = 40
FREE_HEIGHT = 40.0  # mm: how high the nozzle stands over the bed while it extrudes into free air


class ProofKind(NamedTuple):
    """One kind of proof: its name, what its bands vary with the unit, the text command that sets it (empty: none, the
    print itself varies), from and to as factors on what the machine has now or as values where it has none.
    """

    name: str
    varies: str
    unit: str
    means: str
    factors: tuple[float, float]
    values: tuple[float, float]
    bands: int


PROOF_KINDS: Mapping[str, ProofKind] = MappingProxyType(
    {
        one.name: one
        for one in (
            ProofKind(
                ACCELERATION_PROOF, "print acceleration", "mm/s²", "print acceleration", (1.0, 4.0), (500, 4000), 7
            ),
            ProofKind(CORNER_PROOF, "corner setting", "mm", "junction deviation", (0.5, 3.0), (0.01, 0.1), 6),
            ProofKind(ADVANCE_PROOF, "pressure advance", "s", "pressure advance", (0.0, 2.0), (0.0, 0.08), 9),
            ProofKind(FLOW_PROOF, "flow", "mm³/s", "", (0.5, 1.75), (4.0, 14.0), 6),
            ProofKind(FILTER_PROOF, "speed of the walls", "mm/s", "", (0.4, 1.0), (40.0, 100.0), 4),
        )
    }
)


class Bands(NamedTuple):
    """Values that rise with height: `many` bands of `band_mm` each on a foot of `base_mm`; `start` in the first one,
    `step` more in each that follows.
    """

    start: float
    step: float
    many: int
    base_mm: float
    band_mm: float

    def value(self, number: int) -> float:
        """The value of a band, counted from 0."""
        return self.start + number * self.step

    @property
    def values(self) -> tuple[float, ...]:
        """The value of every band, from the lowest up."""
        return tuple(self.value(i) for i in range(self.many))

    @property
    def top_mm(self) -> float:
        """How high the print is."""
        return self.base_mm + self.many * self.band_mm

    def edges(self) -> tuple[tuple[float, float], ...]:
        """Where each band begins and ends, from the bed up (mm)."""
        return tuple((self.base_mm + i * self.band_mm, self.base_mm + (i + 1) * self.band_mm) for i in range(self.many))


class ProofPlan(NamedTuple):
    """A proof print before it is written: lengths in mm, speeds in mm/s.

    `keys` the keys of the machine file that it proves (several of a speed step); `centre` where it stands; `speed`
    along the walls; `layer`, `width` of a line; `piece_mm` filament of one piece in a flow proof and `wait_s` the pause
    after each; `nozzle_c` the temperature that the machine file names for proof prints.
    """

    kind: ProofKind
    keys: tuple[str, ...]
    bands: Bands
    centre: tuple[float, float]
    speed: float
    layer: float
    width: float
    nozzle_c: float | None
    piece_mm: float = 60.0
    wait_s: float = 15.0


def keys_of(kind: ProofKind, machine: Machine) -> tuple[str, ...]:
    """The keys of the machine file that a kind of proof is about."""
    steps = machine.motion.speed_step_mm_s
    corner: tuple[str, ...] = ("motion.junction_deviation_mm",)
    if steps is not None:
        corner = tuple(f"motion.speed_step_mm_s.{axis}" for axis in "xy" if getattr(steps, axis) is not None)
    return {
        ACCELERATION_PROOF: ("motion.print_acceleration_mm_s2",),
        CORNER_PROOF: corner,
        ADVANCE_PROOF: ("filament.pressure_advance_s",),
        FLOW_PROOF: (FLOW_KEY,),
    }.get(kind.name, ())


def unit_of(plan: ProofPlan) -> str:
    """The unit of what a proof varies: of corners that of the rule in force."""
    return "mm/s" if any("speed_step" in key for key in plan.keys) else plan.kind.unit


def plan_of(
    kind: ProofKind,
    machine: Machine,
    start: float | None = None,
    end: float | None = None,
    count: int | None = None,
    band_mm: float = 5.0,
    speed: float | None = None,
    centre: tuple[float, float] | None = None,
) -> ProofPlan:
    """The proof that a machine's own values suggest, with what the user wants otherwise.

    Without `start` and `end` the bands go around what the machine has now, and no further than its known caps. Raises
    InputError with everything that does not fit: a step of 0, a bed too small, a band beyond a known cap.
    """
    proof = machine.proof
    count = kind.bands if count is None else count
    keys = keys_of(kind, machine)
    speed = _usual_speed(machine) if speed is None else speed
    present = _present(kind, machine, keys, speed)
    usual = kind.values if present is None else (kind.factors[0] * present, kind.factors[1] * present)
    layers = max(1, round(band_mm / proof.layer_mm))
    first = _rounded(usual[0]) if start is None else start
    plan = ProofPlan(
        kind,
        keys,
        Bands(first, 0.0, count, FOOT_LAYERS * proof.layer_mm, layers * proof.layer_mm),
        _middle(machine) if centre is None else centre,
        speed,
        proof.layer_mm,
        proof.line_width_mm,
        proof.nozzle_c,
    )
    findings: list[Finding] = []
    if not 2 <= count <= MOST_BANDS:
        findings.append(Finding("--bands", f"{count} bands", f"2 to {MOST_BANDS}"))
    last = min([_rounded(usual[1]), *(cap for cap, _ in _caps(plan, machine))]) if end is None else end
    if start is None and last <= first:  # less than the machine has now, or than it is known to take
        first = _rounded(last * kind.values[0] / kind.values[1])
    step = (last - first) / max(count - 1, 1)
    step = _rounded_down(step) if end is None else step
    if step <= 0.0:
        fall = f"values that fall from {quantity_text(first)} to {quantity_text(last)}"
        findings.append(
            Finding("--from, --to", "a step of 0" if step == 0.0 else fall, "values that rise from band to band")
        )
    plan = plan._replace(bands=plan.bands._replace(start=first, step=step))
    findings += _findings(plan, machine)
    if findings:
        raise InputError(*findings)
    return plan


def _present(kind: ProofKind, machine: Machine, keys: tuple[str, ...], speed: float) -> float | None:
    if kind.name == FILTER_PROOF:
        return speed
    if kind.name == FLOW_PROOF:
        known = MachineCaps(machine).flow(machine.proof.nozzle_c).lowest
        return None if known is None else known.value
    values = [machine.value_of(key) for key in keys]
    found = [float(value) for value in values if value is not None]
    return max(found) if found and max(found) > 0.0 else None


def _usual_speed(machine: Machine) -> float:
    """The speed along the walls where nobody says: what all known caps take with some room, 100 mm/s at most."""
    caps = MachineCaps(machine)
    speeds = [cap.value for axis in "xy" for cap in caps.speed(ALONG[axis]).caps]
    speeds += [most for axis in "xy" if (most := getattr(machine.axes, axis).max_speed_mm_s) is not None]
    flow = caps.flow(machine.proof.nozzle_c).lowest
    line = machine.proof.line_width_mm * machine.proof.layer_mm
    if flow is not None:
        speeds.append(TOP_SHARE * flow.value / line)
    return _rounded_down(min([USUAL_SPEED, *speeds]))


def _middle(machine: Machine) -> tuple[float, float]:
    if machine.machine.bed_mm is None or isinstance(mechanism_of(machine), LinearDelta):
        return 0.0, 0.0
    return machine.machine.bed_mm[0] / 2.0, machine.machine.bed_mm[1] / 2.0


def _rounded(value: float) -> float:
    """The nearest value of two digits."""
    return float(f"{value:.2g}")


def _rounded_down(value: float) -> float:
    """The next value of two digits that is no larger."""
    if value <= 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return round(math.floor(value / unit * SAME) * unit, 9)


# ---- what must hold


def _caps(plan: ProofPlan, machine: Machine) -> Iterator[tuple[float, str]]:
    """What the value of a band may be at most, and why."""
    caps, kind = MachineCaps(machine), plan.kind.name
    axes = machine.axes
    if kind == ACCELERATION_PROOF:
        for axis in "xy":
            most = getattr(axes, axis).max_acceleration_mm_s2
            if most is not None:
                yield most, f"axes.{axis}.max_acceleration_mm_s2 = {quantity_text(most)} mm/s²"
            for cap in caps.acceleration(ALONG[axis], plan.speed).caps:
                yield cap.value, f"{cap.what} ({cap.formula})"
    elif kind == CORNER_PROOF:
        for cap in caps.corner_speed("x", "y").caps:
            steps = machine.motion.speed_step_mm_s is not None
            acceleration = machine.motion.print_acceleration_mm_s2
            yield (
                cap.value if steps else cap.value**2 / (RIGHT_ANGLE * acceleration),
                f"{cap.what} at a right angle ({cap.formula})",
            )
    elif kind == ADVANCE_PROOF and axes.e.max_speed_mm_s is not None:
        ratio = plan.width * plan.layer / filament_area(machine)
        acceleration = machine.motion.print_acceleration_mm_s2
        room = axes.e.max_speed_mm_s / ratio - plan.speed
        yield max(0.0, room) / acceleration, f"axes.e.max_speed_mm_s = {quantity_text(axes.e.max_speed_mm_s)} mm/s"
    elif kind == FLOW_PROOF:
        area = filament_area(machine)
        if axes.e.max_speed_mm_s is not None:
            yield area * axes.e.max_speed_mm_s, f"axes.e.max_speed_mm_s = {quantity_text(axes.e.max_speed_mm_s)} mm/s"
        for cap in caps.extruder_speed().caps:
            yield area * cap.value, f"{cap.what} ({cap.formula})"
    elif kind == FILTER_PROOF:
        yield from _speeds(plan, machine)


def _speeds(plan: ProofPlan, machine: Machine) -> Iterator[tuple[float, str]]:
    """What the speed along a wall may be at most, and why."""
    caps = MachineCaps(machine)
    for axis in "xy":
        most = getattr(machine.axes, axis).max_speed_mm_s
        if most is not None:
            yield most, f"axes.{axis}.max_speed_mm_s = {quantity_text(most)} mm/s"
        for cap in caps.speed(ALONG[axis]).caps:
            yield cap.value, f"{cap.what} ({cap.formula})"
    flow = caps.flow(plan.nozzle_c).lowest
    if flow is not None:
        line = plan.width * plan.layer
        yield flow.value / line, f"hotend flow ({flow.formula}; a line takes {line:.3g} mm² of it)"


def _findings(plan: ProofPlan, machine: Machine) -> Iterator[Finding]:
    """Everything that does not fit: start and end code, bed and height, speed, and the values of the bands."""
    for name in ("start_file", "end_file"):
        if getattr(machine.proof, name) is None:
            yield Finding(f"proof.{name}", "not given", "the path of a file with your own code in the machine file")
    yield from _places(plan, machine)
    if plan.kind.name not in (FLOW_PROOF, FILTER_PROOF):
        for most, why in _speeds(plan, machine):
            if plan.speed > most * SAME:
                yield Finding("--speed", f"{quantity_text(plan.speed)} mm/s along the walls", f"no more than {why}")
    top = plan.bands.value(plan.bands.many - 1)
    for most, why in _caps(plan, machine):
        if top > most * SAME:
            found = f"the highest band has {quantity_text(top)} {unit_of(plan)}"
            yield Finding(f"proof {plan.kind.name}", found, f"{quantity_text(most)} {unit_of(plan)} at most: {why}")


def _places(plan: ProofPlan, machine: Machine) -> Iterator[Finding]:
    """Whether it stands on the bed and is no higher than the machine prints; bed sizes that are not given hold all."""
    bed = machine.machine.bed_mm
    if bed is None:
        return
    low = (-bed[0] / 2.0, -bed[1] / 2.0) if isinstance(mechanism_of(machine), LinearDelta) else (0.0, 0.0)
    size = (1.0, 1.0) if plan.kind.name == FLOW_PROOF else extent(plan.width)
    for axis, at in zip("XY", (0, 1), strict=True):
        first, last = plan.centre[at] - size[at] / 2.0, plan.centre[at] + size[at] / 2.0
        if first < low[at] or last > low[at] + bed[at]:
            found = f"the print reaches from {axis} {first:.1f} to {last:.1f} mm"
            yield Finding("machine.bed_mm", found, f"within {low[at]:g} to {low[at] + bed[at]:g} mm")
    height = FREE_HEIGHT if plan.kind.name == FLOW_PROOF else plan.bands.top_mm
    if height > bed[2]:
        yield Finding("machine.bed_mm", f"the print is {height:.1f} mm high", f"{bed[2]:g} mm, or fewer bands")
