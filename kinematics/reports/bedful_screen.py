"""How many copies at a time, as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from kinematics.reports.screens import notice_lines
from kinematics.reports.shop import UNATTENDED
from kinematics.wording import duration_text, money_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.business.bedful import Bedful, BedfulRow

MOST_ROWS = 24  # of a table; of more, those that are the best so far and the last
LASTS = 0.85  # share of the nights from which on prints last them
LONGER = 0.1  # share of the nights by which more copies must fill more of them to be worth a word
SAME_RATE = 1e-6  # of prints a day
A_WEEK = 7.0
NOT_MODELLED = (
    "travels between copies are planned with one retraction each; oozing, and whether the head clears neighbours, are "
    "not modelled"
)


def bedful_head(found: Bedful) -> list[str]:
    """The answer for one job: the best numbers of copies with their reasons, and how many fit."""
    lines = [found.job]
    first, best = found.rows[0], found.by_parts
    if best is None:
        lines.append("  no print can be taken off the bed: none ends while people are there at a stretch")
    elif best.parts_per_day == first.parts_per_day:
        lines.append(f"  one at a time brings most parts a day: {quantity_text(best.parts_per_day)}")
    else:
        one = quantity_text(first.parts_per_day)
        most = quantity_text(best.parts_per_day)
        lines.append(f"  {best.copies} at a time bring most parts a day: {most} (one at a time {one})")
    if best is not None:
        lines += [f"    {text}" for text in parts_reasons(found, best)]
    if found.by_cost is not None:
        lines += _cost_lines(found, found.by_cost)
    return [*lines, f"  {found.reason}"]


def parts_reasons(found: Bedful, best: BedfulRow) -> list[str]:
    """Why a number of copies brings most parts a day, a sentence each."""
    first, weeks = found.rows[0].weeks, best.weeks
    reasons = []
    if weeks.night_share is None:
        if best.copies > 1:
            reasons.append("somebody is there at all hours: what comes once a print is shared by the copies")
    elif weeks.night_share >= LASTS:
        more = f", {share_text(first.night_share or 0.0)} with one at a time" if best.copies > 1 else ""
        reasons.append(
            f"{best.copies} last from closing to opening: they print for {share_text(weeks.night_share)} of the "
            f"nights{more}"
        )
    elif weeks.night_share - (first.night_share or 0.0) >= LONGER:
        reasons.append(
            f"{best.copies} last longer into the night: they print for {share_text(weeks.night_share)} of the nights, "
            f"{share_text(first.night_share or 0.0)} with one at a time"
        )
    if best.copies == found.most_fit:
        return [*reasons, "no more of them fit"] if best.copies > 1 or not reasons else reasons
    after = found.rows[best.copies]
    fewer = after.weeks.prints_per_day < weeks.prints_per_day * (1.0 - SAME_RATE)
    if fewer and weeks.night_share is not None:
        now, then = (quantity_text(A_WEEK * row.prints_per_day) for row in (weeks, after.weeks))
        off = f"{now} prints a week are off the bed"
        if after.weeks.prints_per_day == 0.0:
            then = "none is off the bed before people leave"
        else:
            then = f"it is {then}"
        reasons.append(
            f"{best.copies} take {duration_text(best.total_s)}, and {off}; of {after.copies}, which take "
            f"{duration_text(after.total_s)}, {then}"
        )
    elif after.failed_share > best.failed_share:
        reasons.append(
            f"with {after.copies} what fails ({share_text(after.failed_share)} of prints) takes more than it brings"
        )
    return reasons


def _cost_lines(found: Bedful, best: BedfulRow) -> list[str]:
    first, currency = found.rows[0], found.machine.economy.currency
    cost = money_text(best.part_cost, currency)
    if best.copies == 1:
        return [f"  one at a time is cheapest: {cost} a part"]
    if best.copies == found.most_fit:
        reason = "what comes once a print is shared by as many as fit"
    else:
        reason = f"with more, prints that fail ({share_text(best.failed_share)} of these) cost more than sharing saves"
    one = money_text(first.part_cost, currency)
    return [f"  {best.copies} at a time are cheapest: {cost} a part (one at a time {one})", f"    {reason}"]


def bedful_heads(found: Bedful) -> tuple[tuple[str, bool], ...]:
    """The heads of the table; how many prints fail where that hangs on their length."""
    currency = found.machine.economy.currency
    fails = [("prints that fail", True)] if _fails_by_the_hour(found) else []
    return (
        ("copies", True),
        ("time", True),
        ("a part", True),
        ("parts a day", True),
        ("waits for people", True),
        ("nights printing", True),
        *fails,
        ("failure loses", True),
        (f"part costs, {currency}" if currency else "part costs", True),
    )


def _fails_by_the_hour(found: Bedful) -> bool:
    return found.rows[0].failed_share != found.rows[-1].failed_share


def bedful_rows(found: Bedful) -> list[tuple[str, ...]]:
    """Cells of every number of copies."""
    return [
        (
            str(row.copies),
            duration_text(row.total_s),
            duration_text(row.part_s),
            quantity_text(row.parts_per_day),
            duration_text(row.weeks.wait_s) if row.parts_per_day > 0.0 else "",
            "" if row.weeks.night_share is None else share_text(row.weeks.night_share),
            *([share_text(row.failed_share)] if _fails_by_the_hour(found) else []),
            money_text(row.lost_cost, None),
            money_text(row.part_cost, None),
        )
        for row in shown_rows(found)
    ]


def shown_rows(found: Bedful) -> Sequence[BedfulRow]:
    """The rows of the table: all, or of many those that beat all before them, those behind these, and the last."""
    if len(found.rows) <= MOST_ROWS:
        return found.rows
    kept: set[int] = {1, found.most_fit}
    best = 0.0
    for row in found.rows:
        if row.parts_per_day > best:
            best = row.parts_per_day
            kept.add(row.copies)
    falls = [n for n in kept if n + 1 not in kept and n < found.most_fit]
    kept |= {n + 1 for n in falls}
    if found.by_cost is not None:
        kept.add(found.by_cost.copies)
    ordered = sorted(kept)
    if len(ordered) > MOST_ROWS:  # the best ones of all are at the end of each rise
        tops = {n for n in ordered if n + 1 not in kept or n in falls} | {n + 1 for n in falls} | {1, found.most_fit}
        ordered = sorted(tops)[:MOST_ROWS]
    return [found.rows[number - 1] for number in ordered]


def bedful_notes(found: Bedful) -> list[str]:
    """What stands under the table: what is not modelled, not given or doubtful, and the caution."""
    economy = found.machine.economy
    lines = notice_lines(found.notices)
    if len(shown_rows(found)) < len(found.rows):
        lines.append(f"shown are the best of {len(found.rows)} numbers of copies (all of them with --json)")
    lines.append(NOT_MODELLED)
    if economy.staffed is None:
        lines.append("no staffed hours are given (economy.staffed), so somebody is there at all hours")
    elif not economy.unattended:
        lines.append("nothing runs unattended: a print is begun only if it will be off the bed before people leave")
    if found.costs_not_given:
        lines.append(f"counted as nothing, as they are not given: {', '.join(found.costs_not_given)}")
    if economy.unattended:
        lines.append(UNATTENDED)
    return lines
