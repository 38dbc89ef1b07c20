"""Durations, quantities and foreign words as text: the one place where seconds become words."""

from __future__ import annotations

import re
from typing import Any

# Control characters, breaks of lines, and marks without a look of their own (Unicode's classes Cc, Cf, Zl and Zp).
ACTING = re.compile(
    "[\x00-\x1f\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u08e2\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ufeff\ufff9-\ufffb\U000110bd\U000110cd\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0001\U000e0020-\U000e007f]"
)


def duration_text(seconds: float) -> str:
    """A duration as a person says it: `2 d 3 h`, `1 h 52 min`, `4 min 07 s`, `12.3 s`."""
    if seconds < 0.0:
        return "-" + duration_text(-seconds)
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60.0)
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    hours = round(seconds / 3600.0)
    return f"{hours // 24} d {hours % 24} h"


_AMOUNT = r"(\d+(?:\.\d+)?)"
_TIME = re.compile(
    rf"(?:{_AMOUNT}d(?:ays?)?)?(?:{_AMOUNT}h(?:rs?|ours?)?)?(?:{_AMOUNT}m(?:ins?|inutes?)?)?(?:{_AMOUNT}s(?:ecs?|econds?)?)?"
)
_CLOCK = re.compile(r"(\d+):([0-5]\d):([0-5]\d(?:\.\d+)?)")
_HALF_TOLD = re.compile(r"(\d+):(\d{2})|(\d+(?:\.\d+)?)")
LONGEST_S = 10_000.0 * 86_400.0  # s: no print takes longer
SHOWN = 24  # letters of what could not be read


def seconds_from(text: str, place: str) -> float:
    """Seconds of a duration such as `1h30m`, `1h30`, `1:30:00`, `45m`, `90 min`, `2d 4h` or `75s`.

    Raises InputError at `place`; of a bare number, and of `1:30`, it asks which is meant.
    """
    from kinematics.errors import InputError

    short = text if len(text) <= SHOWN else text[: SHOWN - 1] + "…"
    told = "".join(text.lower().split())
    parts, clock = _TIME.fullmatch(re.sub(r"h(\d{1,2})$", r"h\1m", told)), _CLOCK.fullmatch(told)
    if clock is not None:
        days, (hours, minutes, seconds) = 0.0, map(float, clock.groups())
    elif parts is not None and any(parts.groups()):
        days, hours, minutes, seconds = (float(part or 0.0) for part in parts.groups())
    else:
        asks = _HALF_TOLD.fullmatch(told) if len(told) <= SHOWN else None
        meant = ""
        if asks is not None:
            left, right, alone = asks.groups()
            meant = f"{alone}m or {alone}h?" if alone else f"{left}h{right}m or {left}m{right}s?"
        raise InputError.at(place, f"can't read {short!r} as a time; write 7m or 1h30m", hint=meant)
    found = ((days * 24.0 + hours) * 60.0 + minutes) * 60.0 + seconds
    if not found > 0.0:
        raise InputError.at(place, f"{short!r} is no time at all", "a time above 0")
    if not found <= LONGEST_S:
        raise InputError.at(place, f"{short!r} is longer than any print", "10,000 days at most")
    return found


def quantity_text(value: float) -> str:
    """A number with three digits or so, no more than it means."""
    if abs(value) >= 1000.0:
        return f"{value:,.0f}"
    return f"{value:.3g}"


def value_text(value: Any) -> str:
    """A value of a machine file as it would stand there: 0.05, true, [[200, 9], [220, 12]]; of a range `0.05 (0.02 to
    0.1)`.
    """
    if isinstance(value, dict) and value.keys() == {"low", "likely", "high"}:
        low, likely, high = (value_text(value[part]) for part in ("low", "likely", "high"))
        return f"{likely} ({low} to {high})"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(value_text(one) for one in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def share_text(share: float) -> str:
    """A share as per cent."""
    return f"{share:.1%}" if abs(share) < 0.0995 else f"{share:.0%}"


def money_text(amount: float, currency: str | None) -> str:
    """An amount in the user's currency, which may not be known: 12.50 EUR."""
    return f"{amount:,.2f} {currency}" if currency else f"{amount:,.2f}"


def months_text(months: float) -> str:
    """A number of months as a person says it: `9.5 months`, `3.2 years`, `never`."""
    if months == float("inf"):
        return "never"
    if months == 0.0:
        return "at once"
    if months < 23.95:
        return f"{months:.1f} months" if months >= 0.05 else "days"
    return f"{months / 12.0:,.1f} years" if months < 1200.0 else "more than 100 years"


def harmless(text: str) -> str:
    """A line or a cell of a table with what acts on a terminal shown as it is written in Python: `\\x1b`."""
    return text if text.isprintable() else ACTING.sub(lambda found: found[0].encode("unicode_escape").decode(), text)
