"""`kinematics guide TOPIC`, and machine files with every key."""

from __future__ import annotations

from kinematics.machine import Machine, load_machine
from kinematics.machine.explained import GUIDES
from tests.cli.conftest import Run


def test_the_guide_is_a_page_of_eighty_columns(run: Run) -> None:
    out = run("guide", "machine").out
    assert out.split() == " ".join(GUIDES["machine"]()).split()
    assert max(map(len, out.splitlines())) <= 80


def test_an_unknown_topic_is_told_the_known_ones(run: Run) -> None:
    ran = run("guide", "machin")
    assert ran.status == 2
    assert ran.err.strip() == "kinematics: TOPIC: no guide to 'machin'; allowed: machine (did you mean 'machine'?)"


def test_the_command_writes_a_full_file(run: Run) -> None:
    ran = run("machine", "new", "mine.toml", "--full", "--like", "gentle", "--bed", "200 200 180")
    assert ran.status == 0, ran.err
    assert run("machine", "check", "mine.toml").status == 0
    assert Machine.from_file("mine.toml").axes == load_machine("gentle").axes
    ran = run("machine", "new", "other.toml", "--full", "--from", "bracket.gcode")
    assert ran.status == 2
    assert "--full: given together with --from; allowed: one of them" in ran.err
