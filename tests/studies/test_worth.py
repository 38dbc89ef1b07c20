"""What each limit is worth: against estimates of their own, by hand, and what no limit bounds."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from kinematics.gcode.chunks import JobFile
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.prepared import HELD_FLOW, PreparedJob
from kinematics.jobs.timing import TimedJob, Timing, time_job
from kinematics.machine import Machine
from kinematics.studies.estimate import estimate_prepared
from kinematics.studies.worth import Worth, worth_of_keys
from tests.jobs.conftest import bench, job_of, straight, time_of

ROUNDING = 1e-9  # relative
TEXT = """\
M104 S205
M83
G1 X60 Y20 E3 F6000
G1 X60.2 Y20.3 E0.02
G1 X0 Y50 E4
G1 E-1 F1800
G1 E1
M104 S230
G1 X40 Y0 E3
G0 X0 Y0 F9000
"""
MACHINE = bench(
    axes__x__max_speed_mm_s=70.0,
    axes__y__max_acceleration_mm_s2=600.0,
    axes__e__max_speed_mm_s=9.0,
    motors__x__max_acceleration_mm_s2=900.0,
    motion__junction_deviation_mm=0.04,
    motion__feed_override=1.2,
    motion__by_kind__travel__commanded_speed_mm_s=90.0,
    hotend__max_flow_mm3_s=[[210.0, 9.0], [220.0, 12.0]],
    filament__pressure_advance_s=0.02,
    controller__moves_per_s=300.0,
    vibration__x__filter="ZVD",
    vibration__x__modes=[{"frequency_hz": 44.0, "damping_ratio": 0.06, "frequency_uncertainty_share": 0.1}],
    quality__rounding_budget_mm=0.05,
    quality__ringing_budget_mm=0.01,
)


def worth_of_limits(job: TimedJob, machine: Machine, timing: Timing) -> tuple[Worth, ...]:
    """What each limit that has a say is worth to a job."""
    return worth_of_keys(job, machine, sorted(timing.limits.keys), timing.total)


def changed(machine: Machine, key: str, factor: float) -> Machine:
    """The machine with more of one limit; less of pressure advance."""
    value = machine.value_of(key)
    if isinstance(value, (list, tuple)):
        return machine.with_settings({key: [[*row[:-1], row[-1] * factor] for row in value]})
    return machine.with_settings({key: value / factor if "advance" in key else value * factor})


def test_one_per_cent_is_what_two_estimates_differ_by() -> None:
    """Each limit with a say; and lifted, where a key can simply be left out."""
    job = PreparedJob(job_of(TEXT))
    timing = time_job(job, MACHINE)
    found = {worth.key: worth for worth in worth_of_limits(job, MACHINE, timing)}
    assert len(found) > 12
    assert max(worth.one_percent_s for worth in found.values()) > 0.0
    for key, worth in found.items():
        more = time_of(TEXT, changed(MACHINE, key, 1.01)).total
        assert worth.one_percent_s == pytest.approx(timing.total - more, abs=1e-9 * timing.total), key
        if key.startswith(("axes", "controller", "filament", "quality")):
            without = time_of(TEXT, MACHINE.with_settings({key: None})).total
            assert worth.if_lifted_s == pytest.approx(without, rel=ROUNDING), key


def test_by_hand() -> None:
    """60 mm at 50 mm/s and 1000 mm/s²: T = L/v + v/a; lifted speed leaves 2·√(L/a) only beside another one."""
    text = "G1 X60 F3000\n"
    job = PreparedJob(job_of(text))
    machine = bench(motion__speed_cap_mm_s=400.0)
    worth = {one.key: one for one in worth_of_limits(job, machine, time_job(job, machine))}
    plain = straight(60.0, 50.0)
    assert worth["the job"].one_percent_s == pytest.approx(plain - straight(60.0, 50.5), rel=1e-6)
    assert worth["the job"].if_lifted_s == pytest.approx(straight(60.0, 400.0), rel=ROUNDING)
    key = "motion.travel_acceleration_mm_s2"
    assert worth[key].one_percent_s == pytest.approx(plain - straight(60.0, 50.0, 1010.0), rel=1e-6)
    assert worth[key].if_lifted_s is None
    alone = bench()
    worth = {one.key: one for one in worth_of_limits(job, alone, time_job(job, alone))}
    assert worth["the job"].if_lifted_s is None


def test_limits_are_weighed_alike_in_any_order_and_by_two_at_once() -> None:
    """Features, classes and ties are kept between plans, and two threads plan side by side."""
    job = PreparedJob(job_of(TEXT * 30))
    timing = time_job(job, MACHINE)
    first = worth_of_limits(job, MACHINE, timing)
    for _ in range(5):
        assert worth_of_limits(job, MACHINE, timing) == first


@pytest.mark.parametrize("mode", ["honour", "ignore", "cap"])
def test_lifting_a_machines_limit_leaves_the_jobs_own(mode: str) -> None:
    """A job that states 300 mm/s² beside 200 or 1000 of the machine; `cap` takes the lower one."""
    text = "M204 T300\nG1 X60 F6000\n"
    key = "motion.travel_acceleration_mm_s2"
    for own in (200.0, 1000.0):
        job, machine = PreparedJob(job_of(text), file_limits=mode), bench(**{key.replace(".", "__"): own})
        found = {one.key: one for one in worth_of_limits(job, machine, time_job(job, machine))}
        if mode == "cap" and own < 300.0:
            assert found[key].if_lifted_s == pytest.approx(straight(60.0, 100.0, 300.0), rel=ROUNDING)
        elif mode == "ignore":
            assert found[key].if_lifted_s is None
        else:
            assert key not in found
            assert f"{key} (stated in the job)" in found


@pytest.mark.parametrize("scarce", [True, False])
def test_a_job_in_blocks_is_weighed_as_in_one_piece(tmp_path: Path, scarce: bool) -> None:
    """Also where a lifted limit leaves some moves without a ceiling."""
    path = tmp_path / "job.gcode"
    path.write_text("M83\n" + "".join(f"G1 X{i % 7} Y{i % 5} E0.1 F3000\n" for i in range(900)))
    machine = bench(axes__x__max_speed_mm_s=40.0, motion__extruder_step_mm_s=0.5)
    if not scarce:
        machine = machine.with_settings({"motion.speed_cap_mm_s": 300.0, "axes.e.max_acceleration_mm_s2": 500.0})
        machine = machine.with_settings({"axes.e.max_speed_mm_s": 30.0})
    whole, blocks = PreparedJob(str(path)), BlockwiseJob(JobFile(str(path)), chunk=700)
    expected = worth_of_limits(whole, machine, time_job(whole, machine))
    found = {one.key: one for one in worth_of_limits(blocks, machine, time_job(blocks, machine))}
    assert {one.key for one in expected} == found.keys()
    assert any(one.if_lifted_s is None for one in expected) == scarce
    for one in expected:
        assert found[one.key].one_percent_s == pytest.approx(one.one_percent_s, abs=1e-9 * 60.0)
        assert (found[one.key].if_lifted_s is None) == (one.if_lifted_s is None), one.key
        if one.if_lifted_s is not None:
            assert found[one.key].if_lifted_s == pytest.approx(one.if_lifted_s, rel=ROUNDING)


# ---- what ties and temperatures mean for a whole job ----------------------------------------------------------------


def test_a_temperature_outside_of_the_table_is_told() -> None:
    """Three printing moves at 205 °C below a table that begins at 210, one at 230 above it."""
    (job,) = estimate_prepared([PreparedJob(job_of(TEXT))], MACHINE).jobs
    assert [(one.line, one.count) for one in job.notices if one.text == HELD_FLOW] == [(3, 4)]
    wide = MACHINE.with_settings({"hotend.max_flow_mm3_s": [[200.0, 9.0], [240.0, 12.0]]})
    (job,) = estimate_prepared([PreparedJob(job_of(TEXT))], wide).jobs
    assert not job.notices


def test_a_command_rate_counts_moves_and_not_their_pieces_on_a_delta() -> None:
    """One line of 100 mm at 2 moves a second may run at 200 mm/s, into however many pieces it is cut; by hand."""
    machine = bench(
        machine__mechanism="linear-delta",
        machine__delta={"arm_mm": 250.0, "tower_radius_mm": 125.0},
        motors__t1__max_speed_mm_s=1e6,
        controller__moves_per_s=0.5,
        motion__travel_acceleration_mm_s2=1e7,
    )
    text = "G1 X-50 F60000\nG4 S1\nG1 X50\n"
    timing = time_of(text, machine)
    planned = timing.whole_plan()
    assert planned.whole.size > 40
    assert planned.plan.speed_peak[planned.whole == 1].max() == pytest.approx(50.0, rel=ROUNDING)
    by_bytes = machine.with_settings({"controller.moves_per_s": None, "controller.bytes_per_s": 3.5})
    peak = time_of(text, by_bytes).whole_plan().plan.speed_peak[planned.whole == 1].max()
    assert peak == pytest.approx(100.0 / 7.0 * 3.5, rel=ROUNDING)  # "G1 X50" and its end are 7 bytes


def test_changes_are_tried_where_the_end_of_a_curve_holds() -> None:
    """There is no limit of speed that could be raised."""
    curve = {"torque_nm": [[0, 0.4], [60, 0.3]], "mm_per_rev": 40.0}
    for mechanism, motors in (("cartesian", "x"), ("crossed-belt", "ab")):
        told = {f"motors.{name}.{key}": value for name in motors for key, value in curve.items()}
        machine = bench(machine__mechanism=mechanism).with_settings(told)
        estimate = estimate_prepared([PreparedJob(job_of("G1 X200 F6000\nG1 X0"))], machine)
        assert estimate.jobs[0].causes[0].cause.endswith(("top speed of motor x", "top speed of motor a"))
        assert math.isfinite(estimate.total_s)
