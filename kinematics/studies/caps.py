"""How far may each limit go, and what stops it?"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import PRINT, TRAVEL, Moves
from kinematics.jobs.asked import DirectionsAsked, FlowAsked, Seen
from kinematics.jobs.timing import Reals, TimedJob, Timing, key_of, path_sums, summed, time_job
from kinematics.jobs.whole_jobs import (
    Commands,
    ExtruderStep,
    Ringing,
    Rounding,
    commands_of_timing,
    extruder_step_of_timing,
    ringing_of_timing,
    rounding_of_timing,
    swings,
    takes_in_so_much,
)
from kinematics.limits import columns as by
from kinematics.limits.combine import FROM_THE_JOB, limits_of
from kinematics.limits.drive import END, FORCE, SLOPE, Drives, jacobians, motor_drives, torque_key
from kinematics.limits.flow import FLOW_KEY, filament_area, flow_at, hangs_on_temperature
from kinematics.limits.vibration import RINGING_KEY, ROUNDING_KEY, axis_quality, filter_of_axis, rounds
from kinematics.machine import Machine
from kinematics.machine.mechanisms import EXTRUDER, LinearDelta, mechanism_of
from kinematics.notebook import NotebookTable, frame_of
from kinematics.planner.ceilings import RAMP_SHARE
from kinematics.planner.ties import FRICTION, MASS, SHARE, motor_loads

if TYPE_CHECKING:
    import pandas

ALONG = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
AS_MUCH = 1.0 + 1e-9  # of a cap: what a limit may ask for
RIGHT_ANGLE = math.sqrt(0.5) / (1.0 - math.sqrt(0.5))  # s/(1 − s) of a turn by 90°


class CapRow(NamedTuple):
    """One limit: its dotted key, words and unit; what the machine file asks for (None: nothing); no further than (along
    the axis, or in the job's least favourable direction; None where no cap is known); what stops it and its key; keys
    without which other caps are not known; the formulas of the caps that are; the share of a job's time that the cap
    holds.
    """

    limit: str
    what: str
    unit: str
    asked: float | None
    no_further_than: float | None
    in_the_job: float | None
    stopped_by: str
    cap_key: str
    not_known: tuple[str, ...]
    formulas: tuple[str, ...]
    share_of_time: float | None

    @property
    def within_caps(self) -> bool | None:
        """Whether what is asked for is within all caps; None where that is not known, or nothing is asked for."""
        bounds = [bound for bound in (self.no_further_than, self.in_the_job) if bound is not None]
        if self.asked is None or not bounds:
            return None
        if self.asked > min(bounds) * AS_MUCH:
            return False
        return None if self.not_known else True


@dataclass(frozen=True, repr=False)
class Caps(NotebookTable):
    """The limits of a machine against its caps; with jobs, what each cap holds of their time, when cooling
    rules, how far they swing the axes, how far filters round them, whether the controller takes in their commands in
    time, and by how much pressure advance steps the extruder."""

    machine: Machine
    rows: tuple[CapRow, ...]
    total_s: float | None
    cooling: CoolingRule | None
    ringing: tuple[Ringing, ...] = ()
    rounding: tuple[Rounding, ...] = ()
    commands: tuple[Commands, ...] = ()
    extruder_steps: tuple[ExtruderStep, ...] = ()

    @property
    def asks_too_much(self) -> tuple[CapRow, ...]:
        """The limits that ask for more than a known cap takes."""
        return tuple(row for row in self.rows if row.within_caps is False)

    def to_frame(self) -> pandas.DataFrame:
        """One row a limit."""
        return frame_of([{**row._asdict(), "within_caps": row.within_caps} for row in self.rows])

    def __repr__(self) -> str:
        told = f"{len(self.asks_too_much)} of {len(self.rows)} limits ask for more than their caps take"
        return f"<Caps of {self.machine.name}: {told}>"


class _JobsAsked(NamedTuple):
    """What the table takes from jobs: seconds in all and by key, directions and fastest speeds by kind of move, the
    fastest flow commanded (mm³/s), the least temperature of the nozzle asked for while printing (°C).
    """

    total: float
    by_key: dict[str, float]
    directions: dict[int, np.ndarray[tuple[int, int], np.dtype[np.float64]]]
    speeds: dict[int, float]
    flow: float
    nozzle: float | None


def _of_jobs(jobs: Sequence[TimedJob], machine: Machine, timings: Sequence[Timing]) -> _JobsAsked:
    by_key = summed(
        (key_of(timing.limits, row, code), float(timing.seconds[row, code]))
        for timing in timings
        for row, code in np.argwhere(timing.seconds > 0.0).tolist()
    )
    looks = [job.look_at(machine, _Asked) for job in jobs]
    directions = {
        kind: np.unique(np.concatenate([look.sums.directions.of_kind(kind) for look in looks]), axis=0)
        for kind in (PRINT, TRAVEL)
    }
    paths = [path_sums(timing) for timing in timings]
    speeds = {PRINT: max(one.print_speed for one in paths), TRAVEL: max(one.travel_speed for one in paths)}
    told = [
        member.nozzle
        for timing in timings
        for member in timing.table
        if member.kind == PRINT and member.nozzle is not None
    ]
    flow = max(_commanded_flow(look, machine) for look in looks)
    return _JobsAsked(
        sum(timing.total for timing in timings), by_key, directions, speeds, flow, min(told, default=None)
    )


class _Asked:
    """Flow and directions that a job asks for."""

    def __init__(self) -> None:
        self.flow, self.directions = FlowAsked(), DirectionsAsked()

    def add(self, moves: Moves, of_move: NDArray[np.uint16]) -> None:
        """Take further moves, and the class of each."""
        self.flow.add(moves, of_move)
        self.directions.add(moves, of_move)


def _commanded_flow(look: Seen[_Asked], machine: Machine) -> float:
    """The fastest flow that the commanded speeds of printing moves ask for (mm³/s)."""
    fastest, _ = look.sums.flow.of_classes(len(look.table))
    limits = limits_of(machine, look.table, look.file_limits)
    flow = float((fastest * limits.values[:, by.SPEED_SHARE]).max(initial=0.0))
    return flow * filament_area(machine)


class _CapTable:
    """The rows under construction."""

    def __init__(self, machine: Machine, job: _JobsAsked | None) -> None:
        self.machine = machine
        self.job = job
        self.caps = MachineCaps(machine)

    def rows(self, limits: Collection[str] | None = None) -> Iterator[CapRow]:
        """One row for each limit of which something is asked or known, or for some of them."""
        for key, row_of, *given in self._makers():
            if limits is None or key in limits:
                yield row_of(key, *given)

    def _makers(self) -> Iterator[tuple[Any, ...]]:
        """The key of each row, what makes it, and what that is given besides."""
        for kind, name in ((PRINT, "print"), (TRAVEL, "travel")):
            yield f"motion.{name}_acceleration_mm_s2", self._along_moves, kind, name
        for axis in "xyze":
            yield f"axes.{axis}.max_acceleration_mm_s2", self._along_axis, axis
            yield f"axes.{axis}.max_speed_mm_s", self._speed_along_axis, axis
        corner = "junction_deviation_mm" if self.machine.motion.speed_step_mm_s is None else "speed_step_mm_s"
        yield f"motion.{corner}", self._corner
        if self.job is not None and self.job.flow > 0.0:
            yield FLOW_KEY, self._flow, self.job

    def _along_moves(self, key: str, kind: int, name: str) -> CapRow:
        asked = getattr(self.machine.motion, f"{name}_acceleration_mm_s2")
        speed = self.job.speeds[kind] if self.job is not None else 0.0
        along = [self.caps.acceleration(ALONG[axis], speed) for axis in "xy"]
        least = self._least_favourable(kind, speed)
        return self._row(key, f"{name} acceleration", "mm/s²", asked, _both(along), least)

    def _along_axis(self, key: str, axis: str) -> CapRow:
        limits = getattr(self.machine.axes, axis)
        speed = limits.max_speed_mm_s or 0.0
        extruder = axis == "e"
        known = self.caps.extruder_acceleration(speed) if extruder else self.caps.acceleration(ALONG[axis], speed)
        what = "extruder acceleration" if extruder else f"{axis} axis acceleration"
        return self._row(key, what, "mm/s²", limits.max_acceleration_mm_s2, known)

    def _speed_along_axis(self, key: str, axis: str) -> CapRow:
        asked = getattr(self.machine.axes, axis).max_speed_mm_s
        known = self.caps.extruder_speed() if axis == "e" else self.caps.speed(ALONG[axis])
        return self._row(key, "extruder speed" if axis == "e" else f"{axis} axis speed", "mm/s", asked, known)

    def _flow(self, key: str, job: _JobsAsked) -> CapRow:
        return self._row(key, "flow the file asks for", "mm³/s", job.flow, self.caps.flow(job.nozzle))

    def _least_favourable(self, kind: int, speed: float) -> float | None:
        """The lowest cap of acceleration over the directions of a kind of moves in the jobs."""
        if self.job is None:
            return None
        lowest = [
            cap.value
            for direction in self.job.directions[kind].tolist()
            if (cap := self.caps.acceleration(direction, speed).lowest) is not None
        ]
        return min(lowest, default=None)

    def _corner(self, key: str) -> CapRow:
        """Junction deviation, or the speed step, against what a right angle from x into y may be taken at."""
        motion = self.machine.motion
        known = self.caps.corner_speed("x", "y")
        if motion.speed_step_mm_s is not None:
            steps = [step for step in (motion.speed_step_mm_s.x, motion.speed_step_mm_s.y) if step is not None]
            what, unit = "speed step at 90°", "mm/s"
            return self._row(key, what, unit, max(steps, default=None), known)
        acceleration = motion.print_acceleration_mm_s2
        caps = []
        for cap in known.caps:
            value = cap.value**2 / (RIGHT_ANGLE * acceleration)
            formula = f"{cap.formula}; δ = v²/(a·s/(1 − s)) = {cap.value:.4g}²/({acceleration:.4g}·{RIGHT_ANGLE:.4g})"
            caps.append(cap._replace(value=value, formula=f"{formula} = {value:.4g} mm at a right angle"))
        known = CapsOfLimit(tuple(caps), known.missing)
        return self._row(key, "junction deviation at 90°", "mm", motion.junction_deviation_mm, known)

    def _row(
        self, key: str, what: str, unit: str, asked: float | None, known: CapsOfLimit, in_the_job: float | None = None
    ) -> CapRow:
        proven = proven_cap(self.machine, key)
        if proven is not None:  # what a print has shown ranks above what is reckoned
            known, in_the_job = CapsOfLimit((proven, *known.caps), known.missing), None
        lowest = proven or known.lowest
        share = None
        if self.job is not None and lowest is not None:
            share = self.job.by_key.get(lowest.key, 0.0) / self.job.total if self.job.total > 0.0 else 0.0
        return CapRow(
            key,
            what,
            unit,
            asked,
            None if lowest is None else lowest.value,
            in_the_job,
            "" if lowest is None else lowest.what,
            "" if lowest is None else lowest.key,
            known.missing,
            tuple(f"{cap.what}: {cap.formula}" for cap in sorted(known.caps, key=lambda cap: cap.value)),
            share,
        )


def proven_cap(machine: Machine, key: str) -> KnownCap | None:
    """What a proof print gave for a key, the last of them; None where none is in the machine file."""
    prints = [one for one in machine.proven if one.key == key]
    if not prints:
        return None
    last = max(prints, key=lambda one: one.date)
    ends = f"{_number(last.low)} to {_number(last.high)}"
    return KnownCap(last.value, key, f"proven on {last.date} by a print", f"{_number(last.value)}, between {ends}")


def _both(known: Sequence[CapsOfLimit]) -> CapsOfLimit:
    """The caps of several directions as one."""
    return CapsOfLimit.of(*(one.caps for one in known), *(one.missing for one in known))


def cap_rows(
    machine: Machine,
    prepared: Sequence[TimedJob] = (),
    timings: Sequence[Timing] = (),
    limits: Collection[str] | None = None,
) -> tuple[CapRow, ...]:
    """Each limit against its caps alone, or some of them; with jobs, as they were timed under the machine."""
    job = _of_jobs(prepared, machine, timings) if timings else None
    return tuple(row for row in _CapTable(machine, job).rows(limits) if row.asked is not None or row.formulas)


def follows_every_move(machine: Machine) -> bool:
    """Whether caps of jobs tell something for which all of their moves have to be kept."""
    return swings(machine) or rounds(machine) or takes_in_so_much(machine) or bool(machine.filament.pressure_advance_s)


def caps_of(
    machine: Machine, prepared: Sequence[TimedJob] = (), hear: Callable[[float], None] = lambda _: None
) -> Caps:
    """How far each limit of a machine may go; with jobs, against their own directions, speeds and times.

    `hear` is told about how far the search for when cooling rules is.
    Moves of jobs are kept only where the machine has modes, filters, a command rate or pressure advance: what these do
    to a job hangs on every move.
    Raises InputError where a job cannot be read, a filter cannot be made, or a motor cannot move what hangs on it.
    """
    if follows_every_move(machine):
        prepared = [job.with_moves() for job in prepared]
    timings = [time_job(job, machine) for job in prepared]
    rows = cap_rows(machine, prepared, timings)
    cooling = cooling_rule(prepared, machine, timings, hear) if timings else None
    ringing = tuple(ringing_of_timing(timing) for timing in timings) if swings(machine) else ()
    rounding = tuple(rounding_of_timing(timing) for timing in timings) if rounds(machine) else ()
    commands = tuple(commands_of_timing(timing) for timing in timings) if takes_in_so_much(machine) else ()
    steps = tuple(extruder_step_of_timing(timing) for timing in timings) if machine.filament.pressure_advance_s else ()
    total = sum(timing.total for timing in timings) if timings else None
    return Caps(machine, rows, total, cooling, ringing, rounding, commands, steps)


LEAST = 1e-12  # shares of a direction, masses: less stands for none


class KnownCap(NamedTuple):
    """One cap of a limit: its number in the limit's unit, the key that it hangs on, its words, and its formula."""

    value: float
    key: str
    what: str
    formula: str


class CapsOfLimit(NamedTuple):
    """The caps of a limit that are known, and the keys without which others are not."""

    caps: tuple[KnownCap, ...]
    missing: tuple[str, ...]

    @classmethod
    def of(cls, *parts: Iterable[KnownCap | str]) -> CapsOfLimit:
        """Caps, and among them the keys without which others are not known, as they come."""
        told = [one for part in parts for one in part]
        missing = dict.fromkeys(one for one in told if isinstance(one, str))
        return cls(tuple(one for one in told if isinstance(one, KnownCap)), tuple(missing))

    @property
    def lowest(self) -> KnownCap | None:
        """The cap that stops the limit first; None where none is known."""
        return min(self.caps, key=lambda cap: cap.value, default=None)


def _number(value: float) -> str:
    return f"{value:.4g}"


def _not_told(machine: Machine, axis: str) -> list[str]:
    """The keys without which nothing is known of an axis's rounding, and of its ringing: the first of each."""
    quality, vibration = machine.quality, getattr(machine.vibration, axis)
    rounding = (f"vibration.{axis}.filter", vibration.filter), (ROUNDING_KEY, quality.rounding_budget_mm)
    ringing = (f"vibration.{axis}.modes", vibration.modes or None), (RINGING_KEY, quality.ringing_budget_mm)
    missing = [[key for key, value in needed if value is None] for needed in (rounding, ringing)]
    return [keys[0] for keys in missing if keys]


class MachineCaps:
    """The caps of one machine; its drives are made once. Raises InputError where they, or a filter, cannot be made."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.mechanism = mechanism_of(machine)
        self.drives: Drives | None = motor_drives(machine)
        self._jacobian = jacobians(self.mechanism, np.zeros((3, 1)))
        self._not_told = {axis: _not_told(machine, axis) for axis in "xy"}

    def acceleration(self, direction: Sequence[float], speed: float) -> CapsOfLimit:
        """Caps of the acceleration along a unit direction (x, y, z) at a speed (mm/s) of the tool, in mm/s²."""
        shares = zip("xy", map(abs, direction), strict=False)
        quality = [self._quality(axis, share) for axis, share in shares if share > LEAST]
        return CapsOfLimit.of(*quality, self._rounding(direction), self._motors(np.array([*direction, 0.0]), speed))

    def extruder_acceleration(self, speed: float) -> CapsOfLimit:
        """Caps of the acceleration of the filament at its speed (mm/s), in mm/s²."""
        return CapsOfLimit.of(self._motors(np.array([0.0, 0.0, 0.0, 1.0]), speed))

    def speed(self, direction: Sequence[float]) -> CapsOfLimit:
        """Caps of the speed along a unit direction (x, y, z), in mm/s."""
        return CapsOfLimit.of(self._speeds(np.array([*direction, 0.0])))

    def extruder_speed(self) -> CapsOfLimit:
        """Caps of the speed of the filament, printing or not, in mm/s."""
        return CapsOfLimit.of(self._speeds(np.array([0.0, 0.0, 0.0, 1.0])))

    def flow(self, nozzle: float | None) -> CapsOfLimit:
        """Caps of what is printed each second at a temperature of the nozzle (°C), in mm³/s."""
        most = flow_at(self.machine.hotend.max_flow_mm3_s, nozzle).most
        if most == math.inf:
            return CapsOfLimit.of([FLOW_KEY])
        at = "" if nozzle is None or not hangs_on_temperature(self.machine) else f" at {nozzle:g} °C"
        return CapsOfLimit.of([KnownCap(most, FLOW_KEY, "hotend flow", f"Q{at} = {_number(most)} mm³/s")])

    def corner_speed(self, first: str, second: str) -> CapsOfLimit:
        """Caps of the speed through a right angle from one axis into another, in mm/s."""
        return CapsOfLimit.of(self._corner(first, second))

    def _corner(self, first: str, second: str) -> Iterator[KnownCap | str]:
        quality = self.machine.quality
        squares = 0.0
        parts = []
        for axis in (first, second):
            found = axis_quality(self.machine, axis)
            yield from self._not_told[axis]
            if quality.rounding_budget_mm is not None and found.corner_rounding < math.inf:
                spread = (1.0 - quality.rounding_split) * quality.rounding_budget_mm / found.corner_rounding
                squares += spread * spread
                parts.append(f"({_number(1e3 * spread)} ms)²")
            if quality.ringing_budget_mm is not None and found.step_ringing < math.inf:
                worst = quality.ringing_budget_mm / found.step_ringing
                formula = f"ρ/max(V/ω) = {_number(quality.ringing_budget_mm)} mm / {_number(1e3 * worst)} ms"
                formula += f" = {_number(found.step_ringing)} mm/s on {axis}"
                yield KnownCap(found.step_ringing, RINGING_KEY, f"ringing, {axis} axis", formula)
        if parts and quality.rounding_budget_mm is not None:
            value = (1.0 - quality.rounding_split) * quality.rounding_budget_mm / math.sqrt(squares)
            share = f"(1 − {quality.rounding_split:g})·{_number(quality.rounding_budget_mm)} mm"
            formula = f"(1 − q)ε/√Σ(M/2)² = {share} / √({' + '.join(parts)}) = {_number(value)} mm/s"
            yield KnownCap(value, ROUNDING_KEY, "rounding", formula)

    # ---- parts

    def _quality(self, axis: str, share: float) -> Iterator[KnownCap | str]:
        """Rounding and ringing of one axis, of which the direction has a share."""
        quality, vibration = self.machine.quality, getattr(self.machine.vibration, axis)
        found = axis_quality(self.machine, axis)
        per_share = "" if share == 1.0 else f" / {_number(share)}"
        yield from self._not_told[axis]
        if quality.rounding_budget_mm is not None and found.ramp_rounding < math.inf:
            name, frequency, damping = filter_of_axis(vibration, axis)
            variance = 2.0 * quality.rounding_split * quality.rounding_budget_mm / found.ramp_rounding
            value = found.ramp_rounding / share
            formula = (
                f"2qε/σ² = 2·{quality.rounding_split:g}·{_number(quality.rounding_budget_mm)} mm / "
                f"{_number(1e6 * variance)}e-6 s²{per_share} = {_number(value)} mm/s²"
                f" ({name} at {_number(frequency)} Hz, damping {damping:g})"
            )
            yield KnownCap(value, ROUNDING_KEY, f"rounding, {axis} axis", formula)
        if quality.ringing_budget_mm is not None and found.ramp_ringing < math.inf:
            worst = quality.ringing_budget_mm / (2.0 * found.ramp_ringing)
            value = found.ramp_ringing / share
            formula = (
                f"ρ/(2·max(V/ω²)) = {_number(quality.ringing_budget_mm)} mm / (2·{_number(1e6 * worst)}e-6 s²)"
                f"{per_share} = {_number(value)} mm/s²"
            )
            yield KnownCap(value, RINGING_KEY, f"ringing, {axis} axis", formula)

    def _rounding(self, direction: Sequence[float]) -> Iterator[KnownCap]:
        """Rounding of x and y together, where a direction has a share of both: the budget is a distance."""
        most = [axis_quality(self.machine, axis).ramp_rounding for axis in "xy"]
        shares = [abs(share) / one for share, one in zip(direction, most, strict=False)]
        if min(shares) > 0.0:
            value = 1.0 / math.hypot(*shares)
            formula = f"2qε/√Σ(u·σ²)² = 1/√Σ(u/a)² = {_number(value)} mm/s², a as along each axis"
            yield KnownCap(value, ROUNDING_KEY, "rounding", formula)

    def _turning(self, direction: Reals) -> list[tuple[str, float]]:
        """The motors that turn for a direction (x, y, z, filament), with their speed at unit tool speed."""
        speeds = np.abs(self._jacobian[0] @ direction[:3])
        named = [*zip(self.mechanism.motors, speeds.tolist(), strict=True), (EXTRUDER, abs(float(direction[3])))]
        return [(name, share) for name, share in named if share > LEAST]

    def _motors(self, direction: Reals, speed: float) -> Iterator[KnownCap | str]:
        """What the motors admit: their limits of acceleration, and their drives at a speed of the tool."""
        drives = self.drives
        loads = None if drives is None else motor_loads(drives, direction[:, None], self._jacobian)[0]
        for name, share in self._turning(direction):
            motor = self.machine.motors.get(name)
            if motor is not None and motor.max_acceleration_mm_s2 is not None:
                key = f"motors.{name}.max_acceleration_mm_s2"
                part = RAMP_SHARE if isinstance(self.mechanism, LinearDelta) else 1.0  # the rest is for steady speed
                value = part * motor.max_acceleration_mm_s2 / share
                factor = "" if part == 1.0 else f"{part:g}·"
                formula = f"{factor}B/|j| = {factor}{_number(motor.max_acceleration_mm_s2)} mm/s² / {_number(share)}"
                yield KnownCap(value, key, f"motor {name}", f"{formula} = {_number(value)} mm/s²")
            if drives is None or name not in drives.names or loads is None:
                yield from self._missing_of(name)
                continue
            k = drives.names.index(name)
            mass, friction, at = loads[k, MASS], loads[k, FRICTION], loads[k, SHARE] * speed
            piece = int(np.argmax(at <= drives.curves[k, :, END]))
            force = float(drives.curves[k, piece, FORCE] - drives.curves[k, piece, SLOPE] * at)
            value = max(0.0, (force - friction) / max(mass, LEAST))
            formula = (
                f"(F − friction)/mass = ({_number(force)} N at {_number(at)} mm/s − {_number(friction)} N)"
                f" / {_number(1e3 * mass)} kg = {_number(value)} mm/s²"
            )
            yield KnownCap(value, torque_key(name), f"drive of motor {name}", formula)

    def _missing_of(self, name: str) -> list[str]:
        """The keys without which a motor's drive is not known."""
        motor = self.machine.motors.get(name)
        if motor is None or motor.torque_nm is None:
            return [torque_key(name)]
        return list(self.drives.missing) if self.drives is not None else []

    def _speeds(self, direction: Reals) -> Iterator[KnownCap | str]:
        for name, share in self._turning(direction):
            motor = self.machine.motors.get(name)
            if motor is not None and motor.max_speed_mm_s is not None:
                value = motor.max_speed_mm_s / share
                formula = f"W/|j| = {_number(motor.max_speed_mm_s)} mm/s / {_number(share)} = {_number(value)} mm/s"
                yield KnownCap(value, f"motors.{name}.max_speed_mm_s", f"motor {name}", formula)
            fastest = None if self.drives is None else self.drives.fastest.get(name)
            if fastest is None:
                yield torque_key(name)
                continue
            formula = f"last row of the torque curve, {_number(fastest)} mm/s / {_number(share)}"
            formula += f" = {_number(fastest / share)} mm/s"
            yield KnownCap(fastest / share, torque_key(name), f"top speed of motor {name}", formula)


RULED = 0.5  # share of the motion in layers that wait, from which a job counts as ruled by cooling
LARGEST_FACTOR = 64.0  # beyond it nobody looks
CLOSE = 1.005  # ratio at which the search for the factor ends
ACCELERATIONS = ("motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2")


class CoolingRule(NamedTuple):
    """What the shortest layer time does to jobs.

    `shortest_layer_s` (s) as the machine file has it; `added_s` seconds; `layers` that are lengthened, of `all_layers`;
    the share `ruled` of the motion in layers that wait; the factors on all accelerations, and on the commanded speeds,
    from which more than half of the motion is in such layers (None: never).
    """

    shortest_layer_s: float
    added_s: float
    layers: int
    all_layers: int
    ruled: float
    by_acceleration: float | None
    by_speed: float | None


def _ruled(timings: Sequence[Timing]) -> float:
    """The share of the motion that lies in layers which wait to cool."""
    waiting = sum(float(timing.layers.motion[timing.layers.cooling > 0.0].sum()) for timing in timings)
    motion = sum(float(timing.layers.motion.sum()) for timing in timings)
    return waiting / motion if motion > 0.0 else 0.0


def _factor(
    prepared: Sequence[TimedJob], machine: Machine, keys: Sequence[str], now: float, hear: Callable[[float], None]
) -> float | None:
    """The least factor on some limits from which cooling rules; the share of waiting layers only grows with it.

    `hear` is told which share of the search is done.
    """

    def rules(factor: float) -> bool:
        scaled = tuple((key, factor) for key in keys)
        return _ruled([time_job(job, machine, passing=True, scaled=scaled) for job in prepared]) > RULED

    if now > RULED:
        return 1.0
    if not rules(LARGEST_FACTOR):
        return None
    low, high = 1.0, LARGEST_FACTOR
    steps = math.ceil(math.log2(math.log(LARGEST_FACTOR) / math.log(CLOSE)))
    for step in range(steps):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if rules(middle) else (middle, high)
        hear((step + 1) / steps)
    return high


def cooling_rule(
    prepared: Sequence[TimedJob], machine: Machine, timings: Sequence[Timing], hear: Callable[[float], None]
) -> CoolingRule | None:
    """What the shortest layer time does to jobs, and the limits at which they become ruled by it; `hear` is told how
    far that search is.

    None where the machine file gives no shortest layer time.
    """
    shortest = machine.cooling.shortest_layer_s
    if not shortest:
        return None
    cooling = np.concatenate([timing.layers.cooling[1:] for timing in timings])
    now = _ruled(timings)
    return CoolingRule(
        shortest,
        float(cooling.sum()),
        int((cooling > 0.0).sum()),
        int(cooling.size),
        now,
        _factor(prepared, machine, ACCELERATIONS, now, lambda share: hear(0.5 * share)),
        _factor(prepared, machine, (FROM_THE_JOB,), now, lambda share: hear(0.5 + 0.5 * share)),
    )
