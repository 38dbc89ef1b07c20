"""Jobs that are timed elsewhere, to all studies like any others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.fleet.asking import Answer, Failure, Recipe
from kinematics.fleet.crews import Crew
from kinematics.gcode.chunks import JobFile
from kinematics.jobs.asked import Seen, Sums
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, Then, TimedJob, Timing, totals_of_job, without_moves
from kinematics.limits.class_limits import IGNORE, NOTHING_VARIED
from kinematics.machine import Machine

Result = TypeVar("Result")
Timings = Callable[[], "Sequence[Timing | Failure]"]


class SentJob:
    """A job that a crew times: questions go there, answers come back without moves."""

    def __init__(self, recipe: Recipe, crew: Crew) -> None:
        self._recipe, self._crew = recipe, crew
        self._key = ""
        self._foreseen: list[tuple[tuple[Ask, ...], Timings]] = []
        self.heeds_file_limits = recipe.file_limits != IGNORE
        self.keeps_moves = recipe.made().keeps_moves  # as far as is known; whoever times it knows better

    def later(self, question: Callable[..., Result], *more: Any) -> Callable[[], Result]:
        """The way to the answer of a question, on which the crew sets to work: see `timing.TimedJob`."""
        if not self._key:
            if not self._crew.is_here:
                digest = JobFile(self._recipe.path, self._recipe.name).digest()
                self._recipe = self._recipe.to_send()._replace(content=digest)
            self._key = self._recipe.key()
        return partial(self._taken, self._crew.ask(self._recipe, self._key, question, more))

    def _taken(self, answer: Callable[[], Answer]) -> Any:
        found, self.keeps_moves = answer()
        if isinstance(found, Failure):
            raise InputError(*found.findings)
        return found

    def foresee(self, asks: Sequence[Ask], then: Then | None = None) -> None:
        """Have the crew time all of it; what will be asked `then` it is told when that is known."""
        new = tuple(ask for ask in asks if self._known(ask) is None)
        if new:
            self._foreseen.append((new, self.later(_timed_as_foreseen, new)))

    def _known(self, ask: Ask) -> tuple[Timings, int] | None:
        """The way to the timings among which that of an ask is, and its place."""
        for asks, timings in reversed(self._foreseen):
            for place, one in enumerate(asks):
                if one is ask or (_may_answer(one, ask) and (one.machine is ask.machine or one.machine == ask.machine)):
                    return timings, place
        return None

    def timed(self, ask: Ask) -> Timing:
        """The timing under a machine, without moves. Raises InputError where the job cannot be read."""
        known = self._known(ask)
        if known is None:
            self.foresee([ask])
            known = self._known(ask)
        assert known is not None  # it has just been foreseen
        timings, place = known
        found = timings()[place]
        if isinstance(found, Failure):
            raise InputError(*found.findings)
        return found

    def totals(self, asks: Sequence[Ask]) -> NDArray[np.float64]:
        """The total time under each of many machines (s). Raises InputError where the job cannot be read."""
        return self.totals_later(asks)()

    def totals_later(self, asks: Sequence[Ask]) -> Callable[[], NDArray[np.float64]]:
        """The way to that, on which the crew sets to work."""
        return self.later(totals_of_job, asks)

    def is_planned_singly(self, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> bool:
        """Whether many machines like this one take a plan each: see `timing.TimedJob`."""
        return self.later(_is_planned_singly, machine, varied)()

    def look_at(self, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
        """Show all moves to a look: see `timing.TimedJob`."""
        found: Seen[Sums] = self.later(_looked_at, machine, fresh)()
        return found

    def with_moves(self) -> TimedJob:
        """The job in this process, with all its moves at hand."""
        job = self._recipe.made().with_moves()
        assert self._recipe.copies > 1 or isinstance(job, PreparedJob)
        return job

    def digest(self) -> str:
        """A hash of the job's bytes; empty where they cannot be read."""
        return self._recipe.made().digest()


def _may_answer(one: Ask, other: Ask) -> bool:
    """Whether the timing of an ask tells what another one on the same machine wants: its moves nobody has."""
    return (not one.total_only or other.total_only) and (one.varied, one.scaled) == (other.varied, other.scaled)


def _timed_as_foreseen(job: TimedJob, asks: Sequence[Ask]) -> list[Timing | Failure]:
    """The timings of a job under several machines, which it is told beforehand."""
    job.foresee(asks)
    found: list[Timing | Failure] = []
    for ask in asks:
        try:
            found.append(without_moves(job.timed(ask), ask.total_only))
        except InputError as error:
            found.append(Failure(error.findings))
    return found


def _is_planned_singly(job: TimedJob, machine: Machine, varied: frozenset[str]) -> bool:
    return job.is_planned_singly(machine, varied)


def _looked_at(job: TimedJob, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
    return job.look_at(machine, fresh)
