"""The shop floor, simulated once: printers take pieces, people take them off and start the next."""

from __future__ import annotations

import heapq
import math
from bisect import insort
from collections.abc import Callable, Sequence
from itertools import count
from typing import NamedTuple

import numpy as np

from kinematics.business.economics import failing
from kinematics.business.staffed import SAME_MOMENT, Staff

PRINTING, FAILED, HANDS, SPOOL = "printing", "failed print", "hands", "spool change"
WAITING, SPOOL_WAITING = "waiting for people", "spool change waiting for people"
NONE = -1  # in place of an order
# Who prints what: the rules by which a free printer takes one of the orders that it can print, and what each says.
DUE_DATE, SCARCEST, SAME_SPOOL, AT_CLOSING = (
    "due date first",
    "scarcest printer first",
    "same spool first",
    "long prints at closing",
)
RULES = {
    DUE_DATE: "the order that is due first",
    SCARCEST: "the order that the fewest printers can print",
    SAME_SPOOL: "an order for the spool that it has on, else for one that no other printer has on",
    AT_CLOSING: "what is off the bed by closing, else what then waits least for people",
}

Hear = Callable[[int], None]
HEARD_EACH = 2000  # bars of a run

# How many copies of an order that leaves it open are printed at a time, and what each way says.
ONE, FULL, NIGHT = "one at a time", "as many as fit", "what lasts the night"
FILLINGS = {
    ONE: "one copy",
    FULL: "as many copies as fit on the bed",
    NIGHT: "the number of copies that brings most good parts an hour until the bed is cleared",
}


class Station(NamedTuple):
    """One printer: its name, when people are there, whether it prints without them, hands' work (s), filament on a full
    spool (g, infinity where not known), share of prints that fail and that fail in each hour, and from when it is free
    (s).
    """

    name: str
    staff: Staff
    unattended: bool = True
    turnaround: float = 0.0
    spool_change: float = 0.0
    spool: float = math.inf
    failed_share: float = 0.0
    free_from: float = 0.0
    failed_share_per_hour: float = 0.0

    @property
    def may_fail(self) -> bool:
        """Whether any print fails on it."""
        return self.failed_share > 0.0 or self.failed_share_per_hour > 0.0

    def is_off_in_time(self, seconds: float, room: float) -> bool:
        """Whether a print (s), with what goes before it, may be started so long (s) before people leave."""
        return self.unattended or seconds + self.turnaround <= room + SAME_MOMENT

    def next_start(self, moment: float, seconds: float) -> float:
        """When a print (s) of a free printer begins: somebody is there, and it is off the bed in time; infinity where
        it never is.
        """
        staff = self.staff
        if not self.is_off_in_time(seconds, staff.longest_span):
            return math.inf
        begins = staff.next_open(moment)
        while not self.is_off_in_time(seconds, staff.open_until(begins) - begins):
            begins = staff.opening_after(begins)
        return begins

    def free_again(self, ready: float) -> float:
        """When a print that is ready has been taken off, by hands that have nothing else to do."""
        return self.staff.after_work(self.staff.work_begins(ready, self.turnaround), self.turnaround)


class FloorOrder(NamedTuple):
    """One order: when it is there and due (s; infinity for no date), pieces, material, and for each printer the time of
    a print of one copy (s; infinity where it cannot be printed) and its filament (g).

    `copies` how many pieces are printed at a time, 0 where the filling of the run tells; `fuller` for each printer the
    times of prints of 2, 3, … copies (s; none where only one can be made).
    """

    arrives: float
    due: float
    quantity: int
    material: str
    seconds: tuple[float, ...]
    grams: tuple[float, ...]
    copies: int = 1
    fuller: tuple[tuple[float, ...], ...] = ()

    def most(self, station: int) -> int:
        """How many copies a printer makes at a time at most."""
        return 1 + (len(self.fuller[station]) if self.fuller else 0)

    def time(self, station: int, copies: int) -> float:
        """How long a printer takes for so many copies (s)."""
        return self.seconds[station] if copies == 1 else self.fuller[station][copies - 2]


class Bar(NamedTuple):
    """What a printer did for an order from when to when (s): numbers of printer and order, one of the words, and how
    many copies it had on the bed.
    """

    station: int
    order: int
    what: str
    begins: float
    ends: float
    copies: int = 1


class Run(NamedTuple):
    """One run: every bar, and when each order's pieces were taken off (s), in that order."""

    bars: tuple[Bar, ...]
    done: tuple[tuple[float, ...], ...]


class _HandsStep(NamedTuple):
    """A step of hands' work that a printer needs: what, for how long (s), since when it waits (s), and for how many
    copies.
    """

    station: int
    order: int
    what: str
    seconds: float
    since: float
    copies: int


