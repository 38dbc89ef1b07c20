"""Results as JSON documents: plain data, every name with its unit, one schema with a version."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from kinematics import __version__
from kinematics.errors import Finding, Notice
from kinematics.reports.held_words import held_document

if TYPE_CHECKING:
    from kinematics.business.bedful import Bedfuls
    from kinematics.business.runs import Shop
    from kinematics.business.sums import Moments, RunsInterval, Use
    from kinematics.business.upgrades import KnownSaving, Upgrades
    from kinematics.machine import Machine
    from kinematics.studies.caps import Caps
    from kinematics.studies.compare import Comparison, ComparisonRow
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


def _compared_row(row: ComparisonRow, whose: dict[str, str]) -> dict[str, Any]:
    return {
        "candidate": row.candidate,
        **whose,
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


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """A comparison as a document."""
    return head() | {
        "machine": comparison.machine.as_dict(),
        "candidates": [{"name": one.name, "set": one.as_dict()["set"]} for one in comparison.candidates],
        "rows": [_compared_row(row, {"job": row.job}) for row in comparison.rows],
        "totals": [_compared_row(row, {}) for row in comparison.totals],
        **draws_document(comparison.sampling),
        "commands_silenced": comparison.silenced,
        "limits_raised": [
            {"candidate": name} | one for name, held in comparison.held.items() for one in held_document(held)
        ],
        "warnings": {file: notice_rows(notices) for file, notices in comparison.notices.items()},
    }


def caps_document(caps: Caps) -> dict[str, Any]:
    """The caps of a machine; with jobs, what each cap holds of their time, and when cooling rules."""
    from kinematics.jobs.whole_jobs import commands_row, ringing_rows, rounding_row  # loaded with the caps

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


def upgrades_document(found: Upgrades, assumed: bool) -> dict[str, Any]:
    """Upgrades as a document; `assumed` where nobody said how often some job is printed. None for what has no number:
    a payback that never comes, a value without a discount rate.
    """
    from kinematics.business.economics import machine_hour_cost
    from kinematics.business.upgrades import option_row

    return head() | {
        "machine": found.machine.as_dict(),
        "currency": found.machine.economy.currency,
        "prints": [{"job": job, "per_month": count} for job, count in found.prints],
        "prints_assumed": assumed,
        **draws_document(found.sampling),
        "cost_per_month": found.cost,
        "machine_hour_cost": machine_hour_cost(found.machine.economy),
        "where_the_time_goes": [one._asdict() for one in found.causes],
        "rows": [
            option_row(option)
            | _known(option.known)
            | {
                "upgrades": list(option.upgrades),
                "jobs": [
                    {"job": job.job, "per_month": job.per_month, "before_s": job.before_s, "after_s": job.after_s}
                    for job in option.jobs
                ],
                "where_the_time_goes": [one._asdict() for one in option.causes],
            }
            for option in (*found.alone, *found.together)
        ],
        "best_order": [
            {
                "upgrades": list(step.upgrades),
                "investment": step.investment,
                "saving_per_month": step.saving,
                "payback_months": step.months,
                "within_service_life": step.pays_within(found.machine.economy.service_years),
            }
            for step in found.order
        ],
        "best_by_budget": [
            {"upgrade": option.name, "investment": option.investment, "saving_per_month": option.saving}
            for option in found.by_budget
        ],
        "never_combined": [list(pair) for pair in found.not_combined],
        "commands_that_hold": dict(found.held),
        "costs_not_given": list(found.costs_not_given),
        "warnings": {file: notice_rows(notices) for file, notices in found.notices.items()},
    }


def bedful_document(found: Bedfuls) -> dict[str, Any]:
    """Bedfuls as a document: a row a number of copies; None where no part can be made, or nothing of its cost is
    given.
    """
    from kinematics.reports.bedful_screen import parts_reasons

    machine = found.jobs[0].machine
    return head() | {
        "machine": machine.as_dict(),
        "currency": machine.economy.currency,
        "jobs": [
            {
                "job": one.job,
                "how": one.how,
                "most_fit": one.most_fit,
                "why_no_more": one.reason,
                "best_by_parts": None if one.by_parts is None else one.by_parts.copies,
                "best_by_parts_reasons": [] if one.by_parts is None else parts_reasons(one, one.by_parts),
                "best_by_cost": None if one.by_cost is None else one.by_cost.copies,
                "rows": [row.as_dict() for row in one.rows],
                "costs_not_given": list(one.costs_not_given),
                "warnings": notice_rows(one.notices),
            }
            for one in found.jobs
        ],
    }


def _known(known: KnownSaving | None) -> dict[str, Any]:
    """The ends of saving and payback; an end that never comes is None."""
    if known is None:
        return {}
    months = [end if math.isfinite(end) else None for end in known.months]
    return {"saving_interval_per_month": list(known.saving), "payback_interval_months": months}


def _interval(interval: RunsInterval) -> dict[str, float]:
    return interval._asdict()


def shop_document(shop: Shop) -> dict[str, Any]:
    """A simulated shop as a document: moments as text by the wall clock, shares of the time until all is done."""
    from kinematics.reports.shop import iso_text

    def moments(interval: Moments) -> dict[str, str]:
        return {name: iso_text(moment, shop.zone) for name, moment in interval._asdict().items()}

    return head() | {
        "start": iso_text(shop.start_s, shop.zone),
        "people": shop.people,
        "seed": shop.seed,
        "runs": shop.runs,
        "currency": shop.printers[0].machine.economy.currency,
        "parts": shop.parts,
        "parts_per_day": _interval(shop.parts_per_day),
        "finished": moments(shop.finished_s),
        "late_h": _interval(shop.late_h),
        "rule": shop.rule,
        "filling": shop.filling,
        "fillings": [
            {"filling": filling, "rule": one.rule, "late_orders": one.late_orders, "parts_per_day": one.parts_per_day}
            for filling, one in shop.filled
        ],
        "rules": [
            {
                "rule": one.rule,
                "late_orders": one.late_orders,
                "parts_per_day": one.parts_per_day,
                "finished": iso_text(one.finished_s, shop.zone),
            }
            for one in shop.tried
        ],
        "bottleneck": {
            "what": shop.bottleneck.what,
            "printer": shop.bottleneck.printer or None,
            "trials": [
                {"trial": trial.name, "more_share": trial.more, "sooner_s": trial.sooner_s}
                for trial in shop.bottleneck.trials
            ],
        },
        "printers": [
            {"machine": printer.machine.name, "class": printer.group, "materials": list(printer.materials)} | _use(use)
            for printer, use in zip(shop.printers, shop.use, strict=True)
        ],
        "orders": [
            found.row(order)
            | {
                "place": order.place,
                "due": None if order.due is None else iso_text(order.due, shop.zone),
                "done": moments(found.done_s),
            }
            for order, found in zip(shop.orders, shop.of_orders, strict=True)
        ],
        "effects": [
            {
                "change": effect.name,
                "rule": effect.rule,
                "prints_shorter_share": effect.shorter,
                "parts_per_day": _interval(effect.parts_per_day),
                "more_share": _interval(effect.more),
                "sooner_s": effect.sooner_s,
                "could_bring_share": effect.could_bring,
                "late_h": _interval(effect.late_h),
                "printers": [_use(use) for use in effect.use],
            }
            for effect in shop.effects
        ],
        "fuller_beds": None
        if shop.fuller is None
        else {
            "filling": shop.fuller.filling,
            "most_at_a_time": {
                order.name: most for order, most in zip(shop.orders, shop.fuller.most, strict=True) if most > 1
            },
            "parts_per_day": _interval(shop.fuller.parts_per_day),
            "more_share": _interval(shop.fuller.more),
            "sooner_s": shop.fuller.sooner_s,
            "late_h": _interval(shop.fuller.late_h),
            "printers": [_use(use) for use in shop.fuller.use],
        },
        "not_planned": [_finding(finding) for finding in shop.cannot],
        "warnings": [_finding(finding) for finding in shop.doubtful],
    }


def _use(use: Use) -> dict[str, Any]:
    return {
        "name": use.name,
        "printing_share": use.printing,
        "waiting_nobody_there_share": use.nobody_there,
        "waiting_hands_busy_share": use.hands_busy,
        "hands_share": use.hands,
        "idle_share": use.idle,
    }


def _finding(finding: Finding) -> dict[str, str]:
    return {"place": finding.place, "found": finding.found, "allowed": finding.allowed, "hint": finding.hint}
