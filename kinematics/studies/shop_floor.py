"""The shop floor, simulated once: printers take pieces, people take them off and start the next."""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Generator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.studies.staffed import Staff

if TYPE_CHECKING:
    import simpy

PRINTING, FAILED, WAITING, HANDS, SPOOL = "printing", "failed print", "waiting for people", "hands", "spool change"
Process = Generator["simpy.Event", Any, Any]


class Station(NamedTuple):
    """One printer: its name, when people are there, whether it prints without them, hands' work (s), filament on a full
    spool (g, infinity where not known), share of prints that fail, and from when it is free (s).
    """

    name: str
    staff: Staff
    unattended: bool = True
    turnaround: float = 0.0
    spool_change: float = 0.0
    spool: float = math.inf
    failed_share: float = 0.0
    free_from: float = 0.0


class Wanted(NamedTuple):
    """One order: when it is there and due (s; infinity for no date), pieces, material, and for each printer the time of
    a print (s; infinity where it cannot be printed) and its filament (g).
    """

    arrives: float
    due: float
    quantity: int
    material: str
    seconds: tuple[float, ...]
    grams: tuple[float, ...]


class Bar(NamedTuple):
    """What a printer did for an order from when to when (s): numbers of printer and order, and one of the words."""

    station: int
    order: int
    what: str
    begins: float
    ends: float


class Run(NamedTuple):
    """One run: every bar, and when each order's pieces were taken off (s), in that order."""

    bars: tuple[Bar, ...]
    done: tuple[tuple[float, ...], ...]


