"""A job portion by portion: what comes in is planned as far as it is certain, summed, and dropped.

All machines that are asked for are planned side by side, each from the node that it has come to. Where motion rests,
everything up to there is certain for all of them; where no rest comes for long, each goes on as far as nothing behind
can change its plan (`planner.plan`). What is kept of the moves is what has still to be planned, and before it as much
of the path as the ceilings to come see.
"""

from __future__ import annotations

import math
import operator
import threading
from collections import defaultdict, deque
from collections.abc import Collection, Sequence
from concurrent.futures import Executor, Future
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.job import JobFacts
from kinematics.gcode.moves import BED_TARGET, EVENT_NAMES, FILAMENT, NOZZLE_TARGET, WAITS, Events, Moves
from kinematics.gcode.portions import Portion
from kinematics.jobs.asked import OffTheBed, bed_of
from kinematics.jobs.prepared import corner_settings, rules_deviation
from kinematics.jobs.timing import Ask, PathSums, Places, Reals, Timing, clock_of, timing_from
from kinematics.lanes import LANES
from kinematics.limits import columns as by
from kinematics.limits.classes import Classing, Way
from kinematics.limits.combine import Limits, limits_of
from kinematics.machine.mechanisms import CrossedBelt, has_coupled_limits, mechanism_of
from kinematics.planner.ceilings import hang_on_turns, is_unbounded
from kinematics.planner.corners import NOTHING_BEFORE, Before
from kinematics.planner.cuts import before_run, last_known, lead_in
from kinematics.planner.features import CornerSettings, Drive, FeatureRoom, Features, make_features
from kinematics.planner.filtered import Filtered, filtered_by, with_rounding
from kinematics.planner.plan import START, Node, Plan, PlanRoom, plan
from kinematics.planner.sums import FASTEST_FEED, PATH_SUMS, PRINTED_MM, add_path, lengthened, new_layers, sums_by_layer
from kinematics.planner.ties import NO_TIES

TAIL = 1024  # moves at the end of what is at hand that are looked through before those before them


class AtHand(NamedTuple):
    """Moves of a job, in file order; `classes` the class of every move, one array for each way of classing; `before`
    what of the first move's run lies before it.
    """

    moves: Moves
    classes: tuple[NDArray[np.uint16], ...]
    before: Before = NOTHING_BEFORE

    def part(self, begin: int, end: int, before: Before = NOTHING_BEFORE) -> AtHand:
        """The moves from `begin` to `end`, and what lies before them."""
        moves = Moves._make(column[begin:end] for column in self.moves)
        return AtHand(moves, tuple(column[begin:end] for column in self.classes), before)

    def followed_by(self, portion: Portion, classes: Sequence[NDArray[np.uint16]]) -> AtHand:
        """These moves and the next as one; `classes` of the next."""
        both = zip(self.classes, classes, strict=True)
        return AtHand(portion.led_by(self.moves), tuple(map(np.concatenate, both)), self.before)

    @property
    def size(self) -> int:
        """Number of moves."""
        return int(self.moves.kind.size)


def last_rest(moves: Moves, begin: int) -> int:
    """The last node behind `begin`, but the end of the moves, at which motion rests; 0 where there is none."""
    kind, stop = moves.kind, moves.stop
    size, end = TAIL, kind.size
    while end > begin:
        first = max(begin, end - size)
        before = np.flatnonzero((kind[first:end] == FILAMENT) | (stop[first:end] != 0))
        if before.size and first + int(before[-1]) > begin:
            return first + int(before[-1])
        end, size = first, 8 * size
    return 0


IN_WORK = 4  # blocks at a time that are planned or wait for that
# By kind of event: whether it is a heater's, the only ones whose length hangs on the clock.
OF_HEATERS = np.isin(np.arange(len(EVENT_NAMES)), (NOZZLE_TARGET, BED_TARGET, *WAITS))
NO_PLACES = np.empty((3, 0))  # crossed belts turn alike everywhere


# ---- what is planned, and what is kept of it -----------------------------------------------------------------------


