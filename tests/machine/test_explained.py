"""The table of keys as people read it: a file with every key, and the guide."""

from __future__ import annotations

import re

import pytest

from kinematics.errors import InputError
from kinematics.machine import BUILTIN_NAMES, Machine, new_machine_text
from kinematics.machine.explained import full_machine_text, guide_to_machine, pages
from kinematics.machine.names import all_keys

BED = "200 x 210 x 220"
COMMENTED_OUT = re.compile(r"# (\[.*\]|[a-z0-9_]+ = .*)")
# A machine has one corner rule, and only a delta has arms.
NOT_BESIDE_THE_REST = ("[motion.speed_step_mm_s]", "[machine.delta]")


def uncommented(text: str) -> str:
    """The text with every key in force that can stand beside the rest."""
    lines = []
    left_out = False
    for line in text.splitlines():
        found = COMMENTED_OUT.fullmatch(line)
        if line.startswith(("[", "# [")):
            left_out = (found[1] if found else line) in NOT_BESIDE_THE_REST
        lines.append(found[1] if found and not left_out else line)
    return "\n".join(lines)


@pytest.mark.parametrize("like", BUILTIN_NAMES)
def test_a_full_file_is_the_machine_of_the_short_one(like: str) -> None:
    full = Machine.from_toml_text(full_machine_text('The "tall" one', BED, like), "full.toml")
    assert full == Machine.from_toml_text(new_machine_text('The "tall" one', BED, like), "short.toml")


@pytest.mark.parametrize("like", BUILTIN_NAMES)
def test_every_key_can_be_taken_from_behind_its_mark(like: str) -> None:
    machine = Machine.from_toml_text(uncommented(full_machine_text("Bench", BED, like)), "live.toml")
    for row in machine.effective():
        if not row.key.startswith(("motion.speed_step_mm_s", "machine.delta")):
            assert row.origin.startswith("live.toml:"), row.key
    assert list(machine.motion.by_label) == ["outer wall"]
    assert "e" in machine.motors
    assert [len(laid_over) for laid_over in (machine.materials, machine.candidates, machine.upgrades)] == [1, 1, 1]
    doubts = [doubt for doubt in machine.check() if "the axis holds it back" not in doubt]
    assert doubts == ["motion.delta_piece_mm is given for a machine that is no linear delta: it has no effect."]


def test_every_key_has_a_meaning_and_stands_on_one_page() -> None:
    keys = [key for page in pages() for key in page.keys]
    assert all(key.meaning and "{" not in key.meaning for key in keys)
    assert all(page.about for page in pages())
    told = [key.name for key in keys]
    assert len(set(told)) == len(told) - 4  # name and set of materials, candidates and upgrades
    assert {key.name for key in all_keys()} < set(told)


def test_the_guide_tells_every_key_in_a_line() -> None:
    lines = guide_to_machine()
    for page in pages():
        start = next(i for i, line in enumerate(lines) if line.startswith(f"{page.header}  "))
        end = lines.index("", start) if "" in lines[start:] else len(lines)
        told = [line.split(":")[0].strip() for line in lines[start:end] if re.match(r"  [a-z]", line)]
        assert told == [key.path[-1] for key in page.keys]
    text = " ".join(" ".join(lines).split())
    assert "junction_deviation_mm: how sharply corners are taken: the larger, the faster through them (mm)" in text
    assert "max_flow_mm3_s: the most that melts (mm³/s); a number above 0" in text


def test_wrong_answers_are_told_as_for_the_short_file() -> None:
    with pytest.raises(InputError) as caught:
        full_machine_text(" ", "220", "quik")
    assert [finding.place for finding in caught.value.findings] == ["name", "bed_mm", "like"]
