"""`kinematics demo`: every study once, from files that come with the package."""

from __future__ import annotations

import gzip
import json
from importlib.resources import files
from pathlib import Path

import pytest

from kinematics.cli.demo import FILES, STEPS
from kinematics.machine import load_machine
from tests.cli.conftest import ROOT, Run

SAME = {
    "bench_start.gcode.txt": "machines/bench_start.gcode.txt",
    "bench_end.gcode.txt": "machines/bench_end.gcode.txt",
    "shop_dialect.toml": "shop_dialect.toml",
}
STUDIES = {"estimate", "compare", "ladder", "target", "sweep", "caps", "upgrades", "shop", "proof", "report"}


def test_the_package_holds_what_the_demo_needs_and_nothing_else() -> None:
    assert {one.name for one in files("kinematics").joinpath("demo").iterdir()} == set(FILES)
    assert {words.split()[0] for _, words in STEPS} == STUDIES


def test_the_samples_of_the_package_are_those_of_the_project() -> None:
    demo = ROOT / "kinematics" / "demo"
    assert (
        gzip.decompress((demo / "bracket.gcode.gz").read_bytes()) == (ROOT / "sample_gcode/bracket.gcode").read_bytes()
    )
    for name, sample in SAME.items():
        assert (demo / name).read_bytes() == (ROOT / "sample_gcode" / sample).read_bytes()
    ours, samples = (
        load_machine(str(path)) for path in (demo / "bench.toml", ROOT / "sample_gcode/machines/bench_cartesian.toml")
    )
    for section in ("axes", "motors", "motion", "vibration", "quality", "hotend", "cooling", "stops"):
        assert getattr(ours, section) == getattr(samples, section)


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A folder in which the demo has run, and what it said."""
    from tests.reports.conftest import run_in

    where = tmp_path_factory.mktemp("demo")
    return where, run_in(where, "demo", "here")


def test_every_study_answers_and_the_report_is_there(shown: tuple[Path, str]) -> None:
    where, said = shown
    for question, words in STEPS:
        assert f"── {question}\n$ kinematics {words}\n" in said
    written = {path.name for path in (where / "here").iterdir()}
    assert {"report.html", "ladder.svg", "week.svg", "proof.pdf", *FILES} <= written
    assert said.rstrip().endswith(str(where / "here" / "report.html"))


def test_a_folder_that_is_there_is_left_alone(run: Run, folder: Path) -> None:
    (folder / "here").mkdir()
    ran = run("demo", "here")
    assert ran.status == 2
    assert "is there already; allowed: a new folder, or --force" in ran.err
    assert run("demo", "hook.gcode", "--force").status == 2


def test_as_json_it_says_nothing_else(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from kinematics.cli import demo

    monkeypatch.setattr(demo, "STEPS", STEPS[:2])
    ran = run("demo", "here", "--json")
    assert ran.status == 0
    assert [step["command"].split()[1] for step in json.loads(ran.out)["steps"]] == ["estimate", "compare"]
