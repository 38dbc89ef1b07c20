"""Intervals from ranges: how values are drawn, what the ends mean, and that a truth lies between them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from kinematics.gcode.chunks import JobFile
from kinematics.jobs import prepared
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.many import ManyTimes, Variant
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Candidate, Machine, Range
from kinematics.studies.compare import compare_prepared
from kinematics.studies.estimate import estimate_prepared
from kinematics.studies.intervals import (
    SampledTimes,
    Sampling,
    drawn_machines,
    interval_of,
    shares_of,
    triangular,
)
from kinematics.studies.knobs import Knob
from kinematics.studies.sweep import WeightedJobs, ranges_left, sweep_rows
from tests.jobs.conftest import bench, job_of

# Short and long moves, corners and a layer that is over too soon.
ZIGZAG = "".join(f"G1 X{10 + 7 * (i % 5)} Y{3 * i % 40} E{i} F{3000 + 600 * (i % 4)}\n" for i in range(1, 25))
RISE = "G1 Z0.4 F600\nG1 X60 Y5 E30 F6000\nG1 X10 Y30 E36\n"
TEXT = f"G1 Z0.2 F600\n{ZIGZAG}{RISE}"
ACCELERATION, CORNER = "motion.print_acceleration_mm_s2", "motion.junction_deviation_mm"
RELATIVE = 1e-9  # of a batch against single plans
CLEARLY_NARROWER = 0.8
MOST_OF_ALL, FEWEST_OF_ALL = 0.995, 0.90  # truths inside intervals of 95 %

JOB = PreparedJob(job_of(TEXT))


def unsure(**ranges: tuple[float, float, float]) -> Machine:
    """The bench with ranges; two underscores stand for the dot of a key."""
    return bench(**{key: Range(*known) for key, known in ranges.items()})


USUAL = unsure(motion__print_acceleration_mm_s2=(600, 1200, 3000), motion__junction_deviation_mm=(0.02, 0.05, 0.1))


@given(st.lists(st.floats(1e-3, 1e6), min_size=3, max_size=3).map(sorted), st.floats(0.0, 1.0))
def test_the_triangular_distribution_is_scipys(ends: list[float], share: float) -> None:
    low, likely, high = ends
    value = float(triangular(Range(low, likely, high), np.array([share]))[0])
    assert low <= value <= high
    if high - low > 1e-6 * high:
        peak = (likely - low) / (high - low)
        expected = stats.triang.ppf(share, peak, loc=low, scale=high - low)
        assert value == pytest.approx(expected, abs=1e-6 * (high - low))


def test_the_triangular_distribution_by_hand() -> None:
    # Between 0, 1 and 3 the rising side holds a third; half of the rest lies below 3 - sqrt(1/3 * 3 * 2) = 3 - sqrt(2).
    values = triangular(Range(0.0, 1.0, 3.0), np.array([0.0, 1.0 / 12.0, 1.0 / 3.0, 2.0 / 3.0, 1.0]))
    assert values == pytest.approx([0.0, 0.5, 1.0, 3.0 - np.sqrt(2.0), 3.0], abs=1e-12)
    assert triangular(Range(2.0, 2.0, 2.0), np.array([0.0, 0.4, 1.0])).tolist() == [2.0, 2.0, 2.0]


def test_draws_are_spread_evenly_and_hang_on_key_and_seed_alone() -> None:
    shares = shares_of(ACCELERATION, Sampling(50, 3))
    assert sorted(np.floor(shares * 50).astype(int)) == list(range(50))
    assert shares.tolist() == shares_of(ACCELERATION, Sampling(50, 3)).tolist()
    assert shares.tolist() != shares_of(ACCELERATION, Sampling(50, 4)).tolist()
    assert abs(np.corrcoef(shares, shares_of(CORNER, Sampling(50, 3)))[0, 1]) < 0.5


def test_the_ends_of_an_interval_by_hand() -> None:
    # Of 1 … 40 a fortieth lies at place 40/40 + 1/2 = 1.5 from either end.
    assert interval_of(np.arange(40.0, 0.0, -1.0)) == pytest.approx((1.5, 39.5), abs=1e-12)


def test_drawn_machines_lie_in_the_ranges_and_differ_in_nothing_else() -> None:
    machines = drawn_machines(USUAL, Sampling(40, 2))
    for key, known in USUAL.ranges.items():
        values = [one.value_of(key) for one in machines]
        assert known.low <= min(values) < max(values) <= known.high
        assert len(set(values)) == 40
    likely = {key: known.likely for key, known in USUAL.ranges.items()}
    for one in machines:
        assert not one.ranges
        assert one.with_settings(likely) == USUAL.with_settings(likely)
    assert drawn_machines(bench(), Sampling()) == [bench()]


def test_a_truth_from_the_same_ranges_lies_between_the_ends() -> None:
    chance = np.random.default_rng(20)
    many = ManyTimes(JOB)
    inside = cases = 0
    for seed in range(16):
        likely = chance.uniform([700.0, 0.02, 0.6], [4000.0, 0.08, 1.4])
        below, above = chance.uniform(0.3, 1.0, 3), chance.uniform(1.0, 2.5, 3)
        keys = (ACCELERATION, CORNER, "motion.feed_override")
        ranges = {
            key: Range(*map(float, (value * low, value, value * high)))
            for key, value, low, high in zip(keys, likely, below, above, strict=True)
        }
        machine = bench().with_settings(ranges)
        low, high = interval_of(SampledTimes([JOB], machine, Sampling(200, seed)).as_it_is[0])
        truths = [
            machine.with_settings(
                {key: chance.triangular(known.low, known.likely, known.high) for key, known in ranges.items()}
            )
            for _ in range(50)
        ]
        totals = many.totals([Variant(truth, frozenset()) for truth in truths])
        inside += int(((low <= totals) & (totals <= high)).sum())
        cases += len(truths)
    assert FEWEST_OF_ALL <= inside / cases <= MOST_OF_ALL


def test_times_of_draws_are_the_single_planners() -> None:
    sampling = Sampling(20, 5)
    machine = USUAL.with_settings({"cooling.shortest_layer_s": Range(1.0, 2.0, 4.0)})
    expected = [time_job(PreparedJob(job_of(TEXT)), one).total for one in drawn_machines(machine, sampling)]
    assert SampledTimes([JOB], machine, sampling).as_it_is[0] == pytest.approx(expected, rel=RELATIVE)


def test_the_same_seed_gives_the_same_interval() -> None:
    first, again, other = (
        estimate_prepared([PreparedJob(job_of(TEXT))], USUAL, sampling=Sampling(60, seed)) for seed in (7, 7, 8)
    )
    assert first.interval_s is not None
    assert first.interval_s == again.interval_s == first.jobs[0].interval_s
    saved = [[change.saved_interval_s for change in one.changes] for one in (first, again)]
    assert saved[0] == saved[1]
    assert first.interval_s != other.interval_s
    assert first.interval_s.low < first.total_s < first.interval_s.high


def test_what_is_saved_is_paired() -> None:
    machine = USUAL.with_settings({"motion.feed_override": Range(0.6, 1.0, 1.3)})
    brisk = Candidate("brisk", {ACCELERATION: 4000.0})
    comparison = compare_prepared([JOB, JOB], machine, [brisk])
    before, after = comparison.rows[0], comparison.rows[2]
    assert before.saved_interval_s == (0.0, 0.0)
    assert before.interval_s is not None
    assert after.interval_s is not None
    assert after.saved_interval_s is not None
    unpaired = interval_of(
        SampledTimes([JOB], machine, Sampling(seed=2)).as_it_is[0]
        - SampledTimes([JOB], machine.with_settings(brisk.set), Sampling(seed=3)).as_it_is[0]
    )
    width = after.saved_interval_s.high - after.saved_interval_s.low
    assert width < CLEARLY_NARROWER * (unpaired.high - unpaired.low)
    both = comparison.totals[1]
    assert both.saved_interval_s == pytest.approx([2.0 * end for end in after.saved_interval_s])
    assert after.saved_interval_s.low <= after.saved_s <= after.saved_interval_s.high
    frame = comparison.to_frame()
    assert frame["saved_low_s"].tolist()[2] == after.saved_interval_s.low


def test_a_candidate_that_settles_everything_has_no_width_of_its_own() -> None:
    sure = Candidate("sure", {ACCELERATION: 1200.0, CORNER: 0.05})
    row = compare_prepared([JOB], USUAL, [sure]).rows[1]
    assert row.interval_s == pytest.approx((row.total_s, row.total_s), rel=RELATIVE)
    assert row.saved_interval_s is not None
    assert row.saved_interval_s.low < 0.0 < row.saved_interval_s.high


def test_a_candidate_may_bring_ranges_to_a_machine_without() -> None:
    brisk = Candidate("brisk", {ACCELERATION: Range(2000.0, 3000.0, 4000.0)})
    comparison = compare_prepared([JOB], bench(), [brisk])
    assert comparison.rows[0].interval_s == pytest.approx((comparison.rows[0].total_s,) * 2, rel=RELATIVE)
    low, high = comparison.rows[1].interval_s or (0.0, 0.0)
    assert low < comparison.rows[1].total_s < high


def test_without_ranges_there_is_nothing() -> None:
    estimate = estimate_prepared([JOB], bench())
    assert (estimate.interval_s, estimate.sampling, estimate.jobs[0].interval_s) == (None, None, None)
    comparison = compare_prepared([JOB], bench(), [Candidate("brisk", {ACCELERATION: 4000.0})])
    assert comparison.sampling is None
    assert (comparison.rows[1].interval_s, comparison.rows[1].saved_interval_s) == (None, None)
    assert list(comparison.to_frame().columns) == ["candidate", "job", "total_s", "saved_s", "saved_share", "cause"]


def test_sweep_rows_have_intervals_where_ranges_are_left() -> None:
    jobs = WeightedJobs([JOB, JOB], ["a", "b"], [1.0, 2.0])
    knob = Knob("acceleration", (800.0, 1600.0))
    rows = [row for rows in sweep_rows(jobs, USUAL, [knob], [(800.0,), (1600.0,)]) for row in rows]
    assert [row.job for row in rows] == ["a", "b", "all jobs"] * 2
    for row in rows:
        assert row.interval_s is not None
        assert row.interval_s.low < row.total_s < row.interval_s.high
    assert rows[2].interval_s == pytest.approx([3.0 * end for end in rows[0].interval_s or ()])
    corner = Knob("corner", (0.03, 0.06))
    assert ranges_left(USUAL, [knob])
    assert not ranges_left(USUAL, [knob, corner])
    settled = [row for rows in sweep_rows(jobs, USUAL, [knob, corner], [(800.0, 0.03)]) for row in rows]
    assert [row.interval_s for row in settled] == [None] * 3


def test_ranges_that_change_how_a_job_is_read_leave_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    text = b"G1 X50 E5 F3000\nG10\nG2 X60 Y10 I10 J0 E7\nG11\nG1 X10 E9\n"
    machine = unsure(retraction__length_mm=(0.5, 0.8, 2.0), motion__arc_tolerance_mm=(0.005, 0.01, 0.02)).with_settings(
        {"retraction.speed_mm_s": 30.0, "motion.short_run_mm": Range(0.01, 0.05, 0.1)}
    )
    job = PreparedJob(memoryview(text), name="job")
    sampling = Sampling(20, 1)
    expected = [time_job(PreparedJob(memoryview(text)), one).total for one in drawn_machines(machine, sampling)]
    assert SampledTimes([job], machine, sampling).as_it_is[0] == pytest.approx(expected, rel=RELATIVE)
    assert len(set(expected)) == 20
    read = []
    was = prepared.read_job
    monkeypatch.setattr(prepared, "read_job", lambda *given, **named: read.append(1) or was(*given, **named))
    job.read(drawn_machines(machine, sampling)[0])
    assert not read  # that of the first draw is kept
    job.read(drawn_machines(machine, sampling)[1])
    assert read  # and no other


def test_jobs_in_blocks_have_the_same_intervals(tmp_path: Path) -> None:
    path = tmp_path / "job.gcode"
    path.write_text(TEXT)
    sampling = Sampling(20, 1)
    whole = SampledTimes([PreparedJob(str(path))], USUAL, sampling).as_it_is
    in_blocks = SampledTimes([BlockwiseJob(JobFile(str(path)), chunk=300)], USUAL, sampling).as_it_is
    assert in_blocks == pytest.approx(whole, rel=RELATIVE)


# ---- what measured prints gave is drawn together ------------------------------------------------------------------

PRINT_KEY, START_KEY = "motion.print_acceleration_mm_s2", "stops.startup_s"
COVARIANCE = [[0.09, -0.054], [-0.054, 0.04]]


def checked_machine(**more: object) -> Machine:
    """A machine of which two keys are fitted, anticorrelated by 0.9, and one more is a range of the user's."""
    return Machine().with_settings(
        {
            PRINT_KEY: {"low": 500.0, "likely": 1000.0, "high": 2000.0},
            START_KEY: {"low": 30.0, "likely": 50.0, "high": 90.0},
            "stops.homing_s": {"low": 10.0, "likely": 20.0, "high": 30.0},
            "checked.keys": [PRINT_KEY, START_KEY],
            "checked.covariance": COVARIANCE,
            **more,
        }
    )


