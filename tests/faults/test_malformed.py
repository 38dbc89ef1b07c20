"""Every input of `tests/malformed` ends with a sentence (status 2) or is told on the answer; none is left out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import ROOT
from tests.faults.fuzz import DIALECT, Outcome, ended
from tests.malformed.found import DIALECTS, FOUND
from tests.malformed.jobs import JOBS
from tests.malformed.seeds import SEEDS
from tests.malformed.tables import TABLES

QUICK = ("--machine", "quick")
# Files whose inputs this test runs.
HERE = {
    "__init__.py": "nothing in it",
    "jobs.py": "JOBS",
    "tables.py": "TABLES",
    "found.py": "FOUND",
    "seeds.py": "SEEDS",
}
# Files whose inputs another test runs, all of them, for a reason: the name of the inputs, the test.
ELSEWHERE = {
    "endless.py": ("ENDLESS", "test_limits.py"),  # refused for want of memory: in processes with little of it
    "many_moves.py": (
        "MANY_MOVES",
        "test_memory.py",
    ),  # sound jobs, of which memory is measured: in processes of their own
    "page_requests.py": ("ASKED", "page_fuzz.py"),  # requests to the live page, not files
}
# Where an answer tells what is wrong with an input: warnings, counted; stops of a length that is not known, which are
# not counted as time; orders and printers that are left out.
TELLING = ("warnings", "unknown_stops", "not_planned")
# What each kind of input is given to, as `input`.
COMMANDS: dict[str, tuple[str, ...]] = {
    "reader": ("estimate", "input", *QUICK),
    "machine": ("estimate", "bracket.gcode", "--machine", "input.toml"),
    "dialect": ("estimate", "bracket.gcode", *QUICK, "--dialect", "input.toml"),
    "orders": ("shop", "input", "--printers", "printers.csv"),
    "printers": ("shop", "orders.csv", "--printers", "input"),
    "recording": ("vibration", "--x", "input"),
    "times": ("fit", "input", *QUICK),
    "saved": ("report", "bracket.gcode", *QUICK, "--before", "input", "-o", "page.html", "--force"),
}


def told_on(document: Any) -> Iterator[Any]:
    """All that a document of an answer tells of its inputs."""
    if isinstance(document, dict):
        for name, value in document.items():
            yield from value if name in TELLING else told_on(value)
    elif isinstance(document, list):
        for value in document:
            yield from told_on(value)


def asked(words: tuple[str, ...]) -> Outcome:
    """The outcome of a command, which is an answer, a no or a sentence and nothing else."""
    found = ended((*words, "--json") if words[0] != "report" else words)
    assert found.status in (0, 1, 2), found.err
    assert "Traceback" not in found.err + found.out
    if found.status == 2:
        assert found.out == ""
        lines = [line for line in found.err.splitlines() if not line.startswith("first run: ")]
        assert lines
        assert all(line.startswith("kinematics: ") for line in lines)
    return found


def asked_of(kind: str, content: bytes) -> Outcome:
    """The outcome of the command that a kind of input is for."""
    words = COMMANDS[kind]
    if kind == "reader":  # as searches have it: the first byte chooses the dialect
        Path("own.toml").write_bytes(DIALECT)
        dialect = DIALECTS[content[0] % len(DIALECTS) if content else 0]
        words = (*words, "--dialect", "own.toml" if dialect == "own" else dialect)
        content = content[1:]
    Path("orders.csv").write_text("order,hours\nhooks,2\n")
    Path("printers.csv").write_text("name,machine\nLeft,quick\n")
    for name in ("input", "input.toml"):
        Path(name).write_bytes(content)
    return asked(words)


def is_told(found: Outcome) -> bool:
    """Whether an outcome says that something is wrong with an input."""
    if found.status == 2:
        return True
    told = list(told_on(json.loads(found.out)))
    assert all(one["count"] >= 1 for one in told if "count" in one)
    return bool(told)


@pytest.mark.parametrize("name", JOBS)
def test_a_job(folder: Path, name: str) -> None:
    Path("job.gcode").write_bytes(JOBS[name][0])
    assert is_told(asked(("estimate", "job.gcode", *QUICK)))


@pytest.mark.parametrize("name", TABLES)
def test_tables_of_orders_and_printers(folder: Path, name: str) -> None:
    orders, printers, words, _, _ = TABLES[name]
    Path("orders.csv").write_text(orders)
    Path("printers.csv").write_text(printers)
    assert is_told(asked(("shop", "orders.csv", "--printers", "printers.csv", *words)))


@pytest.mark.parametrize(("kind", "number"), [(kind, number) for kind in FOUND for number in range(len(FOUND[kind]))])
def test_what_a_search_has_found(folder: Path, kind: str, number: int) -> None:
    assert is_told(asked_of(kind, FOUND[kind][number]))


@pytest.mark.parametrize(("kind", "number"), [(kind, number) for kind in SEEDS for number in range(len(SEEDS[kind]))])
def test_what_a_search_begins_with(folder: Path, kind: str, number: int) -> None:
    asked_of(kind, SEEDS[kind][number])  # most of these are sound: nothing needs to be told


def test_no_file_of_malformed_inputs_is_left_out() -> None:
    files = {path.name for path in (ROOT / "tests" / "malformed").rglob("*") if "__pycache__" not in path.parts}
    assert files == {*HERE, *ELSEWHERE}
    for file, (name, test) in ELSEWHERE.items():
        text = (ROOT / "tests" / "faults" / test).read_text()
        assert f"from tests.malformed.{file.removesuffix('.py')} import {name}\n" in text
        assert text.count(name) > 1
    assert COMMANDS.keys() >= FOUND.keys() | SEEDS.keys()