class Floor:
    """The state of one run.

    A free printer takes the most urgent order that it can print (earliest due date, then order of the list), once
    somebody is there. Without unattended running it takes only what will be ready and taken off before people leave. A
    finished print stays on the printer until somebody has time to take it off; only then the next may start. A print
    that fails is noticed at its end and printed again. Not modelled: prints put off so that a long one runs over night,
    breaks, holidays, and the time that a failed print is stopped early.
    """

    def __init__(
        self, stations: Sequence[Station], orders: Sequence[Wanted], people: int, start: float, seed: Sequence[int]
    ) -> None:
        import simpy

        self._stations = stations
        self._orders = orders
        self._seed = seed
        self._draws: dict[int, np.random.Generator] = {}
        self._env = simpy.Environment(initial_time=start)
        self._people = simpy.Resource(self._env, capacity=people)
        self._news = self._env.event()
        self._all_done = self._env.event()
        self._left = [order.quantity for order in orders]
        self._waiting: list[tuple[float, int]] = []  # due, number of the order
        self._to_come = sum(self._left)
        self._bars: list[Bar] = []
        self._done: list[list[float]] = [[] for _ in orders]

    def run(self) -> Run:
        """Run until every piece is done."""
        self._env.process(self._arrivals())
        for number in range(len(self._stations)):
            self._env.process(self._printer(number))
        if self._to_come:
            self._env.run(until=self._all_done)
        return Run(tuple(self._bars), tuple(tuple(moments) for moments in self._done))

    def _arrivals(self) -> Process:
        for number in sorted(range(len(self._orders)), key=lambda i: self._orders[i].arrives):
            wait = self._orders[number].arrives - self._env.now
            if wait > 0.0:
                yield self._env.timeout(wait)
            self._put(number)

    def _put(self, number: int) -> None:
        """Let an order wait for a printer, and tell the idle ones."""
        entry = (self._orders[number].due, number)
        if entry not in self._waiting:
            insort(self._waiting, entry)
        news, self._news = self._news, self._env.event()
        news.succeed()

    def _printer(self, number: int) -> Process:
        station = self._stations[number]
        if station.free_from > self._env.now:
            yield self._env.timeout(station.free_from - self._env.now)
        loaded, left = "", station.spool
        while True:
            opens = station.staff.next_open(self._env.now)
            if opens > self._env.now:
                yield self._env.timeout(opens - self._env.now)
            order = self._taken(number, loaded, left)
            if order is None:
                yield self._until_something_changes(station)
                continue
            wanted = self._orders[order]
            grams = wanted.grams[number]
            if _needs_spool(wanted, grams, loaded, left):
                yield from self._hands(number, order, SPOOL, station.spool_change)
                left = station.spool
            loaded = wanted.material or loaded
            if not self._may_start(station, wanted.seconds[number]):
                self._give_back(order)
                continue
            left -= grams
            begins = self._env.now
            yield self._env.timeout(wanted.seconds[number])
            failed = self._fails(order, station.failed_share)
            self._bars.append(Bar(number, order, FAILED if failed else PRINTING, begins, self._env.now))
            yield from self._hands(number, order, HANDS, station.turnaround)
            if failed:
                self._give_back(order)
            else:
                self._finish(order)

    def _until_something_changes(self, station: Station) -> simpy.Event:
        """News of an order, or the next opening, when what would not have been ready today may be started."""
        if station.unattended or station.staff.always:
            return self._news
        closes = station.staff.open_until(self._env.now)
        return self._news | self._env.timeout(station.staff.next_open(closes) - self._env.now)

    def _taken(self, number: int, loaded: str, left: float) -> int | None:
        """The most urgent order of which this printer may start a piece now, one piece of it taken; None for none."""
        station = self._stations[number]
        for place, (_, order) in enumerate(self._waiting):
            wanted = self._orders[order]
            seconds = wanted.seconds[number]
            if _needs_spool(wanted, wanted.grams[number], loaded, left):
                seconds += station.spool_change
            if seconds == math.inf or not self._may_start(station, seconds):
                continue
            self._left[order] -= 1
            if self._left[order] == 0:
                del self._waiting[place]
            return order
        return None

    def _give_back(self, order: int) -> None:
        self._left[order] += 1
        self._put(order)

    def _may_start(self, station: Station, seconds: float) -> bool:
        now = self._env.now
        if not station.staff.is_open(now):
            return False
        ready = now + seconds + station.turnaround
        return station.unattended or ready <= station.staff.open_until(now)

    def _hands(self, number: int, order: int, what: str, seconds: float) -> Process:
        """Wait until somebody is there and has time, and let them work for so long of staffed time."""
        staff, asked = self._stations[number].staff, self._env.now
        while True:
            opens = staff.next_open(self._env.now)
            if opens > self._env.now:
                yield self._env.timeout(opens - self._env.now)
            request = self._people.request()
            yield request
            if staff.is_open(self._env.now):
                break
            self._people.release(request)
        begins = self._env.now
        if begins > asked:
            self._bars.append(Bar(number, order, WAITING, asked, begins))
        ends = staff.after_work(begins, seconds)
        yield self._env.timeout(ends - begins)
        self._people.release(request)
        if ends > begins:
            self._bars.append(Bar(number, order, what, begins, ends))

    def _fails(self, order: int, share: float) -> bool:
        """Whether a print fails: the same draws for an order's prints whatever else happens, so that shops compare."""
        if share == 0.0:
            return False
        if order not in self._draws:
            self._draws[order] = np.random.default_rng([*self._seed, order])
        return bool(self._draws[order].random() < share)

    def _finish(self, order: int) -> None:
        self._done[order].append(self._env.now)
        self._to_come -= 1
        if self._to_come == 0:
            self._all_done.succeed()


def _needs_spool(wanted: Wanted, grams: float, loaded: str, left: float) -> bool:
    """Whether the spool has to be changed: another material is on the printer, or too little of it."""
    return bool(loaded and wanted.material and wanted.material != loaded) or grams > left


def simulate(
    stations: Sequence[Station], orders: Sequence[Wanted], people: int, start: float, seed: Sequence[int] = (0,)
) -> Run:
    """Simulate a shop once, from `start` (s) until every piece is done; the same `seed` (numbers) gives the same run.

    Every order must have a printer that can print it. See `Floor` for the rules.
    """
    return Floor(stations, orders, people, start, seed).run()
