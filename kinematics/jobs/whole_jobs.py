"""What a whole job comes to that no plan holds: how far it swings the axes, how far filters take it off its drawn path,
whether the controller takes in its commands in time, and by how much pressure advance steps the extruder.

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
from kinematics.gcode.cutting import bytes_of_moves
from kinematics.gcode.moves import PRINT
from kinematics.jobs.stops import pauses_before
from kinematics.jobs.timing import Planned, Reals, Timing, event_clock
from kinematics.limits.command_rate import lateness
from kinematics.limits.vibration import AXES, filter_made, filters_of, modes_of, rounds
from kinematics.machine import Machine
from kinematics.machine.keys import AxisVibration
from kinematics.notebook import NotebookTable, frame_of
from kinematics.planner.plan import plan
from kinematics.planner.ties import ADVANCE_DELAY, ADVANCE_SPEED
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
from kinematics.vibration.path_rounding import PlannedMotion, rounding_along
from kinematics.vibration.residual import Mode, worst_residual

if TYPE_CHECKING:
    import pandas


OFF_THE_FREQUENCY = (-1.0, -0.5, 0.0, 0.5, 1.0)  # where it is looked at, as shares of its uncertainty
A_LITTLE = 1e-9  # of a budget: a plan that uses it up is within it
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
        return None if self.budget_mm is None else self.by_one_kick_mm <= self.budget_mm * (1.0 + A_LITTLE)

    @property
    def job_within(self) -> bool | None:
        """Whether the whole job stays within what a single kick may leave; None without a budget."""
        return None if self.budget_mm is None else self.left_mm <= self.budget_mm * (1.0 + A_LITTLE)


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
        return frame_of(ringing_rows(self))

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


def swings(machine: Machine) -> bool:
    """Whether a machine knows a mode of any axis."""
    return any(getattr(machine.vibration, axis).modes for axis in AXES)


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
    if not swings(machine):
        keys = " or ".join(f"vibration.{axis}.modes" for axis in AXES)
        raise InputError.at(machine.name, "no mode of any axis", f"{keys}, such as [{{ frequency_hz = 48.2 }}]")
    pause = pauses_before(len(job), job.events, machine, event_clock(planned, timing.layers))
    pause[0] = 0.0  # time counts from the first move
    told = [axis for axis in AXES if getattr(machine.vibration, axis).modes]
    return Ringing(machine, timing.facts.name, tuple(_axis_ringing(planned, axis, pause) for axis in told))


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


@dataclass(frozen=True, repr=False)
class Rounding(NotebookTable):
    """How far (mm) what a job prints lies off the drawn path: at worst, with the line in the file; the median over the
    printed length; what 95 % of it stay below. `budget_mm` (mm) None where none is given.
    """

    machine: Machine
    job: str
    worst_mm: float
    line: int
    median_mm: float
    most_mm: float
    budget_mm: float | None

    @property
    def within(self) -> bool | None:
        """Whether all of it stays within the budget; None without one."""
        return None if self.budget_mm is None else self.worst_mm <= self.budget_mm * (1.0 + A_LITTLE)

    def to_frame(self) -> pandas.DataFrame:
        """One row, columns as in `rounding_row`."""
        return frame_of([rounding_row(self)])

    def __repr__(self) -> str:
        budget = "no budget" if self.budget_mm is None else f"budget {self.budget_mm:.3g} mm"
        return (
            f"<Rounding of {self.job} on {self.machine.name}: {self.worst_mm:.3g} mm at worst (line {self.line}), "
            f"half of the path under {self.median_mm:.3g} mm, 95 % under {self.most_mm:.3g} mm; {budget}>"
        )


def rounding_row(rounding: Rounding) -> dict[str, Cell]:
    """The numbers of a job's rounding by name."""
    return {
        "worst_mm": rounding.worst_mm,
        "line": rounding.line,
        "median_mm": rounding.median_mm,
        "most_mm": rounding.most_mm,
        "budget_mm": rounding.budget_mm,
        "within": rounding.within,
    }


