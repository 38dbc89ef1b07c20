"""What holds in place of a limit, as lines and as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
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
