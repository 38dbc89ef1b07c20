"""Malformed, endless and hostile inputs: each ends with a sentence, or with an answer that names its line."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.gcode import chunks
from kinematics.jobs import blockwise
from tests.cli.conftest import HOOK, ROOT, Run, table_of
from tests.malformed.jobs import JOBS
from tests.malformed.tables import TABLES

QUICK = ("--machine", "quick")
A_DAY = 86_400.0
LARGEST_SPACE = 50_000_000  # bytes
HOSTILE = "a\x1b[31m\x07\u202eb\x9b2J\u2066.gcode"
SHOWN = "a\\x1b[31m\\x07\\u202eb\\x9b2J\\u2066.gcode"


@pytest.mark.parametrize("name", JOBS)
def test_a_malformed_job(run: Run, folder: Path, name: str) -> None:
    content, status, says = JOBS[name]
    (folder / "job.gcode").write_bytes(content)
    ran = run("estimate", "job.gcode", *QUICK)
    assert ran.status == status, ran.err
    assert says in (ran.err if status else ran.out)
    if status == 0:
        document = json.loads(run("estimate", "job.gcode", *QUICK, "--json").out)
        assert document["total_s"] < A_DAY


@pytest.mark.parametrize("name", JOBS)
def test_the_same_in_blocks(folder: Path, name: str, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    content, status, _ = JOBS[name]
    (folder / "job.gcode").write_bytes(content)
    whole = run("estimate", "job.gcode", *QUICK, "--json")
    monkeypatch.setattr(blockwise, "LARGE", 3)
    monkeypatch.setattr(blockwise, "OVERLAPPED", 3)
    ran = run("estimate", "job.gcode", *QUICK, "--json")
    assert (ran.status, ran.err) == (status, whole.err)
    if status == 0:
        assert json.loads(ran.out)["total_s"] == pytest.approx(json.loads(whole.out)["total_s"], rel=1e-9)


@pytest.mark.parametrize("name", TABLES)
def test_a_malformed_table(run: Run, folder: Path, name: str) -> None:
    orders, printers, words, status, says = TABLES[name]
    (folder / "orders.csv").write_text(orders)
    (folder / "printers.csv").write_text(printers)
    ran = run("shop", "orders.csv", "--printers", "printers.csv", *words)
    assert ran.status == status
    assert says in ran.err
    assert "\x1b" not in ran.err + ran.out


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/urandom"])
@pytest.mark.parametrize("words", [("estimate",), ("sweep", "--vary", "speed=1,2")])
def test_devices_without_end_are_looked_at_and_left(run: Run, device: str, words: tuple[str, ...]) -> None:
    ran = run(words[0], device, *QUICK, *words[1:])
    assert ran.status == 2
    assert f"kinematics: {device}: not a text file" in ran.err


def test_a_pipe_without_end_takes_no_more_room_than_is_allowed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    taken = []

    class Endless:
        """A stream of moves that never ends."""

        def read(self, size: int) -> bytes:
            """As many bytes as are asked for."""
            taken.append(size)
            return (b"G1 X1 F60\n" * (size // 10 + 1))[:size]

    with pytest.raises(
        InputError, match=r"-: does not end within 0 GB; allowed: a job that ends \(a larger one can be"
    ):
        list(chunks.stream_blocks(Endless(), "-", LARGEST_SPACE))  # type: ignore[arg-type]
    assert sum(taken) <= LARGEST_SPACE + chunks.STREAM_BLOCK + chunks.SEEN_AS_TEXT
    taken.clear()
    noise = type("Noise", (Endless,), {"read": lambda self, size: (taken.append(size), bytes(size))[1]})
    with pytest.raises(InputError, match="not a text file"):
        list(chunks.stream_blocks(noise(), "-", LARGEST_SPACE))
    assert taken == [chunks.SEEN_AS_TEXT]


@pytest.mark.parametrize("words", [("estimate",), ("sweep", "--vary", "speed=1,2", "-o", "rows.csv")])
def test_a_named_pipe_is_read_once(run: Run, folder: Path, words: tuple[str, ...]) -> None:
    os.mkfifo(folder / "pipe")
    writer = threading.Thread(target=(folder / "pipe").write_text, args=(HOOK,), daemon=True)
    writer.start()
    ran = run(words[0], "pipe", *QUICK, *words[1:])
    writer.join(10.0)
    assert ran.status == 0
    assert not writer.is_alive()


def test_gzip_of_several_members_is_as_large_as_all_of_them(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blockwise, "LARGE", 20_000)
    monkeypatch.setattr(blockwise, "OVERLAPPED", 20_000)
    lines = b"G1 X1 E1 F600\nG1 X2 E1\n" * 1000
    for name, content, in_blocks in (
        ("one", gzip.compress(lines), True),
        ("first is large", gzip.compress(lines) + gzip.compress(b"G1 X3\n"), True),
        ("small", gzip.compress(lines[:2000]) + gzip.compress(b"G1 X3\n"), False),
    ):
        (folder / name).write_bytes(content)
        job = blockwise.job_to_time(str(folder / name))
        assert job.keeps_moves != in_blocks, name


@pytest.mark.parametrize(
    "words",
    [
        ("estimate", HOSTILE, *QUICK),
        ("estimate", HOSTILE, *QUICK, "--layers"),
        ("estimate", HOSTILE, *QUICK, "--json"),
        ("compare", HOSTILE, *QUICK, "--candidate", "\x1b[31mred\u202e: speed=1.1"),
        ("compare", HOSTILE, *QUICK, "--candidate", "\x1b[31mred\u202e: speed=1.1", "--json"),
        ("sweep", HOSTILE, *QUICK, "--vary", "speed=1,2"),
        ("estimate", "absent-" + HOSTILE, *QUICK),
        ("estimate", HOSTILE, "--machine", "absent-" + HOSTILE),
        ("\x1b[31m",),
    ],
    ids=lambda words: " ".join(words).encode("unicode_escape").decode()[:40],
)
def test_nothing_that_acts_on_a_terminal_is_shown(run: Run, folder: Path, words: tuple[str, ...]) -> None:
    (folder / HOSTILE).write_text(HOOK)
    ran = run(*words)
    told = ran.out + ran.err
    assert not [letter for letter in told if letter != "\n" and letter != "\t" and not letter.isprintable()]
    assert "\\x1b" in told or "\\u001b" in told
    if "--json" in words and words[0] == "estimate":
        assert json.loads(ran.out)["jobs"][0]["file"] == HOSTILE


def test_a_table_in_a_pipe_keeps_its_columns(run: Run, folder: Path) -> None:
    (folder / "tab\tand\nline.gcode").write_text(HOOK)
    (row, _) = table_of(run("sweep", "tab\tand\nline.gcode", *QUICK, "--vary", "speed=1,2").out)
    assert row["job"] == "tab\\tand\\nline.gcode"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("estimate", "n" * 5000), "cannot be read: File name too long"),
        (("estimate", "hook.gcode", "--machine", "n" * 5000), "no machine 'nnn"),
        (("estimate", "hook.gcode", "--machine", "n" * 5000 + ".toml"), "cannot be read: File name too long"),
        (("estimate", "hook.gcode", *QUICK, "--dialect", "n" * 5000), "nnn…nnn"),
        (("estimate", "hook.gcode", *QUICK, "--moves", "n" * 5000 + ".csv"), "cannot be written: File name too long"),
        (("shop", "o.csv", "--printers", "n" * 5000), "nnn…nnn"),
        (("sweep", "hook.gcode", *QUICK, "--vary", "acceleration=1:2:3", "--sample", "1000000000"), "not in the range"),
        (("target", "hook.gcode", *QUICK, "--within", "9" * 309 + "h"), "is longer than any print"),
        (("compare", "hook.gcode", *QUICK, "--candidate", "n" * 5000), "nnn…nnn"),
    ],
    ids=lambda one: str(one)[:30],
)
def test_words_beyond_all_measure(run: Run, words: tuple[str, ...], says: str) -> None:
    ran = run(*words)
    assert ran.status == 2
    assert says in ran.err
    assert max(map(len, ran.err.splitlines())) < 1000


def test_dollars_in_names_are_no_formula(run: Run, folder: Path) -> None:
    name = "$\\frac{$x^2$.gcode"
    (folder / name).write_text(HOOK)
    (folder / "orders.csv").write_text("order,hours,quantity\n$\\frac{$,9,3\n$x_1$,9,1\n")
    (folder / "printers.csv").write_text("name,machine\n$\\frac{Left$,quick\n")
    for words in (
        ("sweep", name, *QUICK, "--vary", "speed=1,2,3", "--picture", "curve.png"),
        ("estimate", name, *QUICK, "--limits", "--picture", "worth.png"),
        ("shop", "orders.csv", "--printers", "printers.csv", "--gantt", "shop.png"),
    ):
        ran = run(*words)
        assert ran.status == 0, ran.err
        assert (folder / words[-1]).stat().st_size > 5000


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
def test_names_that_are_no_text_in_every_encoding(folder: Path, encoding: str) -> None:
    name = os.fsdecode(b"caf\xe9.gcode")
    Path(name).write_text(HOOK)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": encoding}
    for words in (
        ("estimate", name, *QUICK),
        ("estimate", name, *QUICK, "--json"),
        ("compare", name, *QUICK, "--candidate", f"{name}: speed=1.1"),
        ("sweep", name, *QUICK, "--vary", "speed=1,2", "--picture", "curve.svg", "--force"),
    ):
        done = subprocess.run(
            [sys.executable, "-m", "kinematics", *words], capture_output=True, env=environment, check=False
        )
        assert done.returncode == 0, done.stderr
        assert b"Traceback" not in done.stderr
        if "--json" in words:
            assert json.loads(done.stdout.decode(encoding))["jobs"][0]["file"] == name
