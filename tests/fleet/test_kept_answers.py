"""What is done is kept until all is, and what is damaged is done again."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from kinematics.compiled import CACHE_FOLDER
from kinematics.fleet import kept_answers
from kinematics.fleet.asking import Answer, packed
from kinematics.fleet.kept_answers import KeptAnswers
from tests.cli.conftest import ROOT, Run
from tests.fleet.sweeping import small_jobs

WORDS = ("compare", "jobs", "--machine", "quick", "--candidate", "brisk: acceleration=4000")


def test_answers_outlive_who_asked_and_go_with_the_run(tmp_path: Path) -> None:
    first = KeptAnswers(tmp_path / "answers", "run")
    first.keep("a", packed(Answer(1.5, True)))
    beside = KeptAnswers(tmp_path / "answers", "run")
    assert (beside.of("a"), beside.of("b"), len(beside)) == (Answer(1.5, True), None, 1)
    first.close(False)
    beside.close(True)
    assert list((tmp_path / "answers").iterdir()) == []


def test_damaged_answers_are_none(tmp_path: Path) -> None:
    kept = KeptAnswers(tmp_path / "answers", "run")
    content = packed(Answer([1.5] * 99, True))
    for key, broken in (("cut", content[:-5]), ("turned", content[:9] + b"?" + content[10:]), ("text", b"hello")):
        kept.keep(key, broken)
        assert kept.of(key) is None
    kept.close(False)
    (path,) = (tmp_path / "answers").glob("*.sqlite")
    path.write_bytes(b"no table at all" * 999)
    again = KeptAnswers(tmp_path / "answers", "run")
    again.keep("a", content)
    assert again.of("a") == Answer([1.5] * 99, True)
    again.close(True)


def test_answers_of_long_ago_are_dropped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, oldest in (("old", kept_answers.OLDEST), ("new", -1.0)):
        monkeypatch.setattr(kept_answers, "OLDEST", oldest)
        kept = KeptAnswers(tmp_path / "answers", name)
        kept.keep("a", packed(Answer(1.5, True)))
        kept.close(False)
    assert [path.name for path in (tmp_path / "answers").glob("*.sqlite")] == ["new.sqlite"]


def children_of(process: int) -> list[int]:
    """The workers that a process has begun."""
    words = ["pgrep", "-P", str(process), "-f", "spawn_main"]
    return [int(one) for one in subprocess.run(words, capture_output=True, check=True).stdout.split()]


def answers_in(cache: Path) -> int:
    """How many answers are kept in a cache by now."""
    for path in cache.glob("*/answers/*.sqlite"):
        try:
            return int(sqlite3.connect(path).execute("SELECT count(*) FROM answers").fetchone()[0])
        except sqlite3.Error:
            return 0
    return 0


def test_a_lost_worker_and_ctrl_c_are_sentences_and_lose_nothing(run: Run, folder: Path) -> None:
    assert CACHE_FOLDER is not None
    small_jobs(folder / "jobs", 400, 300)
    cache = folder / "cache"
    cache.mkdir(mode=0o700)
    shutil.copytree(CACHE_FOLDER, cache / CACHE_FOLDER.name, ignore=shutil.ignore_patterns("answers"))
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "PYTHONPATH": path, "KINEMATICS_CACHE_DIR": str(cache)}

    def begun() -> subprocess.Popen[bytes]:
        words = [sys.executable, "-m", "kinematics", *WORDS, "--workers", "2"]
        return subprocess.Popen(words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def after(count: int, asking: subprocess.Popen[bytes]) -> None:
        until = time.monotonic() + 600.0
        while answers_in(cache) < count and asking.poll() is None and time.monotonic() < until:
            time.sleep(0.005)
        assert asking.poll() is None

    asking = begun()
    after(1, asking)
    asking.send_signal(signal.SIGSTOP)  # so that it asks no more, and workers stay, until one is found
    os.kill(children_of(asking.pid)[0], signal.SIGKILL)
    asking.send_signal(signal.SIGCONT)
    _, told = asking.communicate()
    assert asking.returncode == 3, told
    assert b"a worker ended before its time" in told
    assert b"what is done is kept" in told
    assert b"Traceback" not in told
    done = answers_in(cache)

    asking = begun()
    after(done + 1, asking)
    asking.send_signal(signal.SIGINT)
    _, told = asking.communicate()
    assert (asking.returncode, f"{done:,} answers of a run that was broken off".encode() in told) == (130, True), told
    assert b"the same command picks up from there" in told
    more = answers_in(cache)
    assert done < more < 400

    asking = begun()
    out, told = asking.communicate()
    assert (asking.returncode, f"{more:,} answers of a run that was broken off".encode() in told) == (0, True), told
    assert out.decode() == run(*WORDS).out
    assert answers_in(cache) == 0
