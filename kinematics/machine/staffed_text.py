"""Hours in which people are there, as text: `Mon-Fri 08:00-16:00`."""

from __future__ import annotations

import re
from typing import NamedTuple

from kinematics.errors import nearest

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
STAFFED_ALLOWED = 'texts such as ["Mon-Fri 08:00-16:00", "Sat 09:00-12:30"]: days, a space, from and to as HH:MM'
MINUTES_A_DAY = 24 * 60

_TIME = re.compile(r"(\d{1,2}):(\d{2})")


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
    for number, day in enumerate(DAYS):
        if text.lower() == day.lower():
            return number
    hint = nearest(text.capitalize(), DAYS)
    raise ValueError(f"{text!r} is no day: {', '.join(DAYS)}" + (f"; {hint}" if hint else ""))
