"""Whoever times the jobs, the answer is the same to the last byte."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kinematics.cli import crew as crew_options
from kinematics.fleet import crews
from kinematics.fleet.asking import Recipe, told
from kinematics.fleet.kept_answers import KeptAnswers
from kinematics.gcode.dialects import EXTRUSION
from kinematics.jobs.timing import Ask, gist_of, time_job, without_moves
from kinematics.machine import load_machine
from tests.cli.conftest import HOOK, Run

STATED = "M201 X900 Y900\nM204 P700 T900\n"
UNSURE = "motion.junction_deviation_mm={low=0.02, likely=0.05, high=0.1}"
TIMES = "job,minutes\na.gcode,0.4\nb.gcode,0.5\nc.gcode,0.6\nd.gcode,0.3\n"
BRISK = ("--candidate", "brisk: acceleration=4000, speed=1.5")
COMMANDS = {
    "estimate": ("estimate", "parts", "--machine", "quick", "--json"),
    "estimate without a machine": ("estimate", "parts", "--json"),
    "estimate of ranges": ("estimate", "parts", "--machine", "quick", "--set", UNSURE, "--draws", "20"),
    "estimate of copies": ("estimate", "parts", "--machine", "quick", "--copies", "2", "--json"),
    "limits": ("estimate", "parts", "--machine", "quick", "--limits"),
    "layers": ("estimate", "parts", "--machine", "quick", "--layers"),
    "compare": ("compare", "parts", "--machine", "quick", *BRISK, "--json"),
    "compare in detail": ("compare", "parts", "--machine", "quick", *BRISK, "--detail"),
    "sweep": ("sweep", "parts", "--machine", "quick", "--vary", "acceleration=300:9000:70", "--json"),
    "ladder": ("ladder", "parts", "--machine", "gentle", "--json"),
    "fit": ("fit", "parts/times.csv", "--machine", "quick", "--json"),
}


@pytest.fixture
def parts(folder: Path) -> Path:
    """A folder of four jobs, one of which states limits."""
    (folder / "parts").mkdir()
    for number, name in enumerate("abcd"):
        text = HOOK.replace("X45 Y25", f"X{45 + 9 * number} Y25").replace("F1800", f"F{1800 + 700 * number}")
        (folder / "parts" / f"{name}.gcode").write_text((STATED if name == "b" else "") + text)
    (folder / "parts" / "times.csv").write_text(TIMES)
    return folder


@contextmanager
def _beside(count: int, kept: KeptAnswers | None) -> Iterator[crews.CrewElsewhere]:
    """Workers that are threads: all that they are asked and answer is packed and unpacked as between processes."""
    with ThreadPoolExecutor(count) as executor:
        yield crews.CrewElsewhere(executor, kept)


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.usefixtures("parts")
def test_workers_answer_as_one_process_does(run: Run, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    alone = run(*COMMANDS[name])
    assert alone.status in (0, 1), alone.err
    monkeypatch.setattr(crews, "processes", _beside)
    shared = run(*COMMANDS[name], "--workers", "2")
    assert (shared.status, shared.out) == (alone.status, alone.out)
    monkeypatch.setattr(crew_options, "MANY", 1)
    in_turn = run(*COMMANDS[name])
    assert (in_turn.status, in_turn.out) == (alone.status, alone.out)


@pytest.mark.usefixtures("parts")
def test_processes_do_too_and_write_the_same_rows(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "kept").mkdir()
    monkeypatch.setattr(crews, "CACHE_FOLDER", folder / "kept")
    words = ("compare", "parts", "--machine", "quick", *BRISK)
    assert run(*words, "-o", "alone.csv").status == 0
    assert run(*words, "-o", "shared.csv", "--workers", "2").status == 0
    assert (folder / "alone.csv").read_bytes() == (folder / "shared.csv").read_bytes()
    assert list((folder / "kept" / "answers").iterdir()) == []


@pytest.mark.usefixtures("parts")
def test_what_is_wrong_with_a_job_is_told_as_by_one_process(run: Run, folder: Path, monkeypatch: Any) -> None:
    (folder / "parts" / "b.gcode").write_text("; nothing\n")
    alone = run("estimate", "parts", "--machine", "quick")
    monkeypatch.setattr(crews, "processes", _beside)
    shared = run("estimate", "parts", "--machine", "quick", "--workers", "2")
    assert alone.status == shared.status == 2
    assert alone.err == shared.err


def test_gist_counts_the_moves_that_each_cause_rules(parts: Path) -> None:
    job = Recipe(str(parts / "parts" / "b.gcode"), "b.gcode", EXTRUSION, "honour", False).made()
    timing = time_job(job, load_machine("quick"))
    planned, gist = timing.whole_plan(), gist_of(timing)
    assert gist is not None
    plan, counted = planned.plan, dict[tuple[int, int, int], int]()
    for i, row in enumerate(planned.classes.of_move.tolist()):
        cruise = int(plan.cruise_cause[i]) if plan.cruising[i] > 0.0 else -1
        ramp = int(plan.ramp_cause[i]) if plan.rising[i] + plan.falling[i] > 0.0 else -1
        counted[row, cruise, ramp] = counted.get((row, cruise, ramp), 0) + 1
    assert {tuple(row[:3]): row[3] for row in gist.ruled.tolist()} == counted
    slim = without_moves(timing)
    assert (slim.planned, slim.total, slim.by_cause) == (None, timing.total, timing.by_cause)


def test_questions_have_names_that_tell_them_apart() -> None:
    machine = load_machine("quick")
    other = machine.with_settings({"acceleration": 1234})
    asks = [Ask(machine), Ask(other), Ask(machine, frozenset({"a", "b"})), Ask(machine, scaled=(("a", 1.0),))]
    texts = {told((time_job, ask)) for ask in asks}
    assert len(texts) == len(asks)
    again = Ask(load_machine("quick"), frozenset({"b", "a"}))
    assert told((time_job, again)) == told((time_job, asks[2]))
    assert told(np.arange(3)) != told(np.arange(3.0))
    with pytest.raises(TypeError):
        told(object())
