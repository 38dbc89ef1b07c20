"""Large jobs on the command line: what is read in blocks is told as what is read whole."""

from __future__ import annotations

import gzip
import io
import json
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

import kinematics
from kinematics.errors import InputError
from kinematics.jobs import blockwise
from tests.cli.conftest import BRACKET, HOOK, Run
from tests.jobs.in_blocks import apart

JOB = HOOK + BRACKET * 40
OPTIONS = ("--machine", "middling", "--json")


@pytest.fixture
def large(folder: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A job that counts as large; what is listed was planned in blocks."""
    (folder / "large.gcode").write_text(JOB)
    monkeypatch.setattr(blockwise, "LARGE", len(JOB) - 1)
    made: list[str] = []
    begin = blockwise.BlockwiseJob.__init__

    def begin_and_tell(job: blockwise.BlockwiseJob, file: blockwise.JobFile, *arguments: object) -> None:
        if type(job) is blockwise.BlockwiseJob:
            made.append(file.name)
        begin(job, file, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(blockwise.BlockwiseJob, "__init__", begin_and_tell)
    return made


def assert_same(one: str, other: str) -> None:
    """Two documents tell the same, but for rounding, the name of the job, and what only jobs in memory tell unasked."""
    documents = [json.loads(text) for text in (one, other)]
    for document in documents:
        for job in document.get("jobs", []):
            del job["file"]
            for unasked in ("what_one_percent_buys", "if_lifted"):
                job.pop(unasked, None)
        for row in document.get("rows", []):
            row.pop("job", None)
        document.pop("warnings", None)
        document.pop("limits_raised", None)
    assert not list(apart(*documents))


def test_what_limits_are_worth_is_told_of_a_large_job_where_it_is_asked_for(
    run: Run, large: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def rows(*more: str) -> dict[str, tuple[float, float | None]] | None:
        (job,) = json.loads(run("estimate", "large.gcode", *OPTIONS, *more).out)["jobs"]
        if "if_lifted" not in job:
            return None
        lifted = {row["limit"]: row["total_s"] for row in job["if_lifted"]}
        return {row["limit"]: (row["seconds"], lifted[row["limit"]]) for row in job["what_one_percent_buys"]}

    assert rows() is None
    blocks = rows("--limits")
    assert large
    monkeypatch.setattr(blockwise, "LARGE", len(JOB))
    whole = rows()
    assert blocks is not None
    assert whole is not None
    assert blocks.keys() == whole.keys()
    for limit, (seconds, lifted) in blocks.items():
        assert seconds == pytest.approx(whole[limit][0], abs=1e-8)
        assert lifted == pytest.approx(whole[limit][1], rel=1e-9)


def test_an_estimate(run: Run, large: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    for more in (OPTIONS, ("--json",), (*OPTIONS, "--layers")):
        blocks = run("estimate", "large.gcode", *more)
        assert large.pop() == "large.gcode"
        with monkeypatch.context() as patch:
            patch.setattr(blockwise, "LARGE", len(JOB))
            whole = run("estimate", "large.gcode", *more)
        assert not large
        assert_same(blocks.out, whole.out)


def test_a_comparison(run: Run, large: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    candidate = ("--candidate", "brisk: acceleration=9000, speed=2")
    blocks = run("compare", "large.gcode", *OPTIONS, *candidate)
    assert large == ["large.gcode"]
    monkeypatch.setattr(blockwise, "LARGE", len(JOB))
    assert_same(blocks.out, run("compare", "large.gcode", *OPTIONS, *candidate).out)


@pytest.mark.parametrize(
    "words",
    [
        ("sweep", "--vary", "acceleration=500:9000:5", "--vary", "speed=1,2"),
        ("sweep", "--vary", "flow=5,20", "--set", "motion.junction_deviation_mm={low=0.02, likely=0.05, high=0.1}"),
        ("target", "--within", "18m", "--turn", "acceleration", "--turn", "speed"),
        ("caps", "--set", "cooling.shortest_layer_s=2"),
    ],
    ids=["sweep", "sweep of ranges", "target", "caps"],
)
def test_studies_of_many_plans(
    run: Run, large: list[str], monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    blocks = run(words[0], "large.gcode", *OPTIONS, *words[1:])
    assert large == ["large.gcode"]
    monkeypatch.setattr(blockwise, "LARGE", len(JOB))
    whole = run(words[0], "large.gcode", *OPTIONS, *words[1:])
    assert large == ["large.gcode"]
    assert blocks.status == whole.status != 2
    assert_same(blocks.out, whole.out)


def test_caps_that_follow_every_move_keep_them(run: Run, large: list[str]) -> None:
    words = ("--set", 'vibration.x.filter="ZV"', "--set", "vibration.x.filter_frequency_hz=40")
    ran = run("caps", "large.gcode", *OPTIONS, *words)
    assert ran.status == 0, ran.err
    assert json.loads(ran.out)["rounding"][0]["worst_mm"] > 0.0
    assert "large.gcode: every move is kept in memory, as what quality" in ran.err


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["as it is", "gzip"])
def test_standard_input(run: Run, large: list[str], monkeypatch: pytest.MonkeyPatch, pack: type[bytes]) -> None:
    expected = run("estimate", "large.gcode", *OPTIONS).out
    large.clear()
    for limit, in_blocks in ((len(JOB) - 1, ["-"]), (len(JOB), [])):
        monkeypatch.setattr(blockwise, "LARGE", limit)
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(pack(JOB.encode()))))
        ran = run("estimate", "-", *OPTIONS)
        assert large == in_blocks
        assert_same(ran.out, expected)
        large.clear()


def test_every_move_needs_the_whole_job(run: Run, large: list[str], folder: Path) -> None:
    ran = run("estimate", "large.gcode", "--machine", "middling", "--moves", "moves.csv")
    assert ran.status == 0
    assert not large
    assert len((folder / "moves.csv").read_text().splitlines()) > 100


def test_large_jobs_in_python(large: list[str]) -> None:
    estimate = kinematics.estimate("large.gcode", "middling")
    assert large == ["large.gcode"]
    with pytest.raises(InputError, match=r"large\.gcode: a job so large that it is read in blocks"):
        estimate.jobs[0].moves_frame()
