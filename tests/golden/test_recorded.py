"""The golden corpus, a part of it; `python -m tests.golden.recording --check` holds all of it."""

from __future__ import annotations

import json

import pytest

from tests.golden.cases import COMMANDS, JOBS
from tests.golden.recording import (
    RECORDING,
    ROOT,
    TOLD,
    compare,
    differences,
    kept,
    lines_of_changes,
    not_told,
    recorded,
    totals_of,
    with_ties,
)

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


def test_totals_change_only_with_a_line_in_the_readme() -> None:
    """The totals that are recorded, and the lines under Changes that stood there when they were."""
    told = json.loads(TOLD.read_text(encoding="utf-8"))
    lines = lines_of_changes((ROOT / "README.md").read_text(encoding="utf-8"))
    assert not_told(told, totals_of(recorded()), lines) == []


def test_a_total_that_no_line_tells_of_is_seen() -> None:
    lines = lines_of_changes("# A\n\n## Changes\n\n- Rests: up to 2.3 % shorter.\n- Some words.\n\n## B\n\n- 3 %\n")
    assert lines == ["Rests: up to 2.3 % shorter."]
    corpus = {"jobs": {"0": {"total_s": 100.0}, "1": {"status": 2}}}
    other = {"jobs": {"0": {"total_s": 101.0}, "1": {"status": 2}}}
    before = {"totals": totals_of(corpus), "lines": lines}
    assert not_told([before], totals_of(corpus), lines) == []
    assert not_told([before], totals_of(corpus), []) == ["no longer under Changes: Rests: up to 2.3 % shorter."]
    assert not_told([before], totals_of(other), lines) != []  # recorded by hand
    after = {"totals": totals_of(other), "lines": lines}
    assert not_told([before, after], totals_of(other), lines) != []  # nothing said
    told = [*lines, "Ramps: 1 % longer."]
    assert not_told([before, {**after, "lines": told}], totals_of(other), told) == []


def test_rounding_leaves_a_record_as_it_was() -> None:
    old = {"jobs": {"0": {"total_s": 100.0}, "1": {"total_s": 5.0}}}
    new = {"jobs": {"0": {"total_s": 100.00000000001}, "1": {"total_s": 5.1}}}
    assert kept(old, new) == {"jobs": {"0": {"total_s": 100.0}, "1": {"total_s": 5.1}}}
