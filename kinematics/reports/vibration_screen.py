"""Vibration as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from kinematics.filtering.answer import FROM_FILE, FROM_RECORDING
from kinematics.filtering.choice import NOTHING_SEEN
from kinematics.filtering.options import filter_words
from kinematics.filtering.settings_to_type import JOB
from kinematics.reports.screens import CAUTION
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.filtering.answer import VibrationStudy
    from kinematics.filtering.choice import FilterChoice
    from kinematics.filtering.options import AxisOption
    from kinematics.filtering.part_quality import PartQuality
    from kinematics.filtering.settings_to_type import TypedSettings

SHOWN_PAIRS = 5
OTHER_MODE = 0.3  # of a frequency: modes further apart are not one
SHAKES = {"random": "moved at random", "rising": "a rising shake", "taps": "taps"}
KEYS = {
    "motion.print_acceleration_mm_s2": ("print acceleration", "mm/s²"),
    "motion.travel_acceleration_mm_s2": ("travel acceleration", "mm/s²"),
    "motion.junction_deviation_mm": ("junction deviation", "mm"),
}


def mode_heads() -> list[tuple[str, bool]]:
    """The heads of the table of modes."""
    return [("axis", False), ("frequency", True), ("damping", True), ("from", False), ("other axes", False)]


def mode_cells(found: VibrationStudy) -> list[tuple[str, ...]]:
    """One row a mode with its intervals, where it comes from, and which other axes swing with it."""
    rows: list[tuple[str, ...]] = []
    for one in found.findings:
        source = one.source
        if one.source == FROM_RECORDING:
            source = ", ".join(dict.fromkeys(SHAKES[kind] for kind in one.kinds))
        for place, mode in enumerate(one.modes):
            others = one.checks[place].others if one.checks else {}
            damping = f"{mode.damping:.3g}"
            if mode.damping_high > mode.damping_low:
                damping += f" ({mode.damping_low:.3g} to {mode.damping_high:.3g})"
            rows.append(
                (
                    one.axis,
                    f"{mode.frequency:.4g} Hz ({mode.frequency_low:.4g} to {mode.frequency_high:.4g})",
                    damping,
                    source,
                    ", ".join(f"{name} {share_text(share)}" for name, share in others.items()),
                )
            )
    return rows


def filter_heads(choice: FilterChoice) -> list[tuple[str, bool]]:
    """The heads of the table of filters."""
    timed = any(total is not None for total in choice.totals_by_axis)
    return [
        ("axis", False),
        ("filter", False),
        ("left of the swing", True),
        ("rounding takes", True),
        ("ringing takes", True),
        ("so at most", True),
        *([("time", True)] if timed else []),
    ]


def filter_cells(choice: FilterChoice) -> list[tuple[str, ...]]:
    """One row a type of filter and axis, with the other axis as it is best; the quickest of each axis first."""
    rows = []
    for one, total in zip(choice.by_axis, choice.totals_by_axis, strict=True):
        rows.append(
            (
                one.axis,
                filter_words(one),
                share_text(one.residual),
                _acceleration(one.rounding_limit),
                _acceleration(one.ringing_limit),
                _acceleration(one.acceleration),
                *([] if total is None else [duration_text(total)]),
            )
        )
    return rows


def _acceleration(value: float) -> str:
    return f"{quantity_text(value)} mm/s²" if math.isfinite(value) else "any"


def seen_text(distance: float) -> str:
    """A distance on a part, as far as it could be seen (mm)."""
    return "nothing that could be seen" if distance < NOTHING_SEEN else f"{quantity_text(distance)} mm"


def head_lines(found: VibrationStudy) -> list[str]:
    """What the recordings and the file say of each other, and what is doubtful of them."""
    lines = []
    for one in found.agreements:
        if abs(one.off) > OTHER_MODE:
            lines.append(f"{one.axis}: the machine file has no mode at {one.found:.4g} Hz")
            continue
        said = "inside what the machine file says" if one.within else "NOT what the machine file says"
        lines.append(f"{one.axis}: {one.found:.4g} Hz measured is {said} ({one.of_file:.4g} Hz, {one.off:+.1%})")
    for finding in found.findings:
        lines += [
            notice.text if notice.count == 1 else f"{notice.text} ({notice.count:,} {notice.counted})"
            for notice in finding.notices
        ]
    return lines


def answer_lines(found: VibrationStudy, commands: Sequence[str] | None) -> list[str]:
    """The answer under the tables: which filters, what to set with them, and what comes of it."""
    choice = found.choice
    best = choice.best
    lines = []
    if not choice.budgets.told:
        lines.append(
            f"the machine file names no budgets (quality.rounding_budget_mm, quality.ringing_budget_mm): "
            f"{choice.budgets.rounding:g} mm of rounding and {choice.budgets.ringing:g} mm of ringing are taken"
        )
    lines.append(f"best: {best.words}: {_reason(found)}")
    if len(choice.rows) > 1:
        others = (f"{row.words} {_time_text(row.total_s)}" for row in choice.rows[1:SHOWN_PAIRS])
        lines.append(f"  next: {'; '.join(others)}")
    if choice.present is not None and best.total_s is not None and choice.present.total_s is not None:
        saved = choice.present.total_s - best.total_s
        lines.append(f"  against the filters it has now ({choice.present.words}): {_saved(saved)}")
    lines += _to_set(found)
    lines += _quality(choice)
    for own in found.own:
        lines += _own(own.option, own.gained_mm_s2, own.named, own.spread_share)
    if found.own_choice is not None and found.own_choice.best.total_s is not None and best.total_s is not None:
        lines.append(f"  with filters of your own the jobs take {_saved(best.total_s - found.own_choice.best.total_s)}")
    if found.typed is not None:
        lines += typed_lines(found.typed, choice.counted)
    if commands is not None:
        lines += ["for your controller:", *(f"  {command}" for command in commands)]
    if all(one.source == FROM_FILE for one in found.findings):
        lines.append("these modes are the machine file's; --x FILE and --y FILE find them in recordings")
    return [*lines, CAUTION]


def _reason(found: VibrationStudy) -> str:
    choice = found.choice
    total = choice.best.total_s
    held = "; ".join(
        f"{one.axis} takes {_acceleration(one.acceleration)}, held by {one.held_by}" for one in choice.best.options
    )
    return held if total is None else f"{_time_text(total)}; {held}"


def _time_text(total: float | None) -> str:
    return "" if total is None else duration_text(total)


def _saved(seconds: float) -> str:
    if abs(seconds) < 0.5:
        return "the same time"
    return f"{duration_text(abs(seconds))} {'less' if seconds > 0.0 else 'more'}"


def _to_set(found: VibrationStudy) -> list[str]:
    with_them = found.choice.accelerations
    limits = " and ".join(f"{axis} to {_acceleration(most)}" for axis, most in found.axis_limits.items())
    return [
        f"with these filters: limit {limits}, and set print acceleration to {_acceleration(with_them.print)}; where "
        f"axes have no limits of their own, {_acceleration(with_them.without)} is all that every direction takes"
    ]


def _quality(choice: FilterChoice) -> list[str]:
    lines = []
    for ringing in choice.ringing:
        for axis in ringing.axes:
            lines.append(
                f"ringing on {axis.axis}: one kick leaves {seen_text(axis.by_one_kick_mm)}, all of {ringing.job} "
                f"{seen_text(axis.left_mm)} at worst (budget {choice.budgets.ringing:g} mm "
                f"{'for the whole job' if choice.counted == JOB else 'for each kick'})"
            )
    for quality in choice.quality:
        for what, along in (("rounding", quality.rounding), ("ringing", quality.ringing)):
            if along is not None:
                lines.append(
                    f"{what} along what is printed: half of it {seen_text(along.median_mm)}, 95% within "
                    f"{quantity_text(max(along.most_mm, NOTHING_SEEN))} mm, at worst {seen_text(along.worst_mm)} in "
                    f"layer {along.layer} (line {along.line})"
                )
    return lines


def _own(option: AxisOption, gained: float, named: AxisOption, spread: float) -> list[str]:
    impulses = ", ".join(
        f"{1e3 * time:.2f} ms {share_text(share)}"
        for time, share in zip(option.filter.times, option.filter.amplitudes, strict=True)
    )
    more = f"{_acceleration(abs(gained))} {'more' if gained >= 0.0 else 'less'}"
    return [
        f"a filter of your own on {option.axis} takes {_acceleration(option.acceleration)}, {more} than "
        f"{filter_words(named)}, and spreads {share_text(spread)} as much: {impulses}"
    ]


QUALITY_HEADS: list[tuple[str, bool]] = [("rounding (half, 95%, worst)", False), ("ringing (half, 95%, worst)", False)]


def quality_cells(quality: PartQuality | None) -> tuple[str, str]:
    """Rounding and ringing along what is printed, in mm: half of it, 95 %, the worst and its layer."""
    cells = []
    for along in (None, None) if quality is None else (quality.rounding, quality.ringing):
        if along is None:
            cells.append("")
            continue
        parts = (max(part, 0.0 if part == 0.0 else NOTHING_SEEN) for part in (along.median_mm, along.most_mm))
        told = ", ".join(quantity_text(part) for part in parts)
        cells.append(f"{told}, {quantity_text(max(along.worst_mm, NOTHING_SEEN))} mm in layer {along.layer}")
    return cells[0], cells[1]


def typed_notes(typed: TypedSettings | None, commands: Sequence[str], lead: str = "") -> list[str]:
    """What to set on a controller, and the lines that do so; empty for nothing. `lead` says with what."""
    told = [] if typed is None else typed_lines(typed)
    told = [lead + told[0], *told[1:]] if told else []
    return [*told, *(["for your controller:", *(f"  {command}" for command in commands)] if commands else [])]


def typed_lines(typed: TypedSettings, counted: str = "kick") -> list[str]:
    """What to set on a controller, that knows no budgets: one print acceleration and one corner setting."""
    settings = []
    for key, value in typed.settings.items():
        if isinstance(value, dict):
            steps = ", ".join(f"{axis} {quantity_text(step)}" for axis, step in value.items())
            settings.append(f"speed steps {steps} mm/s")
        else:
            words, unit = KEYS.get(key, (key, ""))
            settings.append(f"{words} {quantity_text(value)} {unit}".rstrip())
    if not typed.inside:
        gentle = ", ".join(settings)
        return [f"no one setting keeps whole jobs inside both budgets, not even {gentle}: the corners of a job differ"]
    kept = []
    if typed.rounding_mm is not None:
        kept.append(f"rounds {seen_text(typed.rounding_mm)} at worst")
    if typed.ringing_mm is not None:
        what = "all of it" if counted == JOB else "one kick"
        kept.append(f"{what} leaves {seen_text(typed.ringing_mm)} of ringing")
    return [
        f"to type into your controller: {', '.join(settings)}: {duration_text(typed.total_s)}, {' and '.join(kept)}",
        f"  (budgets held corner by corner, as no controller does: {duration_text(typed.planned_s)})",
    ]
