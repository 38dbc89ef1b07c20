"""What time is worth: the cost of a machine hour and of a part, and whether an investment pays. Money is in the user's
currency.
"""

from __future__ import annotations

import math
from itertools import chain
from typing import NamedTuple

from kinematics.machine import Economy, Machine

MONTHS_A_YEAR = 12.0
MINUTES_AN_HOUR = 60.0
SECONDS_AN_HOUR = 3600.0
WATTS_A_KILOWATT = 1000.0
LEAST_GOOD = 1e-9  # share of prints that do not fail, however long they are
# The parts of a cost, and the keys without which each is counted as nothing.
COST_PARTS = {
    "machine": ("economy.machine_cost_per_hour",),
    "labour": ("economy.labour_cost_per_hour", "economy.turnaround_min"),
    "energy": ("economy.power_w", "economy.price_per_kwh"),
    "failed prints": ("economy.failed_share",),
    "filament": ("filament.price_per_kg", "filament.density_g_cm3"),
}


class PartCost(NamedTuple):
    """What one good part costs: filament, energy, machine (wear and upkeep), labour; prints that fail are in each."""

    filament: float
    energy: float
    machine: float
    labour: float

    @property
    def total(self) -> float:
        """All of it."""
        return math.fsum(self)


class Payback(NamedTuple):
    """Whether an investment pays: `months` until its savings have returned it (infinity: never, 0: nothing to return),
    `npv` its net present value (None without a discount rate), `irr` the internal rate of return a year (None where no
    rate makes the value nothing).
    """

    months: float
    npv: float | None
    irr: float | None


def wear_per_hour(economy: Economy) -> float | None:
    """What an hour of the machine costs in wear and upkeep, energy apart; None where the keys do not tell.

    `machine_cost_per_hour` where given, else (price / years + upkeep a year) / hours a year: straight-line depreciation
    to nothing (textbook of cost accounting, from memory).
    """
    if economy.machine_cost_per_hour is not None:
        return economy.machine_cost_per_hour
    price, years, hours = economy.machine_price, economy.machine_years, economy.machine_hours_per_year
    if price is None or years is None or hours is None:
        return None
    return (price / years + (economy.upkeep_per_year or 0.0)) / hours


def energy_per_hour(economy: Economy) -> float:
    """What the power of an hour costs; 0 where power or price are not given."""
    return (economy.power_w or 0.0) / WATTS_A_KILOWATT * (economy.price_per_kwh or 0.0)


def machine_hour_cost(economy: Economy) -> float:
    """What an hour of printing costs: wear, upkeep and energy; what is not given counts as nothing."""
    return (wear_per_hour(economy) or 0.0) + energy_per_hour(economy)


def failing(share: float, per_hour: float, seconds: float) -> float:
    """The share of prints of some length (s) that fail: 1 − (1 − f)·(1 − h)^hours, f of them whatever their length and
    h in each hour of printing, as chance by itself.
    """
    hours = seconds / SECONDS_AN_HOUR
    return share if per_hour == 0.0 else 1.0 - (1.0 - share) * math.pow(1.0 - per_hour, hours)


def failed_share(economy: Economy, seconds: float) -> float:
    """The share of prints of some length (s) that fail (`failing`); 0 where neither key is given."""
    return failing(economy.failed_share or 0.0, economy.failed_share_per_hour or 0.0, seconds)


def prints_per_part(economy: Economy, seconds: float) -> float:
    """How many prints of some length (s) a good one takes where a share f of them fails: 1/(1 − f), mean of the
    geometric distribution; 1 where none is known to fail.
    """
    return 1.0 / max(1.0 - failed_share(economy, seconds), LEAST_GOOD)


def part_cost(machine: Machine, seconds: float, mass: float | None) -> PartCost:
    """What a good part costs that prints for `seconds` and takes `mass` (g) of filament (None: not known).

    What fails is printed again in full (`prints_per_part`). What is not given counts as nothing; `not_counted` names
    it. Not modelled: a failed print that is stopped early, and rent, design and packing.
    """
    economy = machine.economy
    prints = prints_per_part(economy, seconds)
    hours = prints * seconds / SECONDS_AN_HOUR
    price = (machine.filament.price_per_kg or 0.0) / 1000.0
    hands = prints * (economy.turnaround_min or 0.0) / MINUTES_AN_HOUR
    return PartCost(
        filament=prints * (mass or 0.0) * price,
        energy=hours * energy_per_hour(economy),
        machine=hours * (wear_per_hour(economy) or 0.0),
        labour=hands * (economy.labour_cost_per_hour or 0.0),
    )


def not_counted(machine: Machine) -> dict[str, tuple[str, ...]]:
    """The parts of a cost that are counted as nothing, each with the dotted keys that are not given."""
    known = {"machine"} if wear_per_hour(machine.economy) is not None else set[str]()
    if machine.economy.failed_share_per_hour is not None:
        known.add("failed prints")
    found = {
        part: tuple(key for key in keys if machine.value_of(key) is None)
        for part, keys in COST_PARTS.items()
        if part not in known
    }
    return {part: keys for part, keys in found.items() if keys}


def costs_not_given(machine: Machine) -> list[str]:
    """The dotted keys of costs that are not given and count as nothing."""
    return list(chain.from_iterable(not_counted(machine).values()))


def payback(investment: float, saving_per_month: float, years: int, rate: float | None) -> Payback:
    """Whether an investment pays that saves so much every month for some `years`; `rate` of discount, a share a year.

    Payback without interest: investment / saving. NPV = −I + Σ 12·saving/(1 + rate)^t over the years t, each year's
    saving at its end; IRR the rate that makes it 0 (numpy-financial 1.0 documentation, `npv` and `irr`). With one
    change of sign there is one such rate. A saving below 0 pays back never; without an investment there is no rate.
    """
    if saving_per_month > 0.0:
        months = investment / saving_per_month
    else:
        months = 0.0 if investment == 0.0 and saving_per_month == 0.0 else math.inf
    import numpy_financial

    flows = [-investment, *([MONTHS_A_YEAR * saving_per_month] * years)]
    npv = None if rate is None else float(numpy_financial.npv(rate, flows))
    irr = None
    if investment > 0.0 and saving_per_month > 0.0:
        found = float(numpy_financial.irr(flows))
        irr = found if math.isfinite(found) else None
    return Payback(months, npv, irr)
