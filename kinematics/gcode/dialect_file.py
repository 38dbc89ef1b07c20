"""The user's own dialect table: TOML -> Dialect, with every finding at once, the line of each and the nearest name."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from kinematics.errors import InputError, nearest
from kinematics.gcode.dialects import (
    ARC_COUNTER,
    DIALECTS,
    EXTRUSION,
    FILE_LIMITS,
    MEANINGS,
    OTHER_MEANINGS,
    PATTERN,
    UNITS_OF,
    WRITTEN_LIMITS,
    Dialect,
    LimitWord,
    TextCommand,
    WriteCommand,
    compiled_pattern,
    dialect_named,
)
from kinematics.toml.files import (
    FileKind,
    Problem,
    TomlLines,
    dotted_name,
    failure_at_lines,
    is_builtin,
    tables_of,
    text_of_file,
    toml_lines,
)
from kinematics.toml.files import Path as KeyPath
from kinematics.toml.sections import (
    NAME,
    YES_NO,
    Kind,
    Reading,
    Section,
    blocks,
    key,
    one_of,
    shown,
    table,
)

DIALECT_FILE = FileKind("dialect", "--dialect", tuple(DIALECTS))
SECONDS_A_P = {"ms": 0.001, "s": 1.0}

WORD = re.compile(r"([GM])0*(\d{1,3})(?:\.(\d)0*)?", re.IGNORECASE | re.ASCII)
WORD_ALLOWED = 'G or M with a number up to 999.9, in quotes, such as "M204"'
LETTER = re.compile(r"[A-FH-LO-Z]", re.IGNORECASE | re.ASCII)
LETTER_ALLOWED = "one letter, none of G, M, N"
VALUE = "{value}"  # where the number stands in a text to be written


class ExtruderTable(Section):
    """[extruder]: the letter that moves the filament, by length or by volume."""

    letter: str = key(one_of("A", "B", "C", "E", "U", "V", "W"), default="E")
    unit: str = key(one_of("mm", "mm3"), default="mm")


class PatternRow(Section):
    """[[label]], [[layer]]: a pattern for comments."""

    pattern: str = key(PATTERN)


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
    limit: tuple[LimitWord, ...] = blocks(LimitWord, default=())
    text: tuple[TextCommand, ...] = blocks(TextCommand, default=())
    label: tuple[PatternRow, ...] = blocks(PatternRow, default=())
    layer: tuple[PatternRow, ...] = blocks(PatternRow, default=())
    write: tuple[WriteCommand, ...] = blocks(WriteCommand, default=())


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
    problems += problems_in_words_table(shape.words, lines)
    problems += problems_in_rows(tables, shape.words, base, lines)
    problems += problems_in_patterns(tables)
    problems += problems_in_writes(tables, lines)
    if problems:
        raise failure_at_lines(problems, lines, place)
    return _dialect_of(shape, base, name or place)


def _dialect_of(shape: DialectTable, base: Dialect, name: str) -> Dialect:
    words = {canonical_word(word): meaning for word, meaning in shape.words.items()}
    upper = [{at: getattr(row, at).upper() for at in ("letter", "beside", "without")} for row in shape.limit]
    own = [
        row.made({**row.__dict__, **letters, "word": canonical_word(row.word)})
        for row, letters in zip(shape.limit, upper, strict=True)
    ]
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
        texts=(*shape.text, *base.texts),
        labels=(*(row.pattern for row in shape.label), *base.labels),
        layers=(*(row.pattern for row in shape.layer), *base.layers),
        writes=shape.write,
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


def canonical_word(word: str) -> str:
    """A word as the dialects write it: g01 and G1.0 are G1; empty for what is no G or M word."""
    parts = WORD.fullmatch(word.strip())
    if parts is None:
        return ""
    tenth = "" if parts[3] in (None, "0") else f".{parts[3]}"
    return f"{parts[1].upper()}{parts[2]}{tenth}"


def problems_in_words_table(words: Mapping[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """[words]: keys that are no words or are given twice, meanings that there are none of."""
    first: dict[str, str] = {}
    meanings = [meaning for meaning in MEANINGS if meaning != "limit"]
    for word, meaning in words.items():
        path: KeyPath = ("words", word)
        canonical = canonical_word(word)
        if not canonical:
            yield Problem(path, f"{dotted_name(path)} is no word", WORD_ALLOWED)
        elif canonical in first:
            line = lines.line_of(("words", first[canonical]))
            yield Problem(path, f"{canonical} is given twice in [words]", "once", f"first in line {line}")
        first.setdefault(canonical, word)
        if canonical and isinstance(meaning, dict) and all(re.fullmatch(r"\d", tenth) for tenth in meaning):
            hint = f'write "{word}.{next(iter(meaning), 1)}" in quotes'
            yield Problem(path, f"{dotted_name(path)} has a point without quotes around it", "", hint)
        elif meaning == "limit":
            hint = "a [[limit]] block says which letter states which limit"
            yield Problem(path, f"{dotted_name(path)} = {shown(meaning)}", "", hint)
        elif not isinstance(meaning, str) or meaning not in meanings:
            yield _not_among(path, meaning, meanings)


def problems_in_rows(
    tables: Mapping[str, Any], words: Mapping[str, Any], base: Dialect, lines: TomlLines
) -> Iterator[Problem]:
    """[[limit]]: words, letters, meanings, units, and what is said twice."""
    said = {canonical_word(word): word for word in reversed([*words])}
    first: dict[Any, KeyPath] = {}
    for position, row in _rows(tables, "limit"):
        here: KeyPath = ("limit", position)
        word, letter = _text(row, "word"), _text(row, "letter").upper()
        canonical = canonical_word(word)
        if word and not canonical:
            yield Problem((*here, "word"), f"limit.word = {shown(word)}", WORD_ALLOWED)
        elif canonical in said and word:
            line = lines.line_of(("words", said[canonical]))
            found = f"{canonical} stands in [[limit]] and in [words] (line {line})"
            yield Problem((*here, "word"), found, "one of them: a word that states limits means nothing else")
        elif MEANINGS.get(base.words.get(canonical, ""), MEANINGS["limit"]) <= ARC_COUNTER:
            yield Problem((*here, "word"), f"{canonical} makes moves: it cannot state a limit", "any other word")
        if canonical and LETTER.fullmatch(letter):
            said_before = (canonical, letter, _text(row, "beside").upper(), _text(row, "without").upper())
            yield from _given_twice(first, said_before, (*here, "word"), f"{canonical} {letter}", lines)
        for name in ("letter", "beside", "without"):
            told = _text(row, name)
            if told and not LETTER.fullmatch(told):
                yield Problem((*here, name), f"limit.{name} = {shown(told)}", LETTER_ALLOWED)
        yield from _meaning_and_unit(here, row, [*FILE_LIMITS])


def problems_in_patterns(tables: Mapping[str, Any]) -> Iterator[Problem]:
    """[[text]], [[label]], [[layer]]: patterns that are none or lack their group; meanings and units of [[text]]."""
    for position, row in _rows(tables, "text"):
        here: KeyPath = ("text", position)
        means = _text(row, "means")
        valued = bool(UNITS_OF.get(means))
        yield from _pattern((*here, "pattern"), _text(row, "pattern"), "value" if valued else "")
        yield from _meaning_and_unit(here, row, [*FILE_LIMITS, *OTHER_MEANINGS])
    for name in ("label", "layer"):
        for position, row in _rows(tables, name):
            yield from _pattern((name, position, "pattern"), _text(row, "pattern"), name)


def problems_in_writes(tables: Mapping[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """[[write]]: texts without their {value}, meanings, units, and what is said twice."""
    first: dict[Any, KeyPath] = {}
    for position, row in _rows(tables, "write"):
        here: KeyPath = ("write", position)
        text, means = _text(row, "text"), _text(row, "means")
        if text and (text.count(VALUE) != 1 or re.search(r"[{}]", text.replace(VALUE, ""))):
            yield Problem((*here, "text"), f"write.text = {shown(text)}", "text with {value} once, and no other braces")
        if means:
            yield from _given_twice(first, means, (*here, "means"), repr(means), lines)
        yield from _meaning_and_unit(here, row, WRITTEN_LIMITS)


def _given_twice(first: dict[Any, KeyPath], said: Any, path: KeyPath, name: str, lines: TomlLines) -> Iterator[Problem]:
    """That something stands in two blocks; `first` the path where each has stood first."""
    before = first.setdefault(said, path)
    if before != path:
        hint = f"first in line {lines.line_of(before)}"
        yield Problem(path, f"{name} is given twice in [[{path[0]}]]", "once", hint)


def _pattern(path: KeyPath, pattern: str, group: str) -> Iterator[Problem]:
    if not pattern:
        return
    name = dotted_name(path)
    try:
        groups = compiled_pattern(pattern).groupindex
    except (re.error, RecursionError, OverflowError) as failure:
        found = f"{name} = {shown(pattern)} is no regular expression: {failure}"
        yield Problem(path, found.replace("\n", " "))
        return
    if group and group not in groups:
        hint = f"its groups: {', '.join(groups)}" if groups else ""
        yield Problem(path, f"{name} = {shown(pattern)} has no group {group!r}", f"(?P<{group}>…) in it", hint)


def _meaning_and_unit(here: KeyPath, row: Mapping[str, Any], meanings: Sequence[str]) -> Iterator[Problem]:
    means, unit = _text(row, "means"), row.get("unit", "")
    key = str(here[0])
    if not means:
        return
    if means not in meanings:
        yield _not_among((*here, "means"), means, meanings)
        return
    units = tuple(UNITS_OF[means])
    if not isinstance(unit, str) or unit in units:
        return
    quoted = " or ".join(f'"{one}"' for one in units)
    if not units:
        if unit:
            yield Problem((*here, "unit"), f"{key}.unit = {shown(unit)}: {means!r} has no value", "no unit")
    elif "unit" in row:
        yield Problem((*here, "unit"), f"{key}.unit = {shown(unit)}", f"{quoted} for {means!r}", nearest(unit, units))
    elif key == "text":  # of a limit the shape has said so
        yield Problem(here, f"{key}.unit is missing", f"{quoted} for {means!r}")


def _not_among(path: KeyPath, value: Any, names: Sequence[str]) -> Problem:
    """A value that is none of many names: the nearest, or all of them where none is near."""
    hint = (nearest(value, names) or nearest(value.lower(), names)) if isinstance(value, str) else ""
    return Problem(path, f"{dotted_name(path)} = {shown(value)}", "" if hint else ", ".join(names), hint)


def _rows(tables: Mapping[str, Any], key: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
    rows = tables.get(key)
    for position, row in enumerate(rows if isinstance(rows, list) else ()):
        if isinstance(row, dict):
            yield position, row


def _text(row: Mapping[str, Any], key: str) -> str:
    """The text at a key, empty where there is none or it is blank."""
    value = row.get(key)
    return value if isinstance(value, str) and value.strip() else ""


def command_that_sets(dialect: Dialect, means: str, value: float) -> str:
    """The line that sets a limit on the user's controller.

    `means` is one of WRITTEN_LIMITS, `value` in the unit of FILE_LIMITS (mm/s², s, mm/s); the line holds it in the unit
    of the table, to six digits and without an exponent. Raises InputError where the table has no such row, or the value
    is no number from 0 on.
    """
    row = next((row for row in dialect.writes if row.means == means), None)
    if row is None:
        allowed = f'a [[write]] block with means = "{means}", its text with {VALUE}, and its unit'
        raise InputError.at(f"dialect {dialect.name}", f"it does not say how to set {means}", allowed)
    if not 0.0 <= value < math.inf:
        raise InputError.at(means, f"{value:g}", "a number from 0 on")
    number = value / UNITS_OF[means][row.unit]
    decimals = max(0, 5 - math.floor(math.log10(number))) if number > 0.0 else 0
    text = f"{number:.{decimals}f}"
    return row.text.replace(VALUE, text.rstrip("0").rstrip(".") if "." in text else text)