def test_fitted_keys_are_drawn_with_their_covariance() -> None:
    drawn = drawn_machines(checked_machine(), Sampling(4000, 3))
    logs = np.log([[one.value_of(PRINT_KEY), one.value_of(START_KEY)] for one in drawn])
    assert logs.mean(axis=0) == pytest.approx(np.log([1000.0, 50.0]), abs=0.01)
    assert np.cov(logs.T) == pytest.approx(np.array(COVARIANCE), rel=0.06, abs=0.0)
    homing = np.array([one.value_of("stops.homing_s") for one in drawn])
    assert homing.min() >= 10.0
    assert homing.max() <= 30.0
    assert abs(np.corrcoef(homing, logs[:, 0])[0, 1]) < 0.05


def test_a_setting_of_one_fitted_key_leaves_the_draws_of_the_others() -> None:
    """What a candidate saves is then the difference on the same draws."""
    machine = checked_machine()
    known = machine.with_settings({PRINT_KEY: 4000.0})
    pairs = list(zip(drawn_machines(machine, Sampling()), drawn_machines(known, Sampling()), strict=True))
    assert all(one.value_of(START_KEY) == other.value_of(START_KEY) for one, other in pairs)
    assert {other.value_of(PRINT_KEY) for _, other in pairs} == {4000.0}


def test_keys_that_hang_together_entirely_may_be_drawn() -> None:
    same = checked_machine(**{"checked.covariance": [[0.04, 0.04], [0.04, 0.04]]})
    for one in drawn_machines(same, Sampling()):
        assert one.value_of(PRINT_KEY) / 1000.0 == pytest.approx(one.value_of(START_KEY) / 50.0)


def test_ranges_without_a_covariance_are_drawn_as_any() -> None:
    alone = checked_machine(**{"checked.covariance": None})
    values = [one.value_of(PRINT_KEY) for one in drawn_machines(alone, Sampling())]
    assert min(values) >= 500.0
    assert max(values) <= 2000.0
