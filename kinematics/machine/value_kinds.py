"""The kinds of value that only the machine file has: limits of the printer, places, settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import PlainSerializer, PlainValidator

from kinematics.toml.value_kinds import Advice, Allowed, AnyNumber, NotNegative, Positive


@dataclass(frozen=True)
class PrinterLimit(Advice):
    """Marks a key whose absence means that nothing holds the printer back there: reported as "limit not given"."""

    def hint(self, value: Any) -> str:
        """How to say that there is no limit."""
        none_meant = not isinstance(value, bool) and value in (0, float("inf"))
        return "leave the key out for no limit" if none_meant else ""


MechanismName = Annotated[
    Literal["cartesian", "crossed-belt", "linear-delta"], Allowed('"cartesian", "crossed-belt", "linear-delta"')
]
ThreeLengths = Annotated[tuple[Positive, Positive, Positive], Allowed("three numbers above 0, [x, y, z]")]
ThreePlaces = Annotated[tuple[AnyNumber, AnyNumber, AnyNumber], Allowed("three numbers, [x, y, z]")]
ThreeAngles = Annotated[tuple[AnyNumber, AnyNumber, AnyNumber], Allowed("three angles in degrees, one a tower")]

PositiveLimit = Annotated[Positive | None, PrinterLimit()]
NotNegativeLimit = Annotated[NotNegative | None, PrinterLimit()]


def _settings(value: Any) -> Any:
    from kinematics.machine.settings import Settings

    return Settings.frozen(value)


def _plain_settings(value: Any) -> Any:
    return value.plain()


# The settings of a candidate: judged against a machine where they are applied, frozen here.
READ_SETTINGS = PlainValidator(_settings)
WRITE_SETTINGS = PlainSerializer(_plain_settings)
