"""A search guided by coverage: `python -m tests.faults.coverage_fuzz TARGET SECONDS` (atheris, the extra `fuzz`).

TARGET is one of READS; with `all 0` no more is done than what every search begins with. Everything is read as the
Python that it is, kernels uncompiled, so that every branch is seen. An input breaks it that ends in anything but an
answer or an InputError, or takes more than a second of processor time or two gigabytes; a job in blocks must be the job
as a whole. Such an input is kept in a folder that is told, and the status is 1. Afterwards the lines are counted that
what was kept of the search has reached.
"""

from __future__ import annotations

import contextlib
import dis
import math
import os
import re
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

os.environ["NUMBA_DISABLE_JIT"] = "1"

import kinematics
from tests.faults.fuzz import DIALECT
from tests.malformed.found import DIALECTS, FOUND
from tests.malformed.jobs import JOBS
from tests.malformed.seeds import JOB_WORDS, SEEDS

ROOT = Path(__file__).parents[2]
LONGEST = 1.0  # s of processor time
LONGEST_INPUT = 500  # bytes
MOST_MEMORY = 2048  # MB
CHORDS = 300  # of one arc: uncompiled, 60,000 take a second by themselves
BLOCK = 100  # bytes of a job at a time, beside all of it
SEED = 1

MACHINE_FILES = (
    *(f"machine/{name}.py" for name in ("file", "kinds", "names", "rules", "settings", "model", "mechanisms")),
    "toml/",
)

Read = Callable[[bytes, Path], None]


def read_job(content: bytes, _: Path) -> None:
    """A job, whole and in blocks; its first byte chooses the dialect."""
    from kinematics.errors import InputError
    from kinematics.gcode.chunks import JobFile
    from kinematics.gcode.dialect_file import dialect_from_text
    from kinematics.gcode.dialects import DIALECTS as KNOWN
    from kinematics.gcode.portions import Portions, Wanted
    from kinematics.gcode.reader import read_gcode
    from kinematics.gcode.state import ReaderOptions

    name = DIALECTS[content[0] % len(DIALECTS) if content else 0]
    dialect = KNOWN[name] if name in KNOWN else dialect_from_text(DIALECT.decode(), name)
    text = content[1:]
    told: list[Any] = []
    for whole in (True, False):
        try:
            if whole:
                job = read_gcode(text, dialect)
                told.append((len(job), job.events.kind.size, job.layers, round(job.filament, 6)))
            else:
                options = ReaderOptions((0.0, 0.0, 0.0), 0.01, math.nan, math.inf, math.nan, False)
                layering, marked = None, bool(dialect.layers)
                for _ in range(4):  # layers that only the whole file tells take another look
                    wanted = Wanted(True, True, b"", marked, layering)
                    portions = Portions(JobFile(text), dialect, options, wanted, BLOCK)
                    events = sum(portion.events.kind.size for portion in portions.read())
                    if marked and portions.layers == 0:
                        marked = False
                    elif portions.layers_held:
                        break
                    else:
                        layering = portions.layering
                if portions.moves:
                    told.append((portions.moves, events, portions.layers, round(portions.filament, 6)))
        except InputError as error:
            told.append(str(error))
    if len(told) == 2 and isinstance(told[0], tuple) and told[0] != told[1]:
        raise AssertionError(f"whole {told[0]}, in blocks {told[1]}")


def read_machine(content: bytes, path: Path) -> None:
    """A machine file."""
    from kinematics.machine.file import machine_from_file

    path.write_bytes(content)
    machine_from_file(path)


def read_dialect(content: bytes, path: Path) -> None:
    """A dialect table."""
    from kinematics.gcode.dialect_file import load_dialect

    path.write_bytes(content)
    load_dialect(path)


def read_orders(content: bytes, path: Path) -> None:
    """A table of orders."""
    from datetime import UTC

    from kinematics.business.tables import read_orders

    path.write_bytes(content)
    read_orders(str(path), UTC)


