"""Fits as JSON documents: plain data, every name with its unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kinematics.reports.documents import head

if TYPE_CHECKING:
    from kinematics.errors import Finding
    from kinematics.studies.fit import Fit, FittedParameter
    from kinematics.studies.stopwatch import Errors


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
