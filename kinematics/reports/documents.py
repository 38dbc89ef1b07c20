"""Results as JSON documents: plain data, every name with its unit, one schema with a version."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from kinematics import __version__
from kinematics.errors import Notice
from kinematics.reports.held_words import held_document

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.studies.caps import Caps
    from kinematics.studies.compare import Comparison
    from kinematics.studies.estimate import Estimate, JobEstimate
    from kinematics.studies.intervals import Interval, Sampling
    from kinematics.studies.knees import Knee
    from kinematics.studies.sweep import Sweep
    from kinematics.studies.target import Target

SCHEMA_VERSION = 1


def head() -> dict[str, Any]:
    """What every document begins with."""
    return {"schema_version": SCHEMA_VERSION, "tool_version": __version__}


def interval_document(interval: Interval | None, name: str = "interval_s") -> dict[str, list[float]]:
    """The ends of an interval under a name; nothing where there is none."""
    return {} if interval is None else {name: list(interval)}


def draws_document(sampling: Sampling | None) -> dict[str, Any]:
    """How intervals were drawn; nothing where there are none."""
    return {} if sampling is None else {"draws": {"draws": sampling.draws, "seed": sampling.seed}}


def notice_rows(notices: Iterable[Notice]) -> list[dict[str, Any]]:
    """Notices with their line and count."""
    return [{"line": notice.line, "count": notice.count, "text": notice.text} for notice in notices]


def copies_document(copies: int) -> dict[str, int]:
    """How many copies of each job a document is about; nothing where it is one."""
    return {"copies": copies} if copies > 1 else {}


def _job(job: JobEstimate, layers: bool) -> dict[str, Any]:
    document: dict[str, Any] = {
        "file": job.file,
        "total_s": job.total_s,
        **interval_document(job.interval_s),
        "motion_s": job.motion_s,
        "dwell_s": job.dwell_s,
        "stops_s": math.fsum(job.stops_by_kind_s.values()),
        "stops_by_kind_s": dict(job.stops_by_kind_s),
        "cooling_s": job.cooling_s,
        "moves": job.moves,
        "layers": job.layers,
        "path_mm": job.path_mm,
        "printed_path_mm": job.printed_path_mm,
        "filament_mm": job.filament_mm,
        "filament_g": job.filament_g,
        "bounding_box_mm": None if job.bounding_box_mm is None else [list(corner) for corner in job.bounding_box_mm],
        "peak_flow_mm3_s": job.peak_flow_mm3_s,
        "peak_flow_line": job.peak_flow_line,
        "peak_speed_mm_s": job.peak_speed_mm_s,
        "unknown_stops": [{"line": stop.line, "what": stop.what} for stop in job.unknown_stops],
        "where_the_time_goes": [
            {"cause": cause.cause, "seconds": cause.seconds, "share": cause.share} for cause in job.causes
        ],
        "stated_limits": [
            {
                "limit": one.key,
                "value": one.value,
                "line": one.line,
                "count": one.times,
                "share_of_printed_path": one.share,
                "others": [
                    {"value": other.value, "line": other.line, "share_of_printed_path": other.share}
                    for other in one.others
                ],
            }
            for one in job.stated
        ],
        "assumed_limits": [{"limit": key, "value": value} for key, value in job.assumed],
        "labels": None
        if job.labels is None
        else {
            "names": list(job.labels.names),
            "told": job.labels.told,
            "key": job.labels.key,
            "unknown": list(job.labels.unknown),
        },
        "warnings": notice_rows(job.notices),
    }
    if job.copies is not None:
        made = job.copies
        document["copies"] = {
            "number": made.number,
            "how": made.how,
            "part_s": job.total_s / made.number,
            "most_fit": made.most,
            "why_no_more": made.reason,
            "extra_travels": made.extra_travels,
        }
    if job.worth:
        document["what_one_percent_buys"] = [
            {"limit": worth.key, "what": worth.what, "seconds": worth.one_percent_s} for worth in job.worth
        ]
        document["if_lifted"] = [
            {"limit": worth.key, "total_s": worth.if_lifted_s, "unbounded": worth.if_lifted_s is None}
            for worth in job.worth
        ]
    if layers:
        from kinematics.studies.estimate import layer_rows

        document["layers_table"] = layer_rows(job)
    return document


def estimate_document(estimate: Estimate, layers: bool = False) -> dict[str, Any]:
    """An estimate as a document.

    Where no machine was given `jobs` holds one entry a job and built-in machine, `total_s` is null and `span_s` holds
    the lowest and the highest total; `machine` is then the one that stands in, on which one thing was changed.
    """
    totals = [span.total_s for span in estimate.span]
    jobs = [{"machine": span.machine} | _job(job, layers) for span in estimate.span for job in span.jobs]
    document = head() | {
        "machine": estimate.machine.as_dict(),
        "limits_not_given": estimate.machine.limits_not_given(),
        "jobs": jobs if totals else [_job(job, layers) for job in estimate.jobs],
        "total_s": None if totals else estimate.total_s,
        **({"span_s": [min(totals), max(totals)]} if totals else {}),
        **interval_document(estimate.interval_s),
        **draws_document(estimate.sampling),
        "if_you_change_one_thing": [
            {
                "limit": change.key,
                "from": change.before,
                "to": change.after,
                "saved_s": change.saved_s,
                **interval_document(change.saved_interval_s, "saved_interval_s"),
                "together_with": [{"what": what, "to": value, "unit": unit} for what, value, unit in change.together],
                "at_the_expense_of_quality": change.costs_quality,
                "commands_silenced": change.silenced,
                "saved_by_silencing_s": change.saved_by_silencing_s,
            }
            for change in estimate.changes
        ],
    }
    if estimate.span:
        document["span"] = [{"machine": span.machine, "total_s": span.total_s} for span in estimate.span]
    return document


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """A comparison as a document."""
    return head() | {
        "machine": comparison.machine.as_dict(),
        "candidates": [{"name": one.name, "set": one.as_dict()["set"]} for one in comparison.candidates],
        "rows": [
            {
                "candidate": row.candidate,
                "job": row.job,
                "total_s": row.total_s,
                **interval_document(row.interval_s),
                "saved_s": row.saved_s,
                **interval_document(row.saved_interval_s, "saved_interval_s"),
                "saved_share": row.saved_share,
                "saved_by_silencing_s": row.saved_by_silencing_s,
                "cause": row.cause,
                "motion_s": row.motion_s,
                "dwell_s": row.dwell_s,
                "stops_by_kind_s": dict(row.stops_by_kind_s),
                "cooling_s": row.cooling_s,
            }
            for row in comparison.rows
        ],
        "totals": [
            {
                "candidate": row.candidate,
                "total_s": row.total_s,
                **interval_document(row.interval_s),
                "saved_s": row.saved_s,
                **interval_document(row.saved_interval_s, "saved_interval_s"),
                "saved_share": row.saved_share,
                "saved_by_silencing_s": row.saved_by_silencing_s,
                "cause": row.cause,
                "motion_s": row.motion_s,
                "dwell_s": row.dwell_s,
                "stops_by_kind_s": dict(row.stops_by_kind_s),
                "cooling_s": row.cooling_s,
            }
            for row in comparison.totals
        ],
        **draws_document(comparison.sampling),
        "commands_silenced": comparison.silenced,
        "limits_raised": [
            {"candidate": name} | one for name, held in comparison.held.items() for one in held_document(held)
        ],
        "warnings": {file: notice_rows(notices) for file, notices in comparison.notices.items()},
    }


def caps_document(caps: Caps) -> dict[str, Any]:
    """The caps of a machine; with jobs, what each cap holds of their time, and when cooling rules."""
    from kinematics.studies.whole_jobs import commands_row, ringing_rows, rounding_row  # loaded with the caps

    document = head() | {
        "machine": caps.machine.as_dict(),
        "rows": [
            {
                "limit": row.limit,
                "what": row.what,
                "unit": row.unit,
                "asked": row.asked,
                "no_further_than": row.no_further_than,
                "in_the_job": row.in_the_job,
                "within_caps": row.within_caps,
                "stopped_by": row.stopped_by or None,
                "cap": row.cap_key or None,
                "not_known": list(row.not_known),
                "formula": list(row.formulas),
                "share_of_time": row.share_of_time,
            }
            for row in caps.rows
        ],
        "total_s": caps.total_s,
    }
    if caps.ringing:
        document["ringing"] = [{"job": one.job, "rows": ringing_rows(one)} for one in caps.ringing]
    if caps.rounding:
        document["rounding"] = [{"job": one.job, **rounding_row(one)} for one in caps.rounding]
    if caps.commands:
        document["commands"] = [commands_row(one) for one in caps.commands]
    if caps.extruder_steps:
        document["extruder_steps"] = [one._asdict() for one in caps.extruder_steps]
    if caps.cooling is not None:
        rule = caps.cooling
        document["cooling"] = {
            "shortest_layer_s": rule.shortest_layer_s,
            "added_s": rule.added_s,
            "layers": rule.layers,
            "all_layers": rule.all_layers,
            "share_of_motion": rule.ruled,
            "rules_from_acceleration_factor": rule.by_acceleration,
            "rules_from_speed_factor": rule.by_speed,
        }
    return document


def sweep_document(sweep: Sweep) -> dict[str, Any]:
    """A sweep's rows, and where each knob stops paying."""
    from kinematics.studies.sweep import recommended, row_dict, trade_offs_of

    several = len(sweep.knobs) > 1
    trade_offs = trade_offs_of(sweep) if several else ()
    gentle = recommended(sweep) if several else None
    return head() | {
        "machine": sweep.machine.as_dict(),
        "knobs": [{"knob": knob.name, "values": list(knob.values)} for knob in sweep.knobs],
        "rows": [row_dict(sweep.knobs, row) for row in sweep.rows],
        "present_total_s": sweep.present_total_s,
        "limits_raised": held_document(sweep.held),
        **draws_document(sweep.sampling),
        "best_trade_offs": [{**row_dict(sweep.knobs, one.row), **one.costs} for one in trade_offs],
        "recommended": None if gentle is None else row_dict(sweep.knobs, gentle),
        "knee": {knee.knob: _knee(knee) for knee in sweep.knees},
    }


