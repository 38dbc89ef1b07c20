"""What holds in place of a limit, and how many prints a day come of it, as lines and as plain data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.business.weeks import Throughput
    from kinematics.machine import Economy
    from kinematics.studies.held_by import HeldBy, Holder


SHOWN = 0.05  # s


def _quantity(value: float, unit: str) -> str:
    return f"{quantity_text(value)}{'' if unit in ('×', '') else ' '}{unit}"


def _holder(one: Holder) -> str:
    return one.what if one.value is None else f"{one.what} at {_quantity(one.value, one.unit)}"


def held_lines(held: Sequence[HeldBy], total_s: float, name: str = "") -> list[str]:
    """For each limit that is never reached: what holds in its place, and the time with that lifted too (s) where it
    differs from the total.
    """
    lines = []
    for one in held:
        if one.never_reached:
            begins = f"{name}: " if name else ""
            told = f"{begins}{one.what} {_quantity(one.asked, one.unit)} is never reached"
            lines.append(f"{told}; what holds:")
            lines += [f"  {_holder(other)}" for other in one.held]
            if one.lifted_total_s is not None and abs(one.lifted_total_s - total_s) >= SHOWN:
                too = "that" if len(one.held) == 1 else "those"
                lines.append(f"  with {too} lifted too: {duration_text(one.lifted_total_s)}")
    return lines


def rules_text(held: Sequence[HeldBy]) -> str:
    """In which share of the moves and of the time each raised limit rules."""
    told = []
    for one in held:
        moves, time = share_text(one.share_of_moves), share_text(one.share_of_time)
        told.append(f"{one.what} {moves} of moves, {time} of time")
    return "; ".join(told)


def held_document(held: Sequence[HeldBy]) -> list[dict[str, Any]]:
    """The same as plain data."""
    return [
        {
            "limit": one.key,
            "what": one.what,
            "unit": one.unit,
            "asked": one.asked,
            "never_reached": one.never_reached,
            "share_of_time": one.share_of_time,
            "share_of_moves": one.share_of_moves,
            "held_by": [
                {"limit": other.key, "what": other.what, "unit": other.unit, "value": other.value} for other in one.held
            ],
            "with_those_lifted_total_s": one.lifted_total_s,
        }
        for one in held
    ]


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
