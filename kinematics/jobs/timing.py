"""One job under one machine: all of its seconds, and what they were spent under, in a maker's words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, Notice, by_weight
from kinematics.gcode.job import Job, JobFacts
from kinematics.gcode.labels import LabelNames
from kinematics.gcode.moves import FILAMENT, PRINT, WAITS, Events
from kinematics.jobs.asked import Seen, Sums
from kinematics.jobs.stops import StopTimes, stops_of
from kinematics.limits import columns as by
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.limits.classes import Classes, MoveClass
from kinematics.limits.combine import ADVANCE_KEY, CAP_WORDS, Limits
from kinematics.limits.drive import torque_key
from kinematics.machine import Machine
from kinematics.planner.ceilings import is_unbounded
from kinematics.planner.features import NOT_CUT, Features
from kinematics.planner.plan import Plan
from kinematics.planner.sums import PATH_SUMS, LayerTimes, add_path, layer_times
from kinematics.planner.ties import NO_TIES, Ties

ALL_JOBS = "all jobs"  # in place of one job's name

Then = Callable[["Timing"], "Sequence[Ask]"]
Result = TypeVar("Result")
Reals = NDArray[np.float64]
Places = NDArray[np.int64]
IDLE = -1  # in place of a cause: moves that do not cruise, or have no ramp


class Planned(NamedTuple):
    """A job planned under one machine; `varied` the keys that a study varied.

    `whole` the number of the file's move that each move of `job` is a piece of, empty where none is cut.
    """

    machine: Machine
    job: Job
    classes: Classes
    features: Features
    limits: Limits
    plan: Plan
    varied: frozenset[str]
    whole: NDArray[np.int64] = NOT_CUT
    ties: Ties = NO_TIES

    @property
    def moves_of_file(self) -> int:
        """How many moves the file has."""
        return int(self.whole[-1]) + 1 if self.whole.size else len(self.job)

    @property
    def first_pieces(self) -> NDArray[np.int64] | slice:
        """Where the first piece of every move of the file stands: every move where none is cut."""
        return np.flatnonzero(np.diff(self.whole, prepend=-1)) if self.whole.size else slice(None)


class Ask(NamedTuple):
    """A machine under which a job is to be timed, and the keys that a study varies; only times where `passing`.

    `scaled` factors on limits by key, infinity for one that is lifted; `total_only` where nobody asks for causes, which
    a job in blocks then does not tell.
    """

    machine: Machine
    varied: frozenset[str] = NOTHING_VARIED
    passing: bool = False
    scaled: tuple[tuple[str, float], ...] = ()
    total_only: bool = False

    def answers(self, other: Ask) -> bool:
        """Whether the timing of this ask is that of another one too."""
        if (self.passing and not other.passing) or (self.total_only and not other.total_only):
            return False
        return self.varied == other.varied and self.scaled == other.scaled and self.machine == other.machine


class PathSums(NamedTuple):
    """What an estimate tells of the path of a planned job.

    `path`, `printed` lengths (mm); `filament_speed` the fastest that filament is fed at while printing (mm/s) and
    `line` of that move (None where nothing is printed); `print_speed`, `travel_speed` the fastest of moves that print
    and of those that travel (mm/s); `layer_moves` int64[layers + 1] moves of each layer.
    """

    path: float
    printed: float
    filament_speed: float
    line: int | None
    print_speed: float
    travel_speed: float
    layer_moves: NDArray[np.int64]

    @classmethod
    def of(cls, sums: Reals, line: int | None, layer_moves: NDArray[np.int64]) -> PathSums:
        """From sums as in `planner.sums.add_path`."""
        path, printed, filament_speed, print_speed, travel_speed = sums.tolist()
        return cls(path, printed, filament_speed, line, print_speed, travel_speed, layer_moves)

    @property
    def speed(self) -> float:
        """The fastest of moves with a path (mm/s)."""
        return max(self.print_speed, self.travel_speed)


class Gist(NamedTuple):
    """What is kept of a plan without its moves: their labels, and int64[combinations, 4] how many moves of which class
    are held by which causes: class, cause while cruising, cause on ramps (IDLE: there is none), moves.
    """

    labels: LabelNames
    ruled: NDArray[np.int64]


class CopiesMade(NamedTuple):
    """Of a print of several copies: how many, how many fit and why no more (`reason`), `how` they are made (layer by
    layer, or one after another), and `extra_travels` from one to the next.
    """

    number: int
    most: int
    reason: str
    how: str
    extra_travels: int


class Timing(NamedTuple):
    """A job's time (s): motion, dwells, stops of known length, what the shortest layer time adds; and all by cause.

    `table`, `limits`, `seconds` the classes of moves, what each may, and its seconds by cause, as in `Classes`,
    `Limits` and `Plan`. Of a job in one piece `planned` is the plan; of one in blocks `path` is what was kept instead
    (None where it was not asked for), and of one that was timed elsewhere `gist` as well. `unbounded` says that a limit
    was lifted and some move was left without a ceiling of speed or of acceleration: then no other number counts.
    `copies` of a print of several (None: of one).
    """

    facts: JobFacts
    table: tuple[MoveClass, ...]
    limits: Limits
    seconds: NDArray[np.float64]
    layers: LayerTimes
    stops: StopTimes
    motion: float
    cooling: float
    by_cause: dict[str, float]
    planned: Planned | None
    path: PathSums | None
    unbounded: bool = False
    copies: CopiesMade | None = None
    gist: Gist | None = None

    @property
    def total(self) -> float:
        """Everything together (s)."""
        return self.motion + self.stops.dwell + self.stops.total + self.cooling

    def noting(self, notice: Notice | None) -> Timing:
        """The same with one notice more, if there is one."""
        if notice is None:
            return self
        return self._replace(facts=self.facts._replace(notices=by_weight((*self.facts.notices, notice))))

    def whole_plan(self) -> Planned:
        """The plan of every move, of one copy where there are several. Raises InputError for a job in blocks, whose
        moves are not kept.
        """
        if self.planned is None:
            found = "a job so large that it is read in blocks, whose moves are not kept"
            hint = "--moves FILE writes every move; in Python give estimate() what read_gcode() returns"
            raise InputError.at(self.facts.name, found, "times by job and by layer", hint)
        return self.planned


def clock_of(
    passed: NDArray[np.float64], layer_after: NDArray[np.int64], cooling: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Time of motion and added cooling before every event (s).

    `passed` time of motion before each event (s), `layer_after` the layer of the move after it (the number of layers
    where there is none), `cooling` what is added to each layer (s); of several machines a column each.
    """
    before: NDArray[np.float64] = np.concatenate([np.zeros_like(cooling, shape=(1, *cooling.shape[1:])), cooling])
    before = before.cumsum(axis=0)[layer_after]
    return passed + before