def _knee(knee: Knee) -> dict[str, Any]:
    """Where one knob stops paying, from the easy end of the sweep and from what the machine has now."""
    swept, now, turning = knee.swept, knee.now, knee.turning
    return {
        "turned": "down" if knee.down else "up",
        "from": swept.start,
        "from_total_s": swept.total_s,
        "saves_s": swept.saves_s,
        "floor_s": knee.floor_s,
        "floor_cause": knee.floor_cause,
        "present": None if now is None else now.start,
        "knees": [one._asdict() for one in swept.shares],
        "from_present": None
        if now is None
        else {"total_s": now.total_s, "saves_s": now.saves_s, "knees": [one._asdict() for one in now.shares]},
        "one_percent_buys": [{"value": value, "seconds": seconds} for value, seconds in knee.curve],
        "turning": None
        if turning is None
        else {"value": turning.value, "total_s": turning.total_s, "reason": turning.reason},
    }


def target_document(target: Target, machine: Machine) -> dict[str, Any]:
    """The gentlest limits for a deadline."""
    from kinematics.studies.target import turned_rows

    return head() | {
        "machine": machine.as_dict(),
        "met": target.met,
        "within_s": target.within_s,
        "total_s": target.total_s,
        "set": dict(target.settings),
        "turned": turned_rows(target),
        "factor": target.factor,
        "gentler_total_s": target.gentler_total_s,
        "present_total_s": target.present_total_s,
        "without_stated_limits_s": target.without_stated_limits_s,
        "floor_s": target.floor_s,
        "stopped_by": target.stopped_by,
        "limits_raised": held_document(target.held),
        "others": [{"knob": one.knob, "total_s": one.total_s, "meets": one.meets} for one in target.others],
    }


def machine_document(machine: Machine) -> dict[str, Any]:
    """A machine's effective values and where each comes from."""
    return head() | {
        "machine": machine.as_dict(),
        "rows": [{"key": row.key, "value": row.value, "from": row.origin} for row in machine.effective()],
        "limits_not_given": machine.limits_not_given(),
    }


def check_document(machine: Machine) -> dict[str, Any]:
    """What is doubtful about a machine."""
    return head() | {
        "machine": machine.as_dict(),
        "doubtful": machine.check(),
        "limits_not_given": machine.limits_not_given(),
    }
