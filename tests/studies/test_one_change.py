"""If you change one thing: every saving is the difference of two estimates, and the best comes first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import BUILTIN_NAMES, Machine, load_machine
from kinematics.reports.screens import closing_lines
from kinematics.studies.estimate import estimate_prepared
from kinematics.studies.worth import RAISE, WORTH_SAYING
from tests.jobs.conftest import bench, job_of

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
# Which limit rules a job, and that raising it is what is proposed first. The job: lines of 20 mm at 100 mm/s.
ZIGZAG = "G1 X0 Y0 F6000\n" + "".join(f"G1 X{20 * (i % 2)} Y{i} E{i}\n" for i in range(1, 60))
RULED_BY = [
    ({"motion__print_acceleration_mm_s2": 100.0}, "motion.print_acceleration_mm_s2"),
    ({"motion__by_kind__print__print_acceleration_mm_s2": 100.0}, "motion.by_kind.print.print_acceleration_mm_s2"),
    ({"axes__x__max_speed_mm_s": 5.0}, "axes.x.max_speed_mm_s"),
    ({"axes__x__max_acceleration_mm_s2": 50.0}, "axes.x.max_acceleration_mm_s2"),
    ({"axes__e__max_speed_mm_s": 0.2}, "axes.e.max_speed_mm_s"),
    ({"axes__e__max_acceleration_mm_s2": 1.0}, "axes.e.max_acceleration_mm_s2"),
    ({"hotend__max_flow_mm3_s": 0.5}, "hotend.max_flow_mm3_s"),
    ({"motion__speed_cap_mm_s": 5.0}, "motion.speed_cap_mm_s"),
    ({"motion__feed_override": 0.05}, "motion.by_kind.print.feed_override"),
    ({"motion__by_kind__print__commanded_speed_mm_s": 5.0}, "motion.by_kind.print.feed_override"),
    ({"cooling__shortest_layer_s": 500.0}, "cooling.shortest_layer_s"),
]


def settings_of(key: str, value: float, machine: Machine) -> dict[str, Any]:
    """A change as settings; steps of speed keep their proportions."""
    if key != "motion.speed_step_mm_s":
        return {key: value}
    steps = {axis: machine.value_of(f"{key}.{axis}") for axis in "xyz"}
    return {key: {axis: step * RAISE for axis, step in steps.items() if step is not None}}


def assert_changes_are_differences(jobs: list[PreparedJob], machine: Machine) -> list[str]:
    """Each saving is the total before less the total after; the best first, none below what is worth saying."""
    estimate = estimate_prepared(jobs, machine)
    for change in estimate.changes:
        settings = dict(change.settings) if change.together else settings_of(change.key, change.after, machine)
        other = machine.with_settings(settings)
        after = estimate_prepared(jobs, other, changes=False).total_s
        assert change.saved_s == pytest.approx(estimate.total_s - after, abs=1e-9)
        assert change.saved_s > WORTH_SAYING * estimate.total_s
        assert change.what
        assert change.unit
    for costly in (False, True):
        saved = [change.saved_s for change in estimate.changes if change.costs_quality is costly]
        assert saved == sorted(saved, reverse=True)
    assert [change.costs_quality for change in estimate.changes] == sorted(
        change.costs_quality for change in estimate.changes
    )
    keys = [change.key for change in estimate.changes]
    assert len(set(keys)) == len(keys)
    return keys


@pytest.mark.parametrize("machine", BUILTIN_NAMES)
def test_every_saving_is_the_difference_of_two_estimates(machine: str) -> None:
    jobs = [PreparedJob(str(SAMPLES / f"{name}.gcode")) for name in ("bracket", "test_cube", "cable_guide_arcs")]
    keys = assert_changes_are_differences(jobs, load_machine(machine))
    assert keys


@pytest.mark.parametrize(("settings", "key"), RULED_BY)
def test_what_rules_a_job_is_proposed_first(settings: dict[str, object], key: str) -> None:
    keys = assert_changes_are_differences([PreparedJob(job_of(ZIGZAG))], bench(**settings))
    assert keys[0] == key


@pytest.mark.parametrize(("settings", "key"), RULED_BY)
def test_a_limit_goes_up_by_half_from_what_it_is(settings: dict[str, object], key: str) -> None:
    machine = bench(**settings)
    first = estimate_prepared([PreparedJob(job_of(ZIGZAG))], machine).changes[0]
    before = machine.value_of(key)
    if before is None:  # an override of one kind stands for that of all
        before = machine.value_of("motion.feed_override")
    assert first.before == before
    factor = 1 / RAISE if key == "cooling.shortest_layer_s" else RAISE
    assert first.after == pytest.approx(before * factor, rel=0.005)


def test_corners_by_steps_of_speed() -> None:
    corners = "F6000\nM83\n" + "".join(f"G1 X{i % 2 * 0.5} Y{i // 2 * 0.5} E0.1\n" for i in range(1, 200))
    machine = bench(motion__speed_step_mm_s={"x": 8.0, "y": 8.0}, motion__curve_rule=False)
    keys = assert_changes_are_differences([PreparedJob(job_of(corners))], machine)
    assert "motion.speed_step_mm_s" in keys


def test_corners_by_junction_deviation() -> None:
    corners = "F6000\nM83\n" + "".join(f"G1 X{i % 2 * 0.5} Y{i // 2 * 0.5} E0.1\n" for i in range(1, 200))
    machine = bench(motion__junction_deviation_mm=0.0005, motion__curve_rule=False)
    assert "motion.junction_deviation_mm" in assert_changes_are_differences([PreparedJob(job_of(corners))], machine)


def test_retractions() -> None:
    pulls = "F6000\nM83\n" + "G1 E-1\nG1 E1\n" * 30 + "G1 X5 E1\n"
    keys = assert_changes_are_differences([PreparedJob(job_of(pulls))], bench(retraction__acceleration_mm_s2=50.0))
    assert keys[0] == "retraction.acceleration_mm_s2"


def test_nothing_is_proposed_where_nothing_helps() -> None:
    waits = "G4 S1000\nG1 X1 F6000\nG4 S1000\n"
    assert estimate_prepared([PreparedJob(job_of(waits))], bench()).changes == ()


def test_a_flow_against_temperature_is_raised_as_a_whole() -> None:
    """The job names no temperature, so the first row holds; the change is told by it, and can be tried as it stands."""
    job, rows = PreparedJob(job_of(ZIGZAG)), [[200.0, 0.5], [220.0, 2.0]]
    machine = bench(hotend__max_flow_mm3_s=rows)
    estimate = estimate_prepared([job], machine)
    first = estimate.changes[0]
    assert first.key == "hotend.max_flow_mm3_s"
    assert (first.before, first.after) == pytest.approx((0.5, 0.75), rel=1e-12)
    assert first.settings == (("hotend.max_flow_mm3_s", ((200.0, 0.75), (220.0, 3.0))),)
    tried = estimate_prepared([job], machine.with_settings(dict(first.settings)), changes=False)
    assert first.saved_s == pytest.approx(estimate.total_s - tried.total_s, abs=1e-9)
    assert "flow=[[200, 0.75], [220, 3]]" in "\n".join(closing_lines(estimate, "bench.toml"))


def test_a_flow_that_holds_nothing_is_not_raised() -> None:
    machine = bench(hotend__max_flow_mm3_s=[[200.0, 20.0]], axes__e__max_speed_mm_s=0.2)
    changes = estimate_prepared([PreparedJob(job_of(ZIGZAG))], machine).changes
    assert "hotend.max_flow_mm3_s" not in [change.key for change in changes]


def test_limits_that_hold_the_same_moves_are_one_change() -> None:
    """Three accelerations at the same value: one by one they bring nothing, together all that there is."""
    fast = "F60000\nM83\n" + "".join(f"G1 X{20 * (i % 2)} E1\n" for i in range(1, 40))
    machine = bench(axes__x__max_acceleration_mm_s2=1000.0, motors__x__max_acceleration_mm_s2=1000.0)
    estimate = estimate_prepared([PreparedJob(job_of(fast))], machine)
    (change,) = (one for one in estimate.changes if one.together)
    assert estimate.changes[0] == change
    assert [what for what, _, _ in change.together] == ["x axis acceleration", "motor x acceleration"]
    assert set(dict(change.settings).values()) == {1500.0}
    assert change.saved_s == pytest.approx(estimate.total_s * (1.0 - 1.0 / RAISE**0.5))
    lines = closing_lines(estimate, "bench.toml")
    assert lines[0].startswith("if you change one thing, or several that belong together, raise print acceleration")


def test_quality_is_never_the_first_advice() -> None:
    estimate = estimate_prepared([PreparedJob(str(SAMPLES / "test_cube.gcode"))], load_machine("gentle"))
    costly = [change.key for change in estimate.changes if change.costs_quality]
    assert costly == ["cooling.shortest_layer_s"]
    assert estimate.changes[-1].key == costly[0]
    assert len(estimate.changes) > 1
    waits = estimate_prepared([PreparedJob(job_of(ZIGZAG))], bench(cooling__shortest_layer_s=500.0))
    lines = closing_lines(waits, "bench.toml")
    assert "at the expense of quality, lower shortest layer time" in lines[0]
    assert not any("--candidate" in line for line in lines)
