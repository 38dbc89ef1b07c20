"""A job made ready to be planned again and again: features are made once and kept as long as nothing touches them."""

from __future__ import annotations

import math
import os
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import MAY_COST, InputError, Notice, by_weight
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.cutting import bytes_of_moves, cut_job, pieces_of, start_places
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.job import Job
from kinematics.gcode.moves import FILAMENT, PRINT, nozzle_targets
from kinematics.gcode.portions import TooManyMovesError
from kinematics.gcode.reader import job_file, read_job
from kinematics.gcode.state import ReaderOptions
from kinematics.jobs.asked import Bed, Seen, Sums, bed_of, off_the_bed
from kinematics.jobs.timing import Ask, JobHere, Planned, Then, Timing, timing_of_plan
from kinematics.limits import columns as by
from kinematics.limits.class_limits import HONOUR, IGNORE, NOTHING_VARIED, UNSCALED
from kinematics.limits.classes import Classes, classify
from kinematics.limits.combine import Limits, LimitTable
from kinematics.limits.drive import jacobians
from kinematics.limits.flow import filament_area, flow_at, hangs_on_temperature
from kinematics.limits.vibration import rounds
from kinematics.machine import Machine
from kinematics.machine.mechanisms import Cartesian, LinearDelta, has_coupled_limits, mechanism_of
from kinematics.planner.ceilings import hang_on_turns
from kinematics.planner.features import NOT_CUT, RULE_OFF, CornerSettings, Drive, Features, make_features
from kinematics.planner.filtered import Filtered, filtered_by, with_rounding
from kinematics.planner.plan import PlanRoom, plan
from kinematics.planner.ties import NO_TIES, Ties, make_ties

if TYPE_CHECKING:
    from kinematics.jobs.many import ManyTimes


MOST_PIECES = 50_000_000  # some 10 GB of arrays
HELD_FLOW = "printing move at a nozzle temperature outside the table of hotend.max_flow_mm3_s: its nearest row holds"
OUT_OF_REACH = "place that an arm of the delta does not reach: timed without that carriage's limits"


class Driven(NamedTuple):
    """`job` to plan; `whole` the file's move that each of its moves is a piece of (empty: none is cut); `drive` the
    coupled motors that are limited, None where none is.
    """

    job: Job
    whole: NDArray[np.int64]
    drive: Drive | None


def driven_by(machine: Machine, job: Job) -> Driven:
    """A job as a machine's motors meet it.

    On a linear delta whose carriages are limited, moves are cut into pieces of `motion.delta_piece_mm` at most: a piece
    is planned under the limits of its worse end. That never shortens a job; what it adds falls with the length of the
    pieces, and at the default 2 mm is below 1.5 % (arms of 250 mm; measured in the tests against 0.1 mm). Moves that go
    beyond the arms' reach are not cut. Raises InputError where there are too many pieces.
    """
    mechanism = mechanism_of(machine)
    limited = has_coupled_limits(machine)
    if isinstance(mechanism, Cartesian):
        return Driven(job, NOT_CUT, None)
    if not isinstance(mechanism, LinearDelta):
        return Driven(job, NOT_CUT, Drive(mechanism, np.empty((3, 0))) if limited else None)
    moves = job.moves
    starts = start_places(job)
    reached = mechanism.reaches(starts) & mechanism.reaches(starts + np.stack([moves.dx, moves.dy, moves.dz]))
    beyond = np.flatnonzero(~reached & (moves.kind != FILAMENT))
    if beyond.size:
        notice = Notice(int(moves.line[beyond[0]]), int(beyond.size), OUT_OF_REACH, "moves", MAY_COST)
        job = replace(job, notices=by_weight((*job.notices, notice)))
    if not limited:
        return Driven(job, NOT_CUT, None)
    counts = np.where(reached, pieces_of(moves, machine.motion.delta_piece_mm), 1)
    if counts.sum() > MOST_PIECES:
        found = f"motion.delta_piece_mm = {machine.motion.delta_piece_mm:g} cuts the job into {counts.sum():,} pieces"
        raise InputError.at(job.name, found, f"{MOST_PIECES:,} at most", "longer pieces")
    if counts.max() == 1:
        return Driven(job, NOT_CUT, Drive(mechanism, starts))
    job, whole = cut_job(job, counts)
    return Driven(job, whole, Drive(mechanism, start_places(job)))


