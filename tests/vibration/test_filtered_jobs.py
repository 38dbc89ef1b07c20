"""The promise of a rounding budget, held by whole jobs that are planned and then filtered."""

from __future__ import annotations

import numpy as np
import pytest

from kinematics.machine import Machine
from kinematics.planner.filtered import filtered_by
from tests.planner.from_naive import planned
from tests.vibration.filtered_jobs import (
    NEARLY_MOST,
    drawn_case,
    keeps_the_budget,
    rounding_by_convolution,
    share_of_budget,
)


def test_planned_and_filtered_jobs_keep_their_budget() -> None:
    """At most 1.02 of it in nearly all of 60 jobs, ordinary and aimed at turns that add up."""
    assert keeps_the_budget(60)


@pytest.mark.parametrize("seed", [3, 5, 6, 8])
def test_without_the_budget_such_jobs_are_rounded_further(seed: int) -> None:
    """Else the test above would find nothing out."""
    case = drawn_case(seed)
    _, plan = planned(case.moves, case.machine.with_settings({"quality.rounding_budget_mm": None}, "test"))
    free = rounding_by_convolution(case.moves, plan, case.filters) / case.budget
    assert free > NEARLY_MOST
    assert share_of_budget(seed)[1] < free


def test_opposite_turns_passed_at_unlike_speeds_keep_the_budget() -> None:
    """Of 2,000 jobs the worst, 1.073 of its budget where a short move counts in its own direction alone."""
    assert share_of_budget(20)[1] <= NEARLY_MOST


def test_machines_share_what_is_made_of_a_path() -> None:
    """A speed limit that differs a little, or an override, makes no other numbers; another budget does."""
    told = {"vibration.x.filter": "ZV", "vibration.x.filter_frequency_hz": 40.0, "quality.rounding_budget_mm": 0.05}
    machine = Machine().with_settings(told | {f"axes.{axis}.max_speed_mm_s": 120.0 for axis in "xyz"}, "test")

    def found(**settings: object) -> object:
        other = machine.with_settings({key.replace("__", "."): value for key, value in settings.items()}, "test")
        from kinematics.limits.combine import EVERY_KIND, limits_of

        return filtered_by(other, limits_of(other, EVERY_KIND).values)

    assert found() is not None
    assert found() == found(axes__x__max_speed_mm_s=130.0) == found(motion__feed_override=1.5)
    assert found() != found(quality__rounding_budget_mm=0.06)
    assert filtered_by(Machine(), np.full((1, 40), np.inf)) is None
