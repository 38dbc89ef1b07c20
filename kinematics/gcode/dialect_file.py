"""The user's own dialect table: TOML -> Dialect, with every finding at once, the line of each and the nearest name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from kinematics.gcode.dialect_checks import (
    canonical_word,
    problems_in_patterns,
    problems_in_rows,
    problems_in_words_table,
    problems_in_writes,
)
from kinematics.gcode.dialects import DIALECTS, EXTRUSION, Dialect, LimitWord, TextCommand, WriteCommand, dialect_named
from kinematics.toml.files import FileKind, is_builtin, tables_of, text_of_file
from kinematics.toml.lines import toml_lines
from kinematics.toml.problems import Problem, failure_at_lines, problems_in_words
from kinematics.toml.value_kinds import Allowed, Name, YesNo

DIALECT_FILE = FileKind("dialect", "--dialect", tuple(DIALECTS))
SECONDS_A_P = {"ms": 0.001, "s": 1.0}

NOT_BLANK = Field(strict=True, pattern=r"\S")
Word = Annotated[str, NOT_BLANK, Allowed('a G or M word in quotes, such as "M204"')]
Pattern = Annotated[str, NOT_BLANK, Allowed("a regular expression in 'single quotes'")]
Means = Annotated[str, NOT_BLANK, Allowed("what it means, in quotes")]
Unit = Annotated[str, Field(strict=True), Allowed('a unit in quotes, such as "mm/s2"')]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


class ExtruderTable(_Table):
    """[extruder]: the letter that moves the filament, by length or by volume."""

    letter: Annotated[Literal["A", "B", "C", "E", "U", "V", "W"], Allowed('"A", "B", "C", "E", "U", "V" or "W"')] = "E"
    unit: Annotated[Literal["mm", "mm3"], Allowed('"mm" or "mm3"')] = "mm"


class LimitRow(_Table):
    """[[limit]]: a letter of a word that states a limit."""

    word: Word
    letter: Annotated[str, NOT_BLANK, Allowed('a letter in quotes, such as "S"')]
    means: Means
    unit: Unit
    beside: Annotated[str, NOT_BLANK, Allowed("a letter that stands in the same command, in quotes")] | None = None
    without: Annotated[str, NOT_BLANK, Allowed("a letter that does not, in quotes")] | None = None


class TextRow(_Table):
    """[[text]]: a text command of the user's controller."""

    pattern: Pattern
    means: Means
    unit: Unit = ""


class PatternRow(_Table):
    """[[label]], [[layer]]: a pattern for comments."""

    pattern: Pattern


class WriteRow(_Table):
    """[[write]]: the text that sets a limit on the user's controller, with {value}."""

    means: Means
    text: Annotated[str, NOT_BLANK, Allowed("text in quotes with {value} in it")]
    unit: Unit


class DialectTable(_Table):
    """The shape of the whole file; what the values mean is judged by `dialect_checks`."""

    name: Name | None = None
    based_on: Annotated[Literal["extrusion", "rs274"], Allowed('"extrusion" or "rs274"')] = "extrusion"
    dwell_p: Annotated[Literal["ms", "s"], Allowed('"ms" or "s"')] | None = None
    semicolon_comments: YesNo | None = None
    words: Annotated[dict[str, Any], Allowed('a table [words], "M870" = "no effect on time"')] = Field(default={})
    extruder: ExtruderTable = Field(default={}, validate_default=True)
    limit: tuple[LimitRow, ...] = ()
    text: tuple[TextRow, ...] = ()
    label: tuple[PatternRow, ...] = ()
    layer: tuple[PatternRow, ...] = ()
    write: tuple[WriteRow, ...] = ()


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
    problems: list[Problem] = []
    table = None
    try:
        table = DialectTable.model_validate(tables)
    except ValidationError as failure:
        problems += problems_in_words(failure.errors(include_url=False), tables, DialectTable)
    base = DIALECTS.get(str(tables.get("based_on", EXTRUSION.name)), EXTRUSION)
    problems += problems_in_words_table(tables, lines)
    problems += problems_in_rows(tables, base, lines)
    problems += problems_in_patterns(tables)
    problems += problems_in_writes(tables, lines)
    if problems or table is None:
        raise failure_at_lines(problems, lines, place)
    return _dialect_of(table, base, name or place)


def _dialect_of(table: DialectTable, base: Dialect, name: str) -> Dialect:
    words = {canonical_word(word): meaning for word, meaning in table.words.items()}
    own = tuple(
        LimitWord(
            canonical_word(row.word),
            row.letter.upper(),
            row.means,
            row.unit,
            (row.beside or "").upper(),
            (row.without or "").upper(),
        )
        for row in table.limit
    )
    limits = tuple(_limits(base.limits, own, words))
    stated = {row.word for row in limits}
    kept = {word: meaning for word, meaning in base.words.items() if word not in stated}
    return replace(
        base,
        name=table.name or name,
        words=MappingProxyType(kept | words),
        dwell_p_seconds=base.dwell_p_seconds if table.dwell_p is None else SECONDS_A_P[table.dwell_p],
        semicolon_comments=base.semicolon_comments if table.semicolon_comments is None else table.semicolon_comments,
        extruder_letter=table.extruder.letter,
        extruder_is_volume=table.extruder.unit == "mm3",
        limits=limits,
        texts=(*(TextCommand(row.pattern, row.means, row.unit) for row in table.text), *base.texts),
        labels=(*(row.pattern for row in table.label), *base.labels),
        layers=(*(row.pattern for row in table.layer), *base.layers),
        writes=tuple(WriteCommand(row.means, row.text, row.unit) for row in table.write),
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
