"""What is said to be equivalent still stands in the sources, and the driver tells mutants apart."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.mutants.equivalent import EQUIVALENT, Equivalent
from tests.mutants.mutation import ROOT, SECTIONS, unheard
from tests.mutants.suite import FEWER, suite_for


@pytest.mark.parametrize("one", EQUIVALENT, ids=lambda one: f"{Path(one.path).stem}: {one.before}")
def test_a_proof_is_of_a_line_that_there_is(one: Equivalent) -> None:
    source = (ROOT / one.path).read_text(encoding="utf-8")
    wanted = [node for node in ast.walk(ast.parse(source)) if getattr(node, "name", None) == one.inside]
    pieces = [ast.get_source_segment(source, node) or "" for node in wanted] if one.inside else [source]
    assert any(one.before in " ".join(line.strip() for line in piece.splitlines()) for piece in pieces)
    assert one.before != one.after
    assert one.proof.endswith(".")


def test_no_proof_stands_twice() -> None:
    assert len({one[:4] for one in EQUIVALENT}) == len(EQUIVALENT)


def test_every_source_of_planner_limits_and_filters_has_its_section() -> None:
    named = [name for names in SECTIONS.values() for name in names]
    assert len(named) == len(set(named))
    rooms = (ROOT / "kinematics").glob("planner/*.py"), (ROOT / "kinematics").glob("limits/*.py")
    there = {f"{path.parent.name}/{path.name}" for room in rooms for path in room if path.stat().st_size}
    assert there <= set(named)
    assert all((ROOT / "kinematics" / name).exists() for name in named)


def test_what_no_number_hangs_on_is_found() -> None:
    found = [what for what, _ in unheard('def f(a: int | None) -> int | float:\n    return f"{a + 1}"\n')]
    assert sorted(found) == ["annotations", "annotations", "words of messages"]


def test_the_suite_names_tests_that_there_are() -> None:
    files = {name.split("::")[0] for name in FEWER} | {one.split("::")[0] for part in suite_for("") for one in part}
    assert all((ROOT / name).exists() for name in files)
    for name in FEWER:
        path, test = name.split("::")
        assert f"def {test}(" in (ROOT / path).read_text(encoding="utf-8")