class BlockTerms(NamedTuple):
    """Under what moves are planned: which of their ways of classing, the limits of those classes, and so on.

    `mechanism` whose coupled motors are limited; `limits` float64[classes, LIMITS]; `sight` how far their ceilings see;
    `sums_path` whether lengths and peaks are asked for; `total_only` whether nobody asks for causes; `in_place` the
    limits that hold where none is lifted (None: none is), under which moves are planned that the others leave
    unbounded; `filtered` what rounds the path.
    """

    way: int
    corners: CornerSettings
    mechanism: CrossedBelt | None
    limits: Reals
    sight: by.Sight
    lookahead: int | None
    sums_path: bool
    total_only: bool
    in_place: Reals | None = None
    filtered: Filtered | None = None

    @property
    def kind(self) -> tuple[Any, ...]:
        """All but the limits; batches take terms of one kind."""
        return self.way, self.corners, self.mechanism, self.filtered, self.lookahead

    def plans_as(self, other: BlockTerms) -> bool:
        """Whether plans under both are the same, and what they leave without a ceiling."""
        if self.kind != other.kind or (self.in_place is None) != (other.in_place is None):
            return False
        pairs = (self.limits, other.limits), (self.in_place, other.in_place)
        return all(one is None or another is None or np.array_equal(one, another) for one, another in pairs)


class Task(NamedTuple):
    """The moves at hand under one set of terms, from a node on."""

    terms: BlockTerms
    begin: Node


class BlockSums(NamedTuple):
    """What is kept of the moves that one task has planned, up to the node `certain`.

    `seconds` float64[classes, CAUSES]; `motion` (s); `layer`, `layer_seconds`, `layer_moves` of the layers that occur;
    `passed` time from the task's first move to each of those moves that was asked for (s); `path` as `planner.sums`,
    with the line of the fastest flow; `unbounded` whether a lifted limit leaves some move without a ceiling.
    """

    certain: Node
    seconds: Reals
    motion: float
    layer: NDArray[np.int32]
    layer_seconds: Reals
    layer_moves: Places
    passed: Reals
    path: Reals
    line: int
    unbounded: bool


class PlannedBlock(NamedTuple):
    """The sums of each task, the first move that is needed for what is still to be planned, and what of its run lies
    before it.
    """

    sums: list[BlockSums]
    needed: int
    before: Before = NOTHING_BEFORE


class _BlockRooms(threading.local):
    """Arrays for plans, kept from block to block by every thread."""

    def __init__(self) -> None:
        self.plan = PlanRoom()
        # By number: of equal numbers the later features are written over the earlier.
        self.features: defaultdict[int, FeatureRoom] = defaultdict(FeatureRoom)
        self.batch = FeatureRoom()


_ROOMS = _BlockRooms()


def plan_tasks(block: AtHand, tasks: Sequence[Task], asked: Places, goes_on: bool) -> PlannedBlock:
    """Plan moves under each of several terms; `asked` moves before which the time is asked for.

    `goes_on` says that motion does behind the moves: then they are planned as far as that is of no account.
    """
    made = _features(block, [task.terms for task in tasks])
    begins = new_layers(block.moves.layer)
    sights = [task.terms.sight for task in tasks]
    known = [_known(*one) if goes_on else None for one in zip(made, tasks, strict=True)]
    sums: dict[int, BlockSums] = {}
    for group in _batches(tasks):
        first = group[0]
        least = min((node for number in group if (node := known[number]) is not None), default=None)
        found = _batch_sums(block, made[first], least, [tasks[number] for number in group], asked, begins)
        sums.update(zip(group, found, strict=True))
    for number, task in enumerate(tasks):
        if number not in sums:
            sums[number] = _sums(block, made[number], known[number], task, asked, begins)
    found = [sums[number] for number in range(len(tasks))]
    if not goes_on:
        return PlannedBlock(found, block.size)
    last = min(one.certain.move for one in found)
    needed = min(lead_in(one, last, sight) for one, sight in zip(made, sights, strict=True))
    return PlannedBlock(found, needed, before_run(made[0], block.moves, needed, block.before))


def _known(features: Features, task: Task) -> int:
    """The last node of which the moves at hand tell the ceiling under a task, as far as it is planned."""
    terms = task.terms
    return last_known(
        features, terms.sight, [terms.limits] if terms.in_place is None else [terms.limits, terms.in_place]
    )


def _features(block: AtHand, terms: Sequence[BlockTerms]) -> list[Features]:
    """The features of moves under each of several terms; what they share is made once.

    They hold until this thread makes the next.
    """
    made: dict[object, Features] = {}
    found = []
    for one in terms:
        move_class, kind = block.classes[one.way], (one.corners, one.mechanism, one.filtered)
        if kind not in made:
            room = _ROOMS.features[len(made)]
            drive = None if one.mechanism is None else Drive(one.mechanism, NO_PLACES)
            plain = make_features(block.moves, move_class, one.corners, drive, room=room, before=block.before)
            made[kind] = with_rounding(plain, block.moves, one.filtered)
        found.append(made[kind]._replace(move_class=move_class))
    return found


