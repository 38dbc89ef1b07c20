"""Fits and ladders as JSON documents: plain data, every name with its unit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from kinematics.reports.documents import draws_document, head, interval_document, notice_rows

if TYPE_CHECKING:
    from kinematics.errors import Finding
    from kinematics.measured.fit import Fit, FittedParameter
    from kinematics.measured.stopwatch import Errors
    from kinematics.studies.claim import ClaimAnswer, Needs
    from kinematics.studies.ladder import Ladder, RaisedLimit, Rung


def fit_document(fit: Fit, doubts: Sequence[Finding] = ()) -> dict[str, Any]:
    """A fit as a document; None for what holds nothing back, and for ends that there are not."""
    return head() | {
        "machine": fit.machine.as_dict(),
        "before": _errors(fit.before),
        "after": _errors(fit.after),
        "parameters": [_parameter(one) for one in fit.parameters],
        "covariance_of_logarithms": {"keys": list(fit.keys), "rows": [list(row) for row in fit.covariance]},
        "told_only_together": [list(pair) for pair in fit.together],
        "jobs": [
            {
                "job": one.job,
                "place": one.place,
                "date": one.day or None,
                "measured_s": one.measured_s,
                "estimated_s": one.estimated_s,
                "fitted_s": one.fitted_s,
                "interval_s": [one.low_s, one.high_s],
                "left_out_share": one.left_out_share,
                "stands_apart": one.apart,
                "parts_s": one.parts_s,
            }
            for one in fit.prints
        ],
        "explanations": None if fit.explanations is None else _explanations(fit),
        "next_print": None if fit.next_print is None else fit.next_print._asdict(),
        "drift": None if fit.drift is None else fit.drift._asdict(),
        "left_out": [_finding(one) for one in fit.left_out],
        "warnings": [_finding(one) for one in doubts],
    }


def _errors(errors: Errors) -> dict[str, float]:
    return {**errors._asdict(), "off_share": errors.off_share, "within_share": errors.within_share}


def _parameter(one: FittedParameter) -> dict[str, Any]:
    return {
        "name": one.name,
        "key": one.key,
        "before": one.before,
        "value": one.value,
        "low": one.low,
        "high": one.high,
        "chosen": one.chosen,
        "told": one.told,
        "could_be": list(one.could_be),
        "ranges": {key: known.as_dict() for key, known in one.ranges.items()},
    }


def _explanations(fit: Fit) -> dict[str, Any]:
    assert fit.explanations is not None
    return {
        "rows": [
            {
                "name": one.name,
                "key": one.key,
                "before": one.before,
                "value": one.value,
                "likely_share": one.likely_share,
                "reaches_s": one.reaches_s,
                "test": one.test,
            }
            for one in fit.explanations.found
        ],
        "chance_share": fit.explanations.chance_share,
    }


def _finding(one: Finding) -> dict[str, str]:
    return {"place": one.place, "found": one.found, "allowed": one.allowed, "hint": one.hint}


def _limits(raised: Iterable[RaisedLimit]) -> list[dict[str, Any]]:
    return [
        {
            "limit": one.what,
            "kind": one.kind,
            "unit": one.unit,
            "from": dict(one.before),
            "to": dict(one.after),
            "reach_from": one.source or None,
        }
        for one in raised
    ]


def _rung(rung: Rung) -> dict[str, Any]:
    return {
        "raised": {key: value for one in rung.raised for key, value in one.after.items()},
        "from": {key: value for one in rung.raised for key, value in one.before.items()},
        "kind": rung.kind,
        "total_s": rung.total_s,
        "saved_s": rung.saved_s,
        **interval_document(rung.saved_interval, "saved_interval_s"),
        "held_by": {"cause": rung.held_by.cause, "seconds": rung.held_by.seconds, "share": rung.held_by.share},
        "left_out_total_s": rung.left_out_s,
        "set": dict(rung.settings),
        "limits": _limits(rung.raised),
        "alone": None if rung.alone is None else {"limit": rung.alone.what, "saved_s": rung.alone.saved_s},
        "commands_silenced": rung.silenced,
        "visible_path_changed_share": rung.seen_share,
    }


def _needs(needs: Needs | None) -> dict[str, Any] | None:
    if needs is None:
        return None
    return {
        "motion_s": needs.motion_s,
        "commanded_speed_times": needs.speed_times,
        "flow_mm3_s": needs.flow,
        "motion_times_as_fast": needs.factor,
    }


def _claim(answer: ClaimAnswer) -> dict[str, Any]:
    return {
        "before_s": answer.claim.before_s,
        "after_s": answer.claim.after_s,
        "times_as_fast": answer.claim.factor,
        "before_in_reach": answer.in_reach,
        "reached_at_rung": answer.rung,
        "end_total_s": answer.end_s,
        "missing_s": answer.missing_s,
        "motion_s": answer.motion_s,
        "fixed_s": answer.fixed_s,
        "for_that_time": _needs(answer.for_time),
        "for_that_factor_in_motion": _needs(answer.for_factor),
        "hotend_flow_mm3_s": answer.flow_now,
    }


def ladder_document(ladder: Ladder) -> dict[str, Any]:
    """A ladder: a row a rung, in order; what they save sums to the first total less the last."""
    fixed, small = ladder.fixed, ladder.small
    return head() | {
        "machine": ladder.machine.as_dict(),
        "jobs": [
            {"file": job, "prints": prints, "warnings": notice_rows(ladder.notices.get(job, ()))}
            for job, prints in zip(ladder.jobs, ladder.prints, strict=True)
        ],
        "total_s": ladder.total_s,
        **interval_document(ladder.interval),
        **draws_document(ladder.sampling),
        "motion_s": ladder.motion_s,
        "fixed_s": fixed.fixed_s,
        "fixed_by_kind_s": dict(fixed.by_kind),
        "floor_s": fixed.floor_s,
        "floor_held_by": fixed.held_by,
        "layers": fixed.layers,
        "shortest_layer_s": fixed.shortest_s,
        "cooling_s": fixed.cooling_s,
        "rows": [_rung(rung) for rung in ladder.rungs],
        "small_steps": None
        if small is None
        else {
            "count": small.steps,
            "limits": _limits(small.raised),
            "set": dict(small.settings),
            "total_s": small.total_s,
            "saved_s": small.saved_s,
        },
        "end_total_s": ladder.end_s,
        "end_motion_s": ladder.end_motion_s,
        "everything_at_its_reach_total_s": ladder.reach_s,
        "with_quality_total_s": ladder.quality_s,
        "left_out": [{"limit": one.what, "keys": list(one.keys), "total_s": one.total_s} for one in ladder.left_out],
        "what_is_left": [{"cause": one.cause, "seconds": one.seconds, "share": one.share} for one in ladder.left],
        "until_s": ladder.until_s,
        "reached": ladder.reached,
        "claim": None if ladder.claim is None else _claim(ladder.claim),
        "may_be_raised": [
            {
                "limit": one.what,
                "kind": one.kind,
                "unit": one.unit,
                "keys": list(one.keys),
                "from": one.number,
                "reach": one.reach,
                "reach_from": one.source or None,
            }
            for one in ladder.may_rise
        ],
    }
