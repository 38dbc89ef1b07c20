"""The kinds of value that only the machine file has: ranges, tables of two columns, staffed hours, settings."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime
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


# The kinds of steps by which a printer gets faster: a setting, one of which no cap is known, one that shows on the
# part, the job prepared again for higher speeds, a part to buy, and what is at the expense of quality.
SETTING, UNCAPPED, SHOWS = "setting", "setting without cap", "shows on the part"
PREPARED, PART, QUALITY = "prepared again", "part", "quality"
KINDS_OF_STEPS = (SETTING, UNCAPPED, SHOWS, PREPARED, PART, QUALITY)


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


def _wrong_hours(texts: Any) -> str:
    """What is wrong with the first text that cannot be read."""
    for text in [texts] if isinstance(texts, str) else texts if isinstance(texts, (list, tuple)) else []:
        try:
            shift_of(text if isinstance(text, str) else str(text))
        except ValueError as error:
            return str(error)
    return ""


def _date(raw: Any) -> Any:
    """The date that a file has, or that a text tells; anything else as it is."""
    if isinstance(raw, datetime):
        return raw.date()
    try:
        return date.fromisoformat(raw) if isinstance(raw, str) else raw
    except ValueError:
        return raw


def _is_known_zone(name: Any) -> bool:
    from zoneinfo import ZoneInfo

    try:
        return isinstance(name, str) and bool(ZoneInfo(name))
    except (ValueError, OSError, KeyError):
        return False


def _rows(allowed: str, units: tuple[str, str], kinds: tuple[Kind, Kind], holds: Callable[[Any], bool]) -> Kind:
    """The kind of a table of two columns, the first rising, of which something holds."""

    def wrong(raw: Any) -> str:
        if not isinstance(raw, (list, tuple)):
            return ""
        if not raw or not all(isinstance(row, (list, tuple)) and len(row) == 2 for row in raw):
            return f"one row or more, each [{units[0]}, {units[1]}]"
        pairs = ((before, after) for (before, _), (after, _) in pairwise(raw) if is_number(before) and is_number(after))
        falls = next(((before, after) for before, after in pairs if not before < after), None)
        return f"{units[0]} must rise from row to row, and {falls[1]:g} stands after {falls[0]:g}" if falls else ""

    def all_hold(raw: Any) -> bool:
        is_table = isinstance(raw, (list, tuple)) and not wrong(raw) and holds(raw)
        return is_table and all(kind.holds(one) for row in raw for kind, one in zip(kinds, row, strict=True))

    return Kind(allowed, all_hold, lambda raw: tuple((float(one), float(other)) for one, other in raw), wrong)


MECHANISM_KIND = one_of(
    "cartesian", "crossed-belt", "linear-delta", allowed='"cartesian", "crossed-belt", "linear-delta"'
)
FILTER_KIND = one_of("none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI", "own")
THREE_LENGTHS = several(POSITIVE, 3, "three numbers above 0, [x, y, z]")
THREE_PLACES = several(ANY_NUMBER, 3, "three numbers, [x, y, z]")
THREE_ANGLES = several(ANY_NUMBER, 3, "three angles in degrees, one a tower")
SHARE_BELOW_ONE = number("a number from 0 on, below 1", lambda value: 0.0 <= value < 1.0)
INNER_SHARE = number("a number between 0 and 1", lambda value: 0.0 < value < 1.0)
SHARE_OF_ONE = number("a number above 0, 1 at most", lambda value: 0.0 < value <= 1.0)
DISCOUNT_RATE = number("a share a year, such as 0.05 for 5 %", lambda value: -1.0 < value <= 10.0)
# What a motor pulls at its speed; of a motor that turns faster than the last row nothing is known.
TORQUE_KIND = _rows(
    "rows [[rev/min, Nm], …] with rising rev/min, the last above 0",
    ("rev/min", "Nm"),
    (NOT_NEGATIVE, NOT_NEGATIVE),
    lambda rows: bool(rows[-1][0] > 0.0),
)
# A filter of one's own.
IMPULSES = _rows(
    "rows [[s, share], …] with rising times, the shares summing to 1",
    ("s", "share"),
    (NOT_NEGATIVE, NOT_NEGATIVE),
    lambda rows: abs(sum(row[1] for row in rows) - 1.0) <= 1e-3,
)
FLOW_ROWS = _rows(
    "a number above 0 (1e-9 to 1e9), or rows [[°C, mm³/s], …] with rising °C",
    ("°C", "mm³/s"),
    (TEMPERATURE, POSITIVE),
    lambda rows: True,
)
# A limit that hangs on the nozzle's temperature, or does not.
FLOW_KIND = FLOW_ROWS._replace(
    holds=lambda raw: POSITIVE.holds(raw) or FLOW_ROWS.holds(raw),
    made=lambda raw: FLOW_ROWS.made(raw) if isinstance(raw, (list, tuple)) else float(raw),
    any_number=True,
)
STAFFED = Kind(
    'texts such as ["Mon-Fri 08:00-16:00", "Sat 09:00-12:30"]: days, a space, from and to as HH:MM',
    lambda raw: bool(raw) and isinstance(raw, (str, list, tuple)) and not _wrong_hours(raw),
    lambda raw: (raw,) if isinstance(raw, str) else tuple(raw),
    _wrong_hours,
)
STEPS_KIND = Kind(
    f'a table {{ "dotted.key" = "kind" }}, each kind one of {", ".join(KINDS_OF_STEPS)}',
    lambda raw: isinstance(raw, Mapping) and bool(raw),  # which keys and kinds, `rules.wrong_steps` looks at
    Settings.frozen,
)
DATE = Kind(
    "a date, such as 2026-11-30",
    lambda raw: isinstance(_date(raw), date),
    lambda raw: _date(raw).isoformat(),
)
DOTTED_KEYS = Kind(
    'dotted keys of the file, ["motion.print_acceleration_mm_s2"]',
    lambda raw: isinstance(raw, (list, tuple)) and all(isinstance(key, str) for key in raw),
    tuple,
)
SQUARE_KIND = Kind(
    "a square table of numbers, a row a key",
    lambda raw: (
        isinstance(raw, (list, tuple))
        and all(isinstance(row, (list, tuple)) and len(row) == len(raw) for row in raw)
        and all(ANY_NUMBER.holds(one) for row in raw for one in row)
    ),
    lambda raw: tuple(tuple(map(float, row)) for row in raw),
)
# Parts of the bed, each from its lower left to its upper right corner.
RECTANGLES = Kind(
    "rectangles [[x0, y0, x1, y1], …] with x0 below x1 and y0 below y1",
    lambda raw: (
        isinstance(raw, (list, tuple))
        and all(isinstance(one, (list, tuple)) and len(one) == 4 and all(map(ANY_NUMBER.holds, one)) for one in raw)
        and all(one[0] < one[2] and one[1] < one[3] for one in raw)
    ),
    lambda raw: tuple(tuple(map(float, one)) for one in raw),
)
TIME_ZONE = Kind('the name of a time zone, such as "Europe/Vienna"', _is_known_zone)
