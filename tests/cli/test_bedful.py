"""`kinematics bedful`, and `--copies` of the commands on jobs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run, rows_of, table_of

OWN = """\
[machine]
name = "Own"
bed_mm = [120, 100, 50]
[cooling]
shortest_layer_s = 3.0
[economy]
staffed = ["Mon-Fri 08:00-16:00"]
unattended = true
turnaround_min = 6.0
failed_share = 0.04
machine_cost_per_hour = 0.60
labour_cost_per_hour = 18.0
currency = "EUR"
"""


@pytest.fixture
def own(folder: Path) -> Path:
    (folder / "own.toml").write_text(OWN)
    return folder


def test_the_document_and_the_screen_say_the_same(run: Run, own: Path) -> None:
    ran = run("bedful", "hook.gcode", "--machine", "own.toml", "--json")
    assert ran.status == 0, ran.err
    document = json.loads(ran.out)
    (job,) = document["jobs"]
    assert job["most_fit"] == len(job["rows"]) == 4  # a hook takes 45 × 30 mm, from 0.2 to 0.4 mm
    assert job["why_no_more"] == "4 of 45 × 30 mm fit on a bed of 120 × 100 mm, 2 × 2, 8 mm apart"
    screen = run("bedful", "hook.gcode", "--machine", "own.toml")
    rows = table_of(screen.out)
    assert [int(row["copies"]) for row in rows] == [1, 2, 3, 4]
    best = max(job["rows"], key=lambda row: row["parts_per_day"])["copies"]
    assert job["best_by_parts"] == best
    assert f"  {best} at a time bring most parts a day: " in screen.out
    assert screen.out.startswith("on Own\n")
    assert "Printers run unattended here" in screen.out
    for row, shown in zip(job["rows"], rows, strict=True):
        assert f"{row['cost_per_part']:,.2f}" == shown["part costs, EUR"]


def test_copies_of_an_estimate_are_those_of_bedful(run: Run, own: Path) -> None:
    rows = json.loads(run("bedful", "hook.gcode", "--machine", "own.toml", "--json").out)["jobs"][0]["rows"]
    for row in rows:
        ran = run("estimate", "hook.gcode", "--machine", "own.toml", "--json", "--copies", str(row["copies"]))
        document = json.loads(ran.out)
        assert document["total_s"] == pytest.approx(row["total_s"], rel=1e-12)
    assert document["jobs"][0]["copies"]["number"] == 4
    assert document["jobs"][0]["copies"]["part_s"] == pytest.approx(document["total_s"] / 4)


def test_one_copy_is_an_estimate_to_the_bit(run: Run, own: Path) -> None:
    ask = ("estimate", "hook.gcode", "--machine", "own.toml", "--json")
    assert run(*ask, "--copies", "1").out == run(*ask).out


def test_the_screen_of_copies(run: Run, own: Path) -> None:
    out = run("estimate", "hook.gcode", "--machine", "own.toml", "--copies", "3").out
    assert "  3 copies at a time, layer by layer, " in out
    assert "  4 more travels, with one retraction each where the job retracts; oozing is not modelled" in out
    assert "--copies 3" in out.splitlines()[-2] or "next:" not in out
    layers = table_of(run("estimate", "hook.gcode", "--machine", "own.toml", "--copies", "3", "--layers").out)
    assert [row["layer"] for row in layers] == ["0", "1", "2"]


@pytest.mark.parametrize("command", [("compare", "--candidate", "speed=2"), ("ladder",)])
def test_other_commands_take_copies(run: Run, own: Path, command: tuple[str, ...]) -> None:
    name, *more = command
    ran = run(name, "hook.gcode", "--machine", "own.toml", *more, "--copies", "3", "--json")
    assert ran.status == 0, ran.err
    document = json.loads(ran.out)
    assert document["copies"] == 3
    total = json.loads(run("estimate", "hook.gcode", "--machine", "own.toml", "--copies", "3", "--json").out)["total_s"]
    first = document["total_s"] if name == "ladder" else document["rows"][0]["total_s"]
    assert first == pytest.approx(total)
    said = run(name, "hook.gcode", "--machine", "own.toml", *more, "--copies", "3").out
    assert "on Own, 3 copies at a time" in said.splitlines()[0]


def test_spacing_and_clips(run: Run, own: Path) -> None:
    def most(*more: str) -> int:
        ran = run("bedful", "hook.gcode", "--machine", "own.toml", "--json", *more)
        return int(json.loads(ran.out)["jobs"][0]["most_fit"])

    assert most("--spacing", "0") == 6
    assert most("--set", "machine.keep_out_mm=[[0, 0, 40, 50]]") == 3


def test_what_cannot_be(run: Run, own: Path) -> None:
    for arguments, said in (
        (("estimate", "--copies", "9"), "9 copies do not fit on the bed: 4 of 45 × 30 mm fit"),
        (("estimate", "--copies", "2", "--moves", "m.csv"), "--moves: 2 copies, of which no moves are kept"),
        (("bedful", "--set", "machine.bed_mm=[30, 100, 50]"), "it takes 45 × 30 × 0 mm and does not fit on the bed"),
        (("bedful", "--picture", "b.gif"), "--picture: can't draw a picture that ends in '.gif'"),
        (("bedful", "bracket.gcode", "--picture", "b.png"), "--picture: 2 jobs; allowed: one job"),
    ):
        name, *more = arguments
        ran = run(name, "hook.gcode", *more, "--machine", "own.toml")
        assert ran.status == 2
        assert said in ran.err


def test_the_picture_is_the_same_bytes_again(run: Run, own: Path) -> None:
    ask = ("bedful", "hook.gcode", "--machine", "own.toml", "--picture")
    assert run(*ask, "one.svg").status == 0
    assert run(*ask, "two.svg").status == 0
    first = Path("one.svg").read_bytes()
    assert first == Path("two.svg").read_bytes()
    assert b"good parts a day" in first
    assert b"nights" in first
    refused = run(*ask, "one.svg")
    assert refused.status == 2
    assert run(*ask, "one.svg", "--force").status == 0
    assert rows_of(refused.out) == []