def event_clock(planned: Planned, layers: LayerTimes) -> NDArray[np.float64]:
    """Time of motion and added cooling before every event (s)."""
    events, moves = planned.job.events, planned.job.moves
    clock = np.zeros(events.kind.size)
    waits = np.flatnonzero(np.isin(events.kind, WAITS))
    if waits.size == 0:
        return clock
    # Nobody asks what time it is after the last wait.
    asked = slice(0, int(waits[-1]) + 1)
    before = events.move[asked]
    last = int(before.max())
    passed = np.concatenate([[0.0], np.cumsum(planned.plan.duration[:last])])[before]
    after = np.append(moves.layer[: last + 1], planned.job.layers + 1)[before]
    clock[asked] = clock_of(passed, after, layers.cooling)
    return clock


def timing_from(
    facts: JobFacts,
    machine: Machine,
    table: tuple[MoveClass, ...],
    limits: Limits,
    seconds: NDArray[np.float64],
    layers: LayerTimes,
    events: Events,
    clock: NDArray[np.float64],
    motion: float,
    planned: Planned | None,
    path: PathSums | None = None,
) -> Timing:
    """A timing from the sums of its moves; `clock` the time of motion and cooling before each event (s)."""
    stops = stops_of(events, machine, clock, facts)
    by_cause = motion_causes(table, limits, seconds)
    cooling = math.fsum(layers.cooling)
    beside = {DWELL_CAUSE: stops.dwell, **stops.seconds, COOLING_CAUSE: cooling}
    by_cause |= {kind: spent for kind, spent in beside.items() if spent > 0.0}
    return Timing(facts, table, limits, seconds, layers, stops, motion, cooling, by_cause, planned, path)


