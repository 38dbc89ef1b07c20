"""A cluster loses workers and the one who asks: nothing is lost, and nothing that is done is done again."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from kinematics.fleet import crews
from kinematics.fleet.asking import answered
from kinematics.fleet.kept_answers import KeptAnswers
from tests.cli.conftest import ROOT
from tests.fleet.conftest import JOBS
from tests.fleet.sweeping import KNOBS, RUN, crew_of, sent, swept

pytest.importorskip("distributed")
LONGEST = 600.0  # s that anything may take, where a machine is busy
SOME = 40  # answers after which somebody is killed


def kept_count() -> int:
    """How many answers of the sweep are kept by now."""
    kept = crews.kept_answers(RUN)
    assert kept is not None
    try:
        return len(kept)
    finally:
        kept.close(False)


def wait_for(what: Callable[[], bool]) -> None:
    """Wait until something holds."""
    until = time.monotonic() + LONGEST
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)


@pytest.fixture
def nothing_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Answers are kept in a folder of this test alone."""
    (tmp_path / "kept").mkdir()
    monkeypatch.setattr(crews, "CACHE_FOLDER", tmp_path / "kept")


def is_gone(process: int) -> bool:
    """Whether there is no such process any more."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


def test_a_worker_that_is_killed_changes_nothing(
    workers: Any, jobs: Path, nothing_kept: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = swept(sent(jobs, crews.CrewHere()))
    assert len(expected) == len(KNOBS[0].values) * (JOBS + 1)
    victim = next(iter(workers.workers.values())).pid
    keep, killed = KeptAnswers.keep, threading.Event()

    def keep_and_kill(kept: KeptAnswers, key: str, answer: bytes) -> None:
        keep(kept, key, answer)
        if len(kept) >= SOME and not killed.is_set():
            killed.set()
            os.kill(victim, signal.SIGKILL)

    monkeypatch.setattr(KeptAnswers, "keep", keep_and_kill)
    crew, ending = crew_of(workers.scheduler_address)
    try:
        found = swept(sent(jobs, crew))
    finally:
        ending.__exit__(None, None, None)  # type: ignore[attr-defined]
    assert killed.is_set()
    assert crew.asked == JOBS
    wait_for(lambda: is_gone(victim))
    assert found == expected


def test_who_asks_is_killed_and_asks_again(
    workers: Any, jobs: Path, tmp_path: Path, nothing_kept: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = tmp_path / "kept"
    words = [
        sys.executable,
        "-c",
        STAND_IN.format(cache=str(cache), some=SOME),
        workers.scheduler_address,
        str(jobs),
        "rows.txt",
    ]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    asking = subprocess.Popen(words, cwd=tmp_path, env=environment, stderr=subprocess.PIPE)
    told = asking.communicate(timeout=LONGEST)[1]
    assert (asking.returncode, (tmp_path / "rows.txt").exists()) == (-signal.SIGKILL, False), told
    done = kept_count()
    assert SOME <= done < JOBS

    asked: list[bytes] = []
    crew, ending = crew_of(workers.scheduler_address)
    submit = crew._executor.submit

    def submitted(function: Any, *more: Any) -> Any:
        assert function is answered
        asked.append(more[1].encode() + more[3])
        return submit(function, *more)

    monkeypatch.setattr(crew._executor, "submit", submitted)
    try:
        found = swept(sent(jobs, crew))
    finally:
        ending.__exit__(None, None, None)  # type: ignore[attr-defined]
    assert len(asked) == len(set(asked)) == JOBS - done
    assert found == swept(sent(jobs, crews.CrewHere()))


STAND_IN = """
import os, signal
from pathlib import Path
from kinematics.fleet import crews
crews.CACHE_FOLDER = Path({cache!r})
from kinematics.fleet.kept_answers import KeptAnswers
from tests.fleet.sweeping import main
keep = KeptAnswers.keep
def keep_and_die(kept, key, answer):
    keep(kept, key, answer)
    if len(kept) >= {some}:
        os.kill(os.getpid(), signal.SIGKILL)
KeptAnswers.keep = keep_and_die
main()
"""


def test_a_cluster_that_is_not_there_is_a_sentence(run: Any) -> None:
    crews.PATIENCE, before = 0.5, crews.PATIENCE
    try:
        ran = run("estimate", "hook.gcode", "--cluster", "tcp://127.0.0.1:9")
    finally:
        crews.PATIENCE = before
    assert ran.status == 2
    assert "no cluster answers at 'tcp://127.0.0.1:9'; allowed: the address of a Dask scheduler" in ran.err


def test_without_the_package_it_is_told_how_to_get_it(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crews, "find_spec", lambda name: None)
    ran = run("estimate", "hook.gcode", "--cluster", "tcp://127.0.0.1:9")
    assert ran.status == 2
    assert 'pip install "kinematics[cluster]" installs it' in ran.err
