"""Orders and printers brought together: who can print what, how long it takes there, and what nobody can print."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from kinematics.business.floor import FloorOrder, Station
from kinematics.business.staffed import staff_of
from kinematics.business.tables import AUTO, Order, Printer
from kinematics.errors import Finding, InputError, nearest
from kinematics.gcode.job import Extent
from kinematics.jobs.copies import USUAL_COPYING, CopiedJob, Copying
from kinematics.jobs.copies_layout import SLACK
from kinematics.jobs.timing import Ask, TimedJob, time_job
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.limits.flow import filament_mass
from kinematics.machine import Machine
from kinematics.machine.file import is_named_alike, laid_with


class Print(NamedTuple):
    """One print of an order on one machine: its time (s), filament (g, None where not known), and size."""

    seconds: float
    grams: float | None
    extent: Extent | None


class Clock:
    """Times jobs on machines, each pair once.

    `jobs` prepared jobs by path; `copying` how several copies of one are made.
    """

    def __init__(self, jobs: Mapping[str, TimedJob], copying: Copying = USUAL_COPYING) -> None:
        self._jobs = jobs
        self._copied = {path: CopiedJob(job, 1, copying) for path, job in jobs.items()}
        self._fuller: dict[tuple[str, Machine, frozenset[str]], tuple[float, ...]] = {}
        self._known: dict[tuple[str, Machine, frozenset[str]], Print] = {}

    def print_of(self, order: Order, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> Print:
        """A print of an order on a machine; hours that an order states are the same everywhere. `varied` as in
        `time_job`. Raises InputError where its job cannot be read.
        """
        if order.job is None:
            return Print(order.seconds or 0.0, order.grams, None)
        key = (order.job, machine, varied)
        if key not in self._known:
            timing = time_job(self._jobs[order.job], machine, varied, passing=True)
            facts = timing.facts
            self._known[key] = Print(timing.total, filament_mass(machine, facts.filament), facts.extent)
        found = self._known[key]
        return found if order.grams is None else found._replace(grams=order.grams)

    def fuller_of(self, order: Order, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> tuple[float, ...]:
        """How long prints of 2, 3, … copies take on a machine, as many as fit (s); of hours that an order states, those
        of as many as it says. Raises InputError where no copies can be made.
        """
        if order.job is None:
            return (order.seconds or 0.0,) * (order.copies - 1)
        key = (order.job, machine, varied)
        if key not in self._fuller:
            timings = self._copied[order.job].timings(Ask(machine, varied, passing=True))
            self._fuller[key] = tuple(timing.total for timing in timings[1:])
        return self._fuller[key]

    def keeps_moves(self, order: Order) -> bool:
        """Whether copies of an order can be timed without reading its job into memory."""
        return order.job is not None and self._jobs[order.job].keeps_moves


class ShopPlan(NamedTuple):
    """What is simulated: stations, orders with what the simulation takes of each, the machine of each print.

    `machines` by order the machine of each station with the order's material on it; `cannot` what was left out, why;
    `doubtful` what is planned otherwise than the order says.
    """

    stations: tuple[Station, ...]
    orders: tuple[Order, ...]
    wanted: tuple[FloorOrder, ...]
    machines: tuple[tuple[Machine, ...], ...]
    cannot: tuple[Finding, ...]
    doubtful: tuple[Finding, ...] = ()


def station_of(printer: Printer, machine: Machine, start: float) -> Station:
    """What the simulation takes of a printer; what is not given counts as nothing."""
    economy = machine.economy
    return Station(
        name=printer.name,
        staff=staff_of(economy, start),
        unattended=economy.unattended,
        turnaround=60.0 * (economy.turnaround_min or 0.0),
        spool_change=60.0 * (economy.spool_change_min or 0.0),
        spool=math.inf if economy.spool_g is None else economy.spool_g,
        failed_share=economy.failed_share or 0.0,
        free_from=start if printer.free_from is None else printer.free_from,
        failed_share_per_hour=economy.failed_share_per_hour or 0.0,
    )


A_YEAR = 365.25 * 86_400.0  # s
LONGEST_PLAN = 40.0 * A_YEAR  # of printing on one printer: beyond it the calendar may end, staffed a few hours a week


def plan_of(
    orders: Sequence[Order],
    printers: Sequence[Printer],
    machines: Sequence[Machine],
    clock: Clock,
    start: float,
    varied: Sequence[frozenset[str]],
) -> ShopPlan:
    """Bring orders and printers together; `machines` and `varied` keys (see `time_job`) printer by printer.

    An order goes to the printers of its class that have its material, on whose bed it fits and, without unattended
    running, that can finish it in one staffed span; where none is left it is named with the reason.
    """
    stations = [station_of(printer, machine, start) for printer, machine in zip(printers, machines, strict=True)]
    longest = [station.staff.longest_span for station in stations]
    kept: list[tuple[Order, FloorOrder, tuple[Machine, ...]]] = []
    cannot: list[Finding] = []
    doubtful: list[Finding] = []
    total = 0.0
    for order in orders:
        try:
            able = _with_class_and_material(order, printers)
            own = tuple(laid_with(machine, order.material) for machine in machines)
            prints = {i: clock.print_of(order, own[i], varied[i]) for i in able}
            if min(one.seconds for one in prints.values()) <= 0.0:
                raise InputError.at("", f"{order.job} takes no time", "a job that prints something")
            shortest = order.quantity * min(one.seconds for one in prints.values())
            if total + shortest > LONGEST_PLAN:
                found = f"with it the orders take more than {LONGEST_PLAN / A_YEAR:.0f} years of printing"
                raise InputError.at("", found, "fewer prints, or shorter ones")
            able = _that_fit(order, prints, own)
            fuller = _fuller(order, able, own, varied, clock, doubtful)
            able = _that_finish(order, able, prints, fuller, stations, longest)
        except InputError as error:
            for one in error.findings:
                found = f"{order.name}: {one.place}: {one.found}" if one.place else f"{order.name}: {one.found}"
                cannot.append(Finding(order.place, found, one.allowed, one.hint))
            continue
        seconds = tuple(prints[i].seconds if i in able else math.inf for i in range(len(printers)))
        total += shortest
        grams = tuple((prints[i].grams or 0.0) if i in able else 0.0 for i in range(len(printers)))
        due = math.inf if order.due is None else order.due
        arrives = start if order.arrives is None else max(order.arrives, start)
        wanted = FloorOrder(arrives, due, order.quantity, order.material.casefold(), seconds, grams, order.copies)
        if fuller:
            wanted = wanted._replace(fuller=tuple(fuller.get(i, ()) for i in range(len(printers))))
        kept.append((order, wanted, own))
    return ShopPlan(
        tuple(stations),
        tuple(order for order, _, _ in kept),
        tuple(wanted for _, wanted, _ in kept),
        tuple(own for _, _, own in kept),
        tuple(cannot),
        tuple(doubtful),
    )


def _fuller(
    order: Order,
    able: Sequence[int],
    machines: Sequence[Machine],
    varied: Sequence[frozenset[str]],
    clock: Clock,
    doubtful: list[Finding],
) -> dict[int, tuple[float, ...]]:
    """By printer the times of prints of 2, 3, … copies of an order (s); nothing where it is printed one at a time.

    What is planned otherwise than the order says goes to `doubtful`. Raises InputError where no copies can be made of
    an order that asks for a number of them.
    """
    if order.copies == 1:
        return {}
    try:
        found = {i: clock.fuller_of(order, machines[i], varied[i]) for i in able}
    except InputError as error:
        if order.copies != AUTO:
            raise
        doubtful += [Finding(order.place, f"{order.name}: one at a time, since {one.found}") for one in error.findings]
        return {}
    most = 1 + max(len(times) for times in found.values())
    if order.copies > most:
        doubtful.append(Finding(order.place, f"{order.name}: {most} at a time, as no more fit on a bed"))
    if order.copies > order.quantity:
        doubtful.append(
            Finding(order.place, f"{order.name}: copies is {order.copies}, and quantity only {order.quantity}")
        )
    return found


def _with_class_and_material(order: Order, printers: Sequence[Printer]) -> list[int]:
    """The printers of an order's class that have its material. Raises InputError where none is left."""
    able = [i for i, printer in enumerate(printers) if not order.group or is_named_alike(printer.group, order.group)]
    if not able:
        known = list(dict.fromkeys(printer.group for printer in printers if printer.group))
        hint = nearest(order.group, known)
        raise InputError.at("", f"no printer is of class {order.group!r}", ", ".join(known) or "no class", hint)
    takes = [printers[i].materials for i in able]
    has = [
        i
        for i, materials in zip(able, takes, strict=True)
        if not materials or any(is_named_alike(one, order.material) for one in materials)
    ]
    if order.material and not has:
        known = list(dict.fromkeys(material for i in able for material in printers[i].materials))
        where = f" of class {order.group!r}" if order.group else ""
        hint = nearest(order.material, known)
        raise InputError.at("", f"no printer{where} has the material {order.material!r}", ", ".join(known), hint)
    return has if order.material else able