class TimedJob(Protocol):
    """A job that can be timed under one machine after the other, however it is read and kept."""

    @property
    def heeds_file_limits(self) -> bool:
        """Whether limits stated in the job have a say."""

    @property
    def keeps_moves(self) -> bool:
        """Whether its moves stay at hand, so that another question takes no reading."""

    def foresee(self, asks: Sequence[Ask], then: Then | None = None) -> None:
        """Take note of what will be asked, and of what will be once the first of `asks` is timed."""

    def timed(self, ask: Ask) -> Timing:
        """The timing under a machine. Raises InputError where the job cannot be read."""

    def totals(self, asks: Sequence[Ask]) -> NDArray[np.float64]:
        """The total time under each of many machines (s). Raises InputError where the job cannot be read."""

    def totals_later(self, asks: Sequence[Ask]) -> Callable[[], NDArray[np.float64]]:
        """The way to `totals`: batches over moves at hand, and jobs that are elsewhere, set to work at once."""

    def is_planned_singly(self, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> bool:
        """Whether many machines like this one take a plan each, rather than a batch over moves at hand."""

    def with_moves(self) -> TimedJob:
        """The job with all its moves at hand, for a study that looks at every one of them."""

    def look_at(self, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
        """Show all moves, as a machine reads and classes them, to a look that is made `fresh` whenever it begins."""

    def digest(self) -> str:
        """A hash of the job's bytes; empty where they cannot be read."""

    def later(self, question: Callable[..., Result], *more: Any) -> Callable[[], Result]:
        """The way to the answer of `question(job, *more)`: one at hand answers when that is called, one that is
        elsewhere sets to work at once.
        """
        ...


class JobHere:
    """A job of this process: it answers when it is asked."""

    def later(self, question: Callable[..., Result], *more: Any) -> Callable[[], Result]:
        """The way to the answer of a question: see `TimedJob`."""
        return lambda: question(self, *more)

    def totals_later(self, asks: Sequence[Ask]) -> Callable[[], NDArray[np.float64]]:
        """The way to the total time under each of many machines (s): see `TimedJob`."""
        return self.later(totals_of_job, asks)


def each(jobs: Sequence[TimedJob], question: Callable[..., Result], *more: Any) -> list[Result]:
    """What `question(job, *more)` answers for each job, in their order; all that are elsewhere are asked at once.

    The question is a function of a module; what it is given and what it answers can be pickled. Raises InputError as it
    does.
    """
    answers = [job.later(question, *more) for job in jobs]
    return [answer() for answer in answers]


def foresee(jobs: Sequence[TimedJob], asks: Sequence[Ask], then: Then | None = None) -> None:
    """Tell jobs what they will be timed under: one that does not keep its moves is then read once for all of it."""
    for job in jobs:
        job.foresee(asks, then)


def time_job(
    job: TimedJob,
    machine: Machine,
    varied: frozenset[str] = NOTHING_VARIED,
    passing: bool = False,
    scaled: tuple[tuple[str, float], ...] = (),
    total_only: bool = False,
) -> Timing:
    """Time a job under a machine; the rest as in `Ask`: keys that a study varies win over limits stated in the job.

    The plan of a `passing` timing is written over by the next passing one; its sums stay. Raises InputError where the
    job cannot be read.
    """
    return job.timed(Ask(machine, varied, passing, scaled, total_only))


def _timed(job: TimedJob, ask: Ask) -> Timing:
    return job.timed(ask)


def time_jobs(
    jobs: Sequence[TimedJob],
    machine: Machine,
    varied: frozenset[str] = NOTHING_VARIED,
    passing: bool = False,
    scaled: tuple[tuple[str, float], ...] = (),
    total_only: bool = False,
) -> list[Timing]:
    """Time jobs under a machine, as `time_job` does each."""
    return each(jobs, _timed, Ask(machine, varied, passing, scaled, total_only))


def totals_of_job(job: TimedJob, asks: Sequence[Ask]) -> NDArray[np.float64]:
    """The total time of a job under each of many machines (s): a question for jobs wherever they are."""
    return job.totals(asks)


def totals_of(jobs: Sequence[TimedJob], asks: Sequence[Ask]) -> NDArray[np.float64]:
    """The total time of each job under each of many machines (float64[jobs, asks], s)."""
    return totals_later(jobs, asks)()


def totals_later(jobs: Sequence[TimedJob], asks: Sequence[Ask]) -> Callable[[], NDArray[np.float64]]:
    """The way to `totals_of`; batches over moves at hand, and jobs that are elsewhere, set to work at once."""
    answers = [job.totals_later(asks) for job in jobs]
    return lambda: np.stack([answer() for answer in answers])


def weighted_total(timings: Iterable[Timing], weights: Sequence[float]) -> float:
    """The time of all jobs together, each as often as its weight says (s)."""
    return math.fsum(weight * one.total for weight, one in zip(weights, timings, strict=True))


def timing_of_plan(planned: Planned, ask: Ask) -> Timing:
    """The timing of a plan of all moves."""
    job, found, limits, machine = planned.job, planned.plan, planned.limits, planned.machine
    lifted = any(factor == math.inf for _, factor in ask.scaled)
    unbounded = lifted and is_unbounded(planned.features, limits.values, limits.advance, planned.ties)
    shortest = machine.cooling.shortest_layer_s or 0.0
    layers = layer_times(job.moves.layer, found.duration, job.layers, shortest)
    return timing_from(
        job.facts._replace(moves=planned.moves_of_file),
        machine,
        planned.classes.table,
        limits,
        found.seconds,
        layers,
        job.events,
        event_clock(planned, layers),
        float(found.duration.sum()),
        planned,
    )._replace(unbounded=unbounded)


def path_sums(timing: Timing) -> PathSums:
    """What an estimate tells of the path: of a job in blocks what was kept, else summed over all moves.

    The fastest flow is r·v_peak of a printing move (r filament a path length), of equals the first.
    """
    if timing.path is not None:
        return timing.path
    planned = timing.whole_plan()
    moves, features, sums = planned.job.moves, planned.features, np.zeros(PATH_SUMS)
    peak = planned.plan.speed_peak
    highest = add_path(moves.kind, features.length, features.ratio, peak, 0, peak.size, sums)
    layer_moves = np.bincount(moves.layer[planned.first_pieces], minlength=planned.job.layers + 1)
    return PathSums.of(sums, int(moves.line[highest]) if highest >= 0 else None, layer_moves)


def gist_of(timing: Timing) -> Gist | None:
    """What is kept of a plan without its moves; None of a job in blocks, whose moves are not kept."""
    if timing.gist is not None or timing.planned is None:
        return timing.gist
    planned = timing.planned
    found, of_move = planned.plan, planned.classes.of_move.astype(np.int64)
    cruise = np.where(found.cruising > 0.0, found.cruise_cause.astype(np.int64), IDLE)
    ramp = np.where(found.rising + found.falling > 0.0, found.ramp_cause.astype(np.int64), IDLE)
    kinds = by.CAUSES + 1
    counts = np.bincount((of_move * kinds + cruise + 1) * kinds + ramp + 1)
    codes = np.flatnonzero(counts)
    columns = codes // kinds**2, codes // kinds % kinds - 1, codes % kinds - 1, counts[codes]
    return Gist(planned.job.labels.of_job, np.stack(columns, axis=1).astype(np.int64))


def without_moves(timing: Timing, total_only: bool = False) -> Timing:
    """A timing as it goes from one process to another: what is told of the path and the gist of the plan, no moves.

    Of one that was asked for its total alone no limits and no causes either.
    """
    if total_only:
        nothing = np.empty(0)
        return timing._replace(
            table=(),
            limits=Limits(np.empty((0, by.LIMITS)), {}, None, (), np.empty((0, 2)), None, frozenset()),
            seconds=np.empty((0, by.CAUSES)),
            layers=LayerTimes(nothing, nothing),
            planned=None,
            path=None,
        )
    return timing._replace(planned=None, path=path_sums(timing), gist=gist_of(timing))


# What follows in every list of causes when its seconds are summed over a job.
DWELL_CAUSE, COOLING_CAUSE, FILAMENT_CAUSE, CORNER_CAUSE = (
    "dwell",
    "cooling: shortest layer time",
    "extruder-only moves",
    "corners",
)


class Cause(NamedTuple):
    """Time spent under one cause: its name, seconds, and share of the total."""

    cause: str
    seconds: float
    share: float


TORQUE_ENDING = ".torque_nm"  # a motor runs no faster than its torque curve tells


def summed(seconds: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Seconds by name, in the order in which names come first; those of one name together."""
    totals: dict[str, float] = {}
    for name, spent in seconds:
        totals[name] = totals.get(name, 0.0) + spent
    return totals


def causes_in(seconds: Mapping[str, float], total: float) -> tuple[Cause, ...]:
    """Causes of a `total` (s), most seconds first."""
    ordered = sorted(seconds.items(), key=lambda item: -item[1])
    return tuple(Cause(name, spent, spent / total) for name, spent in ordered)


def cause_name(table: Sequence[MoveClass], limits: Limits, row: int, code: int) -> str:
    """The name of a cause for one class of moves; `table` the classes as in `Classes`."""
    kind = table[row].kind
    if kind == FILAMENT:
        return FILAMENT_CAUSE
    ceiling = by.OF_CAUSE[code]
    words = ceiling.words if kind == PRINT else ceiling.travel_words or ceiling.words
    key = "" if ceiling.column is None else limits.origins.get((row, ceiling.column), "")
    if ceiling.hangs_on in (by.ON_MOTORS, by.ON_OWN_SPEED):
        names = limits.motors if ceiling.hangs_on == by.ON_MOTORS else limits.drives.names if limits.drives else ()
        name = dict(enumerate(names)).get(ceiling.motor, str(ceiling.motor + 1))
        fastest = ceiling.feature == "motor" and ceiling.bounds == by.OF_SPEED and key.endswith(TORQUE_ENDING)
        return f"top speed of motor {name}" if fastest else words.format(motor=name)
    if key.endswith(TORQUE_ENDING):
        return f"top speed of motor {key.split('.')[1]}"
    if key.startswith("motors."):
        own = by.MOTOR_1_SPEED if ceiling.bounds == by.OF_SPEED else by.MOTOR_1_ACCELERATION
        return by.OF_CAUSE[own].words.format(motor=key.split(".")[1])
    return CAP_WORDS.get((key, ceiling.column or 0), words)


def key_of(limits: Limits, row: int, code: int) -> str:
    """The dotted key that stands behind a cause for one class of moves."""
    if by.DRIVE_1 <= code <= by.DRIVE_4 and limits.drives is not None:
        return torque_key(limits.drives.names[code - by.DRIVE_1])
    if code == by.ADVANCE:
        return ADVANCE_KEY
    column = by.OF_CAUSE[code].column
    return "" if column is None else limits.origins.get((row, column), "")


def motion_causes(table: Sequence[MoveClass], limits: Limits, seconds: NDArray[np.float64]) -> dict[str, float]:
    """Seconds of motion by cause; `table` as in `Classes`, `seconds` float64[classes, CAUSES] as in `Plan`."""
    places = np.argwhere(seconds > 0.0).tolist()
    return summed((cause_name(table, limits, row, code), float(seconds[row, code])) for row, code in places)


def main_cause(seconds: dict[str, float], total: float) -> str:
    """The cause with most seconds, with its share; what is shown beside a candidate."""
    name = max(seconds, key=lambda cause: seconds[cause])
    return f"{name} ({seconds[name] / total:.0%})"