def _planned(features: Features, known: int | None, task: Task) -> tuple[Plan, bool]:
    """The plan of a task, and whether a lifted limit leaves some move unbounded: then with that limit in place."""
    terms = task.terms
    advance = np.zeros((terms.limits.shape[0], 2))
    room = _ROOMS.plan.room(features.length.size, terms.limits.shape[0])
    unbounded = terms.in_place is not None and is_unbounded(features, terms.limits, advance, NO_TIES)
    limits = terms.in_place if unbounded and terms.in_place is not None else terms.limits
    return plan(features, limits, terms.lookahead, room, begin=task.begin, known=known), unbounded


def _within(asked: Places, begin: int, end: int) -> Places:
    """Those of some moves that lie from `begin` to `end`."""
    return asked[slice(*asked.searchsorted((begin, end)))]


def _begins(begins: Places, begin: int, end: int) -> Places:
    """The moves with which layers begin among those from `begin` to `end`, the first one included."""
    return np.concatenate([[begin] if end > begin else [], _within(begins, begin + 1, end)]).astype(np.int64)


def _sums(block: AtHand, features: Features, known: int | None, task: Task, asked: Places, begins: Places) -> BlockSums:
    """Plan one task and sum what is certain; `begins` as `new_layers` tells them."""
    found, unbounded = _planned(features, known, task)
    begin, end, moves = task.begin.move, found.certain.move, block.moves
    duration = found.duration[begin:end]
    marks = _within(asked, begin, end)
    passed = np.zeros(0)
    if marks.size:
        passed = np.concatenate([[0.0], np.cumsum(duration[: int(marks[-1]) - begin])])[marks - begin]
    path, highest = np.zeros(PATH_SUMS), -1
    if task.terms.sums_path:
        highest = add_path(moves.kind, features.length, features.ratio, found.speed_peak, begin, end, path)
    line = int(moves.line[highest]) if highest >= 0 else -1
    by_layer = sums_by_layer(moves.layer[begin:end], duration, _begins(begins, begin, end) - begin)
    motion = float(duration.sum())
    return BlockSums(found.certain, found.seconds, motion, *by_layer, passed, path, line, unbounded)


def _batches(tasks: Sequence[Task]) -> list[list[int]]:
    """The numbers of tasks that are timed together: causes and lifted limits ask for plans of their own.

    So does one that is left over beside full rows: a row for it alone takes longer.
    """
    alike: dict[tuple[Any, ...], list[int]] = {}
    for number, (terms, begin) in enumerate(tasks):
        if terms.total_only and not terms.sums_path and terms.in_place is None:
            alike.setdefault((terms.kind, begin.move), []).append(number)
    return [group[: len(group) - (len(group) % LANES == 1)] for group in alike.values() if len(group) > 1]


def _batch_sums(
    block: AtHand, features: Features, known: int | None, tasks: Sequence[Task], asked: Places, begins: Places
) -> list[BlockSums]:
    """The sums of moves under several terms that differ in their limits alone, without causes."""
    from kinematics.planner.batch import batch_features, batch_times  # batches take time to load

    begin = tasks[0].begin.move
    begins = _begins(begins, begin, block.size)
    # Layers at hand from 1 on, in file order.
    number = np.repeat(np.arange(begins.size + 1, dtype=np.int32), np.diff(begins, prepend=0, append=block.size))
    marks = _within(asked, begin, block.size)
    times = batch_times(
        batch_features(features, number, _ROOMS.batch),
        [task.terms.limits for task in tasks],
        tasks[0].terms.lookahead,
        begins.size,
        marks,
        workers=1,
        begin=begin,
        square=np.array([task.begin.square for task in tasks]),
        known=known,
    )
    passed = {end: _within(marks, begin, end).size for end in set(times.certain.tolist())}
    used = {end: begins[begins < end] for end in passed}
    return [
        BlockSums(
            Node(end, square),
            np.zeros((task.terms.limits.shape[0], by.CAUSES)),
            motion,
            block.moves.layer[used[end]],
            times.layers[1 : used[end].size + 1, i],
            np.diff(used[end], append=end),
            times.passed[: passed[end], i],
            np.zeros(PATH_SUMS),
            -1,
            False,
        )
        for i, (task, end, square, motion) in enumerate(
            zip(tasks, times.certain.tolist(), times.square.tolist(), times.motion.tolist(), strict=True)
        )
    ]


