"""The golden corpus, a part of it; `python -m tests.golden.recording --check` holds all of it."""

from __future__ import annotations

import pytest

from tests.golden.cases import COMMANDS, JOBS
from tests.golden.recording import RECORDING, compare, differences, recorded, with_ties

SEEDS = range(0, JOBS, 25)  # 80 jobs, and a third of the commands


@pytest.mark.parametrize("seed", SEEDS)
def test_a_job_is_answered_as_it_was(seed: int) -> None:
    assert compare(recorded(), range(seed, seed + 1), ()) == []


@pytest.mark.parametrize("command", COMMANDS[::2])
def test_a_command_answers_as_it_did(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    assert compare(recorded(), range(0), (command,)) == []


def test_the_recording_is_small_and_whole() -> None:
    assert RECORDING.stat().st_size < 3_000_000
    old = recorded()
    assert len(old["jobs"]) == JOBS
    assert {*old["commands"]} == {*COMMANDS}


def test_a_difference_is_seen() -> None:
    job = {"total_s": 100.0, "causes": {"corner": 60.0, "dwell": 40.0}, "notices": [[1, 2, "odd"]]}
    assert with_ties(job, job) == []
    assert with_ties(job, {**job, "total_s": 100.000001}) != []
    assert with_ties(job, {**job, "notices": [[1, 3, "odd"]]}) != []
    assert with_ties(job, {**job, "causes": {"corner": 59.0, "dwell": 41.0}}) != []
    assert with_ties(job, {**job, "causes": {"corner": 60.00001, "dwell": 39.99999}}) == []
    assert differences({"out": "takes 12.3 s"}, {"out": "takes 12.4 s"}, 1.0) == []  # its last digit
    assert differences({"out": "takes 12.3 s"}, {"out": "takes 12.6 s"}, 1.0) != []
    assert differences({"out": "takes 12.3 s"}, {"out": "lasts 12.3 s"}, 1.0) != []
