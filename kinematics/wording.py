"""Durations and other quantities as text: the one place where seconds become words."""

from __future__ import annotations

import re
from typing import Any


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


_TIME = re.compile(r"(?:(\d+(?:\.\d+)?)d)?(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m(?:in)?)?(?:(\d+(?:\.\d+)?)s)?")


def seconds_from(text: str, place: str) -> float:
    """Seconds of a duration such as `1h30m`, `45m`, `90min`, `2d 4h` or `75s`. Raises InputError at `place`."""
    from kinematics.errors import InputError

    parts = _TIME.fullmatch("".join(text.lower().split()))
    if parts is None or not any(parts.groups()):
        raise InputError.at(place, f"{text!r} is no time", "days, hours, minutes, seconds, such as 1h30m or 45m")
    days, hours, minutes, seconds = (float(part or 0.0) for part in parts.groups())
    found = ((days * 24.0 + hours) * 60.0 + minutes) * 60.0 + seconds
    if not found > 0.0:
        raise InputError.at(place, f"{text!r} is no time at all", "a time above 0")
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
