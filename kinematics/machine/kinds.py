"""The kinds of value that only the machine file has: ranges, tables of two columns, staffed hours, settings."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import Any, NamedTuple, Self

from kinematics.errors import nearest
from kinematics.toml.sections import (
    ANY_NUMBER,
    NOT_NEGATIVE,
    POSITIVE,
    TEMPERATURE,
    ByName,
    Kind,
    is_number,
    number,
    one_of,
    several,
)

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MINUTES_A_DAY = 24 * 60
_TIME = re.compile(r"(\d{1,2}):(\d{2})")


class Range(NamedTuple):
    """A number of which only so much is known: the least and the greatest that it may be, and the likeliest between."""

    low: float
    likely: float
    high: float

    def as_dict(self) -> dict[str, float]:
        """The range as the table that a file has."""
        return self._asdict()


class Settings(ByName[Any]):
    """Dotted keys and their values, never changed, and all inside them frozen as well."""

    @classmethod
    def frozen(cls, values: Mapping[str, Any]) -> Self:
        """Freeze a mapping and all inside it."""
        return cls({key: _frozen(value) for key, value in values.items()})


def _frozen(value: Any) -> Any:
    if isinstance(value, Range):
        return Settings(value.as_dict())
    if isinstance(value, Mapping):
        return Settings.frozen(value)
    return tuple(_frozen(one) for one in value) if isinstance(value, (list, tuple)) else value


class Shift(NamedTuple):
    """Hours of some days of the week: `days` 0 for Monday to 6, `opens` and `closes` in minutes after midnight.

    `closes` is above one day's minutes where the shift ends on the day after.
    """

    days: tuple[int, ...]
    opens: int
    closes: int


def shift_of(text: str) -> Shift:
    """The shift of a text: days (`Mon`, `Mon-Fri`, `Sat,Sun`), a space, and times; an end not after the beginning is
    one on the next day. Raises ValueError with what is wrong.
    """
    words = text.split()
    if len(words) != 2:
        raise ValueError(f"{text!r} is not days, a space, and times")
    opens, dash, closes = words[1].partition("-")
    if not dash:
        raise ValueError(f"{words[1]!r} has no end, such as 08:00-16:00")
    begin, end = _minutes(opens), _minutes(closes)
    if begin >= MINUTES_A_DAY:
        raise ValueError("a shift cannot begin at 24:00; 00:00 is the beginning of a day")
    return Shift(_days(words[0]), begin, end if end > begin else end + MINUTES_A_DAY)


def _minutes(text: str) -> int:
    found = _TIME.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no time of day, such as 08:00")
    minutes = int(found[1]) * 60 + int(found[2])
    if int(found[2]) > 59 or minutes > MINUTES_A_DAY:
        raise ValueError(f"there is no {text} on a clock of 00:00 to 24:00")
    return minutes


def _days(text: str) -> tuple[int, ...]:
    """Numbers of the days that a text names; a span may run over the weekend's end (`Sat-Mon`)."""
    days: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.partition("-")
        begin = _day(first)
        end = _day(last) if dash else begin
        days |= {day % 7 for day in range(begin, end + 1 if end >= begin else end + 8)}
    return tuple(sorted(days))


def _day(text: str) -> int:
    for place, day in enumerate(DAYS):
        if text.lower() == day.lower():
            return place
    hint = nearest(text.capitalize(), DAYS)
    raise ValueError(f"{text!r} is no day: {', '.join(DAYS)}" + (f"; {hint}" if hint else ""))


def _texts(value: Any) -> Iterator[Any]:
    yield from [value] if isinstance(value, str) else value if isinstance(value, (list, tuple)) else []


def _read_staffed(value: Any) -> tuple[str, ...]:
    texts = tuple(_texts(value))
    if not texts or not all(isinstance(text, str) for text in texts):
        raise ValueError("nothing is given")
    for text in texts:
        shift_of(text)
    return texts


def _wrong_hours(value: Any) -> str:
    """What is wrong with the first text that cannot be read."""
    for text in _texts(value):
        try:
            shift_of(text if isinstance(text, str) else str(text))
        except ValueError as error:
            return str(error)
    return ""


def _known_zone(name: Any) -> str:
    from zoneinfo import ZoneInfo

    if not isinstance(name, str):
        raise ValueError("no text")
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise ValueError(f"no time zone {name!r}") from error
    return name


def _rows(first: Kind, second: Kind, ends_above_zero: bool) -> Callable[[Any], tuple[tuple[float, float], ...]]:
    def read(value: Any) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, (list, tuple)) or not value:
            raise ValueError("no rows")
        rows = tuple((first.read(one), second.read(other)) for one, other in value)
        if any(after[0] <= before[0] for before, after in pairwise(rows)) or (ends_above_zero and rows[-1][0] <= 0.0):
            raise ValueError("the first column must rise, and the last row be above 0")
        return rows

    return read


def _wrong_rows(first: str, second: str) -> Callable[[Any], str]:
    """What to change in a table of two columns; empty for any other value."""

    def hint(value: Any) -> str:
        if not isinstance(value, (list, tuple)):
            return ""
        if not value or not all(isinstance(row, (list, tuple)) and len(row) == 2 for row in value):
            return f"one row or more, each [{first}, {second}]"
        for (before, _), (after, _) in pairwise(value):
            if is_number(before) and is_number(after) and not before < after:
                return f"{first} must rise from row to row, and {after:g} stands after {before:g}"
        return ""

    return hint


def _number_or_rows(value: Any) -> float | tuple[tuple[float, float], ...]:
    if isinstance(value, (list, tuple)):
        return _rows(TEMPERATURE, POSITIVE, False)(value)
    read: float = POSITIVE.read(value)
    return read


MECHANISM = one_of("cartesian", "crossed-belt", "linear-delta", allowed='"cartesian", "crossed-belt", "linear-delta"')
FILTER = one_of("none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI")
THREE_LENGTHS = several(POSITIVE, 3, "three numbers above 0, [x, y, z]")
THREE_PLACES = several(ANY_NUMBER, 3, "three numbers, [x, y, z]")
THREE_ANGLES = several(ANY_NUMBER, 3, "three angles in degrees, one a tower")
SHARE_BELOW_ONE = number("a number from 0 on, below 1", lambda value: 0.0 <= value < 1.0)
INNER_SHARE = number("a number between 0 and 1", lambda value: 0.0 < value < 1.0)
SHARE_OF_ONE = number("a number above 0, 1 at most", lambda value: 0.0 < value <= 1.0)
DISCOUNT_RATE = number("a share a year, such as 0.05 for 5 %", lambda value: -1.0 < value <= 10.0)
# A limit that hangs on the nozzle's temperature, or does not.
FLOW = Kind(
    "a number above 0 (1e-9 to 1e9), or rows [[°C, mm³/s], …] with rising °C",
    _number_or_rows,
    _wrong_rows("°C", "mm³/s"),
    any_number=True,
)
# What a motor pulls at its speed; of a motor that turns faster than the last row nothing is known.
TORQUE = Kind(
    "rows [[rev/min, Nm], …] with rising rev/min, the last above 0",
    _rows(NOT_NEGATIVE, NOT_NEGATIVE, True),
    _wrong_rows("rev/min", "Nm"),
)
STAFFED = Kind(
    'texts such as ["Mon-Fri 08:00-16:00", "Sat 09:00-12:30"]: days, a space, from and to as HH:MM',
    _read_staffed,
    _wrong_hours,
)
TIME_ZONE = Kind('the name of a time zone, such as "Europe/Vienna"', _known_zone)