# ---- sums of a whole job -------------------------------------------------------------------------------------------


class EveryMoveError(Exception):
    """A limit stated in the job takes every move at hand."""


class DeviationError(Exception):
    """Junction deviation turned out to rule part of a job under this ask, so that short runs count from the start."""

    def __init__(self, ask: Ask) -> None:
        super().__init__(ask)
        self.ask = ask


def _longer(array: Reals, size: int) -> Reals:
    """At least `size` entries, those behind the old ones 0."""
    if array.shape[0] >= size:
        return array
    return np.concatenate([array, np.zeros((max(size, 2 * array.shape[0]) - array.shape[0], *array.shape[1:]))])


class Lane:
    """The way of a job under one machine: the node that planning has come to, and the sums up to there.

    `way` is the number of the `classing`; `by_deviation` says that junction deviation is known to rule part of the job.
    """

    def __init__(self, ask: Ask, way: int, classing: Classing, file_limits: str, by_deviation: bool) -> None:
        self._ask = ask
        self._way = way
        self._classing = classing
        self._file_limits = file_limits
        self._by_deviation = by_deviation
        self._limits = np.empty((0, by.LIMITS))
        self._in_place = np.empty((0, by.LIMITS)) if any(factor == math.inf for _, factor in ask.scaled) else None
        self._sight = by.Sight()
        self._terms: BlockTerms | None = None
        self._unbounded = False
        self._seconds = np.zeros((0, by.CAUSES))
        self._motion = 0.0
        self._layers, self._layer_moves = np.zeros(1), np.zeros(1)
        self._path = np.zeros(PATH_SUMS)
        self._line: int | None = None
        self._passed: list[Reals] = []
        self.at = START  # in moves of the job

    def terms(self) -> BlockTerms:
        """What moves with the classes so far are planned under. Raises DeviationError, EveryMoveError."""
        known, table = self._limits.shape[0], self._classing.table
        machine = self._ask.machine
        if self._terms is not None and known == len(table):
            return self._terms
        found: list[Limits] = []
        if known < len(table):
            scaled = dict(self._ask.scaled)
            limits = limits_of(machine, table[known:], self._file_limits, self._ask.varied, scaled)
            if limits.need_every_move:
                raise EveryMoveError
            values = limits.values
            if rules_deviation(values) and not self._by_deviation:
                if known:
                    raise DeviationError(self._ask)
                self._by_deviation = True
            found.append(limits)
            self._limits = np.concatenate([self._limits, values])
            if self._in_place is not None:
                found.append(limits_of(machine, table[known:], self._file_limits, self._ask.varied))
                self._in_place = np.concatenate([self._in_place, found[-1].values])
        turns = hang_on_turns(self._limits if self._in_place is None else self._in_place)
        corners = corner_settings(machine, self._by_deviation, turns)
        lookahead, sums_path = machine.motion.lookahead_moves, not self._ask.passing
        filtered = filtered_by(machine, self._limits)
        around = corners.around(lookahead, math.inf if filtered is None else filtered.reach)
        self._sight = by.furthest([self._sight, *(limits.sight(around) for limits in found)])
        mechanism = mechanism_of(machine)
        belts = mechanism if isinstance(mechanism, CrossedBelt) and has_coupled_limits(machine) else None
        how = self._way, corners, belts, self._limits, self._sight, lookahead
        self._terms = BlockTerms(*how, sums_path, self._ask.total_only, self._in_place, filtered)
        return self._terms

    def add(self, sums: BlockSums) -> None:
        """Add the sums of the next moves."""
        self._unbounded |= sums.unbounded
        if sums.layer.size == 0:
            return
        classes = sums.seconds.shape[0]
        self._seconds = _longer(self._seconds, classes)
        if not self._ask.total_only:  # of which some blocks tell causes, and some do not
            self._seconds[:classes] += sums.seconds
        self._passed.append(self._motion + sums.passed)
        self._motion += sums.motion
        first, last = int(sums.layer[0]), int(sums.layer[-1]) + 1
        # Layers never go down, so there is none between them where there are as many as numbers.
        layers = slice(first, last) if last - first == sums.layer.size else sums.layer
        self._layers = _longer(self._layers, last)
        self._layers[layers] += sums.layer_seconds
        if self._ask.passing:
            return
        self._layer_moves = _longer(self._layer_moves, last)
        self._layer_moves[layers] += sums.layer_moves
        if sums.path[FASTEST_FEED] > self._path[FASTEST_FEED]:
            self._line = sums.line
        self._path[: PRINTED_MM + 1] += sums.path[: PRINTED_MM + 1]
        self._path[FASTEST_FEED:] = np.maximum(self._path[FASTEST_FEED:], sums.path[FASTEST_FEED:])

    def timing(self, facts: JobFacts, events: Events, asked: Places, after: Places) -> Timing:
        """The timing of the whole job; `asked` the events whose clock counts, `after` the layer after each of them."""
        machine, order = self._ask.machine, self._classing.order()
        table = tuple(self._classing.table[i] for i in order)
        shortest = machine.cooling.shortest_layer_s or 0.0
        layers = lengthened(_longer(self._layers, facts.layers + 1)[: facts.layers + 1], shortest)
        passed = np.concatenate([*self._passed, np.full(asked.size, self._motion)])[: asked.size]
        clock = np.zeros(events.kind.size)
        clock[asked] = clock_of(passed, after, layers.cooling)
        return timing_from(
            facts,
            machine,
            table,
            limits_of(machine, table, self._file_limits, self._ask.varied, dict(self._ask.scaled)),
            _longer(self._seconds, len(order))[order],
            layers,
            events,
            clock,
            self._motion,
            None,
            None if self._ask.passing else self._path_sums(facts.layers),
        )._replace(unbounded=self._unbounded)

    def _path_sums(self, layers: int) -> PathSums:
        moves = _longer(self._layer_moves, layers + 1)[: layers + 1].astype(np.int64)
        return PathSums.of(self._path, self._line, moves)


