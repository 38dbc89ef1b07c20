"""How often a job in blocks is read for what is asked, and which jobs are planned in blocks."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import EXTRUSION
from kinematics.jobs import blocks as by_blocks
from kinematics.jobs import blockwise
from kinematics.jobs.blocks import AtHand, PlannedBlock, Task
from kinematics.jobs.blockwise import BlockwiseJob, job_to_time, needs_every_move
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, foresee, path_sums, time_job
from kinematics.machine import Candidate, load_machine
from kinematics.studies.compare import compare_prepared
from kinematics.studies.estimate import estimate_prepared
from tests.jobs.in_blocks import (
    QUICK,
    Counts,
    apart,
    differences,
    heavy,
)

SAMPLES = sorted((Path(__file__).resolve().parents[2] / "sample_gcode").glob("*.gcode"))
TINY = 300  # bytes a block: some ten moves, so that hardly a stop falls into most of them
SMALL = 10_000
MIDDLING = load_machine("middling")
SEEDS = st.integers(0, 1 << 30)
MARKED = replace(EXTRUSION, layers=(r"layer (?P<layer>\d+)",), labels=(r"part (?P<label>\w*)",))


def test_one_pass_tells_everything(counts: Counts) -> None:
    """Beside the start of the job, which tells what to try."""
    job = BlockwiseJob(JobFile(str(SAMPLES[0])), chunk=SMALL)
    estimate_prepared([job], QUICK)
    assert counts.passes == 2
    estimate_prepared([job], QUICK)
    assert counts.passes == 2


def test_without_changes_one_pass_is_enough(counts: Counts) -> None:
    estimate_prepared([BlockwiseJob(JobFile(str(SAMPLES[0])), chunk=SMALL)], QUICK, changes=False)
    assert counts.passes == 1


def test_what_the_start_did_not_tell_is_read_for(
    counts: Counts, job: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(blockwise, "TRIAL", (1, 1))
    text = "G1 X1 F60\n" * 40 + "".join(f"G1 X{i % 2} Y{i} E{i / 9:.3f} F9000\n" for i in range(600))
    assert not differences(job(text), QUICK, TINY, changes=True)
    assert counts.passes == 3


def test_machines_that_read_a_job_apart_take_a_pass_each(counts: Counts, job: Callable[[str], Path]) -> None:
    blocks = BlockwiseJob(JobFile(str(job("F600\nG1 X5\nG28\nG1 X9 E1\nG2 I5 E2\n"))), chunk=TINY)
    whole = PreparedJob(str(job("F600\nG1 X5\nG28\nG1 X9 E1\nG2 I5 E2\n")))
    coarse = QUICK.with_settings({"motion.arc_tolerance_mm": 0.5}, "test")
    foresee([blocks], [Ask(QUICK), Ask(coarse)])
    assert [time_job(blocks, machine).total for machine in (QUICK, coarse)] == pytest.approx(
        [time_job(whole, machine).total for machine in (QUICK, coarse)], rel=1e-12
    )
    assert counts.passes == 2


def test_candidates_are_compared_in_one_pass_and_a_trial(counts: Counts) -> None:
    candidates = [
        Candidate(name="brisk", set={"motion.print_acceleration_mm_s2": 4000}),
        Candidate(name="sharp", set={"motion.junction_deviation_mm": 0.1}),
        Candidate(name="first", set={"motion.first_layers.count": 2}),
    ]
    path = str(SAMPLES[0])
    whole = compare_prepared([PreparedJob(path)], MIDDLING, candidates)
    blocks = compare_prepared([BlockwiseJob(JobFile(path), chunk=SMALL)], MIDDLING, candidates)
    assert counts.passes == 2  # the trial tells which commands of the job a candidate silences
    for one, other in zip(whole.rows, blocks.rows, strict=True):
        assert not list(apart(list(one), list(other), 1e-9))
    assert blocks.notices == whole.notices


def test_machines_that_differ_in_no_limit_of_motion_share_their_plans(monkeypatch: pytest.MonkeyPatch) -> None:
    planned: list[int] = []
    plan = by_blocks.plan_tasks

    def plan_and_tell(block: AtHand, tasks: list[Task], *arguments: Any) -> PlannedBlock:
        planned.append(len(tasks))
        return plan(block, tasks, *arguments)

    monkeypatch.setattr(by_blocks, "plan_tasks", plan_and_tell)
    path = str(SAMPLES[0])
    cool = MIDDLING.with_settings({"cooling.shortest_layer_s": 20}, "test")
    quick = MIDDLING.with_settings({"axes.x.max_speed_mm_s": 900}, "test")
    blocks, whole = BlockwiseJob(JobFile(path), chunk=SMALL), PreparedJob(path)
    asks = [Ask(cool, passing=True), Ask(MIDDLING), Ask(quick, passing=True)]
    foresee([blocks], asks)
    for ask in asks:
        assert time_job(blocks, *ask).total == pytest.approx(time_job(whole, *ask).total, rel=1e-9)
    assert set(planned) == {2}
    sums, expected = path_sums(time_job(blocks, MIDDLING)), path_sums(time_job(whole, MIDDLING))
    assert sums.path == pytest.approx(expected.path)
    assert sums.line == expected.line


def test_totals_alone_are_timed_together(job: Callable[[str], Path]) -> None:
    """Without causes, in lanes: on a path that rests now and then, with heaters on its clock and layers too short."""
    text = "M140 S60\nG1 X50 Y50 Z1 F3000\n"
    for layer in range(12):
        text += f"G1 Z{layer + 1}\n"
        lines = [f"G1 X{50 + i % 7} Y{i % 61} E{100 * layer + i}\n" for i in range(1, 90)]
        lines.insert(85 - layer % 5, f"M104 S{190 + 20 * layer}\n")  # told on the way, waited for soon after
        text += "".join(lines)
        text += "G1 E0\nG92 E0\nG1 E90\n" * (layer % 3 == 2) + f"M109 S{190 + 20 * layer}\nM190\n" * (layer % 2)
    heated = {"stops.nozzle_heating_c_per_s": 1.0, "stops.bed_heating_c_per_s": 0.05, "stops.ambient_c": 20.0}
    machine = MIDDLING.with_settings({**heated, "cooling.shortest_layer_s": 9}, "test")
    machines = [machine.with_settings({"motion.print_acceleration_mm_s2": 300 * k}, "test") for k in range(1, 6)]
    asks = [Ask(one, passing=True, total_only=True) for one in machines]
    blocks, whole = BlockwiseJob(JobFile(str(job(text))), chunk=TINY), PreparedJob(str(job(text)))
    foresee([blocks], [Ask(machine), *asks])
    for ask in [Ask(machine), *asks]:
        one, other = time_job(blocks, *ask), time_job(whole, *ask)
        assert one.total == pytest.approx(other.total, rel=1e-9)
        assert one.motion == pytest.approx(other.motion, rel=1e-9)
        assert one.stops.total == pytest.approx(other.stops.total, rel=1e-9)
        assert one.cooling == pytest.approx(other.cooling, rel=1e-9)
    assert len({round(time_job(blocks, *ask).stops.total, 6) for ask in asks}) > 1  # the clock is that of each plan
    # Who asks for causes later gets them.
    assert not time_job(blocks, *asks[0]).seconds.any()
    told, expected = time_job(blocks, machines[0], passing=True), time_job(whole, machines[0], passing=True)
    assert not list(apart(heavy(told.by_cause, told.total), heavy(expected.by_cause, expected.total)))


@pytest.mark.parametrize("turned", [False, True])
def test_causes_asked_for_beside_a_total_of_an_equal_machine(turned: bool) -> None:
    path = str(SAMPLES[0])
    slow = MIDDLING.with_settings({"motion.print_acceleration_mm_s2": 700}, "test")
    cool = slow.with_settings({"cooling.shortest_layer_s": 20}, "test")  # moves alike
    quick = MIDDLING.with_settings({"axes.x.max_speed_mm_s": 900}, "test")
    asks = [
        Ask(slow, passing=True, total_only=True),
        Ask(quick, passing=True, total_only=True),
        Ask(cool, passing=True),
    ]
    blocks, whole = BlockwiseJob(JobFile(path), chunk=SMALL), PreparedJob(path)
    foresee([blocks], asks[::-1] if turned else asks)
    one, other = time_job(blocks, *asks[2]), time_job(whole, *asks[2])
    assert not list(apart(heavy(one.by_cause, one.total), heavy(other.by_cause, other.total)))


def test_statements_that_a_candidate_silences(job: Callable[[str], Path]) -> None:
    path = str(job("M204 S500\nG1 X9 E1 F600\nM204 P300 T900\nG1 X1 E2\nM204 T9\n" * 30))
    candidates = [Candidate(name="brisk", set={"motion.print_acceleration_mm_s2": 4000})]
    whole = compare_prepared([PreparedJob(path)], MIDDLING, candidates)
    blocks = compare_prepared([BlockwiseJob(JobFile(path), chunk=TINY)], MIDDLING, candidates)
    assert blocks.silenced == whole.silenced == {"brisk": 60}
    alone = whole.totals[1].saved_by_silencing_s
    assert alone > 0.0
    assert blocks.totals[1].saved_by_silencing_s == pytest.approx(alone, rel=1e-9)


def test_statements_are_weighed_by_what_is_printed_under_them(job: Callable[[str], Path]) -> None:
    lines = "G1 X9 E1 F600\nG1 X1 E2\n" * 40
    path = str(job(f"M83\nM204 P500\n{lines}M204 P300 T90\n{lines}{lines}M204 P900\n"))
    whole, blocks = PreparedJob(path), BlockwiseJob(JobFile(path), chunk=TINY)
    (one, *_), (other, *_) = (time_job(each, MIDDLING).facts.stated for each in (whole, blocks))
    assert one.value == other.value == 300.0
    assert [row.value for row in one.others] == [row.value for row in other.others] == [500.0, 900.0]
    assert other.share == pytest.approx(one.share, rel=1e-9)


def test_a_job_of_more_moves_than_its_bytes_let_expect_is_planned_in_blocks(
    job: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "G1 X0 Y0 F6000\n" + "G2 I9 E1 P800\n" * 3 + "G1 X9 E9\n"
    path = str(job(text))
    whole = time_job(PreparedJob(path), MIDDLING)
    moves = whole.facts.moves
    for few, kept in ((moves - 100, False), (moves, True)):
        monkeypatch.setattr(blockwise, "FEW_MOVES", few)
        for source in (path, memoryview(text.encode())):
            sized = job_to_time(source)
            foresee([sized], [Ask(MIDDLING)])
            assert time_job(sized, MIDDLING).total == pytest.approx(whole.total, rel=1e-9)
            assert sized.keeps_moves == kept
            assert sized.with_moves().timed(Ask(MIDDLING)).planned is not None


def test_many_machines_go_together_and_nothing_of_them_is_kept(
    job: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, counts: Counts
) -> None:
    monkeypatch.setattr(blockwise, "TOGETHER", 3)
    path = str(job("F3000\n" + "".join(f"G1 X{i % 9} Y{i % 7} E{i}\n" for i in range(300))))
    asks = [Ask(MIDDLING.with_settings({"acceleration": 100.0 * k}, "test")) for k in range(1, 8)]
    tied = Ask(MIDDLING.with_settings({"filament.pressure_advance_s": 0.05}, "test"))
    assert needs_every_move(tied.machine)
    blocks = BlockwiseJob(JobFile(path), chunk=TINY)
    assert blocks.totals([*asks, tied]) == pytest.approx(PreparedJob(path).totals([*asks, tied]), rel=1e-9)
    assert counts.passes == 3
    blocks.totals(asks)
    assert counts.passes == 6


def test_which_jobs_are_planned_in_blocks(job: Callable[[bytes], Path], monkeypatch: pytest.MonkeyPatch) -> None:
    text = b"G1 X1 F600\nG1 X2\n" * 100
    for name, asked_once in (("LARGE", False), ("OVERLAPPED", True)):
        for content in (text, gzip.compress(text)):
            path = str(job(content))
            monkeypatch.setattr(blockwise, name, len(text) - 1)
            assert isinstance(job_to_time(path, asked_once=asked_once), BlockwiseJob)
            monkeypatch.setattr(blockwise, name, len(text))
            assert job_to_time(path, asked_once=asked_once).keeps_moves
    monkeypatch.setattr(blockwise, "LARGE", 0)
    for unusable in ("no/such.gcode", str(job(b"").parent), str(job(b""))):
        prepared = job_to_time(unusable)
        assert prepared.keeps_moves
        with pytest.raises(InputError):
            time_job(prepared, QUICK)


def test_a_pass_ends_with_its_threads(job: Callable[[str], Path]) -> None:
    """An error leaves nothing behind that would stop a second attempt."""
    path = job("G1 X1 F600\n" * 300 + "G1 X9999999999\n" + "G1 X2\n" * 300)
    blocks = BlockwiseJob(JobFile(str(path)), chunk=TINY)
    for _ in range(2):
        with pytest.raises(InputError, match=r"job\.gcode:301"):
            time_job(blocks, QUICK)
