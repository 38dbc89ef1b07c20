"""Several copies of a job as one print: its time under a machine, from one plan of the job and the ways between copies.

What one print prints is printed for every copy, layer by layer and in the same order in each, so that every copy cools
for as long as the others take. Homing, heating and what stands before the first layer come once. The ways between
copies, and those from layer to layer, are planned like any others, from rest to rest, under the limits of the moves
that they take after. Not modelled: oozing, a lift of the nozzle that the job does not do itself, and copies turned.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import NOT_KNOWN, InputError, Notice, by_weight
from kinematics.gcode import moves as tool_path
from kinematics.gcode.job import Job, JobFacts, retractions_of
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL, WAITS, Events, Moves
from kinematics.jobs.asked import Seen, Sums
from kinematics.jobs.copies_layout import (
    INTERLEAVED,
    ONE_AFTER_ANOTHER,
    SPACING,
    Layout,
    Snippets,
    Standing,
    layout_of,
    standing,
    ways_between_copies,
    ways_between_parts,
)
from kinematics.jobs.prepared import PreparedJob, corner_settings, driven_by, rules_deviation, ties_of
from kinematics.jobs.timing import (
    Ask,
    CopiesMade,
    JobHere,
    PathSums,
    Places,
    Planned,
    Reals,
    Then,
    TimedJob,
    Timing,
    clock_of,
    event_clock,
    path_sums,
    timing_from,
    timing_of_plan,
)
from kinematics.limits import columns as by
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of
from kinematics.planner.ceilings import hang_on_turns
from kinematics.planner.features import make_features
from kinematics.planner.filtered import filtered_by, with_rounding
from kinematics.planner.plan import START, Plan, plan
from kinematics.planner.sums import lengthened
from kinematics.planner.ties import NO_TIES

FOR_EACH = (tool_path.DWELL, tool_path.TOOL_CHANGE, tool_path.RETRACTION)  # that come with every copy of a layer
TOOLS = (
    "tool change: counted for every copy, as each is printed whole in its layer; all copies with one tool first take "
    "fewer"
)
PERSON = "stop for a person in the middle of the print: counted once, however long it takes to see to every copy"
HEAT = "wait for a heater in the middle of the print: counted once for all copies"


class Copying(NamedTuple):
    """How copies of a job are made: mm between them, and layer by layer or one after another."""

    spacing: float = SPACING
    how: str = INTERLEAVED


USUAL_COPYING = Copying()
OF_MOVES = Plan._fields[: Plan._fields.index("seconds")]  # fields of a plan with one entry a move


class _Sums(NamedTuple):
    """Of some planned moves, each counted `weight` times: seconds by layer, by class and cause, and what they are."""

    layers: Reals
    seconds: Reals
    moves: int
    path: float
    speed: float


def _layer_sums(found: Plan, layer: NDArray[np.int32], weight: Reals, layers: int) -> Reals:
    return np.asarray(np.bincount(layer, weights=weight * found.duration, minlength=layers + 1), np.float64)


def _cause_sums(found: Plan, of_move: NDArray[np.uint16], weight: Reals, classes: int) -> Reals:
    """Seconds by class and cause (float64[classes, CAUSES])."""
    row = of_move.astype(np.int64) * by.CAUSES
    size = classes * by.CAUSES
    cruising = np.bincount(row + found.cruise_cause, weights=weight * found.cruising, minlength=size)
    ramps = np.bincount(row + found.ramp_cause, weights=weight * (found.rising + found.falling), minlength=size)
    return np.asarray((cruising + ramps).reshape(classes, by.CAUSES), np.float64)


def _from_rest(planned: Planned, layout: Layout) -> tuple[Reals, Reals]:
    """What it costs to begin and end every part at rest, where the job does not: seconds by layer and by cause.

    From rest to v within a move takes v/a and covers v²/2a, for which v alone takes v/2a: v/2a longer.
    """
    found, table = planned.plan, planned.classes
    layers, seconds = np.zeros(layout.layers + 1), np.zeros((len(table.table), by.CAUSES))
    ends = np.append(np.flatnonzero(np.diff(planned.whole)), len(planned.job) - 1) if planned.whole.size else None
    firsts = planned.first_pieces
    for places, speeds in (
        (layout.first if isinstance(firsts, slice) else firsts[layout.first], found.speed_in),
        (layout.last if ends is None else ends[layout.last], found.speed_out),
    ):
        longer = speeds[places] / (2.0 * found.acceleration[places])
        np.add.at(layers, planned.job.moves.layer[places], longer)
        np.add.at(seconds, (table.of_move[places], found.ramp_cause[places]), longer)
    return layers, seconds


def _moves_of(ways: Snippets, layout: Layout) -> Moves:
    """The moves of some ways; one that takes after a printing move travels."""
    taken = Moves._make(column[ways.source] for column in layout.moves)
    kind = np.where((taken.kind == PRINT) & ~ways.beside, TRAVEL, taken.kind).astype(np.int8)
    stop = np.where(ways.begins, np.uint8(1), taken.stop).astype(np.uint8)
    layer = np.where(ways.number < 0, 0, layout.layer[ways.number]).astype(np.int32)
    fed = np.where(kind == TRAVEL, np.minimum(taken.de, 0.0), taken.de)
    return taken._replace(dx=ways.dx, dy=ways.dy, dz=ways.dz, de=fed, kind=kind, stop=stop, layer=layer)


def _in_place(ways: Snippets, moves: Moves, layout: Layout) -> tuple[Moves, Places]:
    """The moves with one more before every way, from the end of the one before it to its beginning, so that each is
    where it belongs; and the number of the way's move that each is (−1 for those).
    """
    first = np.flatnonzero(ways.begins)
    steps = np.stack([moves.dx, moves.dy, moves.dz])
    sums = np.add.reduceat(steps, first, axis=1)
    start = layout.starts[:, ways.source[first]]
    end = np.concatenate([np.zeros((3, 1)), (start + sums)[:, :-1]], axis=1)
    to = start - end
    number = np.insert(np.arange(moves.kind.size), first, -1)
    joined = Moves._make(np.insert(column, first, column[first]) for column in moves)
    added = number < 0
    for axis, steps_of in enumerate((joined.dx, joined.dy, joined.dz)):
        steps_of[added] = to[axis]
    joined.kind[added], joined.de[added], joined.stop[:] = TRAVEL, 0.0, joined.stop | added
    # A way to where the tool is has no length; the planner takes it for a pause.
    idle = added & (np.abs(joined.dx) + np.abs(joined.dy) + np.abs(joined.dz) < 1e-9)
    joined.dz[idle] = 1e-6
    return joined, number


class _PlannedWays(NamedTuple):
    """Ways that are planned: `plan` of their moves and pieces, `number` of the way's move of each, their class."""

    plan: Plan
    number: Places
    of_move: NDArray[np.uint16]


