"""Upgrades and shops as JSON documents: plain data, every name with its unit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from kinematics.errors import Finding
from kinematics.reports.bedful_screen import parts_reasons
from kinematics.reports.documents import draws_document, head, notice_rows

if TYPE_CHECKING:
    from kinematics.business.bedful import Bedfuls
    from kinematics.business.runs import Shop
    from kinematics.business.sums import Moments, RunsInterval, Use
    from kinematics.business.upgrades import KnownSaving, Upgrades


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
