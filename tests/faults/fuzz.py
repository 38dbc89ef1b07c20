"""Damaged and random inputs of every kind, thousands of them in one process: `python -m tests.faults.fuzz RUNS SEED`.

Whatever is put in, a run ends with an answer, a no or a sentence: never with status 3, an exception or a character that
acts on a terminal, and within two seconds of processor time. What breaks is printed with its number, and left in a
folder; the same seed and number make the same run again.
"""

from __future__ import annotations

import gc
import io
import json
import math
import os
import random
import re
import resource
import shutil
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import NamedTuple
from unittest import mock

from kinematics.cli.program import main
from kinematics.jobs import blockwise
from kinematics.machine.file import builtin_text
from tests.cli.conftest import BRACKET, HOOK
from tests.cli.test_fuzz import (
    GCODE_LETTERS,
    JOB_NUMBERS,
    NUMBERS,
    SAMPLES,
    TOML_LETTERS,
    damaged,
    random_bytes,
)
from tests.malformed.jobs import JOBS

LONGEST = 2.0  # s of processor time
MOST_MEMORY = 300_000_000  # bytes beyond those of the first runs; inputs are a few thousand bytes
COLLECTED = 50  # runs
PIECE = 600  # bytes of a sample
QUICK = ("--machine", "quick")
CSV_LETTERS = b",;\t\"'\n\r=+-@ 0123456789.:\x00\xff\xef\xbb\xbfabcnameorderhoursjob"
OPTION_LETTERS = "abcxyz_.:=,;-+'\"[]{}() 0123456789e%/\\\n\t\x1b\u202e\udce9²"
ORDERS = b"order,job,hours,quantity,due,class,material,arrives\nhooks,hook.gcode,,3,2026-03-06,,,\nrims,,2.5,1,,,,\n"
PRINTERS = b"name,machine,class,materials,free_from\nLeft,quick,,,\nRight,own.toml,,PETG;PLA,2026-03-02 08:00\n"
DIALECT = b"""name = "bench"
based_on = "extrusion"
semicolon_comments = true
[[text]]
pattern = 'SPEED (?P<value>[0-9.]+)'
means = "override"
unit = "%"
[[label]]
pattern = 'road: (?P<label>.+)'
[[layer]]
pattern = 'storey (?P<layer>[0-9]+)'
"""
VARY = ("--vary", "acceleration=100:900:5")
LETTERS_OF_OPTIONS = ("", "motion.feed_override=", "corner=", "a: speed=", "acceleration=1:", "1h", "speed=1:2:3log")


class Outcome(NamedTuple):
    """Exit status, both streams, and processor time (s) of a run."""

    status: object
    out: str
    err: str
    seconds: float


def ended(words: tuple[str, ...]) -> Outcome:
    """Run the program in this process; an exception is a status of its own."""
    out, err = io.StringIO(), io.StringIO()
    begun = time.process_time()
    status: object = None
    with redirect_stdout(out), redirect_stderr(err), warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            main([*words, "--traceback"])
        except SystemExit as leaving:
            status = leaving.code
        except BaseException as error:
            status = repr(error)
    return Outcome(status, out.getvalue(), err.getvalue(), time.process_time() - begun)


def problem_of(outcome: Outcome, words: tuple[str, ...]) -> str:
    """What is wrong with a run; empty where nothing is."""
    if outcome.status not in (0, 1, 2):
        return f"status {outcome.status}: {outcome.err[-2000:]}"
    if outcome.seconds > LONGEST:
        return f"{outcome.seconds:.1f} s"
    told = outcome.out + outcome.err
    if acting := {letter for letter in told if not letter.isprintable() and letter not in "\n\t\udce9"}:
        return f"shows {acting}"
    if outcome.status == 2 and (outcome.out or "kinematics: " not in outcome.err):
        return f"status 2 with {outcome.out[:99]!r} and {outcome.err[:99]!r}"
    if outcome.status == 0 and "--json" in words:
        json.loads(outcome.out)
    return ""


def a_job(rng: random.Random) -> bytes:
    """A job: a known one that broke something, a damaged sample, or bytes at random."""
    chosen = rng.randrange(8)
    if chosen == 0:
        return damaged(rng, rng.choice([content for content, _, _ in JOBS.values()])[:2000], GCODE_LETTERS, JOB_NUMBERS)
    if chosen == 1:
        return rng.choice((b"", b"\x1f\x8b", b"G1 X1 F60\n")) + random_bytes(rng, rng.choice((None, GCODE_LETTERS)))
    if chosen == 2:
        return damaged(rng, HOOK.encode(), GCODE_LETTERS, JOB_NUMBERS)
    content = rng.choice(sorted(SAMPLES.glob("*.gcode"))).read_bytes()
    place = rng.randrange(max(1, len(content) - PIECE))
    return damaged(rng, content[place : place + PIECE], GCODE_LETTERS, JOB_NUMBERS)