def read_printers(content: bytes, path: Path) -> None:
    """A table of printers."""
    from kinematics.business.tables import read_printers

    path.write_bytes(content)
    read_printers(str(path))


def read_recording(content: bytes, path: Path) -> None:
    """A recording of an accelerometer."""
    from kinematics.vibration.recording import read_recording

    path.write_bytes(content)
    read_recording(path, "x")


def read_times(content: bytes, path: Path) -> None:
    """A table of measured times."""
    from kinematics.measured.stopwatch import read_times

    path.write_bytes(content)
    read_times(str(path))


def read_saved(content: bytes, path: Path) -> None:
    """A saved estimate."""
    from kinematics.reports.before import read_before

    path.write_bytes(content)
    read_before(str(path))


# Each with the files of the package of which lines are counted.
READS: dict[str, tuple[Read, tuple[str, ...]]] = {
    "reader": (read_job, ("gcode/",)),
    "machine": (read_machine, MACHINE_FILES),
    "dialect": (read_dialect, ("gcode/dialect_file.py", "toml/")),
    "orders": (read_orders, ("business/tables.py", "tables.py")),
    "printers": (read_printers, ("business/tables.py", "tables.py")),
    "recording": (read_recording, ("vibration/recording.py", "vibration/spectrum.py")),
    "times": (read_times, ("measured/stopwatch.py", "tables.py", "wording.py")),
    "saved": (read_saved, ("reports/before.py",)),
}


def seeds(target: str) -> list[bytes]:
    """What the search begins with: what once broke something, and what is sound."""
    if target == "reader":
        found = [content[:LONGEST_INPUT] for content, _, _ in JOBS.values()]
        samples = sorted((ROOT / "sample_gcode").glob("*.gcode"))
        found += [path.read_bytes()[at : at + 500] for path in samples for at in (0, 3000)]
        found = [bytes([dialect]) + content for content in found for dialect in range(len(DIALECTS))]
    elif target == "machine":
        from kinematics.machine.file import builtin_text

        found = [
            part.encode()
            for name in ("gentle", "middling", "quick")
            for part in re.split(r"\n(?=\[)", builtin_text(name))
        ]
    else:
        found = list(SEEDS[target])
    return [*found, *FOUND.get(target, ())]


def words(target: str) -> list[str]:
    """Words that are put into inputs: those of jobs, or whatever stands in the seeds."""
    if target == "reader":
        return list(JOB_WORDS)
    text = b"\n".join(seeds(target)).decode("utf-8", "replace")
    return sorted(set(re.findall(r"[\w./-]{2,40}", text)))[:400]


@contextlib.contextmanager
def few_chords() -> Iterator[None]:
    """Arcs of no more than CHORDS, as long as it lasts."""
    from kinematics.gcode import interpreter, motion

    kept = motion.MOST_CHORDS
    motion.MOST_CHORDS = interpreter.MOST_CHORDS = CHORDS
    try:
        yield
    finally:
        motion.MOST_CHORDS = interpreter.MOST_CHORDS = kept


def check(target: str, content: bytes, path: Path) -> None:
    """Read one input. Raises AssertionError, or whatever nobody foresaw, where it breaks something."""
    from kinematics.errors import InputError

    begun = time.process_time()
    with contextlib.suppress(InputError), few_chords(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "overflow encountered", RuntimeWarning)  # kernels count modulo 2⁶⁴
        READS[target][0](content, path)
    if (taken := time.process_time() - begun) > LONGEST:
        raise AssertionError(f"{taken:.1f} s")


def search(target: str, arguments: list[str]) -> None:
    """Search in this process, which ends with it."""
    import atheris

    with atheris.instrument_imports(include=["kinematics"]):
        for name in list(sys.modules):
            if name.startswith("kinematics."):
                del sys.modules[name]
        with contextlib.suppress(Exception):
            for content in seeds(target):
                check(target, content, Path("input"))
    path = Path("input").absolute()
    atheris.Setup([sys.argv[0], *arguments], lambda content: check(target, content, path))
    atheris.Fuzz()


