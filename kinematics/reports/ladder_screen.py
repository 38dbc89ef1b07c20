"""A ladder as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from kinematics.jobs.timing import COOLING_CAUSE
from kinematics.machine.kinds import PART, PREPARED, QUALITY, SETTING, SHOWS, UNCAPPED
from kinematics.reports.screens import (
    CAUTION,
    between_text,
    commands_text,
    draws_line,
    notice_lines,
)
from kinematics.studies.reach import FACTOR, MOST_ACCELERATION, MOST_DEVIATION, MOST_TIMES, QUALITY_TIMES, SPEED_TIMES
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.studies.claim import ClaimAnswer, Needs
    from kinematics.studies.ladder import Ladder, RaisedLimit, Rung

# The kinds of steps in a column.
SHORT_KINDS = {
    SETTING: "setting",
    UNCAPPED: "setting*",
    SHOWS: "visible",
    PREPARED: "job again",
    PART: "part",
    QUALITY: "quality",
}
KINDS_SAID = {
    UNCAPPED: "setting*: no cap is known; ask the manufacturer how far it may go",
    SHOWS: "visible: shows on the part",
    PREPARED: "job again: the job has to be prepared again for higher speeds",
    PART: "part: a part to buy or to change",
}
SHOWN_LEFT = 4  # causes
WORTH_NAMING = 0.01  # of the end's time: what is lost without a limit before it is named
FEW_OF_IT = 0.5  # of what a rung saves: what its main limit saves alone is told below it
SHOWN_SECONDS = 0.05


def number_text(one: RaisedLimit) -> str:
    """From and to of a raised limit, with its unit once: `500 to 7,000 mm/s²`, `1 to 3×`."""
    before = quantity_text(one.number)
    if one.least < one.number:
        before = f"{quantity_text(one.least)} … {before}"
    space = "" if one.unit == FACTOR else " "
    return f"{before} to {quantity_text(one.to)}{space}{one.unit}"


def ladder_heads(ladder: Ladder) -> list[tuple[str, bool]]:
    """The heads of the table of rungs, and which are right-aligned."""
    seen = [("visible path", True)] if ladder.wanted.keep or ladder.wanted.by_label else []
    drawn = [("95 %", True)] if ladder.sampling is not None else []
    return [("", True), ("time", True), ("saved", True), *drawn, ("raise", False), ("kind", False), *seen]


def ladder_rows(ladder: Ladder, short: bool) -> list[tuple[str, ...]]:
    """The rungs as cells, a row a limit; `short` says the time and what is saved in the first row of a rung alone."""
    cells = []
    for place, rung in enumerate(ladder.rungs, 1):
        first = [str(place), duration_text(rung.total_s), duration_text(rung.saved_s)]
        if ladder.sampling is not None:
            first.append("" if rung.saved_interval is None else between_text(rung.saved_interval))
        share = "" if rung.seen_share is None else share_text(rung.seen_share)
        seen = [share] if ladder.wanted.keep or ladder.wanted.by_label else []
        for number, one in enumerate(rung.raised):
            repeated = number > 0 and short
            left = [""] * len(first) if repeated else first
            right = [""] * len(seen) if repeated else seen
            cells.append((*left, f"{one.what} {number_text(one)}", SHORT_KINDS[one.kind], *right))
    return cells


def _names(jobs: Iterable[str], prints: Sequence[float]) -> str:
    told = [
        PurePath(job).name + (f" ({number:g} times)" if number != 1.0 else "")
        for job, number in zip(jobs, prints, strict=True)
    ]
    return told[0] if len(told) == 1 else f"{len(told)} jobs ({', '.join(told)})"


def ladder_head(ladder: Ladder, machine_words: str) -> list[str]:
    """Which jobs on which machine, the time now, and what no limit takes them below."""
    now = duration_text(ladder.total_s)
    between = "" if ladder.interval is None else f" ({between_text(ladder.interval)})"
    names = _names(ladder.jobs, ladder.prints)
    return [
        f"{names} on {machine_words}: {now} now{between}, motion {duration_text(ladder.motion_s)} of it",
        *_floor(ladder),
    ]


def _floor(ladder: Ladder) -> list[str]:
    fixed = ladder.fixed
    parts = [f"{kind} {duration_text(spent)}" for kind, spent in fixed.by_kind.items()]
    if fixed.shortest_s and fixed.layers:
        parts.append(f"{fixed.layers:,.0f} layers of {fixed.shortest_s:g} s or more")
    if not parts:
        return []
    return [f"no limit takes it below {duration_text(fixed.floor_s)}: {', '.join(parts)}"]


def below_rungs(ladder: Ladder) -> list[str]:
    """What stands under the table: what is worth little alone, the small steps, what is left, what hangs on what."""
    lines = [line for place, rung in enumerate(ladder.rungs, 1) for line in _of_rung(place, rung)]
    if not ladder.rungs:
        lines += _no_rung(ladder)
    if ladder.small is not None and ladder.small.steps:
        steps = f"{ladder.small.steps} more step{'s' if ladder.small.steps > 1 else ''}"
        together = " together" if ladder.small.steps > 1 else ""
        saves = duration_text(ladder.small.saved_s)
        lines.append(
            f"then {steps} save{'' if ladder.small.steps > 1 else 's'} {saves}{together}: "
            f"{', '.join(one.what for one in ladder.small.raised)}"
        )
    if ladder.rungs:
        end = f"{duration_text(ladder.end_s)} at the end"
        lines.append(f"{end}; all as far as it goes: {duration_text(ladder.reach_s)}")
    lines.append(f"what is left: {_left(ladder)}")
    lines += _left_out(ladder)
    return lines


def _of_rung(place: int, rung: Rung) -> list[str]:
    lines = []
    if rung.alone is not None and rung.alone.saved_s < FEW_OF_IT * rung.saved_s:
        saves = duration_text(rung.alone.saved_s) if rung.alone.saved_s > SHOWN_SECONDS else "nothing"
        lines.append(f"step {place}: {rung.alone.what} alone, on the machine as it is, saves {saves}")
    if rung.silenced:
        lines.append(f"step {place}: {commands_text(rung.silenced)} in the job no longer have a say")
    return lines


def _no_rung(ladder: Ladder) -> list[str]:
    saving = ladder.total_s - ladder.reach_s
    saves = duration_text(saving) if saving >= SHOWN_SECONDS else "nothing"
    held = ladder.left[0]
    none = "no step is worth it" if ladder.cut_short_of is None else "no step was looked at"
    lines = [f"{none}: all limits as far as they go save {saves}"]
    lines.append(f"held by {held.cause} ({held.share:.0%})")
    if ladder.quality_s is not None and ladder.quality_s < ladder.reach_s - SHOWN_SECONDS:
        lines.append(f"at the expense of quality as well (--allow quality): {duration_text(ladder.quality_s)}")
    if held.cause == COOLING_CAUSE:
        lines.append("or print several at a time, so that one cools while the next is printed")
    return lines


def _left(ladder: Ladder) -> str:
    return ", ".join(f"{one.cause} {one.share:.0%}" for one in ladder.left[:SHOWN_LEFT])


def _left_out(ladder: Ladder) -> list[str]:
    named = [one for one in ladder.left_out if one.total_s - ladder.end_s >= WORTH_NAMING * ladder.end_s]
    if not named:
        return []
    told = " · ".join(f"{one.what} {duration_text(one.total_s)}" for one in named)
    return [f"left out, you end at: {told}"]


def until_lines(ladder: Ladder) -> list[str]:
    """Whether the time that was asked for is reached, and what is missing."""
    if ladder.until_s is None:
        return []
    until = duration_text(ladder.until_s)
    if ladder.reached:
        steps = len(ladder.rungs)
        return [f"{until} is reached after step {steps}" if steps else f"{until} is met as it is"]
    missing = duration_text(ladder.end_s - ladder.until_s)
    held = ladder.left[0]
    lines = [f"{until} is not reached: {missing} are missing at the end, held by {held.cause} ({held.share:.0%})"]
    if ladder.fixed.floor_s > ladder.until_s:
        lines.append(f"no limit of motion could: {duration_text(ladder.fixed.floor_s)} are the least, as said above")
    return lines


def claim_lines(answer: ClaimAnswer) -> list[str]:
    """What is to be said of a claim: before, after, motion apart, and what would have to be true."""
    claim = answer.claim
    before, after = duration_text(claim.before_s), duration_text(claim.after_s)
    now, end = duration_text(answer.now_s), duration_text(answer.end_s)
    lines = [f"the claim: {before} becomes {after}, {claim.factor:.2g} times as fast"]
    lines.append(
        f"  before: {now} here, " + ("so that is about right" if answer.in_reach else "which is another starting point")
    )
    if answer.rung is None:
        lines.append(f"  after: not reached; the ladder ends at {end}, {duration_text(answer.missing_s)} too long")
    elif answer.rung == 0:
        lines.append("  after: met already, as the machine is")
    else:
        lines.append(f"  after: reached with step {answer.rung}")
    if answer.for_time is None:
        lines.append(
            f"  heating, homing and the like alone take {duration_text(answer.fixed_s)}: nothing reaches {after}"
        )
    else:
        lines.append(
            f"  {after} leave motion {duration_text(answer.for_time.motion_s)} of {duration_text(answer.motion_s)}: "
            f"{answer.motion_s / answer.for_time.motion_s:.2g} times as fast; heating and the like stay"
        )
        lines.append(f"    which takes {_needs(answer.for_time, answer.flow_now)}")
    lines.append(
        f"  motion alone {claim.factor:.2g} times as fast, {duration_text(answer.for_factor.motion_s)}, takes "
        f"{_needs(answer.for_factor, answer.flow_now)}"
    )
    lines.append("  both with accelerations at their reach, corners as they are, and no layer waiting")
    return lines


def _needs(needs: Needs, flow_now: float | None) -> str:
    if needs.speed_times is None:
        return f"more than any commanded speed brings: {needs.factor:.2g} times at most, then accelerations hold"
    flow = f"{needs.flow:.0f} mm³/s of flow"
    if flow_now is not None:
        flow += f", where the hotend melts {flow_now:g}"
        if needs.flow > flow_now:
            flow += ": a larger melt zone"
    return f"{needs.speed_times:.2g} times the commanded speed and {flow}"


def reach_lines(ladder: Ladder) -> list[str]:
    """The kinds of steps that need a word, how far limits went and why, and the caution."""
    shown = {one.kind for rung in ladder.rungs for one in rung.raised}
    lines = [text for kind, text in KINDS_SAID.items() if kind in shown]
    costs = f", {QUALITY_TIMES:g} times for quality" if ladder.wanted.quality else ""
    lines.append(
        f"reach: known caps, else {MOST_TIMES:g} times and at most {MOST_ACCELERATION:,.0f} mm/s² for accelerations, "
        f"{SPEED_TIMES:g} times for speeds and flow, {MOST_DEVIATION:g} mm junction deviation{costs} (--reach); "
        "ask the manufacturer before you go there"
    )
    for file, notices in ladder.notices.items():
        if notices:
            lines += [f"{file}: {line}" if i == 0 else line for i, line in enumerate(notice_lines(notices))]
    if ladder.sampling is not None:
        lines.append(draws_line(ladder.sampling, ladder.machine))
    return lines


def next_lines(ladder: Ladder, machine_option: str, options: Sequence[str]) -> list[str]:
    """The next command to try: the rungs as candidates in a machine file of one's own."""
    lines = []
    if ladder.rungs and "-" not in ladder.jobs:
        command = shlex.join([*ladder.jobs, "--machine", machine_option, *options, "--write-machine", "ladder.toml"])
        lines.append(f"next: kinematics ladder {command}")
    return [*lines, CAUTION] if ladder.rungs else lines
