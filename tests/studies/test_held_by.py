"""What holds in place of a limit that is raised in vain."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Candidate, load_machine
from kinematics.studies.compare import compare_prepared
from kinematics.studies.held_by import HeldBy, held_under
from tests.jobs.conftest import bench, job_of

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
ALONG_X = "M83\n" + "".join(f"G1 X{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(20))
BOTH_WAYS = ALONG_X + "".join(f"G1 Y{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(10))
ACCELERATION = "motion.print_acceleration_mm_s2"


def held(text: str, settings: dict[str, float], **machine: object) -> tuple[HeldBy, ...]:
    return held_under([PreparedJob(job_of(text))], [1.0], bench(**machine), settings)


def test_a_limit_that_is_never_reached() -> None:
    (one,) = held(ALONG_X, {ACCELERATION: 7000.0}, axes__x__max_acceleration_mm_s2=1200.0)
    assert one.never_reached
    assert [(holder.key, holder.value) for holder in one.held] == [("axes.x.max_acceleration_mm_s2", 1200.0)]
    assert (one.share_of_time, one.share_of_moves) == (0.0, 0.0)
    assert one.lifted_total_s == pytest.approx(20 * 2.0 * math.sqrt(10.0 / 7000.0))


def test_those_that_hold_longest_come_first() -> None:
    axes = {"axes__x__max_acceleration_mm_s2": 1200.0, "axes__y__max_acceleration_mm_s2": 1100.0}
    (one,) = held(BOTH_WAYS, {ACCELERATION: 7000.0}, **axes)
    assert [holder.what for holder in one.held] == ["x axis acceleration", "y axis acceleration"]
    assert [holder.value for holder in one.held] == [1200.0, 1100.0]


def test_a_limit_that_is_reached_now_and_then() -> None:
    (one,) = held(BOTH_WAYS, {ACCELERATION: 7000.0}, axes__x__max_acceleration_mm_s2=1200.0)
    assert not one.never_reached
    assert one.share_of_moves == pytest.approx(10 / 30)
    x, y = 20 * math.sqrt(10.0 / 1200.0), 10 * math.sqrt(10.0 / 7000.0)
    assert one.share_of_time == pytest.approx(y / (x + y), rel=1e-3)  # one corner is rounded between them


def test_two_limits_that_are_raised_alike_are_both_of_use() -> None:
    settings = {ACCELERATION: 7000.0, "axes.x.max_acceleration_mm_s2": 7000.0}
    found = held(ALONG_X, settings, axes__x__max_acceleration_mm_s2=1200.0)
    assert not any(one.never_reached for one in found)


def test_speed_that_the_hotend_holds() -> None:
    bead = 0.1 * 400.0 / (math.pi * 0.875**2)
    text = "M83\n" + "".join(f"G1 X{400 * ((i + 1) % 2)} E{bead:.6f} F2400\n" for i in range(8))
    (one,) = held(text, {"speed": 6.0}, hotend__max_flow_mm3_s=6.0)
    assert one.what == "print speed in the file"
    (holder,) = one.held
    assert (holder.what, holder.value, holder.unit) == ("hotend flow", 6.0, "mm³/s")


def test_what_is_lowered_or_left_is_no_raise() -> None:
    assert held(ALONG_X, {ACCELERATION: 500.0}) == ()
    assert held(ALONG_X, {"motion.junction_deviation_mm": 0.2}) == ()
    assert held(ALONG_X, {"cooling.shortest_layer_s": 9.0}) == ()


def test_seven_thousand_on_a_gentle_machine() -> None:
    """Print acceleration 7,000 on a machine whose axes take 700 and 1,000 brings next to nothing."""
    job = PreparedJob(str(SAMPLES / "test_cube.gcode"))
    candidate = Candidate("fast", {"acceleration": 7000.0})
    found = compare_prepared([job], load_machine("gentle"), [candidate])
    (one,) = found.held["fast"]
    assert {holder.key: holder.value for holder in one.held} == {
        "axes.y.max_acceleration_mm_s2": 700.0,
        "axes.x.max_acceleration_mm_s2": 1000.0,
    }
    total = found.totals[1].total_s
    assert one.lifted_total_s is not None
    assert one.lifted_total_s < total
    row = found.rows[1]
    parts = row.motion_s + row.dwell_s + sum(row.stops_by_kind_s.values()) + row.cooling_s
    assert parts == pytest.approx(row.total_s, rel=1e-12)
