"""Vibration as a JSON document: plain data, every name with its unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kinematics.filtering.answer import filter_rows, finite
from kinematics.filtering.part_quality import quality_row
from kinematics.jobs.whole_jobs import ringing_rows, rounding_row
from kinematics.reports.documents import head, notice_rows

if TYPE_CHECKING:
    from kinematics.filtering.answer import AxisFinding, VibrationStudy
    from kinematics.filtering.choice import FilterChoice
    from kinematics.filtering.settings_to_type import TypedSettings


def vibration_document(found: VibrationStudy, commands: Sequence[str] | None = None) -> dict[str, Any]:
    """Modes, filters best first, pairs of them, what to set, a filter of one's own where it was asked for."""
    choice = found.choice
    document = head() | {
        "machine": choice.machine.as_dict(),
        "jobs": list(found.jobs),
        "modes": [row for one in found.findings for row in _modes(one)],
        "agreement": [
            {
                "axis": one.axis,
                "found_hz": one.found,
                "machine_file_hz": one.of_file,
                "off_share": one.off,
                "within": one.within,
            }
            for one in found.agreements
        ],
        "budgets": {
            "rounding_mm": choice.budgets.rounding,
            "ringing_mm": choice.budgets.ringing,
            "told": choice.budgets.told,
            "counted": choice.counted,
            "ringing_of_one_kick_mm": choice.ringing_budget,
        },
        **_choice(choice),
        "settings": found.settings,
        "to_type": None if found.typed is None else typed_row(found.typed),
        "warnings": notice_rows(notice for one in found.findings for notice in one.notices),
    }
    if found.own_choice is not None:
        document["own"] = {
            "filters": [
                {
                    "axis": one.option.axis,
                    "impulses": [
                        {"time_s": time, "share": share}
                        for time, share in zip(one.option.filter.times, one.option.filter.amplitudes, strict=True)
                    ],
                    "residual_share": one.option.residual,
                    "acceleration_mm_s2": one.option.acceleration,
                    "beside": one.named.filter.name,
                    "gained_mm_s2": one.gained_mm_s2,
                    "variance_share": one.spread_share,
                }
                for one in found.own
            ],
            "total_s": found.own_choice.best.total_s,
        }
    if commands is not None:
        document["commands"] = list(commands)
    return document


def _modes(one: AxisFinding) -> list[dict[str, Any]]:
    rows = []
    for place, mode in enumerate(one.modes):
        row = {
            "axis": one.axis,
            "source": one.source,
            "shake": list(one.kinds),
            "frequency_hz": mode.frequency,
            "frequency_low_hz": mode.frequency_low,
            "frequency_high_hz": mode.frequency_high,
            "damping_ratio": mode.damping,
            "damping_low": mode.damping_low,
            "damping_high": mode.damping_high,
            "height_share": mode.strength,
        }
        if one.checks:
            check = one.checks[place]
            row |= {
                "damping_by_half_power": check.half_power,
                "damping_by_decrement": check.decrement,
                "other_axes_share": dict(check.others),
            }
        rows.append(row)
    return rows


def _choice(choice: FilterChoice) -> dict[str, Any]:
    return {
        "filters": filter_rows(choice),
        "pairs": [
            {
                "filters": [
                    {"axis": one.axis, "filter": one.filter.name, "frequency_hz": one.frequency, "held_by": one.held_by}
                    for one in row.options
                ],
                "total_s": row.total_s,
            }
            for row in choice.rows
        ],
        "present_total_s": None if choice.present is None else choice.present.total_s,
        "print_acceleration_mm_s2": finite(choice.accelerations.print),
        "axis_accelerations_mm_s2": {axis: finite(most) for axis, most in choice.accelerations.axes.items()},
        "print_acceleration_without_axis_limits_mm_s2": finite(choice.accelerations.without),
        "ringing": [row for one in choice.ringing for row in ringing_rows(one)],
        "rounding": [rounding_row(one) for one in choice.rounding],
        "along_the_path": [quality_row(one) for one in choice.quality],
    }


def typed_row(typed: TypedSettings) -> dict[str, Any]:
    """What to set on a controller, and what comes of it."""
    return {
        "set": dict(typed.settings),
        "inside": typed.inside,
        "total_s": typed.total_s,
        "planned_s": typed.planned_s,
        "rounding_mm": typed.rounding_mm,
        "ringing_mm": typed.ringing_mm,
    }
