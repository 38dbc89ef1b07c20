"""The kinds of value that only the machine file has: limits of the printer, places, settings."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, PlainSerializer, PlainValidator

from kinematics.toml.value_kinds import Advice, Allowed, AnyNumber, NotNegative, Positive, Temperature


@dataclass(frozen=True)
class PrinterLimit(Advice):
    """Marks a key whose absence means that nothing holds the printer back there: reported as "limit not given"."""

    def hint(self, value: Any) -> str:
        """How to say that there is no limit."""
        none_meant = not isinstance(value, bool) and value in (0, float("inf"))
        return "leave the key out for no limit" if none_meant else ""


Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Rows(Advice):
    """Marks a key that may hold a table of two columns: what they are called, and what is wrong with one."""

    first: str
    second: str

    def hint(self, value: Any) -> str:
        """What to change in a table; empty for any other value."""
        if not isinstance(value, (list, tuple)):
            return ""
        if not value or not all(isinstance(row, (list, tuple)) and len(row) == 2 for row in value):
            return f"one row or more, each [{self.first}, {self.second}]"
        firsts = [row[0] for row in value]
        for before, after in pairwise(firsts):
            if is_number(before) and is_number(after) and not before < after:
                return f"{self.first} must rise from row to row, and {after:g} stands after {before:g}"
        return ""


def is_number(value: Any) -> bool:
    """Whether a raw value is a number; true and false are none."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


@dataclass(frozen=True)
class Range:
    """A number of which only so much is known: the least and the greatest that it may be, and the likeliest between."""

    low: float
    likely: float
    high: float

    def as_dict(self) -> dict[str, float]:
        """The range as the table that a file has."""
        return asdict(self)


def _rising(rows: Points) -> Points:
    """Refuse a table without rows, or whose first column does not rise."""
    if not rows or any(after[0] <= before[0] for before, after in pairwise(rows)):
        raise ValueError("the first column must rise")
    return rows


def _ending_above_zero(rows: Points) -> Points:
    if rows[-1][0] <= 0.0:
        raise ValueError("the last row must be above 0")
    return rows


MechanismName = Annotated[
    Literal["cartesian", "crossed-belt", "linear-delta"], Allowed('"cartesian", "crossed-belt", "linear-delta"')
]
ThreeLengths = Annotated[tuple[Positive, Positive, Positive], Allowed("three numbers above 0, [x, y, z]")]
ThreePlaces = Annotated[tuple[AnyNumber, AnyNumber, AnyNumber], Allowed("three numbers, [x, y, z]")]
ThreeAngles = Annotated[tuple[AnyNumber, AnyNumber, AnyNumber], Allowed("three angles in degrees, one a tower")]

PositiveLimit = Annotated[Positive | None, PrinterLimit()]
NotNegativeLimit = Annotated[NotNegative | None, PrinterLimit()]

ShareOfOne = Annotated[float, Field(strict=True, gt=0, le=1), Allowed("a number above 0, 1 at most")]
# A limit that hangs on the nozzle's temperature, or does not.
FlowTable = Annotated[tuple[tuple[Temperature, Positive], ...], AfterValidator(_rising)]
FlowLimit = Annotated[
    Positive | FlowTable | None,
    Allowed("a number above 0 (1e-9 to 1e9), or rows [[°C, mm³/s], …] with rising °C"),
    Rows("°C", "mm³/s"),
    PrinterLimit(),
]
# What a motor pulls at its speed; of a motor that turns faster than the last row nothing is known.
TorqueCurve = Annotated[
    Annotated[tuple[tuple[NotNegative, NotNegative], ...], AfterValidator(_rising), AfterValidator(_ending_above_zero)]
    | None,
    Allowed("rows [[rev/min, Nm], …] with rising rev/min, the last above 0"),
    Rows("rev/min", "Nm"),
]


def _settings(value: Any) -> Any:
    from kinematics.machine.settings import Settings

    return Settings.frozen(value)


def _plain_settings(value: Any) -> Any:
    return value.plain()


# The settings of a candidate: judged against a machine where they are applied, frozen here.
READ_SETTINGS = PlainValidator(_settings)
WRITE_SETTINGS = PlainSerializer(_plain_settings)