def nudged(rng: random.Random, content: bytes, letters: bytes, numbers: list[bytes]) -> bytes:
    """A text of which a number or two are others, so that most of them can be read; or one that is damaged."""
    if rng.randrange(3) == 0:
        return damaged(rng, content, letters, numbers)
    places = list(re.finditer(rb"(?<![\w.])[0-9]+(\.[0-9]+)?", content))
    for place in sorted(rng.sample(places, min(len(places), rng.randint(1, 2))), key=re.Match.start, reverse=True):
        factor = 10.0 ** rng.choice((-9, -3, -1, -0.3, 0.3, 1, 3, 9))
        other = rng.choice(numbers) if rng.randrange(4) == 0 else f"{float(place[0]) * factor:.6g}".encode()
        content = content[: place.start()] + other + content[place.end() :]
    return content


def some_text(rng: random.Random) -> str:
    """An option's value."""
    return rng.choice(LETTERS_OF_OPTIONS) + "".join(rng.choices(OPTION_LETTERS, k=rng.choice((0, 1, 4, 12, 40))))


def jobs(rng: random.Random) -> str:
    """A job read whole and in blocks: the same status, the same time."""
    Path("job").write_bytes(a_job(rng))
    words = ("estimate", "job", *QUICK, "--dialect", rng.choice(("extrusion", "rs274")), "--json")
    whole = ended(words)
    with mock.patch.object(blockwise, "LARGE", 3), mock.patch.object(blockwise, "OVERLAPPED", 3):
        blocks = ended(words)
    if found := problem_of(whole, words) or problem_of(blocks, words):
        return found
    if whole.status != blocks.status:
        return f"whole {whole.status} {whole.err}, in blocks {blocks.status} {blocks.err}"
    if whole.status == 0:
        one, other = (json.loads(outcome.out)["total_s"] for outcome in (whole, blocks))
        if not math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9):
            return f"whole {one} s, in blocks {other} s"
    return ""


def machines(rng: random.Random) -> str:
    """A machine file, checked and used."""
    text = builtin_text(rng.choice(("gentle", "middling", "quick"))).encode()
    Path("own.toml").write_bytes(
        nudged(rng, text, TOML_LETTERS, NUMBERS) if rng.randrange(5) else random_bytes(rng, TOML_LETTERS)
    )
    words = rng.choice((("machine", "check", "own.toml"), ("estimate", "hook.gcode", "--machine", "./own.toml")))
    return problem_of(ended(words), words)


def dialects(rng: random.Random) -> str:
    """A dialect table, used on a job."""
    Path("own.toml").write_bytes(nudged(rng, DIALECT, TOML_LETTERS, NUMBERS))
    words = ("estimate", "hook.gcode", *QUICK, "--dialect", "./own.toml", "--json")
    return problem_of(ended(words), words)


def tables(rng: random.Random) -> str:
    """Orders and printers."""
    which = rng.randrange(3)
    Path("orders.csv").write_bytes(nudged(rng, ORDERS, CSV_LETTERS, NUMBERS) if which < 2 else ORDERS)
    Path("printers.csv").write_bytes(nudged(rng, PRINTERS, CSV_LETTERS, NUMBERS) if which else PRINTERS)
    Path("own.toml").write_text(builtin_text("gentle"))
    words = ("shop", "orders.csv", "--printers", "printers.csv", "--start", "2026-03-02", "--runs", "2")
    return problem_of(ended(words), words)


def options(rng: random.Random) -> str:
    """Values of options that nobody meant."""
    text = some_text(rng)
    words = rng.choice(
        (
            ("estimate", "hook.gcode", *QUICK, f"--set={text}"),
            ("compare", "hook.gcode", *QUICK, f"--candidate={text}"),
            ("compare", "hook.gcode", *QUICK, f"--candidate={text}: speed=1.1"),
            ("sweep", "hook.gcode", *QUICK, f"--vary={text}"),
            ("target", "hook.gcode", *QUICK, f"--within={text}"),
            ("shop", "orders.csv", "--printers", "printers.csv", f"--start={text}"),
            ("machine", "new", "new.toml", f"--name={text}", f"--bed={some_text(rng)}", "--like", "quick", "--force"),
            ("estimate", text or "-h", *QUICK),
        )
    )
    return problem_of(ended(words), words)


