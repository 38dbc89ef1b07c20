"""A page about a hostile job on a hostile machine, asked in this process; and the program run as one of its own."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("uvicorn", reason="the extra `page` is not installed")
pytest.importorskip("plotly", reason="the extra `page` is not installed")

from starlette.testclient import TestClient

from kinematics.cli.explore import explorer_of
from kinematics.cli.options import JobOptions
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import load_machine
from kinematics.page.explorer import Explorer
from kinematics.page.server import PageServer, guarded
from tests.cli.conftest import ROOT, run_apart
from tests.first_document import told_first

PORT = 6240
HERE = f"http://127.0.0.1:{PORT}"
SAMPLES = ROOT / "sample_gcode"
BENCH = SAMPLES / "machines" / "bench_cartesian.toml"
JOB = """<b>&"'.gcode"""
SCRIPT = "</script><script>alert(1)</script>"
MACHINE = "<i>bench</i> & co"
# Nested squares in ten layers, none of which waits to cool; with a command that nobody knows, and a hostile comment.
SQUARES = [(20 + 5 * i, 110 - 5 * i) for i in range(8)]
SQUARE = f"; {SCRIPT}\nM999 Q7 {SCRIPT}\nG28\nM83\n" + "".join(
    f"G0 X{low} Y{low} Z{0.2 * layer:.1f} F6000\nG1 X{high} E2 F3000\nG1 Y{high} E2\nG1 X{low} E2\nG1 Y{low} E2\n"
    for layer in range(1, 11)
    for low, high in SQUARES
)


@pytest.fixture(scope="session")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a hostile job and a machine of a hostile name."""
    folder = tmp_path_factory.mktemp("secret-folder")
    (folder / JOB).write_text(SQUARE)
    text = BENCH.read_text().replace('name = "Bench A"', f'name = "{MACHINE}"')
    text = text.replace('start_file = "', f'start_file = "{folder}/').replace('end_file = "', f'end_file = "{folder}/')
    for name in ("bench_start.gcode.txt", "bench_end.gcode.txt"):
        (folder / name).write_text((BENCH.parent / name).read_text())
    more = '[[candidate]]\nname = "<u>brisk</u>"\nset = { "motion.print_acceleration_mm_s2" = 4000 }\n'
    (folder / "bench.toml").write_text(text + more)
    return folder


@pytest.fixture
def explorer(where: Path) -> Iterator[Explorer]:
    """What the page is about: that job and machine."""
    machine = load_machine(str(where / "bench.toml"))
    path = str(where / JOB)
    asked = JobOptions((path,), machine_name=str(where / "bench.toml"))
    made = explorer_of(asked, [PreparedJob(path)], machine, "kinematics explore")
    yield made
    made.shelf.clear()


@pytest.fixture
def client(explorer: Explorer) -> Iterator[TestClient]:
    """Asks the page as a browser on this computer would."""
    with TestClient(guarded(PageServer(explorer), PORT), base_url=HERE) as asking:
        yield asking


@contextmanager
def running(*arguments: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """`kinematics explore` as a process of its own, at any free port: its address, and the process."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with told_first(["explore", *arguments, "--port", "0"], ROOT, environment) as (told, process):
        yield str(told["address"]), process


def estimated(job: str, machine: str, *settings: str) -> dict[str, Any]:
    """What `estimate --set … --json` prints."""
    found: dict[str, Any] = json.loads(_told(job, machine, *settings))
    return found


@cache
def _told(job: str, machine: str, *settings: str) -> str:
    words = [word for setting in settings for word in ("--set", setting)]
    done = run_apart("estimate", job, "--machine", machine, *words, "--json")
    assert done.status == 0, done.err
    return done.out