def _plan_ways(planned: Planned, layout: Layout, ways: Snippets) -> _PlannedWays:
    """Plan ways from rest to rest under the limits of the job's own classes."""
    machine, limits = planned.machine, planned.limits
    moves, number = _moves_of(ways, layout), np.arange(ways.source.size)
    if isinstance(mechanism_of(machine), LinearDelta):
        moves, number = _in_place(ways, moves, layout)
    lengthy = np.abs(moves.dx) + np.abs(moves.dy) + np.abs(moves.dz) + (moves.kind == FILAMENT) * np.abs(moves.de)
    moves.dz[lengthy < 1e-9] = 1e-6  # a travel that comes to nothing where it is shifted
    nothing = Events(*(np.empty(0, column.dtype) for column in planned.job.events))
    job = Job(planned.job.name, moves, nothing, layout.layers, None, 0.0, 0, planned.job.dialect, (), ())
    driven = driven_by(machine, job)
    own = planned.classes.of_move[planned.first_pieces]
    of_move = own[ways.source[np.where(number < 0, np.roll(number, -1), number)]]
    if driven.whole.size:
        of_move, number = of_move[driven.whole], number[driven.whole]
    corners = corner_settings(machine, rules_deviation(limits.values), hang_on_turns(limits.values))
    features = make_features(driven.job.moves, of_move, corners, driven.drive, driven.whole)
    filtered = filtered_by(machine, limits.values)
    features = features if filtered is None else with_rounding(features, driven.job.moves, filtered)
    ties = NO_TIES
    if limits.ties:
        rated = bool(np.isfinite(limits.values[:, by.MOVE_RATE]).any())
        ties = ties_of(driven.job, machine, limits, features, rated, False)
    found = plan(features, limits.values, limits.lookahead, None, limits.advance, ties)
    return _PlannedWays(found, number, of_move)


