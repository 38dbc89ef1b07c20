"""What time and upgrades are worth: [economy] and [[upgrade]]."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from kinematics.machine.laid_over import NamedSettings
from kinematics.machine.section import Section
from kinematics.machine.staffed_text import STAFFED_ALLOWED, shift_of
from kinematics.toml.value_kinds import Advice, Allowed, CountFromOne, NotNegative, Positive, Text, YesNo

ShareThatFails = Annotated[float, Field(strict=True, ge=0, lt=1), Allowed("a number from 0 on, below 1")]
DiscountRate = Annotated[float, Field(strict=True, gt=-1, le=10), Allowed("a share a year, such as 0.05 for 5 %")]


def _as_list(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _in_order(texts: tuple[str, ...]) -> tuple[str, ...]:
    if not texts:
        raise ValueError("nothing is given")
    for text in texts:
        shift_of(text)
    return texts


@dataclass(frozen=True)
class StaffedAdvice(Advice):
    """Marks the key of staffed hours: says which of its texts is wrong, and how."""

    def hint(self, value: Any) -> str:
        """What is wrong with the first text that cannot be read."""
        for text in [value] if isinstance(value, str) else value if isinstance(value, (list, tuple)) else []:
            try:
                shift_of(text if isinstance(text, str) else str(text))
            except ValueError as error:
                return str(error)
        return ""


def _known_zone(name: str) -> str:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise ValueError(f"no time zone {name!r}") from error
    return name


StaffedHours = Annotated[
    Annotated[tuple[Text, ...], BeforeValidator(_as_list), AfterValidator(_in_order)] | None,
    Allowed(STAFFED_ALLOWED),
    StaffedAdvice(),
]
ZoneName = Annotated[
    Annotated[str, Field(strict=True), AfterValidator(_known_zone)] | None,
    Allowed('the name of a time zone, such as "Europe/Vienna"'),
]


class Economy(Section):
    """[economy]: hours in which people are there, what goes wrong, and what hours, energy and money cost.

    `staffed` texts, None is at all hours; `time_zone` in which they hold (None: without summer time); `unattended`
    whether prints may run while nobody is there. Costs are in the user's `currency`. A machine hour costs
    `machine_cost_per_hour`, or what `machine_price`, `machine_years`, `machine_hours_per_year` and `upkeep_per_year`
    come to. `spool_g` is the filament on a full spool (g); `prints_per_month` how often each job is printed;
    `service_years` for how long an upgrade is counted on (3 years: common practice, no source).
    """

    staffed: StaffedHours = None
    time_zone: ZoneName = None
    unattended: YesNo = False
    turnaround_min: NotNegative | None = None
    spool_change_min: NotNegative | None = None
    spool_g: Positive | None = None
    failed_share: ShareThatFails | None = None
    prints_per_month: NotNegative | None = None
    machine_cost_per_hour: NotNegative | None = None
    machine_price: NotNegative | None = None
    machine_years: Positive | None = None
    machine_hours_per_year: Positive | None = None
    upkeep_per_year: NotNegative | None = None
    labour_cost_per_hour: NotNegative | None = None
    power_w: NotNegative | None = None
    price_per_kwh: NotNegative | None = None
    discount_rate: DiscountRate | None = None
    service_years: CountFromOne = 3
    currency: Text | None = None


class Upgrade(NamedSettings):
    """[[upgrade]]: what may be bought or done to a machine: price, hours to fit it, and the settings that it brings."""

    price: NotNegative = 0.0
    fitting_hours: NotNegative = 0.0

    if TYPE_CHECKING:

        def __init__(
            self,
            name: str,
            set: Mapping[str, Any],  # noqa: A002 the key of the file
            *,
            price: float = 0.0,
            fitting_hours: float = 0.0,
        ) -> None: ...