def _that_fit(order: Order, prints: Mapping[int, Print], machines: Sequence[Machine]) -> list[int]:
    able = []
    largest: tuple[float, ...] = ()
    for i, one in prints.items():
        bed = machines[i].machine.bed_mm
        if bed is None or one.extent is None:
            able.append(i)
            continue
        low, high = one.extent
        largest = (high[0] - low[0], high[1] - low[1], high[2])
        if all(size <= room + SLACK for size, room in zip(largest, bed, strict=True)):
            able.append(i)
    if not able:
        size = " × ".join(f"{length:.0f}" for length in largest)
        beds = {machines[i].machine.bed_mm for i in prints}
        allowed = ", ".join(" × ".join(f"{length:.0f}" for length in bed) for bed in beds if bed is not None)
        raise InputError.at("", f"{order.job} takes {size} mm: too large for every bed", f"{allowed} mm")
    return able


def _that_finish(
    order: Order,
    able: Sequence[int],
    prints: Mapping[int, Print],
    fuller: Mapping[int, tuple[float, ...]],
    stations: Sequence[Station],
    longest: Sequence[float],
) -> list[int]:
    def needs(i: int) -> float:
        times = (prints[i].seconds, *fuller.get(i, ()))
        at_once = min(max(order.copies, 1), len(times), order.quantity)
        return times[at_once - 1] + stations[i].turnaround + stations[i].spool_change

    found = [i for i in able if stations[i].unattended or needs(i) <= longest[i]]
    if not found:
        hours, most = min(needs(i) for i in able) / 3600.0, max(longest[i] for i in able) / 3600.0
        raise InputError.at(
            "",
            f"a print takes {hours:.1f} h with its turnaround, longer than anybody is there at a stretch",
            f"{most:.1f} h, or economy.unattended = true where that is safe and permitted",
        )
    return found
