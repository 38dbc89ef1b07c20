"""Jobs on crossed belts and deltas, through the whole study: pieces, places out of reach, tables, causes, changes."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.reader import read_gcode
from kinematics.jobs import prepared
from kinematics.jobs.prepared import OUT_OF_REACH, PreparedJob, driven_by
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine, load_machine
from kinematics.machine.names import keys_of_section
from kinematics.studies.estimate import Estimate, estimate_prepared
from tests.jobs.conftest import bench, job_of, straight, time_of

ROUNDING = 1e-9  # relative
ONE_MICROSECOND = 1e-6  # s
MOST_BY_PIECES = 0.015  # relative: what pieces of 2 mm may add, arms of 250 mm (as `driven_by` says)
SAMPLES = Path(__file__).parents[2] / "sample_gcode"

DELTA = {
    "machine.mechanism": "linear-delta",
    "machine.delta": {"arm_mm": 250.0, "tower_radius_mm": 125.0},
}
CARRIAGES = {f"motors.t{i}.max_speed_mm_s": 80.0 for i in (1, 2, 3)}
RAMPS = {f"motors.t{i}.max_acceleration_mm_s2": 1500.0 for i in (1, 2, 3)}
# Around the middle: long lines, short ones, a retraction, a dwell, three layers.
TOWER = """\
G28
M83
G1 X-40 Y-30 Z0.2 F9000
G1 X40 E3 F6000
G1 Y30 E2
G1 E-1 F1800
G4 S2
G1 E1
G1 X-40 E3 F6000
G1 Z0.4
G1 X38.5 Y-30 E4
G1 Y-29.6 E0.05
G1 X-40 E3
G1 X40 Y30 Z0.6 F9000
G1 X-40 Y-30 E5 F6000
"""


def machine_with(*more: dict[str, object]) -> Machine:
    """A bench with a delta and whatever else is told."""
    machine = bench()
    for settings in (DELTA, *more):
        machine = machine.with_settings(settings)
    return machine


def estimate_of(text: str, machine: Machine) -> Estimate:
    return estimate_prepared([PreparedJob(job_of(text))], machine)


# ---- pieces -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lookahead", [None, 1, 2, 3, 5])
def test_pieces_change_nothing_where_carriages_are_quick(lookahead: int | None) -> None:
    """Limits that nothing reaches: cut and not, the controller sees as many moves of the file."""
    plain = machine_with({"motion.lookahead_moves": lookahead})
    quick = plain.with_settings(dict.fromkeys((*CARRIAGES, *RAMPS), 1e8))
    whole, cut = time_of(TOWER, plain), time_of(TOWER, quick)
    assert whole.planned.whole.size == 0
    assert cut.planned.plan.duration.size > 2 * whole.planned.plan.duration.size
    assert cut.total == pytest.approx(whole.total, rel=ROUNDING)
    assert cut.layers.motion == pytest.approx(whole.layers.motion, rel=ROUNDING)
    by_move = np.bincount(cut.planned.whole, weights=cut.planned.plan.duration)
    assert by_move == pytest.approx(whole.planned.plan.duration, rel=ROUNDING)
    for cause in whole.by_cause.keys() | cut.by_cause.keys():
        assert cut.by_cause.get(cause, 0.0) == pytest.approx(whole.by_cause.get(cause, 0.0), abs=ONE_MICROSECOND), cause


def test_lookahead_counts_moves_and_not_their_pieces() -> None:
    """v² <= Σ 2aL over the moves in sight, by hand: 20 lines of 10 mm in one direction, two of them seen."""
    text = "G1 F60000\n" + "".join(f"G1 X{-100 + 10 * i}\n" for i in range(1, 21))
    machine = machine_with({"motion.lookahead_moves": 2, "motors.t1.max_speed_mm_s": 1e6, "motion.delta_piece_mm": 1.0})
    job = job_of("G1 X-100 F60000\nG4 S1\n" + text)
    plan = time_job(PreparedJob(job), machine).planned
    starts = np.flatnonzero(np.diff(plan.whole, prepend=-1))[1:]
    assert starts.size == 20
    expected = [math.sqrt(2.0 * 1000.0 * 10.0 * min(i, 2, 20 - i)) for i in range(20)]
    assert plan.plan.speed_in[starts] == pytest.approx(np.array(expected), rel=ROUNDING)


def test_pieces_of_the_default_length_add_little() -> None:
    """Against pieces of 0.1 mm, carriages that hold most of a job back; never less, and less with shorter pieces."""
    path = "M83\nG1 X-90 Y-20 F12000\n" + "".join(
        f"G1 X{90 * (-1) ** i} Y{-20 + 4 * i} E3\nG1 Y{-18 + 4 * i} E0.2\n" for i in range(12)
    )
    job = PreparedJob(job_of(path))
    machine = machine_with(CARRIAGES, RAMPS)
    held = time_job(job, machine)
    totals = {
        piece: time_job(job, machine.with_settings({"motion.delta_piece_mm": piece})).total
        for piece in (1000.0, 20.0, 2.0, 0.5, 0.1)
    }
    assert held.total == totals[2.0]
    assert sum(seconds for cause, seconds in held.by_cause.items() if "motor" in cause) > 0.5 * held.total
    assert list(totals.values()) == sorted(totals.values(), reverse=True)
    assert totals[2.0] <= totals[0.1] * (1.0 + MOST_BY_PIECES)
    assert totals[1000.0] > 1.1 * totals[0.1]  # whole lines would be far off


def test_too_many_pieces_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepared, "MOST_PIECES", 100)
    with pytest.raises(InputError, match=r"motion.delta_piece_mm = 0.01 cuts the job into [0-9,]+ pieces"):
        time_of(TOWER, machine_with(CARRIAGES, {"motion.delta_piece_mm": 0.01}))


# ---- places -----------------------------------------------------------------------------------------------------


def test_where_a_job_lies_counts_on_a_delta() -> None:
    """Straight along x at the middle each carriage allows 2.0 of its limit, 60 mm aside 1.03 (the table of
    tests/published/test_mechanisms.py); homing and G92 tell where that is.
    """
    machine = machine_with(CARRIAGES, {"motion.delta_piece_mm": 0.05})
    short = "G91\nG1 X0.2 F60000\n"
    plain = machine.with_settings({"motion.travel_acceleration_mm_s2": 1e7, "motion.lookahead_moves": None})

    def peak(text: str, home: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> float:
        job = PreparedJob(read_gcode(text.encode(), home=home))
        return float(time_job(job, plain).planned.plan.speed_peak[-4:].max())

    assert peak(short) == pytest.approx(80.0 * 2.0, rel=1e-3)
    assert peak("G28\n" + short, (60.0, 0.0, 10.0)) == pytest.approx(80.0 * 1.0343, rel=1e-3)
    assert peak("G28\nG92 X0\n" + short, (60.0, 0.0, 10.0)) == pytest.approx(80.0 * 1.0343, rel=1e-3)
    assert peak("G28 X\n" + short, (60.0, 50.0, 10.0)) == pytest.approx(80.0 * 1.0343, rel=1e-3)


def test_places_out_of_reach_are_told_and_timed_without_their_carriage() -> None:
    text = "G1 X50 F6000\nG1 X300\nG1 X310\nG1 E5\nG1 X50\nG1 X0"
    for more in ({}, CARRIAGES):
        estimate = estimate_of(text, machine_with(more))
        (notice,) = estimate.jobs[0].notices
        assert (notice.line, notice.count, notice.text) == (2, 3, OUT_OF_REACH)
    # From x = 300 to 310 only t2 reaches; its carriage allows 80·h/(x − X) there, by hand.
    planned = time_of(text, machine_with(CARRIAGES)).planned
    (beyond,) = np.flatnonzero(planned.whole == 2)
    tower_x, tower_y = 125.0 * math.cos(math.radians(330.0)), -62.5
    height = math.sqrt(250.0**2 - (310.0 - tower_x) ** 2 - tower_y**2)
    assert planned.plan.speed_peak[beyond] == pytest.approx(80.0 * height / (310.0 - tower_x), rel=ROUNDING)
    assert not estimate_of(text, bench()).jobs[0].notices


# ---- what is shown ----------------------------------------------------------------------------------------------


def test_tables_show_moves_of_the_file() -> None:
    """One row a move, as many as on any machine; their times sum to the motion, layers and JSON agree."""
    machine = machine_with(CARRIAGES, RAMPS)
    job = estimate_of(TOWER, machine).jobs[0]
    plain = estimate_of(TOWER, bench()).jobs[0]
    frame, other = job.moves_frame(), plain.moves_frame()
    assert len(frame) == len(other) == job.moves == plain.moves
    for column in ("line", "kind", "layer", "label"):
        assert frame[column].tolist() == other[column].tolist()
    assert frame["length_mm"].to_numpy() == pytest.approx(other["length_mm"].to_numpy(), rel=ROUNDING)
    assert frame["t_s"].sum() == pytest.approx(job.motion_s, rel=ROUNDING)
    assert frame.groupby("layer")["t_s"].sum().to_numpy() == pytest.approx(
        job.layers_frame()["motion_s"].to_numpy(), rel=ROUNDING
    )
    assert job.layers_frame()["moves"].tolist() == plain.layers_frame()["moves"].tolist()
    assert frame["v_out_mm_s"].tolist()[:-1] == frame["v_in_mm_s"].tolist()[1:]
    assert (frame["v_peak_mm_s"] >= frame[["v_in_mm_s", "v_out_mm_s"]].max(axis=1)).all()
    assert frame["flow_mm3_s"].max() == pytest.approx(job.peak_flow_mm3_s)
    assert any("motor t" in cause for cause in frame["cruise_cause"])
    assert job.timing.planned.job.events.line.tolist() == job_of(TOWER).events.line.tolist()
    assert job.dwell_s == 2.0
    assert job.path_mm == pytest.approx(plain.path_mm, rel=ROUNDING)
    assert job.filament_mm == pytest.approx(plain.filament_mm, rel=ROUNDING)


def test_causes_of_a_joined_move_are_those_of_its_longest_pieces() -> None:
    """Along x through the middle: quick there, held by the far carriages at the ends."""
    machine = machine_with(dict.fromkeys(CARRIAGES, 60.0), {"motion.travel_acceleration_mm_s2": 1e6})
    planned = time_of("G1 X-90 F60000\nG4 S1\nG1 X90 F6000", machine).planned
    from kinematics.studies.estimate import moves_frame

    row = moves_frame(planned).iloc[1]
    pieces = planned.whole == 1
    spent = np.bincount(planned.plan.cruise_cause[pieces], weights=planned.plan.cruising[pieces])
    names = {0: "travel speeds in the file", 6: "motor t1 speed", 7: "motor t2 speed", 8: "motor t3 speed"}
    assert np.count_nonzero(spent) > 1
    assert row["cruise_cause"] == names[int(spent.argmax())]
    assert row["v_peak_mm_s"] == planned.plan.speed_peak[pieces].max()


def test_causes_and_changes_name_motors() -> None:
    """A diagonal is motor a's alone; what helps is to raise both belts' limits alike."""
    belts = bench(machine__mechanism="crossed-belt", motors__a__max_speed_mm_s=40.0, motors__b__max_speed_mm_s=50.0)
    estimate = estimate_of("M83\nG1 X100 Y100 E5 F6000\nG1 X0 E3", belts)
    assert estimate.jobs[0].causes[0].cause == "motor a speed"
    change = estimate.changes[0]
    assert change.what == "speed of motors a, b"
    assert change.settings == (("motors.a.max_speed_mm_s", 60.0), ("motors.b.max_speed_mm_s", 75.0))
    raised = belts.with_settings(dict(change.settings))
    after = estimate_of("M83\nG1 X100 Y100 E5 F6000\nG1 X0 E3", raised)
    assert change.saved_s == pytest.approx(estimate.total_s - after.total_s, rel=ROUNDING)
    ramps = bench(machine__mechanism="crossed-belt", motors__b__max_acceleration_mm_s2=200.0)
    estimate = estimate_of("G1 X10 Y-10 F6000\nG1 X0 Y0", ramps)
    assert estimate.jobs[0].causes[0].cause == "short lines: motor b acceleration"
    assert estimate.changes[0].what == "acceleration of motor b"
    delta = machine_with(dict.fromkeys(RAMPS, 30.0))
    causes = [cause.cause for cause in estimate_of(TOWER, delta).jobs[0].causes]
    assert any(cause.endswith("acceleration at steady speed") for cause in causes)


# ---- motors of one axis -----------------------------------------------------------------------------------------

DIAGONAL = "M83\nG1 X60 Y20 E4 F9000\nG1 X0 Y50 E4\nG1 Z5 F3000\nG1 E-3 F3000\nG1 E3"


@pytest.mark.parametrize("axis", ["x", "y", "z", "e"])
@pytest.mark.parametrize(("name", "most"), [("max_speed_mm_s", 9.0), ("max_acceleration_mm_s2", 20.0)])
def test_a_motor_of_one_axis_is_as_good_as_its_axis(axis: str, name: str, most: float) -> None:
    """The lower of the two holds, with its own key and words; z and e also beside belts."""
    by_axis, by_motor = f"axes.{axis}.{name}", f"motors.{axis}.{name}"
    mechanisms = ("cartesian", "crossed-belt") if axis in "ze" else ("cartesian",)
    for mechanism in mechanisms:
        machine = bench(machine__mechanism=mechanism)
        expected = time_of(DIAGONAL, machine.with_settings({by_axis: most}))
        found = time_of(DIAGONAL, machine.with_settings({by_motor: most, by_axis: 10.0 * most}))
        assert found.planned.features.motor.size == 0  # no cost in the kernel
        assert found.planned.plan.duration.tolist() == expected.planned.plan.duration.tolist()
        assert any(f"motor {axis} " in cause for cause in found.by_cause)
        assert not any("motor" in cause for cause in expected.by_cause)
        lower = time_of(DIAGONAL, machine.with_settings({by_motor: 10.0 * most, by_axis: most}))
        assert lower.total == expected.total
        assert not any("motor" in cause for cause in lower.by_cause)
        assert found.total > time_of(DIAGONAL, machine).total


def test_one_change_raises_the_motor_that_holds_its_axis() -> None:
    machine = bench(axes__y__max_speed_mm_s=60.0, motors__y__max_speed_mm_s=40.0)
    change = estimate_of("G1 Y100 F6000\nG1 Y0", machine).changes[0]
    assert (change.key, change.what, change.before, change.after) == (
        "motors.y.max_speed_mm_s", "motor y speed", 40.0, 60.0,
    )  # fmt: skip


def test_a_straight_on_belts_by_hand() -> None:
    """100 mm at 45° under belts of 50 mm/s: 35.36 mm/s of the tool, T = L/v + v/a."""
    belts = bench(machine__mechanism="crossed-belt", motors__a__max_speed_mm_s=50.0)
    side = 100.0 / math.sqrt(2.0)
    assert time_of(f"G1 X{side:.12f} Y{side:.12f} F60000", belts).total == pytest.approx(
        straight(100.0, 50.0 / math.sqrt(2.0)), rel=ROUNDING
    )


# ---- the co-op's machines ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["bench_cartesian", "bench_crossed_belt", "bench_delta"])
@pytest.mark.parametrize("job", ["test_cube", "tall_pin"])
def test_the_sample_machines_time_the_sample_jobs(name: str, job: str) -> None:
    """They load without a finding or a doubt, reach all of the part, and are never faster than the file commands."""
    machine = load_machine(SAMPLES / "machines" / f"{name}.toml")
    assert machine.check() == []
    (found,) = estimate_prepared([PreparedJob(str(SAMPLES / f"{job}.gcode"))], machine, changes=False).jobs
    assert not [notice for notice in found.notices if notice.text == OUT_OF_REACH]
    moves = found.timing.planned.job.moves
    lengths = found.timing.planned.features.length
    commanded = np.divide(lengths, moves.speed).sum()
    assert commanded < found.motion_s < 2.0 * commanded
    without = machine
    for motor in machine.motors:
        without = without.with_settings({key.name: None for key in keys_of_section(f"motors.{motor}")})
    assert not without.motors
    assert time_job(PreparedJob(str(SAMPLES / f"{job}.gcode")), without).motion < found.motion_s


def test_a_study_of_one_job_on_several_mechanisms_keeps_them_apart() -> None:
    """Features and pieces are kept between candidates; none must be taken for another's."""
    prepared = PreparedJob(job_of(TOWER))
    machines = [
        bench(),
        machine_with(),
        machine_with(CARRIAGES),
        machine_with(CARRIAGES, {"machine.delta.arm_mm": 300.0}),
        machine_with(CARRIAGES, {"motion.delta_piece_mm": 40.0}),
        bench(machine__mechanism="crossed-belt", motors__a__max_speed_mm_s=30.0),
    ]
    alone = [time_job(PreparedJob(job_of(TOWER)), machine).total for machine in machines]
    assert len(set(alone)) == len(alone) - 1  # a delta whose carriages are not limited is as good as no delta
    for order in (range(6), reversed(range(6)), (2, 0, 2, 4, 3, 5, 1, 5, 2)):
        for i in order:
            assert time_job(prepared, machines[i], passing=True).total == alone[i]


def test_a_job_is_not_changed_by_being_driven() -> None:
    job = job_of(TOWER)
    seen = driven_by(machine_with(CARRIAGES), job)
    assert seen.job is not job
    assert len(job) < len(seen.job)
    assert driven_by(bench(), job).job is job
