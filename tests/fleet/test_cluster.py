"""A cluster loses workers and the one who asks: nothing is lost, and nothing that is done is done again."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from kinematics.fleet import crews, dask_cluster
from kinematics.fleet.asking import answered
from kinematics.fleet.kept_answers import KeptAnswers
from kinematics.jobs.timing import time_job
from kinematics.machine import load_machine
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
    submit = crew._others.submit

    def submitted(function: Any, *more: Any) -> Any:
        assert function is answered
        asked.append(more[1].encode() + more[3])
        return submit(function, *more)

    monkeypatch.setattr(crew._others, "submit", submitted)
    try:
        found = swept(sent(jobs, crew))
    finally:
        ending.__exit__(None, None, None)  # type: ignore[attr-defined]
    assert len(asked) == len(set(asked)) == JOBS - done
    assert found == swept(sent(jobs, crews.CrewHere()))


STAND_IN = """
import os, signal
from pathlib import Path
from kinematics.fleet import crews, dask_cluster
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


def begin(what: str, *words: str) -> subprocess.Popen[bytes]:
    """Begin with a scheduler or a worker, as its documentation says."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    command = [sys.executable, "-m", "dask", what, "--no-dashboard", *words]
    return subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


class Begun:
    """A scheduler with its workers, as processes."""

    def __init__(self, port: int = 0, workers: int = 1) -> None:
        with tempfile.TemporaryDirectory() as place:
            told = Path(place) / "scheduler.json"
            self.scheduler = begin(
                "scheduler", "--host", "127.0.0.1", "--port", str(port), "--scheduler-file", str(told)
            )
            wait_for(lambda: told.exists() and told.read_text().endswith("}"))
            self.address = str(json.loads(told.read_text())["address"])
        self.port = int(self.address.rpartition(":")[2])
        self.workers = [begin("worker", self.address, "--no-nanny", "--nthreads", "1") for _ in range(workers)]

    def end(self) -> None:
        """Whatever of it is left."""
        for process in (self.scheduler, *self.workers):
            process.kill()
            process.wait()


@contextmanager
def at_most(seconds: int) -> Iterator[None]:
    """What takes longer is a failure, not a test without end."""

    def late(*_: object) -> None:
        raise AssertionError(f"not done after {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("ends", [signal.SIGKILL, signal.SIGTERM])
def test_the_scheduler_is_lost_and_another_goes_on(
    run: Any, jobs: Path, nothing_kept: None, monkeypatch: pytest.MonkeyPatch, ends: signal.Signals
) -> None:
    words = ("compare", str(jobs), "--machine", "quick", "--candidate", "brisk: acceleration=4000")
    expected = run(*words)
    keep, submit, done, asked = KeptAnswers.keep, dask_cluster.OnCluster.submit, list[str](), list[str]()

    def kept_key(more: tuple[Any, ...]) -> str:
        return f"{more[0]} {more[1]} {hashlib.sha256(more[3]).hexdigest()}"

    def submitted(others: Any, function: Any, *more: Any) -> Any:
        asked.append(kept_key(more))
        return submit(others, function, *more)

    def keep_and_end_it(kept: KeptAnswers, key: str, answer: bytes) -> None:
        keep(kept, key, answer)
        done.append(key)
        if len(done) == SOME:
            os.kill(begun.scheduler.pid, ends)

    monkeypatch.setattr(dask_cluster.OnCluster, "submit", submitted)
    monkeypatch.setattr(KeptAnswers, "keep", keep_and_end_it)
    begun = Begun()
    try:
        with at_most(120):
            ran = run(*words, "--cluster", begun.address)
    finally:
        begun.end()
    assert (ran.status, ran.out) == (3, "")
    assert ran.err.splitlines()[-1] == (
        f"kinematics: the scheduler of the cluster, {begun.address}, has ended or cannot be reached any more; what is "
        "done is kept: start it and its workers again, and the same command goes on from there"
    )
    assert "Traceback" not in ran.err
    assert SOME <= len(done) < JOBS
    first, done_then = len(asked), {*done}

    again = Begun(begun.port)
    try:
        with at_most(120):
            ran = run(*words, "--cluster", again.address)
    finally:
        again.end()
    assert (ran.status, ran.out) == (expected.status, expected.out), ran.err
    assert f"{len(done_then):,} answers of a run that was broken off are taken up" in ran.err
    assert len(done) == len({*done})  # nothing that was done was done again
    assert len(asked) - first == len({*done} - done_then)


def test_an_answer_that_is_lost_on_its_way_is_no_endless_wait() -> None:
    class Loop:
        def add_callback(self, function: Any, *more: Any) -> None:
            asyncio.run(function(*more))

    class Client:
        loop = Loop()

        async def submit(self, function: Any, *more: Any, **_: Any) -> bytes:
            raise OSError("the stream is closed")

    crew = dask_cluster.OnCluster(Client(), "tcp://127.0.0.1:9", print)  # type: ignore[arg-type]
    found = crew.submit(bytes)
    assert found.done()
    error = found.exception()
    assert isinstance(error, OSError)
    assert "the scheduler of the cluster, tcp://127.0.0.1:9, has ended" in str(crew.lost(error))


def test_a_scheduler_that_is_silent_is_given_up(
    run: Any, jobs: Path, nothing_kept: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = KeptAnswers.keep

    def keep_and_freeze(kept: KeptAnswers, key: str, answer: bytes) -> None:
        keep(kept, key, answer)
        os.kill(begun.scheduler.pid, signal.SIGSTOP)
        monkeypatch.setattr(crews, "SILENCE", 0.5)
        monkeypatch.setattr(dask_cluster, "LONGEST_SILENCE", 0.5)

    monkeypatch.setattr(KeptAnswers, "keep", keep_and_freeze)
    begun = Begun()
    try:
        with at_most(120):
            ran = run("estimate", str(jobs), "--machine", "quick", "--cluster", begun.address)
    finally:
        begun.end()
    assert (ran.status, ran.out) == (3, "")
    assert "has ended or cannot be reached any more" in ran.err


def test_a_cluster_without_workers_is_told(jobs: Path) -> None:
    begun = Begun(workers=0)
    told = list[str]()

    def tell(text: str) -> None:
        told.append(text)
        begun.workers.append(begin("worker", begun.address, "--no-nanny", "--nthreads", "1"))

    try:
        with at_most(120), dask_cluster.cluster(begun.address, None, tell) as crew:
            (job, *_) = sent(jobs, crew)
            assert time_job(job, load_machine("quick")).total > 0.0
    finally:
        begun.end()
    assert told == [f"the cluster has no workers: waiting for the first (dask worker {begun.address})"]


def test_a_cluster_that_is_not_there_is_a_sentence(run: Any) -> None:
    dask_cluster.PATIENCE, before = 0.5, dask_cluster.PATIENCE
    try:
        ran = run("estimate", "hook.gcode", "--cluster", "tcp://127.0.0.1:9")
    finally:
        dask_cluster.PATIENCE = before
    assert ran.status == 2
    assert "no cluster answers at 'tcp://127.0.0.1:9'; allowed: the address of a Dask scheduler" in ran.err


def test_without_the_package_it_is_told_how_to_get_it(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_cluster, "find_spec", lambda name: None)
    ran = run("estimate", "hook.gcode", "--cluster", "tcp://127.0.0.1:9")
    assert ran.status == 2
    assert 'pip install "kinematics[cluster]" installs it' in ran.err
