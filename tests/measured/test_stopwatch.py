"""Errors, prints that stand apart, units that were mixed up, and drift, by hand."""

from __future__ import annotations

import math
from typing import cast

import numpy as np
import pytest

from kinematics.jobs.timing import TimedJob
from kinematics.measured.stopwatch import Drift, Errors, Measured, drift_of, errors_of, stand_apart, unusable
from tests.jobs.conftest import bench

HOUR = 3600.0


def taking(seconds: float) -> Measured:
    """A print of a job that is never looked at."""
    return Measured("part.gcode", cast(TimedJob, None), bench(), seconds, True, "times.csv:4")


def test_errors_are_mean_and_deviation_of_the_logarithms() -> None:
    found = errors_of(np.array([0.1, 0.2, 0.3]))
    assert found == (pytest.approx(0.2), pytest.approx(0.1))
    assert errors_of(np.array([0.1])) == (0.1, 0.0)
    assert Errors(0.03, 0.04).off_share == pytest.approx(0.05)
    assert Errors(-0.01, 0.02).within_share == pytest.approx(0.0492)


def test_a_print_stands_apart_from_a_tenth_or_so_on() -> None:
    assert stand_apart(np.array([0.07, -0.09, 0.0]), 0.01) == [False, True, False]
    assert stand_apart(np.array([0.19, -0.26]), 0.05) == [False, True]


UNITS = [
    (2.0 * 60.0, 2.0 * HOUR, "were these hours, not minutes?"),
    (1.1 * 60.0, 1.8 * HOUR, "were these hours, not minutes?"),
    (112.0 * 60.0, 112.0, "were these seconds, not minutes?"),
    (9.0 * HOUR, HOUR, "was another file printed, or did it stop?"),
]


@pytest.mark.parametrize(("measured", "estimate", "asks"), UNITS)
def test_times_that_cannot_be_are_asked_about(measured: float, estimate: float, asks: str) -> None:
    finding = unusable(taking(measured), estimate)
    assert finding is not None
    assert (finding.place, finding.hint) == ("times.csv:4", asks)


@pytest.mark.parametrize("ratio", [1.0 / 7.9, 0.33, 1.0, 3.0, 7.9])
def test_times_that_may_be_are_kept(ratio: float) -> None:
    assert unusable(taking(HOUR * ratio), HOUR) is None


def test_drift_is_the_difference_of_two_means() -> None:
    before, last = [0.00, 0.02, 0.01, 0.01], [0.05, 0.07, 0.06, 0.06, 0.05, 0.07, 0.06, 0.06, 0.05, 0.07]
    error = math.sqrt(np.var(last, ddof=1) / 10 + np.var(before, ddof=1) / 4)
    assert drift_of([*before, *last]) == Drift(pytest.approx(0.05), 10, 4, pytest.approx(error))


def test_drift_needs_prints_before_and_more_than_chance() -> None:
    assert drift_of([0.5, 0.5] + [0.0] * 10) is None
    assert drift_of([0.0, 0.1, -0.1, 0.05] + [0.02] * 10) is None
    assert drift_of([0.0, 0.0001, 0.0] + [0.005] * 10) is None
    assert drift_of([]) is None