def noting_held_flow(job: Job, machine: Machine, classes: Classes, whole: NDArray[np.int64]) -> Job:
    """The job with a notice where the table of what melts has no row for a temperature and is held at its end.

    `whole` as in `Driven`.
    """
    if not hangs_on_temperature(machine):
        return job
    flow = machine.hotend.max_flow_mm3_s
    held = [i for i, one in enumerate(classes.table) if one.kind == PRINT and flow_at(flow, one.nozzle).held]
    found = np.flatnonzero(np.isin(classes.of_move, held))
    if found.size == 0:
        return job
    moves = int(np.unique(whole[found]).size) if whole.size else int(found.size)
    notice = Notice(int(job.moves.line[found[0]]), moves, HELD_FLOW, "moves")
    return replace(job, notices=by_weight((*job.notices, notice)))


def ties_of(job: Job, machine: Machine, limits: Limits, features: Features, by_moves: bool, by_bytes: bool) -> Ties:
    """What ties speed and acceleration of a job's moves together; `by_moves`, `by_bytes` the command rates that count.

    Raises InputError where a motor cannot overcome the friction of a move.
    """
    mechanism = mechanism_of(machine)
    found: tuple[NDArray[np.float64], ...] = ()
    if limits.drives is not None:
        places = [np.zeros((3, 1))]
        if isinstance(mechanism, LinearDelta):
            starts = start_places(job)
            places = [starts, starts + np.stack([job.moves.dx, job.moves.dy, job.moves.dz])]
        found = tuple(jacobians(mechanism, place) for place in places)
    bytes_of_move = bytes_of_moves(job.content, job.moves.line) if by_bytes else None
    return make_ties(job.moves, features, limits.drives, found, limits.lookahead, by_moves, bytes_of_move)


# Of a kept job at the worst: 50 its moves, 200 their features, the rest plans and what studies ask.
BYTES_A_MOVE = 1500
SHARE_OF_MEMORY = 0.5  # of memory; the rest is for other programs
FEWEST_KEPT = 100_000  # moves, which take less than the program itself
GROUP_LIMITS = ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes")


def most_moves_kept() -> int:
    """How many moves a job may have of which all are kept."""
    return max(FEWEST_KEPT, int(SHARE_OF_MEMORY * memory() / BYTES_A_MOVE))


def memory() -> int:
    """Bytes of memory that this process may have: of the machine, of its group, and what its own limit leaves."""
    found = [1 << 40]  # where nothing tells
    try:
        found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, OSError, ValueError):  # not on every system
        pass
    for path in GROUP_LIMITS:
        try:
            found.append(int(Path(path).read_text(encoding="ascii")))
        except (OSError, ValueError):  # "max" where there is none
            pass
    try:
        import resource

        limit, _ = resource.getrlimit(resource.RLIMIT_AS)
        if limit != resource.RLIM_INFINITY:
            used = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
            found.append(max(0, limit - used))
    except (ImportError, OSError, ValueError):
        pass
    return min(found)


KEPT_ROUNDINGS = 3  # filters and budgets whose numbers are kept of a job: each takes 16 bytes a move
# Readings of a job that are kept, where a study or a page tries machines that read it differently: so many, and so many
# moves together, some 70 bytes each.
MOST_READINGS, MOST_READ = 256, 20_000_000
UNKNOWN_NUMBER = math.nan  # one object, so that settings that hold it compare equal


class ReaderSettings(NamedTuple):
    """What reading depends on of the machine: see `gcode.reader.read_gcode`."""

    home: tuple[float, float, float]
    arc_tolerance: float
    retraction: tuple[float, float]
    filament_area: float

    def options(self, block_delete: bool) -> ReaderOptions:
        """All that reading depends on beside the file."""
        return ReaderOptions(self.home, self.arc_tolerance, *self.retraction, self.filament_area, block_delete)


class LaidOut(NamedTuple):
    """What a job's plan under a machine is made of."""

    job: Job
    classes: Classes
    features: Features
    limits: Limits
    whole: NDArray[np.int64]
    ties: Ties


class LimitsOfMany(NamedTuple):
    """What machines allow that share all else: `values` float64[machines, classes, LIMITS]; which of them no batch
    serves; the places of the others, those together that share features.
    """

    values: NDArray[np.float64]
    planned_singly: NDArray[np.bool_]
    alike: list[list[int]]


def rules_deviation(values: NDArray[np.float64]) -> bool:
    """Whether junction deviation rules for any class of a table of limits."""
    return bool(np.isfinite(values[:, by.DEVIATION]).any())


