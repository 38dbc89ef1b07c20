"""`kinematics shop`: how many parts a day, and by when."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run

OWN = """\
[economy]
staffed = ["Mon-Fri 08:00-16:00"]
time_zone = "Europe/Vienna"
unattended = true
turnaround_min = 6.0
failed_share = 0.1
[[upgrade]]
name = "brisk"
set = { acceleration = 4000, speed = 1.5 }
"""
BASE = ("shop", "orders.csv", "--printers", "printers.csv", "--start", "2026-03-02 08:00")


@pytest.fixture
def shop(folder: Path) -> Path:
    (folder / "own.toml").write_text(OWN)
    (folder / "printers.csv").write_text("name,machine,class,materials,free_from\none,own.toml,,,\ntwo,own.toml,,,\n")
    (folder / "orders.csv").write_text(
        "order,job,hours,quantity,due,class,material\nhooks,hook.gcode,,5,2026-03-03,,\nstays,,7,4,2026-03-04,,\n"
    )
    return folder


def test_the_document(run: Run, shop: Path) -> None:
    ran = run(*BASE, "--upgrade", "brisk", "--candidate", "people: economy.turnaround_min=1", "--json", "--runs", "4")
    assert ran.status == 0, ran.err
    document = json.loads(ran.out)
    assert document["start"] == "2026-03-02T08:00:00+01:00"
    assert (document["parts"], document["runs"]) == (9, 4)
    rate = document["parts_per_day"]
    assert 0 < rate["low"] <= rate["mean"] <= rate["high"]
    for printer in document["printers"]:
        shares = [value for key, value in printer.items() if key.endswith("_share")]
        assert sum(shares) == pytest.approx(1.0)
    assert [order["order"] for order in document["orders"]] == ["hooks", "stays"]
    assert document["orders"][0]["place"] == "orders.csv:2"
    assert document["orders"][0]["due"] == "2026-03-04T00:00:00+01:00"
    assert [effect["change"] for effect in document["effects"]] == ["people", "brisk"]
    assert document["effects"][0]["prints_shorter_share"] == 0.0
    assert document["effects"][1]["prints_shorter_share"] > 0.0
    assert {trial["trial"] for trial in document["bottleneck"]["trials"]} == {
        "prints a third shorter", "parts off a third quicker", "people at all hours", "a second one", "a second two",
    }  # fmt: skip
    assert document["not_planned"] == []
    again = run(*BASE, "--upgrade", "brisk", "--candidate", "people: economy.turnaround_min=1", "--json", "--runs", "4")
    assert again.out == ran.out
    assert json.loads(run(*BASE, "--seed", "7", "--json", "--runs", "4").out)["parts_per_day"] != rate


def test_what_cannot_be_planned_is_left_out_with_its_line_and_status_one(run: Run, shop: Path) -> None:
    with (shop / "orders.csv").open("a") as orders:
        orders.write("bad,,1,-2,,,\nlate,,1,1,2026-02-01,,\n")
    ran = run(*BASE)
    assert ran.status == 1
    assert "left out: orders.csv:4: quantity is '-2'; allowed: a whole number" in ran.err
    assert "orders.csv:5: late was due before the shop starts" in ran.out
    assert "bottleneck: " in ran.out
    document = json.loads(run(*BASE, "--json").out)
    assert [one["place"] for one in document["not_planned"]] == ["orders.csv:4"]
    assert [one["place"] for one in document["warnings"]] == ["orders.csv:5"]


def test_nothing_to_plan_is_bad_input(run: Run, shop: Path) -> None:
    (shop / "orders.csv").write_text("order,hours,quantity\na,1,0\n")
    ran = run(*BASE)
    assert ran.status == 2
    assert "orders.csv:2: quantity is '0'" in ran.err


def test_options_that_cannot_be(run: Run, shop: Path) -> None:
    assert "--start: 'soon' is not a date" in run(*BASE[:4], "--start", "soon").err
    assert (
        "no machine has an upgrade 'brsk'; allowed: brisk (did you mean 'brisk'?)"
        in run(*BASE, "--upgrade", "brsk").err
    )
    assert "can't draw a picture that ends in '.txt'; allowed: FILE.png" in run(*BASE, "--gantt", "g.txt").err


def test_a_picture_is_not_overwritten_unasked(run: Run, shop: Path) -> None:
    (shop / "orders.csv").write_text("order,hours\na,1\n")
    assert run(*BASE, "--gantt", "g.png").status == 0
    assert (shop / "g.png").stat().st_size > 0
    assert "the file exists already" in run(*BASE, "--gantt", "g.png").err
    assert run(*BASE, "--gantt", "g.png", "--force").status == 0


def test_it_cautions_about_unattended_running(run: Run, shop: Path) -> None:
    (shop / "orders.csv").write_text("order,hours\na,1\n")
    assert "only as the manufacturer's instructions and local codes allow" in run(*BASE).out
    assert "unattended" not in run(*BASE, "--set", "economy.unattended=false").out


def test_without_a_start_it_starts_now(run: Run, shop: Path) -> None:
    (shop / "orders.csv").write_text("order,hours\na,1\n")
    assert run(*BASE[:4]).status == 0
