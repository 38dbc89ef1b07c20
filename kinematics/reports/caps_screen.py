"""The caps of a machine as lines for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kinematics.reports.screens import CAUTION
from kinematics.wording import duration_text, quantity_text, share_text

BOTH_WITHIN = (
    "axis accelerations are kept as controllers keep them: on a curve speeding up and turning each stay within them, "
    "and both together can ask for more"
)
MORE_DATA = "not in the machine file, so these limits cannot be checked in full:"

if TYPE_CHECKING:
    from kinematics.studies.caps import CapRow, Caps, CoolingRule


def _quantity(value: float | None, unit: str) -> str:
    return "" if value is None else f"{quantity_text(value)} {unit}"


def _judged(row: CapRow) -> str:
    """Whether what is set is within all caps: as far as is known, or nothing is known of it at all."""
    if row.within_caps is None:
        return "" if row.asked is None else "?" if row.no_further_than is None else "so far"
    return "yes" if row.within_caps else "no"


def cap_heads(caps: Caps) -> list[tuple[str, bool]]:
    """The heads of the table, and which are right-aligned; what a job tells stands there where there is one."""
    of_the_job = caps.total_s is not None
    return [
        ("limit", False),
        ("set now", True),
        ("highest allowed", True),
        *([("for this job", True)] if of_the_job else []),
        ("OK?", False),
        ("limited by", False),
        *([("share of time", True)] if of_the_job else []),
    ]


def cap_cells(caps: Caps) -> list[tuple[str, ...]]:
    """One row a limit, those first that something is known of: what is set, how far it may go, and what stops it."""
    of_the_job = caps.total_s is not None
    return [
        (
            row.what,
            _quantity(row.asked, row.unit) or "not set",
            _quantity(row.no_further_than, row.unit),
            *([_quantity(row.in_the_job, row.unit)] if of_the_job else []),
            _judged(row),
            row.stopped_by,
            *(["" if row.share_of_time is None else share_text(row.share_of_time)] if of_the_job else []),
        )
        for row in sorted(caps.rows, key=lambda row: row.no_further_than is None)
    ]


def _missing(caps: Caps) -> list[str]:
    """What the machine file does not tell, each key once, with the limits that it would say more about."""
    limits: dict[str, list[str]] = {}
    for row in caps.rows:
        for key in row.not_known:
            limits.setdefault(key, []).append(row.what)
    if not limits:
        return []
    return [MORE_DATA, *(f"  {key}: {', '.join(names)}" for key, names in limits.items())]


def formula_lines(caps: Caps) -> list[str]:
    """Every known cap with the machine's numbers in its formula."""
    lines: list[str] = []
    for row in caps.rows:
        if row.formulas:
            lines += [f"{row.what} ({row.limit})", *(f"  {formula}" for formula in row.formulas)]
    return lines


def _cooling(rule: CoolingRule) -> list[str]:
    lines = [
        f"cooling: no layer takes less than {rule.shortest_layer_s:g} s, which adds {duration_text(rule.added_s)} in "
        f"{rule.layers} of {rule.all_layers} layers"
    ]
    if rule.ruled > 0.5:
        lines.append(f"  it holds the job already: {share_text(rule.ruled)} of the motion is in layers that wait")
        return lines
    for factor, what in ((rule.by_acceleration, "accelerations"), (rule.by_speed, "speeds in the file")):
        if factor is None:
            lines.append(f"  raising only the {what} never makes cooling the main limit: other limits come first")
        else:
            lines.append(f"  raise only the {what}, and from {factor:.3g} times on cooling is the main limit")
    return lines


def _ringing(caps: Caps) -> list[str]:
    """How far each job swings the axes: by one kick, and by all of them, which may add."""
    lines = []
    for ringing in caps.ringing:
        for axis in ringing.axes:
            worst = max((mode.left for mode in axis.modes), key=lambda left: left.swing_mm)
            budget = "" if axis.budget_mm is None else f" (budget {quantity_text(axis.budget_mm)} mm)"
            one = f"one kick leaves at most {quantity_text(axis.by_one_kick_mm)} mm{budget}"
            together = f"one after the other they reach {quantity_text(worst.swing_mm)} mm at line {worst.line} of"
            lines.append(f"ringing on {axis.axis}: {one}; {together} {ringing.job}, which no budget holds")
    return lines


def _seen(distance: float) -> str:
    """A distance off the path (mm) as nobody needs it finer."""
    return "0.001 mm" if distance < 1e-3 else f"{quantity_text(distance)} mm"


def _rounding(caps: Caps) -> list[str]:
    """How far filters take what each job prints off its path: the worst place, half of the path, nearly all."""
    lines = []
    for one in caps.rounding:
        budget = "" if one.budget_mm is None else f" (budget {quantity_text(one.budget_mm)} mm)"
        lines.append(
            f"rounding: {quantity_text(one.worst_mm)} mm at worst{budget}, line {one.line} of {one.job}; half of the "
            f"printed path is within {_seen(one.median_mm)}, 95% within {_seen(one.most_mm)}"
        )
    return lines


def _commands(caps: Caps) -> list[str]:
    """How each job's commands come through the controller's buffer."""
    lines = []
    for one in caps.commands:
        if not one.late:
            lines.append(f"command rate: every command of {one.job} is there in time")
            continue
        lines.append(
            f"command rate: {share_text(one.late_share)} of the commands of {one.job} come late, the longest wait is "
            f"{1e3 * one.longest_wait_s:.3g} ms at line {one.line}, all together {duration_text(one.total_wait_s)}; no "
            "time above has these waits in it"
        )
    return lines


def _extruder_steps(caps: Caps) -> list[str]:
    """By how much pressure advance steps the extruder, for which nothing is slowed."""
    return [
        f"pressure advance: each ramp steps the extruder by up to {quantity_text(one.step_mm_s)} mm/s (line {one.line} "
        f"of {one.job}); no controller slows for it, and neither does the plan"
        for one in caps.extruder_steps
    ]


def cap_notes(caps: Caps, formulas: bool) -> list[str]:
    """What stands under the table: what asks too much, cooling, the next command, the caution."""
    lines = _missing(caps)
    axes = (caps.machine.axes.x, caps.machine.axes.y)
    if any(axis.max_acceleration_mm_s2 is not None for axis in axes):
        lines.append(BOTH_WITHIN)
    for row in caps.asks_too_much:
        bounds = [bound for bound in (row.no_further_than, row.in_the_job) if bound is not None]
        most = _quantity(min(bounds), row.unit)
        lines.append(
            f"{row.what} is too high at {_quantity(row.asked, row.unit)}: {row.stopped_by} takes {most} at most "
            f"({row.limit})"
        )
    if caps.cooling is not None:
        lines += _cooling(caps.cooling)
    lines += _rounding(caps)
    lines += _ringing(caps)
    lines += _commands(caps)
    lines += _extruder_steps(caps)
    if not formulas:
        lines.append("--formulas shows how each number is worked out")
    return [*lines, CAUTION]
