"""[economy], [proof] and [[proven]] of the machine file: rows of the table of keys on which no limit hangs."""

from __future__ import annotations

from typing import Any

from kinematics.machine.kinds import DATE, DISCOUNT_RATE, SHARE_BELOW_ONE, STAFFED, TIME_ZONE
from kinematics.toml.sections import (
    COUNT_FROM_ONE,
    NOT_NEGATIVE,
    POSITIVE,
    TEXT,
    YES_NO,
    Doubtful,
    Section,
    key,
    not_blank,
)


class Economy(Section):
    """[economy]: hours in which people are there, what goes wrong, and what hours, energy and money cost."""

    staffed: tuple[str, ...] | None = key(STAFFED, "when people are there; at all hours where left out", default=None)
    time_zone: str | None = key(TIME_ZONE, "where these hours hold; without summer time where left out", default=None)
    unattended: bool = key(YES_NO, "whether prints may run while nobody is there", default=False)
    turnaround_min: float | None = key(NOT_NEGATIVE, "clearing the bed between two prints", default=None)
    spool_change_min: float | None = key(NOT_NEGATIVE, "changing the spool", default=None)
    spool_g: float | None = key(POSITIVE, "filament on a full spool", default=None)
    failed_share: float | None = key(SHARE_BELOW_ONE, "share of prints that fail", default=None)
    failed_share_per_hour: float | None = key(
        SHARE_BELOW_ONE, "share of prints that fail in each hour of printing, beside failed_share", default=None
    )
    prints_per_month: float | None = key(NOT_NEGATIVE, "how often each job is printed", default=None)
    machine_cost_per_hour: float | None = key(
        NOT_NEGATIVE, "what an hour of the printer costs; or the four keys that follow", default=None
    )
    machine_price: float | None = key(NOT_NEGATIVE, "what the printer cost", default=None)
    machine_years: float | None = key(POSITIVE, "for how many years it is used", default=None)
    machine_hours_per_year: float | None = key(POSITIVE, "how many hours it prints", default=None)
    upkeep_per_year: float | None = key(NOT_NEGATIVE, "what parts and repairs cost", default=None)
    labour_cost_per_hour: float | None = key(NOT_NEGATIVE, "what an hour of work costs", default=None)
    power_w: float | None = key(NOT_NEGATIVE, "power that the printer draws while printing", default=None)
    price_per_kwh: float | None = key(NOT_NEGATIVE, "price of electricity", default=None)
    discount_rate: float | None = key(
        DISCOUNT_RATE, "how much less money is worth a year from now, as a share", default=None
    )
    service_years: int = key(COUNT_FROM_ONE, "for how many years an upgrade is counted on", default=3)
    currency: str | None = key(TEXT, "what money is counted in", default=None)


class ProofPrint(Section):
    """[proof]: what `kinematics proof` writes around its shapes, and how finely."""

    start_file: str | None = key(TEXT, "your own start code: heating, homing, priming", default=None)
    end_file: str | None = key(TEXT, "your own end code", default=None)
    nozzle_c: float | None = key(
        POSITIVE, "temperature of the nozzle", default=None, doubtful=Doubtful(120.0, 500.0, "is it in °C?")
    )
    bed_c: float | None = key(
        POSITIVE, "temperature of the bed", default=None, doubtful=Doubtful(20.0, 160.0, "is it in °C?")
    )
    line_width_mm: float = key(
        POSITIVE, "width of a printed line", default=0.45, doubtful=Doubtful(0.1, 2.0, "is it in mm?")
    )
    layer_mm: float = key(POSITIVE, "height of a layer", default=0.2, doubtful=Doubtful(0.04, 1.0, "is it in mm?"))


# Rows stand here since one of them is called `key`.
_KEY: Any = key(not_blank('a dotted key of the file, such as "motion.print_acceleration_mm_s2"'), "the key")
_VALUE: Any = key(POSITIVE, "up to which value prints were good")
_LOW: Any = key(POSITIVE, "the least that it may be, as it was measured")
_HIGH: Any = key(POSITIVE, "the most that it may be")
_DATE: Any = key(DATE, "when that was")


class Proven(Section):
    """[[proven]]: what a proof print gave for a key; written by `kinematics proof read`."""

    key: str = _KEY
    value: float = _VALUE
    low: float = _LOW
    high: float = _HIGH
    date: str = _DATE
