"""Best trade-offs of a sweep: what time costs in acceleration, rounding and ringing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from kinematics.limits.vibration import AXES, filter_made, modes_of
from kinematics.machine import Machine
from kinematics.studies.knees import FALLS
from kinematics.studies.knobs import settings_of, variant_of

if TYPE_CHECKING:
    from kinematics.studies.sweep import Sweep, SweepRow

WORTH_HAVING = 0.90  # share of what the settings that were tried can bring
ACCELERATION, ROUNDING, RINGING = "acceleration_mm_s2", "rounding_mm", "ringing_mm"


class TradeOff(NamedTuple):
    """A row of a sweep that no other one beats in time and in every cost at once; `costs` by name."""

    row: SweepRow
    costs: Mapping[str, float]


def costs_of(machine: Machine) -> dict[str, float]:
    """What printing moves may cost at most under a machine's limits.

    The acceleration of printing moves (mm/s²), and where the machine file tells filters and modes, how far they lead or
    trail their drawn path (a·σ²/2, mm) and what a single ramp leaves an axis swinging by (2a·Σ max V/ω², mm), each on
    the axis on which it is worst. What corners cost beside is not counted here.
    """
    from kinematics.vibration.ringing import acceleration_by_ringing
    from kinematics.vibration.rounding import lead

    along = machine.motion.print_acceleration_mm_s2
    rounding, ringing = 0.0, 0.0
    known = {ACCELERATION: along}
    for axis in AXES:
        vibration = getattr(machine.vibration, axis)
        most = getattr(machine.axes, axis).max_acceleration_mm_s2
        acceleration = along if most is None else min(along, most)
        if vibration.filter is not None:
            rounding = max(rounding, lead(filter_made(vibration, axis), acceleration))
            known[ROUNDING] = rounding
        if vibration.modes:
            admitted = acceleration_by_ringing(filter_made(vibration, axis), modes_of(vibration), 1.0)
            ringing = max(ringing, acceleration / admitted if admitted < math.inf else 0.0)
            known[RINGING] = ringing
    return known


def best_trade_offs(rows: Sequence[SweepRow], costs: Mapping[str, Sequence[float]]) -> list[int]:
    """The rows that no other row beats in time and in every cost at once, by rising time.

    `costs` a number a row for each thing that should be small: acceleration, rounding, ringing.
    """
    table = np.column_stack([[row.total_s for row in rows], *(np.asarray(cost, np.float64) for cost in costs.values())])
    order = np.lexsort(table.T[::-1])
    kept: list[int] = []
    for i in order.tolist():
        if not any((table[k] <= table[i]).all() and (table[k] < table[i]).any() for k in kept):
            kept.append(i)
    return kept


def rows_of_all_jobs(sweep: Sweep) -> list[SweepRow]:
    """One row a candidate: of all jobs together, which come last, or of the only job."""
    last = sweep.rows[-1].job
    return [row for row in sweep.rows if row.job == last]


def recommended(sweep: Sweep) -> SweepRow | None:
    """The gentlest row that no known cap refuses, that is no slower than the machine as it is, and that brings 90 % of
    what such rows bring.

    What they bring is the time between the slowest and the quickest row that no cap refuses; gentlest is the least
    acceleration of printing moves, then the least values of the knobs in their order. None where every row is refused
    or slower than the machine is now.
    """
    rows = [row for row in rows_of_all_jobs(sweep) if row.within_caps is not False]
    if not rows:
        return None
    slowest, quickest = max(row.total_s for row in rows), min(row.total_s for row in rows)
    most = slowest - WORTH_HAVING * (slowest - quickest)
    if sweep.present_total_s is not None:
        most = min(most, sweep.present_total_s * (1.0 + FALLS))
        if quickest > most:
            return None

    def harshness(row: SweepRow) -> tuple[float, ...]:
        machine = variant_of(sweep.machine, settings_of(sweep.knobs, row.point)).machine
        return (machine.motion.print_acceleration_mm_s2, *row.point)

    return min((row for row in rows if row.total_s <= max(most, quickest)), key=harshness)


def trade_offs_of(sweep: Sweep) -> tuple[TradeOff, ...]:
    """The best trade-offs among the rows of a sweep of several knobs, of all jobs together, by rising time.

    Of rows that are equal in time and in all costs the first counts.
    """
    rows = rows_of_all_jobs(sweep)
    each = [costs_of(variant_of(sweep.machine, settings_of(sweep.knobs, row.point)).machine) for row in rows]
    costs = {name: [one[name] for one in each] for name in each[0]}
    found: dict[tuple[float, ...], TradeOff] = {}
    for i in best_trade_offs(rows, costs):
        found.setdefault((rows[i].total_s, *each[i].values()), TradeOff(rows[i], each[i]))
    return tuple(found.values())