def rounding_of_timing(timing: Timing) -> Rounding:
    """How far the filters take what a job prints off the drawn path, of a job that has been timed and its plan kept.

    The distance between the path filtered on every axis and the one merely delayed by each filter's mean time, by
    convolution of the planned motion (`vibration.path_rounding`). Raises InputError where no axis has a filter that
    rounds, and for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    machine, job, plan = planned.machine, planned.job, planned.plan
    if not rounds(machine):
        keys = " or ".join(f"vibration.{axis}.filter" for axis in AXES)
        raise InputError.at(machine.name, "no filter of any axis", f'{keys}, such as "ZVD"')
    moves = job.moves
    pause = pauses_before(len(job), job.events, machine, event_clock(planned, timing.layers))
    steps = (moves.dx, moves.dy, moves.dz)
    ramps = (plan.speed_in, plan.speed_peak, plan.speed_out, plan.rising, plan.cruising, plan.falling)
    motion = PlannedMotion(steps, *ramps, pause)
    found = rounding_along(motion, (*filters_of(machine), None), np.asarray(moves.kind == PRINT))
    line = int(moves.line[found.move]) if len(job) else 0
    budget = machine.quality.rounding_budget_mm
    return Rounding(machine, timing.facts.name, found.worst, line, found.median, found.most, budget)


STANDS = 1e-12  # s: of cruising, less is none


class ExtruderStep(NamedTuple):
    """The largest sudden change of the extruder's speed (mm/s of filament) that pressure advance asks for in a job, and
    its line in the file. No ceiling: nothing is planned slower for it.
    """

    job: str
    step_mm_s: float
    line: int


def extruder_step_of_timing(timing: Timing) -> ExtruderStep:
    """The largest step of a job that has been timed, its plan kept.

    While printing the extruder runs at r·(v + p·a), so that a change of acceleration by Δa is a step of r·p·Δa: p·r·a
    where a ramp begins or ends, twice that at the top of a move that never cruises and at a corner that is braked
    towards and left at once. Raises InputError for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    found = planned.plan
    if not found.duration.size:
        return ExtruderStep(timing.facts.name, 0.0, 0)
    rises, cruises, falls = found.rising > 0.0, found.cruising > STANDS, found.falling > 0.0
    first, top, last = (_push(planned, speed) for speed in (found.speed_in, found.speed_peak, found.speed_out))
    begin = np.where(rises, first, np.where(cruises, 0.0, np.where(falls, -top, 0.0)))
    end = np.where(falls, -last, np.where(cruises, 0.0, np.where(rises, top, 0.0)))
    inside = np.where(rises & falls & ~cruises, 2.0 * top, np.where((rises | falls) & cruises, top, 0.0))
    between = np.abs(np.append(begin, 0.0) - np.append(0.0, end))
    steps = np.maximum(inside, np.maximum(between[:-1], between[1:]))
    worst = int(steps.argmax())
    return ExtruderStep(timing.facts.name, float(steps[worst]), int(planned.job.moves.line[worst]))


def _push(planned: Planned, speed: Reals) -> Reals:
    """Of every move at a speed of its own r·p·a, a what ramps may there: 0 where pressure is not advanced."""
    features, limits = planned.features, planned.limits
    advance = limits.advance[planned.classes.of_move]
    delay = np.where(features.ratio > 0.0, advance[:, ADVANCE_DELAY], 0.0)
    constant = plan(features, limits.values, limits.lookahead).acceleration
    spare = np.maximum(
        advance[:, ADVANCE_SPEED] - features.ratio * speed, 0.0
    )  # r·p·a of what the extruder's speed leaves
    return np.minimum(features.ratio * delay * constant, np.where(delay > 0.0, spare, 0.0))


class Commands(NamedTuple):
    """How the commands of a job came through the controller's buffer: `late` of `commands` had to be waited for, the
    longest wait (s) with its line in the file, and all waits together (s), which no total has in it.
    """

    job: str
    commands: int
    late: int
    longest_wait_s: float
    line: int
    total_wait_s: float

    @property
    def late_share(self) -> float:
        """The share of commands that had to be waited for."""
        return self.late / self.commands if self.commands else 0.0


def takes_in_so_much(machine: Machine) -> bool:
    """Whether the machine file tells how many moves or bytes a second the controller takes in."""
    return machine.controller.moves_per_s is not None or machine.controller.bytes_per_s is not None


def commands_row(commands: Commands) -> dict[str, Cell]:
    """The numbers of a job's commands by name."""
    return {**commands._asdict(), "late_share": commands.late_share}


def commands_of_timing(timing: Timing) -> Commands:
    """A job that has been timed, its plan kept, sent through the controller's buffer (`command_rate.lateness`).

    Command by command, a move of the file each, with the stops before it, which give the buffer time to fill. The
    buffer holds the moves that the controller sees. Raises InputError for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    machine, job = planned.machine, planned.job
    controller = machine.controller
    pause = pauses_before(len(job), job.events, machine, event_clock(planned, timing.layers))
    first = planned.first_pieces
    starts = np.arange(len(job)) if isinstance(first, slice) else first
    if not starts.size:
        return Commands(timing.facts.name, 0, 0, 0.0, 0, 0.0)
    duration = np.add.reduceat(planned.plan.duration, starts)
    duration[:-1] += np.add.reduceat(pause, starts)[1:]  # while a stop lasts commands come in
    cost = np.full(starts.size, 0.0 if controller.moves_per_s is None else 1.0 / controller.moves_per_s)
    if controller.bytes_per_s is not None:
        size = np.add.reduceat(bytes_of_moves(job.content, job.moves.line), starts)
        cost = np.maximum(cost, size / controller.bytes_per_s)
    found = lateness(duration, cost, planned.limits.lookahead)
    line = int(job.moves.line[starts[found.worst]]) if found.late else 0
    return Commands(timing.facts.name, found.commands, found.late, found.longest, line, found.total)
