"""What a live page is about: a machine, the jobs on its shelf, and the answers that are kept for the next question."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from kinematics.business.runs import OrderBook
from kinematics.jobs.timing import Ask, Timing, time_job
from kinematics.machine import Machine
from kinematics.page.knobs import changed_machine
from kinematics.page.shelf import Shelf, ShelfJob
from kinematics.reports.page import Names

FEWEST_PLANS, MOST_PLANS = 2, 8  # of single jobs that are kept with all their moves …
MOST_MOVES = 5_000_000  # … and of how many moves: some 70 bytes each


@dataclass(frozen=True)
class Explorer:
    """A machine as the command line names it, and jobs.

    `words` what the machine is called, `machine_name` what it was loaded by, `laid_over` the settings that material and
    `--set` laid over that; `started_by` the command, its files by their bare names; `names` cuts paths of the disk;
    `orders` where they were given.
    """

    machine: Machine
    words: str
    machine_name: str
    laid_over: Mapping[str, Any]
    shelf: Shelf
    started_by: str
    names: Names
    orders: OrderBook | None = None
    _plans: OrderedDict[tuple[int, Machine], Timing] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def told(self, value: Any) -> Any:
        """Plain data with every text in it free of paths of the disk and of what is no text."""
        if isinstance(value, str):
            return self.names.told(value)
        if isinstance(value, Mapping):
            return {self.names.told(str(name)): self.told(one) for name, one in value.items()}
        if isinstance(value, Sequence):
            return [self.told(one) for one in value]
        return value

    def timed_anew(self, jobs: Sequence[ShelfJob], settings: Mapping[str, Any]) -> list[Timing]:
        """Each job under the machine with settings: as `estimate --set` times it, its sums alone.

        Raises InputError where the machine does not take them.
        """
        machine = changed_machine(self.machine, settings)
        return [one.prepared.timed(Ask(machine, passing=True, total_only=True)) for one in jobs]

    def planned(self, jobs: Sequence[ShelfJob], machine: Machine) -> list[Timing]:
        """The same with every move at hand; the last few are kept."""
        return [self._planned(one, machine) for one in jobs]

    def _planned(self, job: ShelfJob, machine: Machine) -> Timing:
        key = job.number, machine
        with self._lock:
            if key in self._plans:
                self._plans.move_to_end(key)
                return self._plans[key]
        found = time_job(job.prepared, machine)
        here = {one.number for one in self.shelf.jobs()}
        with self._lock:
            self._plans[key] = found
            for other in [other for other in self._plans if other[0] not in here]:
                del self._plans[other]
            moves = sum(one.facts.moves for one in self._plans.values())
            while len(self._plans) > FEWEST_PLANS and (len(self._plans) > MOST_PLANS or moves > MOST_MOVES):
                moves -= self._plans.popitem(last=False)[1].facts.moves
        return found
