"""What is told of a whole job's rounding, against direct convolution."""

from __future__ import annotations

import pytest

import kinematics
from kinematics.errors import InputError
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine
from kinematics.vibration.filters import filter_named
from tests.vibration.filtered_jobs import rounding_by_convolution

TOLD = {
    "vibration.x.filter": "ZVD",
    "vibration.x.filter_frequency_hz": 45.0,
    "vibration.y.filter": "ZV",
    "vibration.y.filter_frequency_hz": 35.0,
}
MACHINE = Machine().with_settings(TOLD | {"motion.print_acceleration_mm_s2": 5000.0}, "Bench")
ZIGZAG = "M83\n" + "".join(f"G1 X{k % 2 * 6 + 1} Y{k * 0.8:g} E0.3 F6000\n" for k in range(40))


@pytest.mark.parametrize("budget", [None, 0.05])
def test_the_worst_place_is_that_of_a_direct_convolution(budget: float | None) -> None:
    machine = MACHINE.with_settings({"quality.rounding_budget_mm": budget}, "Bench")
    prepared = PreparedJob(memoryview(ZIGZAG.encode()))
    planned = time_job(prepared, machine).whole_plan()
    filters = filter_named("ZVD", 45.0, 0.0), filter_named("ZV", 35.0, 0.0)
    by_hand = rounding_by_convolution(planned.job.moves, planned.plan, filters)
    found = kinematics.rounding(planned.job, machine)
    print(f"{found!r}; by convolution {by_hand:.4f} mm")
    assert found.worst_mm == pytest.approx(by_hand, rel=2e-3)
    assert 0.0 < found.median_mm <= found.most_mm <= found.worst_mm
    assert found.within is (None if budget is None else True)
    assert 2 <= found.line <= 41
    assert list(found.to_frame().columns)[:2] == ["worst_mm", "line"]


def test_a_machine_without_filters_rounds_nothing() -> None:
    with pytest.raises(InputError, match="no filter of any axis"):
        kinematics.rounding(PreparedJob(memoryview(ZIGZAG.encode())).read(Machine()), Machine())