def resumed(rng: random.Random) -> str:
    """A sweep that finds damaged rows of its own: the same bytes as ever, or a refusal that leaves all as it is."""
    for path in Path().glob("rows.csv*"):
        path.unlink()
    words = ("sweep", "bracket.gcode", *QUICK, *VARY, "-o", "rows.csv")
    kept = {name: Path(f"kept{name}").read_bytes() for name in ("", ".partial", ".partial.json")}
    for name in (".partial", ".partial.json"):
        content = kept[name]
        if rng.randrange(3):
            content = damaged(rng, content, rng.choice((CSV_LETTERS, TOML_LETTERS)), NUMBERS)
        if rng.randrange(8):
            Path(f"rows.csv{name}").write_bytes(content)
    outcome = ended(words)
    if found := problem_of(outcome, words):
        return found
    if outcome.status == 0 and Path("rows.csv").read_bytes() != kept[""]:
        return "other rows than those of a sweep at one go"
    if outcome.status == 2 and Path("rows.csv").exists():
        return "refused, and yet written"
    return ""


def pictures(rng: random.Random) -> str:
    """A picture whose title holds a name that nobody would choose."""
    name = "".join(rng.choices("$\\{}^_%&#ab²\u202e\U0001f600\udce9 \t", k=rng.randint(1, 30))) + ".gcode"
    Path(name).write_text(BRACKET)
    words = ("estimate", name, *QUICK, "--limits", "--picture", "picture.png", "--force")
    if rng.randrange(2):
        words = ("sweep", name, *QUICK, *VARY, "--picture", "picture.svg", "--force")
    outcome = ended(words)
    os.unlink(name)
    return problem_of(outcome, words)


KINDS: tuple[tuple[Callable[[random.Random], str], int], ...] = (
    (jobs, 10),
    (machines, 4),
    (dialects, 3),
    (tables, 4),
    (options, 5),
    (resumed, 2),
    (pictures, 1),
)


def prepare() -> None:
    """Fill the current folder with sound files, and have everything compiled that will be asked for."""
    Path("hook.gcode").write_text(HOOK)
    Path("bracket.gcode").write_text(BRACKET)
    Path("orders.csv").write_bytes(ORDERS)
    Path("printers.csv").write_bytes(PRINTERS)
    Path("own.toml").write_text(builtin_text("gentle"))
    from kinematics.studies import sweep_file

    kept: dict[str, bytes] = {}

    def keeping(self: sweep_file.SweepFile, finish: Callable[..., None] = sweep_file.SweepFile.finish) -> None:
        for name in (".partial", ".partial.json"):
            kept[name] = Path(f"rows.csv{name}").read_bytes()
        finish(self)

    with mock.patch.object(sweep_file.SweepFile, "finish", keeping):
        assert ended(("sweep", "bracket.gcode", *QUICK, *VARY, "-o", "rows.csv")).status == 0
    kept[""] = Path("rows.csv").read_bytes()
    for name, content in kept.items():
        Path(f"kept{name}").write_bytes(content)
    for kind, _ in KINDS:
        for number in range(8):
            kind(random.Random(number))


def one_run(seed: int, number: int) -> str:
    """The run of a number: what is wrong with it, and empty where nothing is."""
    rng = random.Random(f"{seed} {number}")
    (kind,) = rng.choices([kind for kind, _ in KINDS], [often for _, often in KINDS])
    found = kind(rng)
    return f"run {number} of seed {seed}, {kind.__name__}: {found}" if found else ""


def problems(runs: int, seed: int, tell: Callable[[str], None] = lambda _: None) -> list[str]:
    """What goes wrong in so many runs in the current folder, which is left as the last of them left it."""
    prepare()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found = []
    for number in range(runs):
        if number % COLLECTED == 0:
            gc.collect()  # which a program for one run does without
        if problem := one_run(seed, number):
            found.append(problem)
            tell(problem)
            keep = Path(f"broken-{seed}-{number}")
            keep.mkdir(exist_ok=True)
            for path in Path().iterdir():
                if path.is_file():
                    shutil.copy(path, keep)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    if grown > MOST_MEMORY:
        found.append(f"took {grown / 1e6:.0f} MB more than the first runs")
    return found


def run() -> None:
    """Run as many as the first word says, with the seed of the second; status 1 where anything goes wrong."""
    runs, seed = (int(word) for word in sys.argv[1:3])
    os.chdir(tempfile.mkdtemp(prefix="fuzz-"))
    begun = time.process_time()
    found = problems(runs, seed, lambda text: print(text, flush=True))
    print("".join(f"{text[:2000]}\n" for text in found[-1:]), end="")
    print(f"{runs:,} runs, {len(found)} problems, {time.process_time() - begun:.0f} s; in {os.getcwd()}")
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    run()
