"""`kinematics guide TOPIC`, and machine files with every key."""

from __future__ import annotations

import click
import pytest

from kinematics.cli.program import COMMANDS, program
from kinematics.machine import load_machine
from kinematics.reports.guide import TOPICS, guide_lines
from tests.cli.conftest import Run
from tests.samples.json_guide import COMMANDS as DOCUMENTED
from tests.samples.json_guide import tree


@pytest.mark.parametrize("topic", TOPICS)
def test_a_guide_is_a_page_of_eighty_columns(run: Run, topic: str) -> None:
    out = run("guide", topic).out
    assert out.split() == " ".join(guide_lines(topic)).split()
    assert max(map(len, out.splitlines())) <= 80


def test_without_a_topic_the_topics_are_listed(run: Run) -> None:
    out = run("guide").out
    assert all(topic in out for topic in TOPICS)


def test_an_unknown_topic_is_told_the_known_ones(run: Run) -> None:
    ran = run("guide", "machin")
    assert ran.status == 2
    assert ran.err.startswith("kinematics: TOPIC: no guide to 'machin'; allowed: machine, jobs, dialect,")
    assert ran.err.strip().endswith("(did you mean 'machine'?)")


def test_every_command_with_a_document_is_documented() -> None:
    context = click.Context(program)
    with_json = set()
    for name in COMMANDS:
        command = program.get_command(context, name)
        inside = command.commands.items() if isinstance(command, click.Group) else ()
        for words, one in [(name, command), *((f"{name} {inner}", one) for inner, one in inside)]:
            if one is not None and any("--json" in parameter.opts for parameter in one.params):
                with_json.add(words)
    alike = {f"proof {kind}" for kind in ("acceleration", "corner", "pressure-advance", "flow", "filter")}
    assert (with_json - alike) | {"proof"} == set(DOCUMENTED)
    text = "\n".join(guide_lines("json"))
    assert all(f"\n{name}\n" in text for name in DOCUMENTED)


def test_keys_of_a_document_by_hand() -> None:
    objects = [{"total_s": 1.5, "rows": [{"a": 1}, {"a": None, "b": "x"}]}, {"rows": [], "set": {"x": 2.5}}]
    assert list(tree(objects, 0)) == [
        "total_s?: number", "rows: list of", "  a?: whole number", "  b?: text", "set?: by name, number"
    ]  # fmt: skip


def test_the_command_writes_a_full_file(run: Run) -> None:
    ran = run("machine", "new", "mine.toml", "--full", "--like", "gentle", "--bed", "200 200 180")
    assert ran.status == 0, ran.err
    assert run("machine", "check", "mine.toml").status == 0
    assert load_machine("mine.toml").axes == load_machine("gentle").axes
    ran = run("machine", "new", "other.toml", "--full", "--from", "bracket.gcode")
    assert ran.status == 2
    assert "--full: given together with --from; allowed: one of them" in ran.err
