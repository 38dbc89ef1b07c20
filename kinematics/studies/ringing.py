"""How much does a whole job ring? What its kicks leave each mode swinging by: one by one at most, and added up.

The ringing budget holds each single kick; in a job kicks add up or cancel, so that its worst swing can be larger.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.limits.vibration import AXES, filter_made, modes_of
from kinematics.machine import Machine
from kinematics.machine.keys import AxisVibration
from kinematics.notebook import NotebookTable
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.stops import pauses_before
from kinematics.studies.timing import Planned, Timing, event_clock, time_job
from kinematics.vibration.exposure import (
    SEGMENTS_A_MOVE,
    AxisMotion,
    Exposure,
    LargestKicks,
    axis_motion,
    exposure,
    kicks_of,
)
from kinematics.vibration.filters import Filter
from kinematics.vibration.residual import Mode, worst_residual

if TYPE_CHECKING:
    import pandas

OFF_THE_FREQUENCY = (-1.0, -0.5, 0.0, 0.5, 1.0)  # where it is looked at, as shares of its uncertainty
ROUNDING = 1e-9  # relative: a plan that uses a budget up is within it
STANDING = 0  # the first of a move's segments

Cell = str | float | int | bool | None


class Worst(NamedTuple):
    """The worst swing of a mode in a job: `swing_mm` (mm, amplitude), `time_s` (s from the start of the first move),
    `line`
    of the file, and `frequency_hz` of the mode (Hz) with which it is so large.
    """

    swing_mm: float
    time_s: float
    line: int
    frequency_hz: float


class Kick(NamedTuple):
    """The largest kick of one kind: `size` (mm/s² or mm/s) and `line` of the file."""

    size: float
    line: int


class ModeRinging(NamedTuple):
    """How far a job swings one mode of an axis (mm, amplitude).

    `by_step_mm`, `by_speed_change_mm` what the largest step of acceleration and the largest sudden change of speed
    leave, each by itself, at worst over what the frequency may be; `left` the worst of what all kicks leave; `swing`
    the worst with what the filter's next impulses are still to cancel.
    """

    mode: Mode
    by_step_mm: float
    by_speed_change_mm: float
    left: Worst
    swing: Worst


@dataclass(frozen=True)
class AxisRinging:
    """How far a job swings one axis: its largest kicks (`acceleration`, `speed`) and each of its modes.

    `budget_mm` (mm) what a single kick may leave, None where none is given. Several modes swing at worst by the sum of
    theirs, each as if all of the motion excited it.
    """

    axis: str
    filter: str
    acceleration: Kick
    speed: Kick
    modes: tuple[ModeRinging, ...]
    budget_mm: float | None

    @property
    def by_one_kick_mm(self) -> float:
        """What a single step of acceleration or change of speed leaves at most (mm)."""
        by_acceleration = math.fsum(mode.by_step_mm for mode in self.modes)
        return max(by_acceleration, math.fsum(mode.by_speed_change_mm for mode in self.modes))

    @property
    def left_mm(self) -> float:
        """What the whole job leaves at worst (mm)."""
        return math.fsum(mode.left.swing_mm for mode in self.modes)

    @property
    def one_kick_within(self) -> bool | None:
        """Whether every single kick stays within the budget; None without a budget."""
        return None if self.budget_mm is None else self.by_one_kick_mm <= self.budget_mm * (1.0 + ROUNDING)

    @property
    def job_within(self) -> bool | None:
        """Whether the whole job stays within what a single kick may leave; None without a budget."""
        return None if self.budget_mm is None else self.left_mm <= self.budget_mm * (1.0 + ROUNDING)


@dataclass(frozen=True, repr=False)
class Ringing(NotebookTable):
    """How far a job, planned under a machine, swings its axes: those of which modes are known."""

    machine: Machine
    job: str
    axes: tuple[AxisRinging, ...]

    @property
    def budget_mm(self) -> float | None:
        """What a single kick may leave an axis swinging by (mm); None where that is not given."""
        return self.machine.quality.ringing_budget_mm

    def to_frame(self) -> pandas.DataFrame:
        """One row an axis and mode, columns as in `ringing_rows`."""
        import pandas

        return pandas.DataFrame(ringing_rows(self))

    def __repr__(self) -> str:
        axes = "; ".join(_axis_text(axis) for axis in self.axes)
        budget = "no budget" if self.budget_mm is None else f"budget {self.budget_mm:.3g} mm for each kick"
        return f"<Ringing of {self.job} on {self.machine.name}: {axes}; {budget}>"


def _axis_text(axis: AxisRinging) -> str:
    worst = max(axis.modes, key=lambda mode: mode.left.swing_mm).left
    return (
        f"{axis.axis} {axis.left_mm:.3g} mm left at worst (line {worst.line}, {worst.time_s:.1f} s), "
        f"{axis.by_one_kick_mm:.3g} mm by one kick"
    )


def ringing_rows(ringing: Ringing) -> list[dict[str, Cell]]:
    """One row an axis and mode; what is within the budget is told of the axis, all of its modes together."""
    return [
        {
            "axis": axis.axis,
            "frequency_hz": mode.mode.frequency,
            "damping_ratio": mode.mode.damping,
            "filter": axis.filter,
            "step_mm_s2": axis.acceleration.size,
            "step_line": axis.acceleration.line,
            "by_step_mm": mode.by_step_mm,
            "speed_change_mm_s": axis.speed.size,
            "speed_change_line": axis.speed.line,
            "by_speed_change_mm": mode.by_speed_change_mm,
            "left_mm": mode.left.swing_mm,
            "left_s": mode.left.time_s,
            "left_line": mode.left.line,
            "left_frequency_hz": mode.left.frequency_hz,
            "swing_mm": mode.swing.swing_mm,
            "swing_s": mode.swing.time_s,
            "swing_line": mode.swing.line,
            "swing_frequency_hz": mode.swing.frequency_hz,
            "budget_mm": axis.budget_mm,
            "one_kick_within": axis.one_kick_within,
            "job_within": axis.job_within,
        }
        for axis in ringing.axes
        for mode in axis.modes
    ]


def _line_at(planned: Planned, segment: int) -> int:
    """Line of the move in which a segment acts; what brings motion to a stand belongs to the move before that."""
    move = segment // SEGMENTS_A_MOVE - (segment % SEGMENTS_A_MOVE == STANDING)
    return int(planned.job.moves.line[max(move, 0)])


def _mode_ringing(
    planned: Planned, motion: AxisMotion, kicks: LargestKicks, command_filter: Filter, mode: Mode
) -> ModeRinging:
    """How far the motion of an axis, of which these are the largest kicks, swings one of its modes."""
    shares = OFF_THE_FREQUENCY if mode.uncertainty > 0.0 else (0.0,)
    frequencies = [mode.frequency * (1.0 + share * mode.uncertainty) for share in shares]

    def exposed(frequency: float) -> Exposure:
        return exposure(motion, command_filter, frequency, mode.damping)

    with ThreadPoolExecutor(2) as pool:  # the kernel lets other threads run
        found = list(zip(frequencies, pool.map(exposed, frequencies), strict=True))
    left_at, left = max(found, key=lambda one: one[1].ringing)
    swing_at, swing = max(found, key=lambda one: one[1].swing)
    return ModeRinging(
        mode,
        worst_residual(command_filter, mode, 2) * kicks.acceleration,
        worst_residual(command_filter, mode, 1) * kicks.speed,
        Worst(left.ringing, left.ringing_time, _line_at(planned, left.ringing_segment), left_at),
        Worst(swing.swing, swing.swing_time, _line_at(planned, swing.swing_segment), swing_at),
    )


def motion_of_axis(planned: Planned, axis: str, pause: NDArray[np.float64] | None) -> AxisMotion:
    """The planned motion of an axis, with `pause` (s) before each move."""
    plan = planned.plan
    share = getattr(planned.job.moves, f"d{axis}") / planned.features.length
    ramps = plan.rising, plan.cruising, plan.falling
    return axis_motion(share, plan.speed_in, plan.speed_peak, plan.speed_out, *ramps, pause)


def _axis_ringing(planned: Planned, axis: str, pause: NDArray[np.float64]) -> AxisRinging:
    """How far a planned job swings one axis; `pause` (s) before each move."""
    vibration: AxisVibration = getattr(planned.machine.vibration, axis)
    command_filter = filter_made(vibration, axis)
    motion = motion_of_axis(planned, axis, pause)
    kicks = kicks_of(motion)
    modes = modes_of(vibration)
    return AxisRinging(
        axis,
        command_filter.name,
        Kick(kicks.acceleration, _line_at(planned, kicks.acceleration_segment)),
        Kick(kicks.speed, _line_at(planned, kicks.speed_segment)),
        tuple(_mode_ringing(planned, motion, kicks, command_filter, mode) for mode in modes),
        planned.machine.quality.ringing_budget_mm,
    )


def ringing_of_timing(timing: Timing) -> Ringing:
    """How far a job that has been timed, and whose plan was kept, swings the axes of which the machine knows modes.

    A mode (natural ω, ζ) keeps V·a/ω² of a step of acceleration a and V·Δv/ω of a sudden change of speed
    (`vibration.ringing`; N. Singer, W. Seering, ASME J. Dyn. Sys. Meas. Control 112(1):76-82, 1990, for V); over a job
    its state is carried from kick to kick in closed form (`vibration.exposure`). Where the frequency is uncertain, the
    job is looked at with `OFF_THE_FREQUENCY`: between those it may swing further. Axes stand still for stops of known
    length, for no time where nobody gave it. Not modelled: homing and probing moves, what slows a layer down to its
    shortest time, and a mode that more than one axis excites. Takes some 150 bytes a move beside the plan. Raises
    InputError where no mode is known, where a filter cannot be made, and for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    machine, job = planned.machine, planned.job
    axes = [axis for axis in AXES if getattr(machine.vibration, axis).modes]
    if not axes:
        keys = " or ".join(f"vibration.{axis}.modes" for axis in AXES)
        raise InputError.at(machine.name, "no mode of any axis", f"{keys}, such as [{{ frequency_hz = 48.2 }}]")
    pause = pauses_before(len(job), job.events, machine, event_clock(planned, timing.layers))
    pause[0] = 0.0  # time counts from the first move
    return Ringing(machine, timing.facts.name, tuple(_axis_ringing(planned, axis, pause) for axis in axes))


def by_one_kick_mm(timing: Timing) -> float:
    """What a single kick of a job leaves any axis swinging by at most (mm): `AxisRinging.by_one_kick_mm` without the
    rest. Raises InputError as `ringing_of_timing`, but for jobs without modes, where it is 0.
    """
    planned = timing.whole_plan()
    worst = 0.0
    for axis in AXES:
        vibration: AxisVibration = getattr(planned.machine.vibration, axis)
        if vibration.modes:
            kicks = kicks_of(motion_of_axis(planned, axis, None))
            command_filter = filter_made(vibration, axis)
            modes = modes_of(vibration)
            for power, kick in ((2, kicks.acceleration), (1, kicks.speed)):
                worst = max(worst, kick * math.fsum(worst_residual(command_filter, mode, power) for mode in modes))
    return worst


def ringing_of(prepared: PreparedJob, machine: Machine) -> Ringing:
    """How far a job, planned under a machine, swings the axes of which the machine knows modes: `ringing_of_timing`."""
    return ringing_of_timing(time_job(prepared, machine))
