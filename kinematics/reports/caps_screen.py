"""The caps of a machine as lines for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kinematics.reports.screens import CAUTION
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.studies.caps_table import CapRow, Caps
    from kinematics.studies.cooling import CoolingRule


def _quantity(value: float | None, unit: str) -> str:
    return "" if value is None else f"{quantity_text(value)} {unit}"


def _within(row: CapRow) -> str:
    if row.within_caps is None:
        return "not known" if row.asked is not None else ""
    return "yes" if row.within_caps else "no"


def cap_cells(caps: Caps) -> list[tuple[str, ...]]:
    """One row a limit: what is asked, how far it may go, along the axis and in the job, within or not, and why."""
    return [
        (
            row.what,
            _quantity(row.asked, row.unit) or "nothing",
            _quantity(row.no_further_than, row.unit) or "not known",
            _quantity(row.in_the_job, row.unit),
            _within(row),
            row.stopped_by,
            "" if row.share_of_time is None else share_text(row.share_of_time),
            ", ".join(row.not_known),
        )
        for row in caps.rows
    ]


def formula_lines(caps: Caps) -> list[str]:
    """Every known cap with the machine's numbers in its formula."""
    lines: list[str] = []
    for row in caps.rows:
        if row.formulas:
            lines += [f"{row.what} ({row.limit})", *(f"  {formula}" for formula in row.formulas)]
    return lines


def _cooling(rule: CoolingRule) -> list[str]:
    lines = [
        f"cooling: a layer lasts {rule.shortest:g} s at least, which adds {duration_text(rule.added)} in "
        f"{rule.layers} of {rule.all_layers} layers"
    ]
    if rule.ruled > 0.5:
        lines.append(f"  cooling rules already: {share_text(rule.ruled)} of the motion is in layers that wait")
        return lines
    for factor, what in ((rule.by_acceleration, "accelerations"), (rule.by_speed, "commanded speeds")):
        when = (
            "it never rules, other limits hold the layers" if factor is None else f"it rules from {factor:.3g} times on"
        )
        lines.append(f"  with higher {what} alone {when}")
    return lines


def _ringing(caps: Caps) -> list[str]:
    """How far each job swings the axes: by one kick, and by all of them, which may add."""
    lines = []
    for ringing in caps.ringing:
        for axis in ringing.axes:
            worst = max((mode.left for mode in axis.modes), key=lambda left: left.swing)
            budget = "" if axis.budget is None else f" (budget for each kick {quantity_text(axis.budget)} mm)"
            one = f"a single kick leaves {quantity_text(axis.by_one_kick)} mm at most{budget}"
            all_of_them = f"kicks add up to {quantity_text(worst.swing)} mm, line {worst.line} of {ringing.job}"
            lines.append(f"ringing, {axis.axis} axis: {one}; {all_of_them}")
    return lines


def cap_notes(caps: Caps, formulas: bool) -> list[str]:
    """What stands under the table: what asks too much, cooling, the next command, the caution."""
    lines: list[str] = []
    for row in caps.asks_too_much:
        bounds = [bound for bound in (row.no_further_than, row.in_the_job) if bound is not None]
        most = _quantity(min(bounds), row.unit)
        lines.append(
            f"{row.what} asks for {_quantity(row.asked, row.unit)}; {row.stopped_by} takes {most} ({row.limit})"
        )
    if caps.cooling is not None:
        lines += _cooling(caps.cooling)
    lines += _ringing(caps)
    if not formulas:
        lines.append("--formulas shows how each number comes about")
    return [*lines, CAUTION]
