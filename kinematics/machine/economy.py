"""[economy] of the machine file: its rows of the table of keys."""

from __future__ import annotations

from kinematics.machine.kinds import DISCOUNT_RATE, SHARE_BELOW_ONE, STAFFED, TIME_ZONE
from kinematics.toml.sections import COUNT_FROM_ONE, NOT_NEGATIVE, POSITIVE, TEXT, YES_NO, Section, key


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
