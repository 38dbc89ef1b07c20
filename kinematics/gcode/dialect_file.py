"""The user's own dialect table: TOML -> Dialect, with every finding at once, the line of each and the nearest name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from kinematics.gcode.dialect_checks import (
    canonical_word,
    problems_in_patterns,
    problems_in_rows,
    problems_in_words_table,
    problems_in_writes,
)
from kinematics.gcode.dialects import DIALECTS, EXTRUSION, Dialect, LimitWord, TextCommand, WriteCommand, dialect_named
from kinematics.toml.files import (
    FileKind,
    failure_at_lines,
    is_builtin,
    tables_of,
    text_of_file,
    toml_lines,
)
from kinematics.toml.sections import NAME, TEXT, YES_NO, Kind, Reading, Section, blocks, key, not_blank, one_of, table

DIALECT_FILE = FileKind("dialect", "--dialect", tuple(DIALECTS))
SECONDS_A_P = {"ms": 0.001, "s": 1.0}

MEANS = not_blank("what it means, in quotes")
UNIT = TEXT._replace(allowed='a unit in quotes, such as "mm/s2"')
PATTERN = not_blank("a regular expression in 'single quotes'")


class ExtruderTable(Section):
    """[extruder]: the letter that moves the filament, by length or by volume."""

    letter: str = key(one_of("A", "B", "C", "E", "U", "V", "W"), default="E")
    unit: str = key(one_of("mm", "mm3"), default="mm")


class LimitRow(Section):
    """[[limit]]: a letter of a word that states a limit."""

    word: str = key(not_blank('a G or M word in quotes, such as "M204"'))
    letter: str = key(not_blank('a letter in quotes, such as "S"'))
    means: str = key(MEANS)
    unit: str = key(UNIT)
    beside: str | None = key(not_blank("a letter that stands in the same command, in quotes"), default=None)
    without: str | None = key(not_blank("a letter that does not, in quotes"), default=None)


class TextRow(Section):
    """[[text]]: a text command of the user's controller."""

    pattern: str = key(PATTERN)
    means: str = key(MEANS)
    unit: str = key(UNIT, default="")


class PatternRow(Section):
    """[[label]], [[layer]]: a pattern for comments."""

    pattern: str = key(PATTERN)


class WriteRow(Section):
    """[[write]]: the text that sets a limit on the user's controller, with {value}."""

    means: str = key(MEANS)
    text: str = key(not_blank("text in quotes with {value} in it"))
    unit: str = key(UNIT)


class DialectTable(Section):
    """The shape of the whole file; what the values mean is judged by `dialect_checks`."""

    name: str | None = key(NAME, default=None)
    based_on: str = key(one_of("extrusion", "rs274"), default="extrusion")
    dwell_p: str | None = key(one_of("ms", "s"), default=None)
    semicolon_comments: bool | None = key(YES_NO, default=None)
    words: Mapping[str, Any] = key(
        Kind('a table [words], "M870" = "no effect on time"', lambda raw: isinstance(raw, dict)),
        default=MappingProxyType({}),
    )
    extruder: ExtruderTable = table(factory=ExtruderTable)
    limit: tuple[LimitRow, ...] = blocks(LimitRow, default=())
    text: tuple[TextRow, ...] = blocks(TextRow, default=())
    label: tuple[PatternRow, ...] = blocks(PatternRow, default=())
    layer: tuple[PatternRow, ...] = blocks(PatternRow, default=())
    write: tuple[WriteRow, ...] = blocks(WriteRow, default=())


def load_dialect(source: str | Path) -> Dialect:
    """A built-in dialect by its name, or the one of a TOML file. Raises InputError with every finding.

    Text with a separator or ending in .toml is a path; other text is a built-in name first and a file second.
    """
    if is_builtin(source, DIALECT_FILE):
        return dialect_named(str(source))
    return dialect_from_text(text_of_file(source, DIALECT_FILE), str(source), Path(source).stem)


def dialect_from_text(text: str, place: str, name: str = "") -> Dialect:
    """Read a dialect from TOML text; messages say `place:line`; `name` is its name where the text gives none.

    Raises InputError with every finding.
    """
    tables = tables_of(text, place, DIALECT_FILE)
    lines = toml_lines(text)
    reading = Reading()
    shape = DialectTable.made(reading.table(DialectTable, tables))
    problems = reading.problems()
    base = DIALECTS.get(str(tables.get("based_on", EXTRUSION.name)), EXTRUSION)
    problems += problems_in_words_table(tables, lines)
    problems += problems_in_rows(tables, base, lines)
    problems += problems_in_patterns(tables)
    problems += problems_in_writes(tables, lines)
    if problems:
        raise failure_at_lines(problems, lines, place)
    return _dialect_of(shape, base, name or place)


def _dialect_of(shape: DialectTable, base: Dialect, name: str) -> Dialect:
    words = {canonical_word(word): meaning for word, meaning in shape.words.items()}
    own = tuple(
        LimitWord(
            canonical_word(row.word),
            row.letter.upper(),
            row.means,
            row.unit,
            (row.beside or "").upper(),
            (row.without or "").upper(),
        )
        for row in shape.limit
    )
    limits = tuple(_limits(base.limits, own, words))
    stated = {row.word for row in limits}
    kept = {word: meaning for word, meaning in base.words.items() if word not in stated}
    return replace(
        base,
        name=shape.name or name,
        words=MappingProxyType(kept | words),
        dwell_p_seconds=base.dwell_p_seconds if shape.dwell_p is None else SECONDS_A_P[shape.dwell_p],
        semicolon_comments=base.semicolon_comments if shape.semicolon_comments is None else shape.semicolon_comments,
        extruder_letter=shape.extruder.letter,
        extruder_is_volume=shape.extruder.unit == "mm3",
        limits=limits,
        texts=(*(TextCommand(row.pattern, row.means, row.unit) for row in shape.text), *base.texts),
        labels=(*(row.pattern for row in shape.label), *base.labels),
        layers=(*(row.pattern for row in shape.layer), *base.layers),
        writes=tuple(WriteCommand(row.means, row.text, row.unit) for row in shape.write),
    )


def _limits(base: Sequence[LimitWord], own: Sequence[LimitWord], words: Mapping[str, str]) -> Iterator[LimitWord]:
    """The rows of the base, replaced where the file has some for their word and letter, and gone with their word.

    Of the file's rows for one letter those that hold beside some letters only come first.
    """
    by_place: dict[tuple[str, str], list[LimitWord]] = {}
    for row in sorted(own, key=lambda row: not (row.beside or row.without)):
        by_place.setdefault((row.word, row.letter), []).append(row)
    told = {*by_place}
    for row in base:
        place = row.word, row.letter
        if row.word not in words:
            yield from by_place.pop(place, [] if place in told else [row])
    for rows in by_place.values():
        yield from rows
