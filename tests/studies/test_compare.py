"""The comparison as a study: rows, totals, and what cannot be compared."""

from __future__ import annotations

from typing import Any

import pytest

from kinematics.errors import InputError
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_job
from kinematics.jobs import prepared
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Candidate
from kinematics.studies.compare import ALL_JOBS, AS_IT_IS, compare_prepared
from tests.jobs.conftest import bench, job_of, straight

LONG = "G1 X100 E1 F6000\n"
SHORT = "G1 X10 E1 F6000\nG4 S5\n"
QUICKER = Candidate("quicker", {"motion.print_acceleration_mm_s2": 4000.0})
SLOWER = Candidate("slower", {"motion.feed_override": 0.5})


def jobs() -> list[PreparedJob]:
    """The two jobs, fresh."""
    return [PreparedJob(job_of(text)) for text in (LONG, SHORT)]


def test_rows_by_hand() -> None:
    comparison = compare_prepared(jobs(), bench(), [QUICKER, SLOWER])
    times = {
        AS_IT_IS: (straight(100, 100), 5 + straight(10, 100)),
        "quicker": (straight(100, 100, 4000), 5 + straight(10, 100, 4000)),
        "slower": (straight(100, 50), 5 + straight(10, 50)),
    }
    assert [row.candidate for row in comparison.rows] == [name for name in times for _ in "12"]
    assert [row.total_s for row in comparison.rows] == pytest.approx(
        [*times[AS_IT_IS], *times["quicker"], *times["slower"]]
    )
    for row, before in zip(comparison.rows, 3 * times[AS_IT_IS], strict=True):
        assert row.saved_s == pytest.approx(before - row.total_s, abs=1e-12)
        assert row.saved_share == pytest.approx((before - row.total_s) / before, abs=1e-12)
    for row in comparison.totals:
        assert row.job == ALL_JOBS
        assert row.total_s == pytest.approx(sum(times[row.candidate]))
        assert row.saved_s == pytest.approx(sum(times[AS_IT_IS]) - row.total_s, abs=1e-12)


def test_rows_are_the_planners_own_times() -> None:
    comparison = compare_prepared(jobs(), bench(), [QUICKER, SLOWER])
    for candidate, row in zip((None, None, QUICKER, QUICKER, SLOWER, SLOWER), comparison.rows, strict=True):
        machine = bench() if candidate is None else bench().with_settings(candidate.set)
        texts = (LONG, SHORT) * 3
        job = PreparedJob(job_of(texts[comparison.rows.index(row)]))
        assert row.total_s == time_job(job, machine).total


def test_the_cause_is_what_most_time_is_spent_under() -> None:
    rows = compare_prepared(jobs(), bench(), [SLOWER]).rows
    assert rows[1].cause == f"dwell ({5 / (5 + straight(10, 100)):.0%})"
    assert "print speeds in the file" in rows[2].cause


def test_one_job_is_read_once_for_all_candidates(monkeypatch: pytest.MonkeyPatch) -> None:
    reads = 0

    def counted(*arguments: Any, **options: Any) -> Job:
        nonlocal reads
        reads += 1
        return read_job(*arguments, **options)

    monkeypatch.setattr(prepared, "read_job", counted)
    job = PreparedJob(LONG.encode(), name="job")
    compare_prepared([job], bench(), [QUICKER, SLOWER])
    assert reads == 1
    compare_prepared([job], bench(), [Candidate("coarse arcs", {"motion.arc_tolerance_mm": 0.1})])
    assert reads == 2


def test_a_candidate_may_change_how_corners_and_layers_are_seen() -> None:
    corner = PreparedJob(job_of("M83\nF6000\n" + "G91\nG1 X0.1 E1\nG1 Y0.1 E1\n" * 200))
    candidates = [
        Candidate("steps", {"motion.speed_step_mm_s": {"x": 50, "y": 50}}),
        Candidate("no curves", {"motion.curve_rule": False}),
        Candidate("kept", {"motion.first_layers.count": 1, "motion.first_layers.keep_commanded_speed": True}),
        Candidate("again", {"motion.curve_rule": True}),
    ]
    rows = compare_prepared([corner], bench(), candidates).rows
    for candidate, row in zip(candidates, rows[1:], strict=True):
        alone = PreparedJob(job_of("M83\nF6000\n" + "G91\nG1 X0.1 E1\nG1 Y0.1 E1\n" * 200))
        assert row.total_s == time_job(alone, bench().with_settings(candidate.set)).total
    assert rows[4].total_s == rows[0].total_s
    assert rows[1].total_s != rows[0].total_s


def test_names_may_stand_once() -> None:
    with pytest.raises(InputError, match="'quicker' stands for two"):
        compare_prepared(jobs(), bench(), [QUICKER, QUICKER])
    with pytest.raises(InputError, match=f"'{AS_IT_IS}'"):
        compare_prepared(jobs(), bench(), [Candidate(AS_IT_IS, {})])


def test_steps_are_told() -> None:
    told: list[str] = []
    compare_prepared(jobs(), bench(), [QUICKER], told.append)
    assert len(told) == 4
