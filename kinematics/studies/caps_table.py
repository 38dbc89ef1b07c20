"""How far may each limit go, and what stops it?"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from kinematics.caps.flow import FLOW_KEY, filament_area
from kinematics.gcode.moves import PRINT, TRAVEL
from kinematics.machine import Machine
from kinematics.studies.causes import key_of
from kinematics.studies.cooling import CoolingRule, cooling_rule
from kinematics.studies.known_caps import AXES, Known, MachineCaps
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.ringing import Ringing, ringing_of_timing
from kinematics.studies.timing import Planned, Timing, time_job

if TYPE_CHECKING:
    import pandas

ALONG = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
AS_MUCH = 1.0 + 1e-9  # of a cap: what a limit may ask for
STEPS_OF_DIRECTION = 90  # to a right angle: how finely the directions of a job are told apart
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
class Caps:
    """The limits of a machine against its caps; with jobs, what each cap holds of their time, when cooling
    rules, and how far they swing the axes."""

    machine: Machine
    rows: tuple[CapRow, ...]
    total: float | None
    cooling: CoolingRule | None
    ringing: tuple[Ringing, ...] = ()

    @property
    def asks_too_much(self) -> tuple[CapRow, ...]:
        """The limits that ask for more than a known cap takes."""
        return tuple(row for row in self.rows if row.within_caps is False)

    def to_frame(self) -> pandas.DataFrame:
        """One row a limit."""
        import pandas

        return pandas.DataFrame([{**row._asdict(), "within_caps": row.within_caps} for row in self.rows])

    def __repr__(self) -> str:
        told = f"{len(self.asks_too_much)} of {len(self.rows)} limits ask for more than their caps take"
        return f"<Caps of {self.machine.name}: {told}>"


class _Job(NamedTuple):
    """What the table takes from jobs: seconds in all and by key, directions and fastest speeds by kind of move, the
    fastest flow commanded (mm³/s), the least temperature of the nozzle asked for while printing (°C).
    """

    total: float
    by_key: dict[str, float]
    directions: dict[int, np.ndarray[tuple[int, int], np.dtype[np.float64]]]
    speeds: dict[int, float]
    flow: float
    nozzle: float | None


def _directions(planned: Planned, kind: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """The directions of moves of a kind, told apart to a degree (float64[m, 3])."""
    moves = planned.job.moves
    chosen = moves.kind == kind
    steps = np.stack([moves.dx, moves.dy, moves.dz])[:, chosen] / planned.features.length[chosen]
    coarse = np.unique(np.round(steps * STEPS_OF_DIRECTION).astype(np.int64), axis=1).T / STEPS_OF_DIRECTION
    lengths = np.sqrt((coarse**2).sum(axis=1, keepdims=True))
    return np.asarray(coarse / np.where(lengths > 0.0, lengths, 1.0))


def _commanded_flow(planned: Planned, area: float) -> float:
    """The fastest flow that the commanded speeds of printing moves ask for (mm³/s)."""
    features, moves = planned.features, planned.job.moves
    share = planned.limits.values[features.move_class, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        flow = np.where((moves.kind == PRINT) & (features.pace > 0.0), features.ratio * share / features.pace, 0.0)
    return float(flow.max(initial=0.0)) * area


def _of_jobs(timings: Sequence[Timing], area: float) -> _Job:
    by_key: dict[str, float] = {}
    for timing in timings:
        for row, code in np.argwhere(timing.seconds > 0.0):
            key = key_of(timing.limits, int(row), int(code))
            by_key[key] = by_key.get(key, 0.0) + float(timing.seconds[row, code])
    plans = [timing.whole_plan() for timing in timings]
    directions = {
        kind: np.unique(np.concatenate([_directions(planned, kind) for planned in plans]), axis=0)
        for kind in (PRINT, TRAVEL)
    }
    speeds = {
        kind: max(float(one.plan.speed_peak[one.job.moves.kind == kind].max(initial=0.0)) for one in plans)
        for kind in (PRINT, TRAVEL)
    }
    told = [
        member.nozzle
        for timing in timings
        for member in timing.table
        if member.kind == PRINT and member.nozzle is not None
    ]
    flow = max(_commanded_flow(planned, area) for planned in plans)
    return _Job(sum(timing.total for timing in timings), by_key, directions, speeds, flow, min(told, default=None))


class _Table:
    """The rows under construction."""

    def __init__(self, machine: Machine, job: _Job | None) -> None:
        self.machine = machine
        self.job = job
        self.caps = MachineCaps(machine)

    def rows(self) -> Iterator[CapRow]:
        """One row for each limit of which something is asked or known."""
        motion, axes = self.machine.motion, self.machine.axes
        for kind, name in ((PRINT, "print"), (TRAVEL, "travel")):
            key = f"motion.{name}_acceleration_mm_s2"
            asked = getattr(motion, f"{name}_acceleration_mm_s2")
            speed = self.job.speeds[kind] if self.job is not None else 0.0
            along = [self.caps.acceleration(ALONG[axis], speed) for axis in "xy"]
            least = self._least_favourable(kind, speed)
            yield self._row(key, f"{name} acceleration", "mm/s²", asked, _both(along), least)
        for axis in AXES:
            limits = getattr(axes, axis)
            speed = limits.max_speed_mm_s or 0.0
            known = self.caps.acceleration(ALONG[axis], speed)
            key = f"axes.{axis}.max_acceleration_mm_s2"
            yield self._row(key, f"{axis} axis acceleration", "mm/s²", limits.max_acceleration_mm_s2, known)
            known = self.caps.speed(ALONG[axis])
            yield self._row(f"axes.{axis}.max_speed_mm_s", f"{axis} axis speed", "mm/s", limits.max_speed_mm_s, known)
        speed = axes.e.max_speed_mm_s or 0.0
        known = self.caps.extruder_acceleration(speed)
        key = "axes.e.max_acceleration_mm_s2"
        yield self._row(key, "extruder acceleration", "mm/s²", axes.e.max_acceleration_mm_s2, known)
        known = self.caps.extruder_speed()
        yield self._row("axes.e.max_speed_mm_s", "extruder speed", "mm/s", axes.e.max_speed_mm_s, known)
        yield self._corner()
        if self.job is not None and self.job.flow > 0.0:
            what = "flow the file asks for"
            yield self._row(FLOW_KEY, what, "mm³/s", self.job.flow, self.caps.flow(self.job.nozzle))

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

    def _corner(self) -> CapRow:
        """Junction deviation, or the speed step, against what a right angle from x into y may be taken at."""
        motion = self.machine.motion
        known = self.caps.corner_speed("x", "y")
        if motion.speed_step_mm_s is not None:
            steps = [step for step in (motion.speed_step_mm_s.x, motion.speed_step_mm_s.y) if step is not None]
            what, unit = "speed step at 90°", "mm/s"
            return self._row("motion.speed_step_mm_s", what, unit, max(steps, default=None), known)
        acceleration = motion.print_acceleration_mm_s2
        caps = []
        for cap in known.caps:
            value = cap.value**2 / (RIGHT_ANGLE * acceleration)
            formula = f"{cap.formula}; δ = v²/(a·s/(1 − s)) = {cap.value:.4g}²/({acceleration:.4g}·{RIGHT_ANGLE:.4g})"
            caps.append(cap._replace(value=value, formula=f"{formula} = {value:.4g} mm at a right angle"))
        known = Known(tuple(caps), known.missing)
        key, asked = "motion.junction_deviation_mm", motion.junction_deviation_mm
        return self._row(key, "junction deviation at 90°", "mm", asked, known)

    def _row(
        self, key: str, what: str, unit: str, asked: float | None, known: Known, in_the_job: float | None = None
    ) -> CapRow:
        lowest = known.lowest
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


def _both(known: Sequence[Known]) -> Known:
    """The caps of several directions as one."""
    caps = tuple(cap for one in known for cap in one.caps)
    return Known(caps, tuple(dict.fromkeys(key for one in known for key in one.missing)))


def caps_of(machine: Machine, prepared: Sequence[PreparedJob] = ()) -> Caps:
    """How far each limit of a machine may go; with jobs, against their own directions, speeds and times.

    Raises InputError where a job cannot be read, a filter cannot be made, or a motor cannot move what hangs on it.
    """
    timings = [time_job(job, machine) for job in prepared]
    job = _of_jobs(timings, filament_area(machine)) if timings else None
    rows = tuple(row for row in _Table(machine, job).rows() if row.asked is not None or row.formulas)
    cooling = cooling_rule(prepared, machine, timings) if timings else None
    swinging = machine.vibration.x.modes or machine.vibration.y.modes
    ringing = tuple(ringing_of_timing(timing) for timing in timings) if swinging else ()
    return Caps(machine, rows, None if job is None else job.total, cooling, ringing)
