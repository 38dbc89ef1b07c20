"""Sweeps and targets as lines for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from kinematics.reports.screens import CAUTION, between_text, draws_line
from kinematics.studies.trade_offs import ACCELERATION, RINGING, ROUNDING, WORTH_HAVING, recommended, trade_offs_of
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.studies.knobs import Knob
    from kinematics.studies.sweep import Knee, Sweep, SweepRow
    from kinematics.studies.target import Target

SHOWN_TRADE_OFFS = 5
WORDS = {ACCELERATION: "acceleration", ROUNDING: "rounding", RINGING: "ringing left"}
UNITS = {ACCELERATION: "mm/s²", ROUNDING: "mm", RINGING: "mm"}
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
            duration_text(row.total),
            *([] if row.interval is None else [between_text(row.interval)]),
            JUDGED[row.within_caps],
            ", ".join(row.stopped_by),
        )
        for row in rows
    ]


def _knee(knee: Knee) -> list[str]:
    parts = ", ".join(f"{share:.0%} from {quantity_text(value)} on" for share, value in knee.knees)
    gain = knee.base - knee.floor
    lines = [f"{knee.knob}: from {quantity_text(knee.low)} it can bring {duration_text(gain)} at most; of that {parts}"]
    lines.append(f"  the floor is {duration_text(knee.floor)}, set by {knee.floor_cause}")
    if knee.turning is not None:
        turning = knee.turning
        lines.append(
            f"  beyond {quantity_text(turning.value)} ({duration_text(turning.total)}) more makes it longer: "
            f"{turning.reason}"
        )
    best = max(knee.curve, key=lambda one: one[1])
    now = "" if knee.present is None else f"; the machine has {quantity_text(knee.present)} now"
    lines.append(f"  1 % more buys most at {quantity_text(best[0])}: {duration_text(best[1])}{now}")
    return lines


def _trade_offs(sweep: Sweep) -> list[str]:
    """The best trade-offs of several knobs, a few from the quickest to the gentlest, and what is recommended."""
    if len(sweep.knobs) < 2:
        return []
    found = trade_offs_of(sweep)
    step = max(1, -(-len(found) // SHOWN_TRADE_OFFS))
    lines = [f"best trade-offs, {len(found)} in all:"]
    for one in found[::step]:
        told = _point(sweep, one.row)
        costs = ", ".join(f"{WORDS[name]} {quantity_text(cost)} {UNITS[name]}" for name, cost in one.costs.items())
        lines.append(f"  {duration_text(one.row.total)} with {told}: {costs}")
    gentle = recommended(sweep)
    if gentle is None:
        return [*lines, "recommended: none of these, the known caps refuse them all"]
    held = "within the caps" if gentle.within_caps else "that no known cap refuses, though not all are known,"
    lines.append(
        f"recommended: {_point(sweep, gentle)}, {duration_text(gentle.total)}: the gentlest {held} "
        f"with {WORTH_HAVING:.0%} of what such settings bring"
    )
    return lines


def _point(sweep: Sweep, row: SweepRow) -> str:
    return ", ".join(f"{knob.name}={value:g}" for knob, value in zip(sweep.knobs, row.point, strict=True))


def knee_lines(sweep: Sweep) -> list[str]:
    """Where each knob stops paying, the best trade-offs of several, and the caution."""
    drawn = [] if sweep.sampling is None else [draws_line(sweep.sampling)]
    return [*(line for knee in sweep.knees for line in _knee(knee)), *_trade_offs(sweep), *drawn, CAUTION]


def target_lines(target: Target, machine: Machine) -> list[str]:
    """The gentlest limits, what they bring, and what a gentler setting would."""
    told = ", ".join(f"{key}={value:g}" for key, value in target.settings.items())
    lines = [f"on {machine.name}, which takes {duration_text(target.present_total)} now"]
    if not target.met:
        lines.append(f"{duration_text(target.within)} cannot be met with these knobs: {target.stopped_by}")
        lines.append(f"the least is {duration_text(target.total)}, with {told}")
        return [*lines, "another knob may do: --turn speed, --turn flow, or several of them"]
    lines.append(f"{duration_text(target.within)} is met from {told} on: {duration_text(target.total)}")
    if target.gentler_total is None:
        lines.append("even the gentlest setting that was tried meets it")
    else:
        over = target.gentler_total - target.within
        lines.append(f"a setting 1 % gentler takes {duration_text(target.gentler_total)}, {over:.3g} s too long")
    share = target.factor - 1.0
    lines.append(f"that is {share_text(abs(share))} {'above' if share > 0.0 else 'below'} what the machine has now")
    lines.append("kinematics caps tells whether the machine takes it")
    return [*lines, CAUTION]