class CopiesOnMachine:
    """A job that is planned under one machine, as prints of several copies: made from that plan, which may be written
    over afterwards.
    """

    def __init__(
        self, timing: Timing, planned: Planned, layout: Layout, stand: Standing, numbers: Sequence[int], passing: bool
    ) -> None:
        """`numbers` of copies that will be asked for."""
        self._timing, self._planned, self._layout, self._stand = timing, planned, layout, stand
        self._path = None if passing else path_sums(timing)
        self._clock = event_clock(planned, timing.layers)
        self._repeats(planned)
        shifts = stand.shifts
        most = max(numbers)
        steps = np.round(np.diff(shifts[:most], axis=0), 9)
        self._steps, which = np.unique(steps, axis=0, return_inverse=True)
        self._which = which.ravel()  # numpy 2.0.0 has a column here
        once = ways_between_parts(layout)
        before = once.without_extra()
        blocks = [ways_between_copies(layout, step) for step in self._steps]
        blocks.append(before)
        for number in numbers:
            first, last = shifts[0], shifts[number - 1]
            together = before if number == 1 or layout.first.size == 1 else once
            blocks.append(together.moved(first, first - last, -last))
        self._numbers = list(numbers)
        ways = Snippets._make(np.concatenate(columns) for columns in zip(*blocks, strict=True))
        self._once = once
        self._ways, of_block = ways, np.repeat(np.arange(len(blocks)), [one.source.size for one in blocks])
        found = _plan_ways(planned, layout, ways)
        self._sums = [self._sums_of(found, of_block == number) for number in range(len(blocks))]

    def _repeats(self, planned: Planned) -> None:
        """What every further copy repeats: the moves of the parts."""
        layout, job, found = self._layout, planned.job, planned.plan
        marks = np.zeros(layout.moves.kind.size + 1, np.int64)
        np.add.at(marks, layout.first, 1)
        np.add.at(marks, layout.last + 1, -1)
        self._inside = np.cumsum(marks[:-1]) > 0
        weight = (self._inside[planned.whole] if planned.whole.size else self._inside).astype(np.float64)
        classes = len(planned.classes.table)
        rested = _from_rest(planned, layout)
        self._part_layers = _layer_sums(found, job.moves.layer, weight, layout.layers) + rested[0]
        self._part_seconds = _cause_sums(found, planned.classes.of_move, weight, classes) + rested[1]
        self._passed = np.concatenate([[0.0], np.cumsum(found.duration)])
        self._passed_parts = np.concatenate([[0.0], np.cumsum(weight * found.duration)])

    def _sums_of(self, found: _PlannedWays, chosen: NDArray[np.bool_]) -> _Sums:
        layout, ways = self._layout, self._ways
        mask = (found.number >= 0) & chosen[found.number]
        columns = [*(getattr(found.plan, name)[mask] for name in OF_MOVES), found.plan.seconds, START]
        plan_of = Plan._make(columns)
        number = ways.number[found.number[mask]]
        layer = np.where(number < 0, 0, layout.layer[number]).astype(np.int32)
        ones = np.ones(layer.size)
        source, fed = ways.source[chosen], layout.moves.kind[ways.source[chosen]] == FILAMENT
        lengths = np.sqrt(ways.dx[chosen] ** 2 + ways.dy[chosen] ** 2 + ways.dz[chosen] ** 2)
        of_way = found.number[mask]
        paths = (layout.moves.kind[ways.source[of_way]] != FILAMENT) & ~ways.beside[of_way]
        return _Sums(
            _layer_sums(plan_of, layer, ones, layout.layers),
            _cause_sums(plan_of, found.of_move[mask], ones, len(self._planned.classes.table)),
            int(source.size),
            float(lengths[~fed].sum()),
            float(plan_of.speed_peak[paths].max(initial=0.0)),
        )

    def timing(self, number: int) -> Timing:
        """The timing of a print of so many copies; of one the job's own."""
        if number == 1:
            return self._timing
        timing, layout = self._timing, self._layout
        between = np.bincount(self._which[: number - 1], minlength=len(self._steps)).astype(np.float64)
        before, after = self._sums[len(self._steps)], self._sums[len(self._steps) + 1 + self._numbers.index(number)]
        ways = self._sums[: len(self._steps)]
        more = number - 1
        seconds = timing.seconds + more * self._part_seconds + (after.seconds - before.seconds)
        extra = after.layers - before.layers
        for count, one in zip(between, ways, strict=True):
            seconds = seconds + count * one.seconds
        if layout.how == INTERLEAVED:
            motion = timing.layers.motion + more * self._part_layers + extra
            for count, one in zip(between, ways, strict=True):
                motion = motion + count * one.layers
        else:
            motion = self._after_another(number, extra, ways)
        shortest = self._planned.machine.cooling.shortest_layer_s or 0.0
        layers = lengthened(motion, shortest)
        facts = self._facts(number)
        events, clock = self._events(number, motion, layers.cooling)
        made = CopiesMade(number, self._stand.most, self._stand.reason, layout.how, more * layout.first.size)
        path = None if self._path is None else self._paths(number, between, after, before)
        found = timing_from(
            facts,
            self._planned.machine,
            timing.table,
            timing.limits,
            seconds,
            layers,
            events,
            clock,
            float(motion.sum()),
            self._planned,
            path,
        )
        stops = found.stops._replace(unknown=tuple(dict.fromkeys(found.stops.unknown)))
        return found._replace(stops=stops, unbounded=timing.unbounded, copies=made)

    def _after_another(self, number: int, extra: Reals, ways: Sequence[_Sums]) -> Reals:
        """Motion of every layer of every copy, one copy after another; the way to the next belongs to the last one."""
        one = self._timing.layers.motion + extra
        last = int(self._layout.layer[0])
        once = one[1:] - self._part_layers[1:]  # what stands before and behind the part
        parts = np.tile(self._part_layers[1:], number)
        layers = self._part_layers.size - 1
        for copy, which in enumerate(self._which[: number - 1]):
            parts[copy * layers + last - 1] += ways[which].layers.sum()
        parts[-layers:] += once
        return np.concatenate([one[:1], parts])

    def _facts(self, number: int) -> JobFacts:
        layout, facts, more = self._layout, self._timing.facts, number - 1
        moves = layout.moves
        part_moves = int(self._inside.sum())
        drawn = retractions_of(Moves._make(column[self._inside] for column in moves))
        added, drawn_on_ways = self._more_moves(number)
        # What left the spool: every part of a layer is fed for each copy, and what comes between them once.
        fed = np.where(self._inside, moves.de, 0.0)
        of_part = np.concatenate([[0.0], np.cumsum(np.add.reduceat(fed, layout.first))])
        sums = np.cumsum(moves.de) + more * of_part[np.searchsorted(layout.first, np.arange(moves.kind.size), "right")]
        low, high = facts.extent if facts.extent is not None else ((0.0,) * 3, (0.0,) * 3)
        shifts = self._stand.shifts[:number]
        near, far = shifts.min(axis=0), shifts.max(axis=0)
        extent = (
            (low[0] + float(near[0]), low[1] + float(near[1]), low[2]),
            (high[0] + float(far[0]), high[1] + float(far[1]), high[2]),
        )
        labels = self._planned.job.labels.of_job if self._planned.machine.motion.by_label else None
        return facts._replace(
            moves=facts.moves + more * part_moves + added,
            layers=facts.layers * (1 if layout.how == INTERLEAVED else number),
            extent=extent,
            filament=float(max(0.0, sums.max(initial=0.0))),
            notices=by_weight((*facts.notices, *self._notices())),
            retractions=facts.retractions + more * drawn + drawn_on_ways,
            labels=facts.labels if facts.labels is not None else labels,
        )

    def _more_moves(self, number: int) -> tuple[int, int]:
        """How many moves more the ways of a print of several copies have than those of the job, and how many of them
        draw filament back.
        """
        layout, extra = self._layout, self._once.source[self._once.extra]
        source = np.concatenate([np.repeat(way.source, number - 1) for way in layout.ways])
        source = np.concatenate([source, extra]) if layout.first.size > 1 else source
        drawn = (layout.moves.kind[source] == FILAMENT) & (layout.moves.de[source] < 0.0)
        return int(source.size), int(np.count_nonzero(drawn))

    def _inside_events(self) -> NDArray[np.bool_]:
        """Whether an event stands within a part."""
        move = self._whole_of(self._planned.job.events.move)
        return np.asarray(np.append(self._inside, False)[move] & np.append(False, self._inside)[move])

    def _notices(self) -> list[Notice]:
        """What is doubtful about copies of this job."""
        events = self._planned.job.events
        move = self._whole_of(events.move)
        amid = (move > self._layout.first[0]) & (move <= self._layout.last[-1])
        found = []
        for kinds, text in (((tool_path.TOOL_CHANGE,), TOOLS), ((tool_path.PAUSE,), PERSON), (WAITS, HEAT)):
            lines = events.line[np.isin(events.kind, kinds) & amid]
            if lines.size:
                found.append(Notice(int(lines[0]), int(lines.size), text, "stops", NOT_KNOWN))
        return found

    def _whole_of(self, move: Places) -> Places:
        """The whole moves of some moves as they are planned; one behind the last stays so."""
        return np.append(self._planned.whole, self._inside.size)[move] if self._planned.whole.size else move

    def _events(self, number: int, motion: Reals, cooling: Reals) -> tuple[Events, Reals]:
        """The events of a print of several copies, those that come with every copy as often, and its clock at each."""
        events, layout = self._planned.job.events, self._layout
        times = np.where(np.isin(events.kind, FOR_EACH) & self._inside_events(), number, 1)
        times[self._changes_back()] += number - 1
        clock, amid = self._clock, self._whole_of(events.move) > layout.first[0]
        if np.any(np.isin(events.kind, WAITS) & amid):  # what is told of a heater and waited for stands side by side
            passed = self._passed[events.move] + (number - 1) * self._passed_parts[events.move]
            whole = self._passed[-1] + (number - 1) * self._passed_parts[-1]
            after = np.append(self._planned.job.moves.layer, layout.layers + 1)[events.move].astype(np.int64)
            later = clock_of(passed * (float(motion.sum()) / whole), after, cooling[: layout.layers + 1])
            clock = np.where(amid, later, clock)
        return Events._make(np.repeat(column, times) for column in events), np.repeat(clock, times)

    def _changes_back(self) -> list[int]:
        """The last tool change of each part that ends with another tool than it begins with: the next copy needs the
        first one back. The tool before the first change is taken to be the one that an even number of them leads to.
        """
        events = self._planned.job.events
        places = np.flatnonzero(events.kind == tool_path.TOOL_CHANGE)
        move, tool = self._whole_of(events.move[places]), events.value[places]
        found = []
        for first, last in zip(self._layout.first, self._layout.last, strict=True):
            begin, end = np.searchsorted(move, first, "right"), np.searchsorted(move, last, "right")
            if end > begin and (tool[end - 1] != tool[begin - 1] if begin else (end - begin) % 2):
                found.append(int(places[end - 1]))
        return found

    def _paths(self, number: int, between: Reals, after: _Sums, before: _Sums) -> PathSums:
        assert self._path is not None
        path, layout, more = self._path, self._layout, number - 1
        moves, inside = layout.moves, self._inside
        lengths = np.sqrt(moves.dx**2 + moves.dy**2 + moves.dz**2)
        on_path = inside & (moves.kind != FILAMENT)
        ways = self._sums[: len(self._steps)]
        used = [(count, one) for count, one in zip(between, ways, strict=True) if count > 0.0]
        longer = sum(count * one.path for count, one in used) + after.path - before.path
        counts = np.bincount(moves.layer[inside], minlength=layout.layers + 1)
        per_layer = np.zeros(layout.layers + 1, np.int64)
        for number_of, way in enumerate(layout.ways):
            per_layer[layout.layer[number_of]] += way.source.size
        layer_moves = path.layer_moves + more * (counts + per_layer)
        if layout.how == ONE_AFTER_ANOTHER:
            single = counts[1:] + per_layer[1:]
            layer_moves = np.concatenate([path.layer_moves[:1], np.tile(single, more), path.layer_moves[1:]])
        return PathSums(
            path.path + more * float(lengths[on_path].sum()) + longer,
            path.printed + more * float(lengths[inside & (moves.kind == PRINT)].sum()),
            path.filament_speed,
            path.line,
            path.print_speed,
            max([path.travel_speed, after.speed, *(one.speed for _, one in used)]),
            layer_moves,
        )


