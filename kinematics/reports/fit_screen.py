"""Measured prints against estimates as lines and rows. Everything shown here is in the JSON as well."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING

from kinematics.machine.names import key_named
from kinematics.measured.stopwatch import Errors
from kinematics.reports.screens import between_text
from kinematics.studies.intervals import Interval
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.errors import Finding
    from kinematics.measured.explanations import Explanation
    from kinematics.measured.fit import Fit, FittedParameter, FittedPrint

Heads = list[tuple[str, bool]]
NOT_LIKELY = 0.005  # share of likelihood below which only "hardly" is said
MOST_TOLD = 10  # rows that were left out


def off_text(log: float) -> str:
    """By how much a print takes longer or less than it was said to."""
    share = math.expm1(log)
    if abs(share) < 0.0005:
        return "right"
    return f"{share_text(abs(share))} {'longer' if share > 0.0 else 'less'}"


def errors_text(errors: Errors, prints: int) -> str:
    """How far off estimates are, in words."""
    spread = f", give or take {share_text(errors.spread_share)}" if prints > 1 else ""
    said = off_text(errors.bias_share)
    return f"prints take {'as long as estimated' if said == 'right' else f'{said} than estimated'}{spread}"


def _count(prints: Sequence[FittedPrint]) -> str:
    return f"{len(prints)} print{'s' if len(prints) != 1 else ''}"


def fit_head(fit: Fit, machine_words: str) -> list[str]:
    """Which prints on which machine, and how far off the estimates were."""
    used = [one for one in fit.prints if not one.apart]
    if fit.explanations is not None:
        (one,) = fit.prints
        rest = one.measured_s - one.estimated_s
        share = share_text(abs(rest) / one.estimated_s)
        unexplained = f"{duration_text(abs(rest))} {'unexplained' if rest >= 0.0 else 'less than estimated'} ({share})"
        times = f"estimate {duration_text(one.estimated_s)}, stopwatch {duration_text(one.measured_s)}"
        return [f"on {machine_words}", f"{one.job}: {times}, {unexplained}"]
    return [f"{_count(fit.prints)} on {machine_words}", f"as the machine file is, {errors_text(fit.before, len(used))}"]


# ---- one print ----------------------------------------------------------------------------------------------------


def explanation_heads() -> Heads:
    """The heads of the table of what could explain a single time."""
    return [
        ("what could explain it", False), ("would be", False), ("in the file", False), ("how likely", True),
        ("how to tell", False),
    ]  # fmt: skip


def explanation_rows(fit: Fit) -> list[tuple[str, ...]]:
    """One row a parameter, the likeliest first."""
    found = fit.explanations.found if fit.explanations is not None else ()
    rows: list[tuple[str, ...]] = []
    for one in found:
        if one.reaches_s is not None:
            continue
        likely = _likely(one.likely_share)
        rows.append((one.name, _value(one, one.value), _value(one, one.before), likely, one.test))
    return rows


def _likely(share: float) -> str:
    return share_text(share) if share >= NOT_LIKELY else "hardly"


def _value(one: Explanation | FittedParameter, value: float | None) -> str:
    key = key_named(one.key)
    if value is None:
        return "no limit" if key.name.startswith("controller") else "0 s"
    return f"{quantity_text(value)} {key.unit}"


def explanation_notes(fit: Fit, command: str) -> list[str]:
    """What would not be enough by itself, how likely chance is, and the next command."""
    if fit.explanations is None:
        return []
    small = [one.name for one in fit.explanations.found if one.reaches_s is not None]
    lines = [f"not enough by itself: {', '.join(small)}"] if small else []
    chance = _likely(fit.explanations.chance_share)
    lines.append(f"chance alone, since no two prints take equally long: {chance}")
    lines.append("one print cannot tell which of them it is: keep a log, and every further print narrows it down")
    return [*lines, f"next: kinematics fit {command}"]


# ---- several prints -----------------------------------------------------------------------------------------------


def print_heads(fit: Fit) -> Heads:
    """The heads of the table of prints."""
    fitted = [("fitted", True), ("95 % between", True)] if any(one.chosen for one in fit.parameters) else []
    return [("job", False), ("stopwatch", True), ("estimate", True), ("takes", True), *fitted, ("remark", False)]


def print_rows(fit: Fit) -> list[tuple[str, ...]]:
    """One row a print."""
    moved = any(one.chosen for one in fit.parameters)
    return [
        (
            one.job,
            duration_text(one.measured_s),
            duration_text(one.estimated_s),
            off_text(math.log(one.measured_s / one.estimated_s)),
            *((duration_text(one.fitted_s), between_text(Interval(one.low_s, one.high_s))) if moved else ()),
            f"stands apart ({one.place})" if one.apart else "",
        )
        for one in fit.prints
    ]


PARAMETER_HEADS: Heads = [("what explains it", False), ("in the file", True), ("fitted", True), ("95 % between", True)]


def parameter_rows(fit: Fit) -> list[tuple[str, ...]]:
    """One row a parameter that the prints asked for."""
    rows: list[tuple[str, ...]] = []
    for one in fit.parameters:
        if not one.chosen:
            continue
        unit = key_named(one.key).unit
        high = "no end" if one.high is None else f"{quantity_text(one.high)} {unit}"
        between = f"{quantity_text(one.low or 0.0)} to {high}"
        rows.append((one.name, _value(one, one.before), _value(one, one.value), between))
    return rows


def fit_notes(fit: Fit, command: str) -> list[str]:
    """What the fit is worth, what it cannot tell, which print would, what stands apart, drift, the next command."""
    used = [one for one in fit.prints if not one.apart]
    lines = []
    chosen = [one for one in fit.parameters if one.chosen]
    if chosen:
        lines.append(f"fitted, and each print foretold by the others: {errors_text(fit.after, len(used))}")
    else:
        lines.append("nothing that could be fitted foretells these prints better: the machine file stays as it is")
    lines += [
        f"stands apart and counts for little: {one.job} ({one.place}) takes {off_text(one.left_out_share)} than the"
        " others foretell"
        for one in fit.prints
        if one.apart
    ]
    for one in chosen:
        if one.could_be:
            others = _listed(one.could_be, "or")
            lines.append(f"as well as {one.name} it could be {others}: these prints cannot tell them apart")
        elif not one.told:
            lines.append(f"{one.name} is hardly told by these prints")
    lines += [f"{first} and {second} are told only together, not each by itself" for first, second in fit.together]
    silent = [one.name for one in fit.parameters if not one.chosen]
    if silent:
        lines.append(f"not asked for by these prints, and left as in the machine file: {', '.join(silent)}")
    if fit.next_print is not None:
        tells = fit.next_print
        between = between_text(Interval(tells.low_s, tells.high_s))
        narrower = share_text(1.0 - tells.left_share)
        lines.append(
            f"to tell more, time {tells.job} ({between}, as far as is known): the interval of {tells.parameter}"
            f" becomes {narrower} narrower"
        )
    if fit.drift is not None:
        drift = fit.drift
        lines.append(
            f"drift: the last {drift.latest} prints take {off_text(drift.change_share)} than the {drift.earlier} before"
            f" them (give or take {share_text(drift.error_share)}): has something changed on the printer?"
        )
    return [*lines, *([f"next: kinematics fit {command}"] if command else [])]


def _listed(names: Sequence[str], word: str) -> str:
    return f" {word} ".join(part for part in (", ".join(names[:-1]), names[-1]) if part)


def left_out_lines(findings: Sequence[Finding], doubts: Sequence[Finding]) -> list[str]:
    """Rows that do not count, and rows that are doubtful, each with its place."""
    lines = [f"left out: {one}" for one in findings[:MOST_TOLD]]
    if len(findings) > MOST_TOLD:
        lines.append(f"left out: {len(findings) - MOST_TOLD:,} more (all of them with --json)")
    lines += [f"doubtful: {one}" for one in doubts[:MOST_TOLD]]
    if len(doubts) > MOST_TOLD:
        lines.append(f"doubtful: {len(doubts) - MOST_TOLD:,} more (all of them with --json)")
    return lines


def next_command(arguments: Sequence[str], options: Sequence[str]) -> str:
    """The words of the next command."""
    return shlex.join([*arguments, *options])