# ---- the way of a job ----------------------------------------------------------------------------------------------


class Course:
    """Takes a job's portions in file order, and plans and sums them under every ask."""

    def __init__(
        self, asks: Sequence[Ask], file_limits: str, stated: bool, deviating: Collection[Ask], pool: Executor
    ) -> None:
        """`stated` whether stated limits count; `deviating` asks whose DeviationError has been met before.

        `off` is to be shown the portions beside (`asked.walked`).
        """
        ways = [Way(ask.machine.motion.first_layers.count, bool(ask.machine.motion.by_label), stated) for ask in asks]
        kinds = list(dict.fromkeys(ways))
        self._classings = [Classing(way) for way in kinds]
        self._lanes = [
            Lane(ask, number, self._classings[number], file_limits, any(ask.answers(one) for one in deviating))
            for ask, number in zip(asks, map(kinds.index, ways), strict=True)
        ]
        self._beds = [None if ask.total_only else bed_of(ask.machine) for ask in asks]
        self.off = {bed: OffTheBed(bed) for bed in self._beds if bed is not None}
        self._pool = pool
        self._work: deque[tuple[Future[PlannedBlock], list[int]]] = deque()
        self._at_hand: AtHand | None = None
        self._begin, self._end = 0, 0  # numbers of the first move at hand and of the next to come
        self._enough = 0  # moves at hand before another attempt to plan them without a rest
        self._last_terms: tuple[list[BlockTerms], list[BlockTerms], list[int]] | None = None
        self._events: list[Events] = []
        self._event_count = 0
        self._asked: list[Places] = [np.zeros(0, np.int64)]  # events whose clock counts
        self._marks = np.zeros(0, np.int64)  # the moves before which those of them stand that some lane has not passed
        self._coming = np.zeros(0, np.int64)  # those of them that are not at hand yet
        self._after: list[Places] = []  # the layers after those that have been at hand

    def add(self, portion: Portion) -> None:
        """Plan what can be planned with the next portion. Raises DeviationError."""
        self._take_events(portion.events)
        if portion.moves.kind.size == 0:
            return
        here = self._coming < self._end + portion.moves.kind.size
        self._after.append(portion.moves.layer[self._coming[here] - self._end].astype(np.int64))
        self._coming = self._coming[~here]
        self._end += int(portion.moves.kind.size)
        told = portion.moves, portion.has_layers, portion.conditions, portion.labels
        classes = tuple(classing.numbers(*told) for classing in self._classings)
        held = self._at_hand
        self._at_hand = AtHand(portion.moves, classes) if held is None else held.followed_by(portion, classes)
        end = last_rest(self._at_hand.moves, max(lane.at.move for lane in self._lanes) - self._begin)
        if end > 0:
            self._plan_to_rest(self._at_hand, end)
        elif self._at_hand.size >= self._enough:
            self._plan_on(self._at_hand)

    def timings(self, facts: JobFacts) -> list[Timing]:
        """Plan what is left, and give the timing of the whole job under every ask."""
        if self._at_hand is not None and self._at_hand.size:
            self._plan_to_rest(self._at_hand, self._at_hand.size)
        self._take_results(0)
        events = Events(*(np.concatenate(columns) for columns in zip(*self._events, strict=True)))
        after = np.concatenate([*self._after, np.full(self._coming.size, facts.layers + 1)])
        asked, lanes = np.concatenate(self._asked), zip(self._lanes, self._beds, strict=True)
        return [lane.timing(facts, events, asked, after).noting(bed and self.off[bed].notice) for lane, bed in lanes]

    def _take_events(self, events: Events) -> None:
        """Keep the events of a portion, with moves numbered from the start of the job."""
        before = self._event_count
        self._event_count += events.kind.size
        moves = events.move + self._end
        self._events.append(events._replace(move=moves))
        asked = np.flatnonzero(OF_HEATERS[events.kind])
        if asked.size:
            self._asked.append(before + asked)
            self._marks = np.concatenate([self._marks, moves[asked]])
            self._coming = np.concatenate([self._coming, moves[asked]])

    def _terms(self) -> tuple[list[BlockTerms], list[int]]:
        """What is planned under, and for every lane the number of its terms; equal ones are planned once."""
        of_lanes = [lane.terms() for lane in self._lanes]
        if self._last_terms is not None and all(map(operator.is_, of_lanes, self._last_terms[0])):
            return self._last_terms[1:]
        found: list[BlockTerms] = []
        numbers = []
        for terms in of_lanes:
            number = next((i for i, one in enumerate(found) if one.plans_as(terms)), len(found))
            if number == len(found):
                found.append(terms)
            else:  # one plan for all of them, which tells what any of them asks for
                known = found[number]
                sums_path, total_only = known.sums_path or terms.sums_path, known.total_only and terms.total_only
                found[number] = known._replace(sums_path=sums_path, total_only=total_only)
            numbers.append(number)
        self._last_terms = of_lanes, found, numbers
        return found, numbers

    def _tasks(self) -> tuple[list[Task], list[int]]:
        """What is to be planned from where, and for every lane the number of its task."""
        terms, numbers = self._terms()
        kinds = [(number, lane.at) for number, lane in zip(numbers, self._lanes, strict=True)]
        places = {kind: i for i, kind in enumerate(dict.fromkeys(kinds))}
        tasks = [Task(terms[number], at._replace(move=at.move - self._begin)) for number, at in places]
        return tasks, [places[kind] for kind in kinds]

    def _plan_to_rest(self, at_hand: AtHand, end: int) -> None:
        """Have the moves at hand planned up to a node at which motion rests."""
        tasks, numbers = self._tasks()
        work = self._pool.submit(
            plan_tasks, at_hand.part(0, end, at_hand.before), tasks, self._marks - self._begin, False
        )
        rest = Node(self._begin + end, 0.0)
        for lane in self._lanes:
            lane.at = rest
        self._go_on((work, numbers), at_hand, end, NOTHING_BEFORE)

    def _plan_on(self, at_hand: AtHand) -> None:
        """Plan the moves at hand as far as nothing behind them matters, in every lane."""
        tasks, numbers = self._tasks()
        planned = plan_tasks(at_hand, tasks, self._marks - self._begin, True)
        done: Future[PlannedBlock] = Future()
        done.set_result(planned)
        for lane, number in zip(self._lanes, numbers, strict=True):
            certain = planned.sums[number].certain
            lane.at = certain._replace(move=self._begin + certain.move)
        self._go_on((done, numbers), at_hand, planned.needed, planned.before)
        self._enough = 2 * (at_hand.size - planned.needed)

    def _go_on(self, work: tuple[Future[PlannedBlock], list[int]], at_hand: AtHand, begin: int, before: Before) -> None:
        """Drop the moves at hand up to `begin`, which are being planned; `before` is what is told of them."""
        self._work.append(work)
        self._at_hand = at_hand.part(begin, at_hand.size, before)
        self._begin += begin
        if self._marks.size:
            self._marks = self._marks[np.searchsorted(self._marks, min(lane.at.move for lane in self._lanes)) :]
        self._enough = 0
        self._take_results(IN_WORK)

    def _take_results(self, left: int) -> None:
        """Add up planned moves in file order, until no more than `left` blocks are in work."""
        while len(self._work) > left:
            work, numbers = self._work.popleft()
            for lane, number in zip(self._lanes, numbers, strict=True):
                lane.add(work.result().sums[number])
