"""Prints a day as a line, and as plain data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kinematics.wording import duration_text, share_text

if TYPE_CHECKING:
    from kinematics.business.weeks import Throughput
    from kinematics.machine import Economy

HOUR, MINUTE = 3600.0, 60.0


def _count(found: Throughput) -> str:
    """Whole prints; a share of one where not one fits into a day."""
    if found.prints == 0 and found.prints_a_day > 0.0:
        return f"{found.prints_a_day:.2g}"
    return f"{found.prints:,}"


def _rules(found: Throughput, several: bool = False) -> str:
    """What the period is, and what stands between two prints."""
    between = f", {duration_text(found.turnaround_s)} between two" if found.turnaround_s else ""
    average = f" ({found.prints_a_day:.3g} a day)" if found.period == "week" and not several else ""
    return f"a {found.period}{average}" + ("" if found.told else f" around the clock{between}")


def _next(found: Throughput) -> str:
    """From which time of a print on one more fits; empty where none does."""
    if found.one_more_s is None:
        return "one more does not fit, however short"
    # Of hours only minutes are shown: rounded down, since a second more is too long.
    longest = found.one_more_s if found.one_more_s < HOUR else found.one_more_s // MINUTE * MINUTE
    less = share_text(1.0 - found.one_more_s / found.print_s)
    return f"one more fits once it takes {duration_text(longest)} or less ({less} less)"


def throughput_line(found: Throughput, of_mix: bool = False, copies: int = 1) -> str:
    """How many prints one printer makes, and from when on it makes one more."""
    prints = ("print" if _count(found) == "1" else "prints") + _of_copies(copies)
    mean = f", each {duration_text(found.print_s)} on average" if of_mix else ""
    return f"{_count(found)} {prints} {_rules(found)}{mean}; {_next(found)}"


def _of_copies(copies: int) -> str:
    return f" of {copies} copies" if copies > 1 else ""


def throughput_of_each(names: Sequence[str], found: Sequence[Throughput], copies: int = 1) -> str:
    """How many prints one printer makes in each of several cases."""
    told = ", ".join(f"{name} {_count(one)}" for name, one in zip(names, found, strict=True))
    return f"prints{_of_copies(copies)} {_rules(found[0], True)}: {told}"


def prints_a_day_line(wanted: float, longest_s: float, economy: Economy, of_mix: bool) -> str:
    """How long a print may take for so many of them a day."""
    from kinematics.business.weeks import throughput_of

    found = throughput_of(economy, longest_s)
    rules = "staffed hours" if economy.staffed is not None else "around the clock"
    between = f", {duration_text(found.turnaround_s)} between two" if found.turnaround_s else ""
    mean = " on average" if of_mix else ""
    return f"{wanted:g} prints a day ({rules}{between}): each may take {duration_text(longest_s)}{mean}"


def throughput_document(found: Throughput) -> dict[str, Any]:
    """The same as plain data."""
    return {
        "period": found.period,
        "prints": found.prints,
        "prints_a_day": found.prints_a_day if math.isfinite(found.prints_a_day) else None,
        "print_s": found.print_s,
        "turnaround_s": found.turnaround_s,
        "from_economy": found.told,
        "one_more_from_s": found.one_more_s,
    }