def corner_settings(machine: Machine, by_deviation: bool, turns: bool) -> CornerSettings:
    """What the geometry of corners depends on: short runs count where junction deviation rules.

    `turns` whether anything hangs on how much each axis changes.
    """
    motion = machine.motion
    return CornerSettings(
        motion.curve_window_mm if motion.curve_rule else RULE_OFF, motion.short_run_mm if by_deviation else 0.0, turns
    )


def reader_settings(machine: Machine, dialect: Dialect) -> ReaderSettings:
    """What reading depends on of the machine; equal for machines that read a job alike."""
    x, y, z = machine.machine.home_mm
    length, speed = machine.retraction.length_mm, machine.retraction.speed_mm_s
    return ReaderSettings(
        (x, y, z),
        machine.motion.arc_tolerance_mm,
        (UNKNOWN_NUMBER if length is None else length, math.inf if speed is None else speed),
        filament_area(machine) if dialect.extruder_is_volume else UNKNOWN_NUMBER,
    )


def _cutting(machine: Machine) -> tuple[object, ...]:
    return mechanism_of(machine), has_coupled_limits(machine), machine.motion.delta_piece_mm


def _drop_oldest(kept: OrderedDict[Any, Any], moves: int) -> None:
    """Leave so many readings of a job that they have no more than MOST_READ moves together; two stay in any case.

    Threads may do so at a time: whoever needs one that is gone makes it anew.
    """
    while len(kept) > max(2, min(MOST_READINGS, MOST_READ // max(1, moves))):
        with suppress(KeyError):
            kept.popitem(last=False)


def _raise(error: InputError) -> NoReturn:
    raise error


class _PlanRooms(threading.local):
    """Arrays of passing plans, one set a thread."""

    def __init__(self) -> None:
        self.of_plans = PlanRoom()


class PreparedJob(JobHere):
    """A job file that is read when first planned, and read again only where a machine changes how it is read.

    `file_limits` says what limits stated in the job do: honour, ignore or cap.
    """

    keeps_moves = True

    def __init__(
        self,
        source: str | memoryview | JobFile | Job,
        dialect: Dialect = EXTRUSION,
        name: str | None = None,
        file_limits: str = HONOUR,
        block_delete: bool = False,
        most_moves: int | None = None,
    ) -> None:
        """`most_moves` how many are kept, beyond which reading ends with TooManyMovesError; where none are told, as
        many as memory holds, beyond which it is an InputError.
        """
        self._most_moves = most_moves
        self._source = source
        self._dialect = dialect
        self._name = name
        self._file_limits = file_limits
        self.heeds_file_limits = file_limits != IGNORE
        self._block_delete = block_delete
        self._jobs: OrderedDict[ReaderSettings, Job] = OrderedDict()  # as many readings as are kept
        self._driven: OrderedDict[object, tuple[Job, Driven]] = OrderedDict()
        # Each beside what it was made from: as long as that is kept, nothing else is found at its address. Threads may
        # put another one in its place at any time.
        self._classes: tuple[object, Job, Classes] | None = None
        self._limits: LimitTable | None = None
        self._features: tuple[object, Job, Classes, Features] | None = None
        self._rounded: list[tuple[Features, Filtered, Features]] = []
        self._ties: tuple[object, Features, Ties] | None = None
        self._off: OrderedDict[tuple[int, Bed], tuple[Job, Notice | None]] = OrderedDict()
        self._rooms = _PlanRooms()
        self._many: ManyTimes | None = None

    def foresee(self, asks: Sequence[Ask], then: Then | None = None) -> None:
        """Nothing needs to be known before it is asked: the moves are kept."""

    def timed(self, ask: Ask) -> Timing:
        """The timing under a machine, as `timing.TimedJob` has it."""
        timing = timing_of_plan(self.planned(ask.machine, ask.varied, ask.passing, dict(ask.scaled)), ask)
        return timing if ask.total_only else timing.noting(self._off_the_bed(ask.machine))

    def _off_the_bed(self, machine: Machine) -> Notice | None:
        bed, job = bed_of(machine), self.read(machine)
        if bed is None:
            return None
        key = id(job), bed
        kept = self._off.get(key)
        if kept is None:
            kept = self._off[key] = job, off_the_bed(job, bed)
            _drop_oldest(self._off, len(job))
        return kept[1]

    def totals(self, asks: Sequence[Ask]) -> NDArray[np.float64]:
        """The total time under each of many machines (s)."""
        return self.totals_later(asks)()

    def totals_later(self, asks: Sequence[Ask]) -> Callable[[], NDArray[np.float64]]:
        """The way to that: batches set to work at once. What is wrong with the job or a machine is told at its end."""
        from kinematics.jobs.many import ManyTimes, Variant  # batches take time to load

        if self._many is None:
            self._many = ManyTimes(self)
        try:
            return self._many.totals_later([Variant(ask.machine, ask.varied) for ask in asks])
        except InputError as error:
            return partial(_raise, error)

    def anew(self) -> PreparedJob:
        """The same job with nothing kept of it yet."""
        how = self._dialect, self._name, self._file_limits, self._block_delete, self._most_moves
        return PreparedJob(self._source, *how)

    def with_moves(self) -> PreparedJob:
        """The job with all its moves at hand: itself."""
        return self

    def look_at(self, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
        """Show all moves, as a machine reads and classes them, to a fresh look."""
        job = self._driven_by(machine, self.read(machine)).job
        classes = self._classified(job, machine)
        look = fresh()
        look.add(job.moves, classes.of_move)
        return Seen(look, classes.table, self._file_limits)

    def read(self, machine: Machine) -> Job:
        """The job as this machine reads it. Raises InputError where it cannot be used, or memory does not hold it."""
        if isinstance(self._source, Job):
            return self._source
        settings = reader_settings(machine, self._dialect)
        kept = self._jobs.get(settings)
        if kept is None:
            if not isinstance(self._source, JobFile):
                self._source = job_file(self._source, self._name)  # standard input can be read only once
            options = settings.options(self._block_delete)
            most = most_moves_kept() if self._most_moves is None else self._most_moves
            try:
                kept = self._jobs[settings] = read_job(self._source, self._dialect, options, most_moves=most)
                _drop_oldest(self._jobs, len(kept))
            except TooManyMovesError:
                if self._most_moves is not None:
                    raise
                found = f"more than {most:,} moves, and this question takes all of them in memory at a time"
                allowed = f"jobs of up to {most:,} moves on this machine"
                hint = "estimate, compare, sweep and target take jobs of any length"
                raise InputError.at(self._source.name, found, allowed, hint) from None
        return kept

    def digest(self) -> str:
        """A hash of the job's bytes, as they lie on the disk or came; empty where they cannot be read."""
        if isinstance(self._source, Job):
            return ""
        if not isinstance(self._source, JobFile):
            self._source = job_file(self._source, self._name)
        return self._source.digest()

    def reading_of(self, machine: Machine) -> object:
        """What reading and cutting the job depends on of the machine; equal for machines that do both alike."""
        return reader_settings(machine, self._dialect), *_cutting(machine)

    def _classified(self, job: Job, machine: Machine) -> Classes:
        first_layers = machine.motion.first_layers.count if job.has_layers else 0
        labelled = bool(machine.motion.by_label)
        stated = bool(job.stated) and self.heeds_file_limits
        by_temperature = hangs_on_temperature(machine)
        key = (id(job), first_layers, labelled, stated, by_temperature)
        kept = self._classes
        if kept is None or kept[0] != key:
            conditions = job.conditions if stated else None
            labels = job.labels if labelled else None
            nozzle = nozzle_targets(job.events, len(job)) if by_temperature else None
            kept = self._classes = (key, job, classify(job.moves, first_layers, conditions, labels, nozzle))
        return kept[2]

    def _driven_by(self, machine: Machine, job: Job) -> Driven:
        key = (id(job), *_cutting(machine))
        kept = self._driven.get(key)
        if kept is None:
            kept = self._driven.setdefault(key, (job, driven_by(machine, job)))
            _drop_oldest(self._driven, len(kept[1].job))
        return kept[1]

    def _featured(self, driven: Driven, machine: Machine, classes: Classes, values: NDArray[np.float64]) -> Features:
        """The features of a job under a table of limits, kept as long as nothing touches them."""
        corners = corner_settings(machine, rules_deviation(values), hang_on_turns(values))
        key = (id(driven.job), id(classes), corners, driven.drive and driven.drive.mechanism)
        kept = self._features
        if kept is None or kept[0] != key:
            made = make_features(driven.job.moves, classes.of_move, corners, driven.drive, driven.whole)
            kept = self._features = (key, driven.job, classes, made)
        return kept[3]

    def _rounding(self, job: Job, features: Features, filtered: Filtered | None) -> Features:
        """The features with what filters round off, of the last few filters and budgets as they are kept."""
        if filtered is None:
            return features
        for plain, filters, found in self._rounded:
            if plain is features and filters == filtered:
                return found
        made = with_rounding(features, job.moves, filtered)
        self._rounded = [*self._rounded[1 - KEPT_ROUNDINGS :], (features, filtered, made)]
        return made

    def _tied(
        self, job: Job, machine: Machine, limits: Limits, features: Features, scaled: Mapping[str, float]
    ) -> Ties:
        """What ties speed and acceleration of the job's moves together, kept as long as nothing touches it."""
        if not limits.ties:
            return NO_TIES
        rated = tuple(bool(np.isfinite(limits.values[:, rate]).any()) for rate in (by.MOVE_RATE, by.BYTE_RATE))
        key = (
            id(features),
            machine.machine,
            machine.motors,
            machine.axes,
            limits.lookahead,
            rated,
            tuple(scaled.items()),
        )
        kept = self._ties
        if kept is None or kept[0] != key:
            kept = self._ties = (key, features, ties_of(job, machine, limits, features, *rated))
        return kept[2]

    def _limited(self, machine: Machine) -> tuple[Driven, Classes, LimitTable]:
        """The job as a machine reads and cuts it, its classes of moves, and the table of what each of these may."""
        driven = self._driven_by(machine, self.read(machine))
        classes = self._classified(driven.job, machine)
        kept = self._limits
        if kept is None or kept.table is not classes.table:
            kept = self._limits = LimitTable(classes.table, self._file_limits)
        return driven, classes, kept

    def is_planned_singly(self, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> bool:
        """Whether no batch serves: something ties speed to acceleration, or pieces of moves meet a short lookahead."""
        driven, _, table = self._limited(machine)
        limits = table.of(machine, varied)
        return limits.ties or bool(driven.whole.size and limits.lookahead)

    def limits_of_many(self, machines: Sequence[Machine], varied: frozenset[str] = NOTHING_VARIED) -> LimitsOfMany:
        """The limits of machines that share all but what they allow each class of moves."""
        driven, classes, table = self._limited(machines[0])
        first = table.of(machines[0], varied)
        if first.drives is not None or (driven.whole.size and first.lookahead):
            none = np.empty((0, len(classes.table), by.LIMITS))
            return LimitsOfMany(none, np.ones(len(machines), np.bool_), [])
        values, singly = table.of_many(machines, varied)
        ruled = np.asarray(np.isfinite(values[:, :, by.DEVIATION]).any(axis=1)).tolist()
        turned = np.asarray(np.isfinite(values[:, :, by.TURN_COLUMNS]).any(axis=(1, 2))).tolist()
        filters = rounds(machines[0])
        alike: dict[object, list[int]] = {}
        for place in np.flatnonzero(~singly).tolist():
            filtered = filtered_by(machines[place], values[place]) if filters else None
            alike.setdefault((ruled[place], turned[place], filtered), []).append(place)
        return LimitsOfMany(values, singly, list(alike.values()))

    def laid_out(
        self,
        machine: Machine,
        varied: frozenset[str] = NOTHING_VARIED,
        scaled: Mapping[str, float] = UNSCALED,
    ) -> LaidOut:
        """All that a plan of the job under a machine is made of; `varied` names the keys that a study varies, `scaled`
        factors on limits.
        """
        driven, classes, table = self._limited(machine)
        limits = table.of(machine, varied, scaled)
        job, whole, _ = driven
        plain = self._featured(driven, machine, classes, limits.values)
        features = self._rounding(job, plain, filtered_by(machine, limits.values))
        return LaidOut(job, classes, features, limits, whole, self._tied(job, machine, limits, features, scaled))

    def planned(
        self,
        machine: Machine,
        varied: frozenset[str] = NOTHING_VARIED,
        passing: bool = False,
        scaled: Mapping[str, float] = UNSCALED,
    ) -> Planned:
        """The job planned under a machine; arguments as in `laid_out`.

        The arrays of a `passing` plan are written over by the next passing one of the same thread.
        """
        job, classes, features, limits, whole, ties = self.laid_out(machine, varied, scaled)
        room = self._rooms.of_plans.room(len(job), len(classes.table)) if passing else None
        found = plan(features, limits.values, limits.lookahead, room, limits.advance, ties)
        if not passing:
            job = noting_held_flow(job, machine, classes, whole)
        return Planned(machine, job, classes, features, limits, found, varied, whole, ties)
