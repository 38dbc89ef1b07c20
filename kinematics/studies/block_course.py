"""The way of a job in blocks: where its portions are cut, and which block is planned when."""

from __future__ import annotations

import operator
from collections import deque
from collections.abc import Collection, Sequence
from concurrent.futures import Executor, Future

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.job import JobFacts
from kinematics.gcode.moves import BED_TARGET, NOZZLE_TARGET, WAITS, Events
from kinematics.gcode.portions import Portion
from kinematics.studies.block_plan import Block, BlockSums, Terms, last_rest, plan_to_cut, plan_to_rest
from kinematics.studies.block_sums import Classing, Lane, Way
from kinematics.studies.timing import Ask, Timing

IN_WORK = 4  # blocks at a time that are planned or wait for that
HEATER_EVENTS = (NOZZLE_TARGET, BED_TARGET, *WAITS)  # the only ones whose length hangs on the clock


class Course:
    """Takes a job's portions in file order, cuts them into blocks, and sums these under every ask."""

    def __init__(
        self, asks: Sequence[Ask], file_limits: str, stated: bool, deviating: Collection[Ask], pool: Executor
    ) -> None:
        """`stated` whether stated limits count; `deviating` asks whose DeviationError has been met before."""
        ways = [Way(ask.machine.motion.first_layers.count, bool(ask.machine.motion.by_label), stated) for ask in asks]
        kinds = list(dict.fromkeys(ways))
        self._classings = [Classing(way) for way in kinds]
        self._lanes = [
            Lane(ask, number, self._classings[number], file_limits, any(ask.answers(one) for one in deviating))
            for ask, number in zip(asks, map(kinds.index, ways), strict=True)
        ]
        self._pool = pool
        self._work: deque[tuple[Future[list[BlockSums]], list[int]]] = deque()
        self._rest: Block | None = None
        self._begin, self._end = 0, 0  # numbers of the first move of the rest and of the next move to come
        self._enough = 0  # moves that a block must have before another attempt to cut it without a rest
        self._last_terms: tuple[list[Terms], list[Terms], list[int]] | None = None
        self._events: list[Events] = []
        self._event_count = 0
        self._asked: list[NDArray[np.int64]] = [np.zeros(0, np.int64)]  # events whose clock counts
        self._waiting = np.zeros(0, np.int64)  # the moves before which those of them stand that no block has had yet
        self._after: list[NDArray[np.int64]] = []  # the layers after those that a block has had

    def add(self, portion: Portion) -> None:
        """Plan what can be planned with the next portion. Raises DeviationError."""
        self._take_events(portion.events)
        size = int(portion.moves.kind.size)
        if size == 0:
            return
        self._end += size
        block = Block(portion.moves, tuple(classing.numbers(portion) for classing in self._classings), 0)
        self._rest = block if self._rest is None else self._rest.followed_by(block)
        end = last_rest(self._rest)
        if end > 0:
            self._plan_to_rest(end)
        elif self._rest.size >= self._enough:
            self._plan_to_cut()

    def timings(self, facts: JobFacts) -> list[Timing]:
        """Plan what is left, and give the timing of the whole job under every ask."""
        if self._rest is not None and self._rest.size:
            self._plan_to_rest(self._rest.size)
        self._take_results(0)
        events = Events(*(np.concatenate(columns) for columns in zip(*self._events, strict=True)))
        after = np.concatenate([*self._after, np.full(self._waiting.size, facts.layers + 1)])
        return [lane.timing(facts, events, np.concatenate(self._asked), after) for lane in self._lanes]

    def _take_events(self, events: Events) -> None:
        """Keep the events of a portion, with moves numbered from the start of the job."""
        before = self._event_count
        self._event_count += events.kind.size
        moves = events.move + self._end
        self._events.append(events._replace(move=moves))
        asked = np.flatnonzero(np.isin(events.kind, HEATER_EVENTS))
        if asked.size:
            self._asked.append(before + asked)
            self._waiting = np.concatenate([self._waiting, moves[asked]])

    def _asked_before(self, block: Block, end: int) -> NDArray[np.int64]:
        """The moves of a block up to `end` before which the time is asked for; their layers are kept."""
        count = int(np.searchsorted(self._waiting, self._begin + end))
        asked = self._waiting[:count] - self._begin
        self._waiting = self._waiting[count:]
        self._after.append(block.moves.layer[asked].astype(np.int64))
        return asked

    def _terms(self) -> tuple[list[Terms], list[int]]:
        """What a block is planned under, and for every lane the number of its terms; equal ones are planned once."""
        of_lanes = [lane.terms() for lane in self._lanes]
        if self._last_terms is not None and all(map(operator.is_, of_lanes, self._last_terms[0])):
            return self._last_terms[1:]
        found: list[Terms] = []
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

    def _plan_to_rest(self, end: int) -> None:
        """Have the rest planned up to a node at which motion rests."""
        assert self._rest is not None
        part = self._rest.part(0, end, self._rest.kept)
        terms, numbers = self._terms()
        asked = self._asked_before(part, end)
        self._work.append((self._pool.submit(plan_to_rest, part, terms, asked), numbers))
        self._drop(end, 0)
        self._take_results(IN_WORK)

    def _plan_to_cut(self) -> None:
        """Plan the rest as far as nothing behind it matters, if that is far enough."""
        assert self._rest is not None
        block = self._rest
        asked = self._waiting[: np.searchsorted(self._waiting, self._end)] - self._begin
        terms, numbers = self._terms()
        cut = plan_to_cut(block, terms, asked)
        if cut is None:
            self._enough = 2 * block.size
            return
        self._asked_before(block, cut.end)
        done: Future[list[BlockSums]] = Future()
        done.set_result(cut.sums)
        self._work.append((done, numbers))
        self._drop(cut.begin, cut.end - cut.begin)
        self._take_results(IN_WORK)

    def _drop(self, begin: int, kept: int) -> None:
        """Keep the moves of the rest from `begin` on, the first `kept` of which have been summed."""
        assert self._rest is not None
        self._rest = self._rest.part(begin, self._rest.size, kept)
        self._begin += begin
        self._enough = 0

    def _take_results(self, left: int) -> None:
        """Add up planned blocks in file order, until no more than `left` are in work."""
        while len(self._work) > left:
            sums, numbers = self._work.popleft()
            for lane, number in zip(self._lanes, numbers, strict=True):
                lane.add(sums.result()[number])
