"""Sweeps and targets as lines for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from kinematics.machine import resolved_keys
from kinematics.reports.held_words import held_lines
from kinematics.reports.screens import CAUTION, between_text, draws_line
from kinematics.studies.knobs import unit_of_knob
from kinematics.studies.sweep import (
    TRADED_ACCELERATION,
    TRADED_RINGING,
    TRADED_ROUNDING,
    WORTH_HAVING,
    recommended,
    rows_of_all_jobs,
    trade_offs_of,
)
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.studies.knees import Gain, Knee
    from kinematics.studies.knobs import Knob
    from kinematics.studies.sweep import Sweep, SweepRow
    from kinematics.studies.target import Target, Turned

SHOWN_TRADE_OFFS = 5
SHOWN_OTHERS = 2
TIMES_FROM, SHOWN_WHOLE_FROM = 2.0, 10.0  # a change by this factor or more is told as a factor; as a whole number
NOTHING = duration_text(0.0)
WORDS = {TRADED_ACCELERATION: "acceleration", TRADED_ROUNDING: "rounding", TRADED_RINGING: "ringing left"}
UNITS = {TRADED_ACCELERATION: "mm/s²", TRADED_ROUNDING: "mm", TRADED_RINGING: "mm"}
JUDGED = {True: "yes", False: "no", None: "not known"}


def sweep_heads(knobs: Sequence[Knob], intervals: bool = False) -> list[tuple[str, bool]]:
    """The heads of the table of rows, and which are right-aligned; `intervals` whether rows have them."""
    return [
        *((knob.name, True) for knob in knobs),
        ("job", False),
        ("time", True),
        *([("95 % of times", True)] if intervals else []),
        ("within caps", False),
        ("stopped by", False),
    ]


def sweep_cells(rows: Sequence[SweepRow], short: bool) -> list[tuple[str, ...]]:
    """Rows as cells; `short` leaves the folders of jobs out."""
    return [
        (
            *(f"{value:g}" for value in row.point),
            PurePath(row.job).name if short else row.job,
            duration_text(row.total_s),
            *([] if row.interval_s is None else [between_text(row.interval_s)]),
            JUDGED[row.within_caps],
            ", ".join(row.stopped_by),
        )
        for row in rows
    ]


def _amount(value: float) -> str:
    return f"{value:,.6g}"


def _shares(gain: Gain) -> str:
    """From where on a knob brings which share of what it can: `80% by about 800, 90% by about 1,100`.

    Of shares that come by the same value the largest is told.
    """
    last = {one.about: one for one in gain.shares}.values()
    inside, past = (
        ", ".join(f"{one.share:.0%} by about {quantity_text(one.about)}" for one in last if one.beyond is beyond)
        for beyond in (False, True)
    )
    return "; ".join([*([inside] if inside else []), *([f"past this sweep: {past}"] if past else [])])


def _gain(gain: Gain, what: str) -> list[str]:
    """What turning a knob further than a value brings; `what` says which way and from where."""
    saves = duration_text(gain.saves_s)
    if saves == NOTHING:
        return [f"  {what} saves nothing"]
    return [f"  {what} saves at most {saves}:", f"    {_shares(gain)}"]


def _knee(knee: Knee, unit: str) -> list[str]:
    turn, more, past = ("lowering", "less", "below") if knee.down else ("raising", "more", "above")
    now, of = knee.now, f" {unit}" if unit else ""
    lines = [f"{knee.knob}: {'not given now' if now is None else f'{_amount(now.start)}{of} now'}"]
    if now is not None:
        lines += _gain(now, f"{turn} it from {_amount(now.start)} (now)")
    if now is None or now.start != knee.swept.start:
        lines += _gain(knee.swept, f"{turn} it from {_amount(knee.swept.start)}")
    if knee.turning is None:
        lines.append(f"  it takes {duration_text(knee.floor_s)} at least, held by {knee.floor_cause}")
    else:
        turning, longer = knee.turning, duration_text(knee.floor_s - knee.turning.total_s)
        lines.append(f"  it takes {duration_text(turning.total_s)} at least, with about {quantity_text(turning.value)}")
        if longer != NOTHING:
            lines.append(f"  {past} that up to {longer} longer, held by {turning.reason}")
    best = max(knee.curve, key=lambda one: one[1])
    if duration_text(best[1]) != NOTHING and best[1] > 0.0:
        lines.append(f"  1% {more} saves most at {_amount(best[0])}: {duration_text(best[1])}")
    return lines


def trade_off_lines(sweep: Sweep) -> list[str]:
    """The best trade-offs of several knobs, a few from the quickest to the gentlest, and what is recommended."""
    if len(sweep.knobs) < 2:
        return []
    found = trade_offs_of(sweep)
    step = max(1, -(-len(found) // SHOWN_TRADE_OFFS))
    shown = found[::step]
    lines = [f"best trade-offs ({len(shown)} of {len(found)}):" if len(shown) < len(found) else "best trade-offs:"]
    for one in shown:
        told = _point(sweep, one.row)
        costs = ", ".join(f"{WORDS[name]} {quantity_text(cost)} {UNITS[name]}" for name, cost in one.costs.items())
        lines += [f"  {duration_text(one.row.total_s)} with {told}", f"    {costs}"]
    return [*lines, *_recommended(sweep)]


def _recommended(sweep: Sweep) -> list[str]:
    gentle = recommended(sweep)
    if gentle is not None:
        which = "within the caps" if gentle.within_caps else "that no known cap forbids"
        return [
            f"recommended: {_point(sweep, gentle)}, which takes {duration_text(gentle.total_s)}",
            f"  the gentlest {which} with {WORTH_HAVING:.0%} of what such settings can save",
            *([] if gentle.within_caps else ["  not all caps are known: kinematics caps says which are not"]),
        ]
    if all(row.within_caps is False for row in rows_of_all_jobs(sweep)):
        return ["recommended: none of these; every one asks for more than a cap allows"]
    assert sweep.present_total_s is not None  # or there would be one
    return [
        "recommended: none of these; nothing within the caps is faster than what the",
        f"  machine has now ({duration_text(sweep.present_total_s)})",
    ]


def _point(sweep: Sweep, row: SweepRow) -> str:
    return ", ".join(f"{knob.name}={value:g}" for knob, value in zip(sweep.knobs, row.point, strict=True))


def knee_lines(sweep: Sweep) -> list[str]:
    """Where each knob stops paying, the best trade-offs of several, and the caution."""
    knees = [line for knee in sweep.knees for line in _knee(knee, unit_of_knob(sweep.machine, knee.knob))]
    drawn = [] if sweep.sampling is None else [draws_line(sweep.sampling, sweep.machine)]
    held = held_lines(sweep.held, math.inf)
    return [*knees, *held, *trade_off_lines(sweep), *drawn, CAUTION]


def _by_how_much(before: float, after: float) -> str:
    """A change in words: `32% more`, `4.9 times as much`, `59% less`."""
    ratio = after / before
    if ratio >= TIMES_FROM:
        return f"{ratio:.1f} times as much" if ratio < SHOWN_WHOLE_FROM else f"{ratio:,.0f} times as much"
    return f"{share_text(abs(ratio - 1.0))} {'more' if ratio > 1.0 else 'less'}"


def _turned(one: Turned, unit: str) -> str:
    of = f" {unit}" if unit else ""
    if one.before == one.after:
        return f"stays at {_amount(one.after)}{of}"
    return f"from {_amount(one.before)} to {_amount(one.after)}{of}, {_by_how_much(one.before, one.after)}"


def target_lines(target: Target, machine: Machine, machine_words: str) -> list[str]:
    """The gentlest limits, a line a knob, what they bring, and what a gentler setting would.

    `machine_words` says which machine.
    """
    now, deadline, total = (duration_text(time) for time in (target.present_total_s, target.within_s, target.total_s))
    with_what = target.turned[0].knob + " alone" if len(target.turned) == 1 else "these alone"
    lines = [f"on {machine_words}: {now} now"]
    if target.present_total_s <= target.within_s:
        lines.append(f"{deadline} is met as it is; this would still do:")
    elif target.met:
        lines.append(f"for {deadline}:")
    else:
        lines += [f"{deadline} can't be met with {with_what}", "this is as far as it is worth going:"]
    width = max(len(one.knob) for one in target.turned)
    for one in target.turned:
        lines.append(f"  {one.knob:<{width}}  {_turned(one, unit_of_knob(machine, one.knob))}")
        if one.held_by is not None and target.met:
            further = "less" if one.down else "more"
            lines.append(f"    {further} saves next to nothing; held by {one.held_by}")
    at_their_end = resolved_keys({one.knob: 1.0 for one in target.turned if one.held_by is not None}, machine)
    lines += held_lines([one for one in target.held if one.key not in at_their_end], target.total_s)
    if not target.met:
        return [*lines, *_out_of_reach(target)]
    if target.gentler_total_s is None:
        lines.append(f"that takes {total}; nothing gentler than a tenth of what it has now was tried")
    else:
        late = _late(target.gentler_total_s - target.within_s)
        lines.append(f"that takes {total}; 1% gentler takes {duration_text(target.gentler_total_s)}, {late}")
    lines += _overridden(target)
    if told := " ".join(f"--set {one.knob}={one.after:g}" for one in target.turned if one.after > one.before):
        lines += [f"does the machine take it? kinematics caps JOB {told}", CAUTION]
    return lines


def _late(seconds: float) -> str:
    return "just too long" if duration_text(seconds) == NOTHING else f"{duration_text(seconds)} too long"


def _overridden(target: Target) -> list[str]:
    """How far limits that the job states itself matter, which a knob that is turned overrides."""
    saved = target.present_total_s - target.without_stated_limits_s
    if duration_text(abs(saved)) == NOTHING:
        return []
    without = duration_text(target.without_stated_limits_s)
    return [f"the job's own commands for these limits are left out; that alone makes it {without}"]


def _out_of_reach(target: Target) -> list[str]:
    """What the furthest settings bring, what holds the jobs then, and what else would help."""
    late = _late(target.total_s - target.within_s)
    lines = [f"that takes {duration_text(target.total_s)}, {late}", f"held by {target.stopped_by}"]
    left = duration_text(target.total_s - target.floor_s)
    if left != NOTHING:
        lines.append(f"going further would save {left} at most")
    lines += _overridden(target)
    enough = [other for other in target.others if other.meets][:SHOWN_OTHERS]
    if enough:
        lines.append(f"{' or '.join(f'--turn {other.knob}' for other in enough)} as well would do it")
    elif target.others:
        best = target.others[0]
        lines.append(f"--turn {best.knob} as well could bring {duration_text(best.total_s)}, which is still too long")
    else:
        lines.append("no other limit helps either")
    return lines