class CopiedJob(JobHere):
    """A job of which so many copies are printed at a time; one copy is the job itself.

    Its moves are kept in memory, whatever its size: the ways between copies hang on where each layer begins and ends.
    """

    keeps_moves = True

    def __init__(self, job: TimedJob, number: int = 1, copying: Copying = USUAL_COPYING) -> None:
        self._job, self._number, self._copying = job, number, copying
        self.heeds_file_limits = job.heeds_file_limits
        self._layout: tuple[Moves, Layout] | None = None

    def _whole(self) -> PreparedJob:
        job = self._job.with_moves()
        assert isinstance(job, PreparedJob)  # the only one that keeps moves and plans them
        return job

    def with_moves(self) -> CopiedJob:
        """The job with its moves at hand: itself."""
        return self

    def look_at(self, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
        """Show the moves of one copy to a fresh look: those of others are the same."""
        return self._job.look_at(machine, fresh)

    def is_planned_singly(self, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> bool:
        """Whether it is planned one machine after the other, as copies are."""
        return self._number > 1 or self._whole().is_planned_singly(machine, varied)

    def digest(self) -> str:
        """A hash of the job's bytes, with how many copies of it there are."""
        digest = self._job.digest()
        return f"{digest} {self._number} {self._copying}" if digest and self._number > 1 else digest

    def foresee(self, asks: Sequence[Ask], then: Then | None = None) -> None:
        """Nothing needs to be known before it is asked: the moves are kept."""

    def timed(self, ask: Ask) -> Timing:
        """The timing of the print under a machine. Raises InputError where so many copies do not fit on its bed, or
        cannot be made as they should be.
        """
        if self._number == 1:
            return self._job.timed(ask)
        return self.timings(ask, [self._number])[0]

    def totals(self, asks: Sequence[Ask]) -> NDArray[np.float64]:
        """The total time under each of many machines (s)."""
        if self._number == 1:
            return self._job.totals(asks)
        return np.array([self.timed(ask._replace(passing=True, total_only=True)).total for ask in asks])

    def timings(self, ask: Ask, numbers: Sequence[int] | None = None) -> list[Timing]:
        """The timings of prints of some numbers of copies, from one to as many as fit where none is told."""
        planned = self._whole().planned(ask.machine, ask.varied, ask.passing, dict(ask.scaled))
        timing = timing_of_plan(planned, ask)
        stand = self.standing(ask.machine)
        numbers = range(1, stand.most + 1) if numbers is None else numbers
        if max(numbers) > stand.most:
            found = f"{max(numbers)} copies do not fit on the bed: {stand.reason}"
            raise InputError.at(timing.facts.name, found, f"up to {stand.most}")
        if max(numbers) == 1 or timing.unbounded:
            return [timing for _ in numbers]
        layout = self._layout_of(planned)
        found_on = CopiesOnMachine(timing, planned, layout, stand, list(numbers), ask.passing)
        return [found_on.timing(number) for number in numbers]

    def standing(self, machine: Machine) -> Standing:
        """Where copies stand on a machine's bed."""
        facts = self._whole().read(machine).facts
        return standing(facts.name, facts.extent, machine, self._copying.spacing)

    @property
    def how(self) -> str:
        """How copies are made: layer by layer, or one after another."""
        return self._copying.how

    def _layout_of(self, planned: Planned) -> Layout:
        """The layout of a job, kept as long as it is read alike."""
        kept = self._layout
        if kept is None or kept[0] is not planned.job.moves:
            kept = self._layout = (planned.job.moves, layout_of(planned, self._copying.how))
        return kept[1]