def reached(target: str, corpus: Path) -> tuple[int, int]:
    """How many lines of the target's files the inputs of a folder reach, and how many there are."""
    package = Path(kinematics.__file__).parent
    files = [
        str(path)
        for path in sorted(package.rglob("*.py"))
        if path.relative_to(package).as_posix().startswith(READS[target][1])
    ]
    lines = {(file, line) for file in files for line in _lines(compile(Path(file).read_text(), file, "exec"))}
    found: set[tuple[str, int]] = set()

    def follow(frame: FrameType, event: str, _: object) -> Any:
        if frame.f_code.co_filename not in files:
            return None
        found.add((frame.f_code.co_filename, frame.f_lineno))
        return follow

    sys.settrace(follow)
    for path in sorted(corpus.iterdir()):
        with contextlib.suppress(Exception):
            check(target, path.read_bytes(), Path("input"))
    sys.settrace(None)
    return len(found & lines), len(lines)


def _lines(code: CodeType, inside: bool = False) -> Iterator[int]:
    """The lines of all functions of a module, without those that run as it is loaded."""
    for part in code.co_consts:
        if isinstance(part, CodeType):
            yield from _lines(part, inside or (not part.co_name.startswith("<") and part.co_flags & 2 != 0))
    if inside:
        yield from (line for _, line in dis.findlinestarts(code) if line and line != code.co_firstlineno)


def run() -> None:
    """Search for so many seconds from the seeds, in a process of its own; tell what was found, and lines reached."""
    target, seconds = sys.argv[1], sys.argv[2]
    if seconds == "0":  # what the search begins with, and no search
        os.chdir(tempfile.mkdtemp(prefix="fuzz-"))
        for one in READS if target == "all" else [target]:
            for content in seeds(one):
                check(one, content, Path("input"))
        return
    if seconds == "in this process":
        search(target, sys.argv[3:])
        return
    folder = Path(tempfile.mkdtemp(prefix=f"fuzz-{target}-"))
    os.chdir(folder)
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, content in enumerate(seeds(target)):
        (corpus / f"seed-{number}").write_bytes(content)
    quoted = (
        "".join(letter if letter.isalnum() else f"\\x{ord(letter):02x}" for letter in word)
        for word in words(target)
        if word.isascii()
    )
    (folder / "words").write_text("".join(f'"{word}"\n' for word in quoted))
    told = {
        "max_total_time": seconds, "max_len": LONGEST_INPUT, "timeout": 60, "rss_limit_mb": MOST_MEMORY, "seed": SEED,
        "dict": "words", "artifact_prefix": f"{folder}/broken-", "print_final_stats": 1, "verbosity": 1,
    }  # fmt: skip
    options = [f"-{name}={value}" for name, value in told.items()]
    command = [sys.executable, "-m", "tests.faults.coverage_fuzz", target, "in this process", *options, str(corpus)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with open(folder / "log", "w+") as log:
        status = subprocess.run(command, env=environment, stdout=log, stderr=subprocess.STDOUT).returncode
        log.seek(0)
        text = log.read()
    edges = re.findall(r"cov: (\d+)", text)
    runs = re.search(r"number_of_executed_units: *(\d+)", text)
    memory = re.search(r"peak_rss_mb: *(\d+)", text)
    if status:
        print(text[-4000:])
    lines, of = reached(target, corpus)
    print(
        f"{target}: {int(runs[1]) if runs else 0:,} runs, {edges[-1] if edges else 0} edges, {lines} of {of} lines,"
        f" {memory[1] if memory else '?'} MB; {'broken: see' if status else 'nothing broken; in'} {folder}"
    )
    sys.exit(1 if status else 0)


if __name__ == "__main__":
    run()
