"""The reference of words is what the dialects say, all of it, and nothing else."""

from __future__ import annotations

import re

import pytest

from kinematics.gcode.dialects import EXTRUSION, GROUPS, MEANINGS, RS274, Dialect
from tests.house import words_reference
from tests.house.words_reference import PLACE, effect, reference_text

WORD = re.compile(r"[GM]\d+(?:\.\d)?")


def section_of(dialect: Dialect) -> str:
    """The part of the reference on one dialect."""
    (part,) = [part for part in reference_text().split("\n## ") if part.startswith(f"`{dialect.name}`")]
    return part


def first_cells(dialect: Dialect) -> list[str]:
    """Every word in the first column of its tables, as often as it stands there."""
    rows = [line.split("|")[1] for line in section_of(dialect).splitlines() if line.startswith("|")]
    return [word for cell in rows for word in WORD.findall(cell)]


def test_the_file_is_current() -> None:
    assert PLACE.read_text(encoding="utf-8") == reference_text(), "run python -m tests.house.words_reference"


@pytest.mark.parametrize("dialect", [EXTRUSION, RS274], ids=lambda dialect: dialect.name)
def test_every_word_stands_there_once(dialect: Dialect) -> None:
    limits = [row.word for row in dialect.limits]
    assert sorted(first_cells(dialect)) == sorted([*(dialect.words.keys() - set(limits)), *limits])


def test_every_meaning_is_described_once() -> None:
    described = [meaning for group in words_reference.GROUPS.values() for meaning in group]
    assert sorted(described) == sorted(MEANINGS.keys() - {"limit"})
    for meaning in described:
        for dialect in (EXTRUSION, RS274):
            assert effect(meaning, dialect)


def test_every_group_of_the_standard_names_words_that_are_told_or_refused() -> None:
    """What Table 4 of NISTIR 6556 has and the dialect does not: axes, probing, cycles and offsets of machine tools."""
    told = set(first_cells(RS274))
    refused = {word for members in GROUPS.values() for word in members} - told
    assert refused == {"G10", "G30", "G53", "G92.1", "G92.2", "G92.3", "G38.2", "G41", "G42", "G43", "M60"} | {
        f"G{code}" for code in range(81, 90)
    }


def test_every_letter_of_a_limit_has_its_unit_and_key() -> None:
    section = section_of(EXTRUSION)
    for row in EXTRUSION.limits:
        beside = f" beside {row.beside}" * bool(row.beside) + f" without {row.without}" * bool(row.without)
        assert f"| {row.word} | {row.letter}{beside} | {row.means} ({row.unit}) | `" in section