class _Look(NamedTuple):
    """What a printer that is about to choose sees: time until closing (s), whether a spool change is done by then, the
    materials on the other printers, and when what is not off the bed today can be taken off (s).
    """

    room: float
    change_fits: bool
    others: frozenset[str]
    tomorrow: float


class Floor:
    """The state of one run.

    A free printer takes one of the orders that it can print by the run's rule (`RULES`; among equals due date, then
    order of the list), once somebody is there. Scarcest printer first lets printers choose first that can print fewer
    of the orders; at closing, of prints that wait alike the longest is taken. Without unattended running a printer
    takes only what will be ready and taken off before people leave. A finished print stays on the printer until
    somebody has time to take it off; only then the next may start. No step of hands' work begins that closing time
    would cut into; a spool change that is not begun by closing is called off. A print that fails is noticed at its end
    and printed again; all of its copies are lost. Of an order that leaves it open a printer makes as many copies as the
    run's filling tells (`FILLINGS`); the last print of an order may be of fewer. Copies of several orders are never on
    one bed. Not modelled: printers that are kept free for orders to come, breaks, holidays, and the time that
    a failed print is stopped early.
    """

    def __init__(
        self,
        stations: Sequence[Station],
        orders: Sequence[FloorOrder],
        people: int,
        start: float,
        seed: Sequence[int],
        rule: str,
        filling: str = ONE,
        hear: Hear = lambda _: None,
    ) -> None:
        """`hear` is told now and then how many pieces are done."""
        self._hear = hear
        self._stations, self._orders, self._seed, self._rule = stations, orders, seed, rule
        self._filling = filling
        self._draws: dict[int, np.random.Generator] = {}
        self._now = start
        self._events: list[tuple[float, int, Callable[[int], None], int]] = []
        self._numbers = count()
        self._wakes: set[float] = set()
        self._hands = people
        self._steps: list[_HandsStep] = []  # that wait, longest first
        self._free: set[int] = set()
        self._prints = [NONE] * len(stations)  # the order that a printer has taken
        self._copies = [1] * len(stations)  # and how many pieces of it
        self._loaded = [""] * len(stations)
        self._spools = [station.spool for station in stations]
        self._waiting: list[tuple[int, float, int]] = []  # scarcity, due, number of the order
        self._left = [order.quantity for order in orders]
        self._to_come = sum(self._left)
        self._bars: list[Bar] = []
        self._done: list[list[float]] = [[] for _ in orders]
        able = [[seconds < math.inf for seconds in order.seconds] for order in orders]
        self._scarcity = [sum(row) if rule == SCARCEST else 0 for row in able]
        can = [sum(row[number] for row in able) if rule == SCARCEST else 0 for number in range(len(stations))]
        self._turns = sorted(range(len(stations)), key=lambda number: can[number])
        self._rank = {SAME_SPOOL: self._rank_of_spool, AT_CLOSING: self._rank_at_closing}.get(rule)

    def run(self) -> Run:
        """Run until every piece is done."""
        for number, order in enumerate(self._orders):
            self._at(max(order.arrives, self._now), self._arrive, number)
        for number, station in enumerate(self._stations):
            self._at(max(station.free_from, self._now), self._free.add, number)
        pieces, heard = self._to_come, 0
        while self._to_come:
            self._now = self._events[0][0]
            while self._events and self._events[0][0] <= self._now:
                _, _, happens, number = heapq.heappop(self._events)
                happens(number)
            # This ends: a step is called off only where it was asked for earlier, as what is given out may begin now.
            while self._serve() or self._give_out():
                pass
            if len(self._bars) >= heard + HEARD_EACH:
                heard = len(self._bars)
                self._hear(pieces - self._to_come)
        return Run(tuple(self._bars), tuple(tuple(moments) for moments in self._done))

    def _at(self, moment: float, happens: Callable[[int], None], number: int) -> None:
        heapq.heappush(self._events, (moment, next(self._numbers), happens, number))

    def _wake(self, moment: float) -> None:
        """Look at steps and free printers again at a moment."""
        if moment < math.inf and moment not in self._wakes:
            self._wakes.add(moment)
            self._at(moment, lambda _: self._wakes.discard(moment), 0)

    def _arrive(self, order: int) -> None:
        insort(self._waiting, (self._scarcity[order], self._orders[order].due, order))

    def _give_back(self, order: int, copies: int) -> None:
        self._left[order] += copies
        if self._left[order] == copies:
            self._arrive(order)

    def _give_out(self) -> bool:
        """Let the free printers take orders, each in its turn; whether one did."""
        given = False
        for number in [number for number in self._turns if number in self._free]:
            station = self._stations[number]
            opens = station.staff.next_open(self._now)
            chosen = self._chosen(number) if opens <= self._now else None
            if chosen is None:
                # What does not fit into the rest of this day may be started on the next.
                self._wake(opens if opens > self._now else station.staff.opening_after(self._now))
                continue
            place, copies = chosen
            order = self._waiting[place][2]
            self._left[order] -= copies
            if self._left[order] == 0:
                del self._waiting[place]
            self._free.discard(number)
            self._prints[number], self._copies[number] = order, copies
            if self._needs_spool(number, order, copies):
                self._ask_for_hands(number, order, SPOOL, station.spool_change)
                self._wake(station.staff.open_until(self._now))
            else:
                self._start(number, order)
            given = True
        return given

    def _chosen(self, number: int) -> tuple[int, int] | None:
        """The place in the waiting list of the order that a printer takes now, and how many copies; None for none."""
        look = self._look(number)
        best: tuple[tuple[float, ...], int, int] | None = None
        for place, (_, _, order) in enumerate(self._waiting):
            if self._orders[order].seconds[number] == math.inf:
                continue
            copies = self._copies_now(number, order, look)
            change = self._change(number, order, copies)
            if change > 0.0 and not look.change_fits:
                continue
            if not self._is_off_in_time(number, order, copies, look.room, change):
                continue
            if self._rank is None:
                return place, copies
            rank = self._rank(number, order, copies, change, look)
            if not any(rank):
                return place, copies
            if best is None or rank < best[0]:
                best = rank, place, copies
        return None if best is None else best[1:]

    def _copies_now(self, number: int, order: int, look: _Look) -> int:
        """How many copies of an order a printer would make now."""
        wanted, station = self._orders[order], self._stations[number]
        most = min(wanted.most(number), self._left[order])
        if most > 1 and wanted.grams[number] > 0.0:
            most = max(1, min(most, int(station.spool // wanted.grams[number]))) if station.spool < math.inf else most
        if wanted.copies > 0:
            return min(wanted.copies, most)
        if self._filling == ONE or most == 1:
            return 1
        change = {copies: self._change(number, order, copies) for copies in (1, most)}
        fits = [
            copies
            for copies in range(1, most + 1)
            if self._is_off_in_time(number, order, copies, look.room, change[1 if copies < most else most])
        ]
        if self._filling == FULL or not fits:
            return fits[-1] if fits else 1
        return max(fits, key=lambda copies: self._parts_an_hour(number, order, copies))

    def _change(self, number: int, order: int, copies: int) -> float:
        return self._stations[number].spool_change if self._needs_spool(number, order, copies) else 0.0

    def _parts_an_hour(self, number: int, order: int, copies: int) -> float:
        """Good parts that a print of so many copies brings, a second until the printer is free for the next."""
        station, seconds = self._stations[number], self._orders[order].time(number, copies)
        ready = self._now + self._change(number, order, copies) + seconds
        free = station.staff.work_begins(ready, station.turnaround) + station.turnaround
        return (
            copies * (1.0 - failing(station.failed_share, station.failed_share_per_hour, seconds)) / (free - self._now)
        )

    def _look(self, number: int) -> _Look:
        station, now = self._stations[number], self._now
        staff = station.staff
        change_fits = station.spool_change == 0.0 or staff.work_begins(now, station.spool_change) <= now
        others = self._on_others(number) if self._rule == SAME_SPOOL else frozenset[str]()
        tomorrow = math.inf
        if self._rule == AT_CLOSING and not staff.always:
            tomorrow = staff.work_begins(staff.opening_after(now), station.turnaround)
        return _Look(staff.open_until(now) - now, change_fits, others, tomorrow)

    def _on_others(self, number: int) -> frozenset[str]:
        """The materials on the other printers, or that they are about to get."""
        coming = ["" if taken == NONE else self._orders[taken].material for taken in self._prints]
        on = [one or loaded for one, loaded in zip(coming, self._loaded, strict=True)]
        return frozenset(on[:number] + on[number + 1 :]) - {""}

    def _is_off_in_time(self, number: int, order: int, copies: int, room: float, change: float) -> bool:
        return self._stations[number].is_off_in_time(change + self._orders[order].time(number, copies), room)

    def _needs_spool(self, number: int, order: int, copies: int) -> bool:
        """Whether the spool has to be changed: another material is on the printer, or too little of it."""
        wanted, loaded = self._orders[order], self._loaded[number]
        other = bool(loaded and wanted.material and wanted.material != loaded)
        return other or copies * wanted.grams[number] > self._spools[number]

    def _rank_of_spool(self, number: int, order: int, copies: int, _: float, look: _Look) -> tuple[float, ...]:
        material = self._orders[order].material
        elsewhere = material in look.others and material != self._loaded[number]
        return (float(self._needs_spool(number, order, copies)) + elsewhere,)

    def _rank_at_closing(self, number: int, order: int, copies: int, change: float, look: _Look) -> tuple[float, ...]:
        station = self._stations[number]
        seconds = self._orders[order].time(number, copies) + change
        if seconds + station.turnaround <= look.room + SAME_MOMENT:
            return (0.0, 0.0, 0.0)
        ready = self._now + seconds
        taken_off = look.tomorrow if ready <= look.tomorrow else station.staff.work_begins(ready, station.turnaround)
        return (1.0, taken_off - ready, -seconds)

    def _start(self, number: int, order: int) -> None:
        copies = self._copies[number]
        self._loaded[number] = self._orders[order].material or self._loaded[number]
        self._spools[number] -= copies * self._orders[order].grams[number]
        self._at(self._now + self._orders[order].time(number, copies), self._printed, number)

    def _printed(self, number: int) -> None:
        order, copies, station = self._prints[number], self._copies[number], self._stations[number]
        seconds = self._orders[order].time(number, copies)
        failed = self._fails(order, failing(station.failed_share, station.failed_share_per_hour, seconds))
        self._bars.append(Bar(number, order, FAILED if failed else PRINTING, self._now - seconds, self._now, copies))
        self._ask_for_hands(number, order, FAILED if failed else HANDS, station.turnaround)

    def _ask_for_hands(self, number: int, order: int, what: str, seconds: float) -> None:
        self._steps.append(_HandsStep(number, order, what, seconds, self._now, self._copies[number]))

    def _serve(self) -> bool:
        """Let free hands begin the steps that wait, the longest waiting first; whether anything changed."""
        changed = False
        for step in list(self._steps):
            begins = self._stations[step.station].staff.work_begins(self._now, step.seconds)
            if begins > self._now and step.what != SPOOL:
                self._wake(begins)
            elif begins > self._now or self._hands > 0:
                self._steps.remove(step)
                if self._now > step.since:
                    what = SPOOL_WAITING if step.what == SPOOL else WAITING
                    self._bars.append(Bar(step.station, step.order, what, step.since, self._now, step.copies))
                if begins > self._now:
                    self._call_off(step.station, step.order)
                else:
                    self._begin(step)
                changed = True
        return changed

    def _call_off(self, number: int, order: int) -> None:
        self._give_back(order, self._copies[number])
        self._prints[number] = NONE
        self._free.add(number)

    def _begin(self, step: _HandsStep) -> None:
        staff, what = self._stations[step.station].staff, SPOOL if step.what == SPOOL else HANDS
        self._hands -= 1
        ends = staff.after_work(self._now, step.seconds)
        reached = self._now
        for begins, closes in staff.spans_between(self._now, ends):
            if begins > reached:
                waits = SPOOL_WAITING if step.what == SPOOL else WAITING
                self._bars.append(Bar(step.station, step.order, waits, reached, begins, step.copies))
            self._bars.append(Bar(step.station, step.order, what, begins, closes, step.copies))
            reached = closes
        self._at(ends, lambda _: self._end(step), 0)

    def _end(self, step: _HandsStep) -> None:
        number, order = step.station, step.order
        self._hands += 1
        if step.what == SPOOL:
            self._loaded[number] = self._orders[order].material or self._loaded[number]
            self._spools[number] = self._stations[number].spool
            room = self._stations[number].staff.open_until(self._now) - self._now
            if self._is_off_in_time(number, order, step.copies, room, 0.0):
                self._start(number, order)
            else:
                self._call_off(number, order)
            return
        if step.what == FAILED:
            self._give_back(order, step.copies)
        else:
            self._done[order] += [self._now] * step.copies
            self._to_come -= step.copies
        self._prints[number] = NONE
        self._free.add(number)

    def _fails(self, order: int, share: float) -> bool:
        """Whether a print fails: the same draws for an order's prints whatever else happens, so that shops compare."""
        if share == 0.0:
            return False
        if order not in self._draws:
            self._draws[order] = np.random.default_rng([*self._seed, order])
        return bool(self._draws[order].random() < share)


def simulate(
    stations: Sequence[Station],
    orders: Sequence[FloorOrder],
    people: int,
    start: float,
    seed: Sequence[int] = (0,),
    rule: str = DUE_DATE,
    filling: str = ONE,
    hear: Hear = lambda _: None,
) -> Run:
    """Simulate a shop once, from `start` (s) until every piece is done; the same `seed` (numbers) gives the same run.

    `hear` is told now and then how many pieces are done.

    Every order must have a printer that can print it. See `Floor` for how it goes, `RULES` for `rule` and
    `FILLINGS` for `filling`.
    """
    return Floor(stations, orders, people, start, seed, rule, filling, hear).run()
