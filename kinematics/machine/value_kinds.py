"""The kinds of value that a key of the machine file may hold, each with the words that say what is allowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainSerializer, PlainValidator

LARGEST_COUNT = 2**31 - 1  # counts go into 32-bit arrays


@dataclass(frozen=True)
class Allowed:
    """What may stand at a key, in the words of an error message."""

    text: str


@dataclass(frozen=True)
class PrinterLimit:
    """Marks a key whose absence means that nothing holds the printer back there: reported as "limit not given"."""


def _whole(value: Any) -> Any:
    # A sweep counts in floats: 32.0 is a count as well.
    return int(value) if isinstance(value, float) and value.is_integer() else value


# Strict: true is not a number, nor is "5". No infinities: a limit that is to be none is left out.
Positive = Annotated[float, Field(strict=True, gt=0, allow_inf_nan=False), Allowed("a number above 0")]
NotNegative = Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False), Allowed("a number, 0 or more")]
AnyNumber = Annotated[float, Field(strict=True, allow_inf_nan=False), Allowed("a number")]
Temperature = Annotated[
    float, Field(strict=True, gt=-273.15, allow_inf_nan=False), Allowed("a temperature in °C, a number above -273.15")
]
Count = Annotated[
    int, Field(strict=True, ge=0, le=LARGEST_COUNT), BeforeValidator(_whole), Allowed("a whole number, 0 or more")
]
CountFromOne = Annotated[
    int, Field(strict=True, ge=1, le=LARGEST_COUNT), BeforeValidator(_whole), Allowed("a whole number, 1 or more")
]
YesNo = Annotated[bool, Field(strict=True), Allowed("true or false")]
Text = Annotated[str, Field(strict=True), Allowed("text in quotes")]
Name = Annotated[str, Field(strict=True, pattern=r"\S"), Allowed("text in quotes, not blank")]
Mechanism = Annotated[Literal["cartesian"], Allowed('"cartesian"')]
ThreeLengths = Annotated[tuple[Positive, Positive, Positive], Allowed("three numbers above 0, [x, y, z]")]
ThreePlaces = Annotated[tuple[AnyNumber, AnyNumber, AnyNumber], Allowed("three numbers, [x, y, z]")]

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
