"""What the shape of a dialect file cannot tell: whether its words, meanings, units and patterns fit each other.

Every check takes the raw tables and passes over what has the wrong shape: the shape's own findings stand beside these.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from kinematics.errors import nearest
from kinematics.gcode.dialects import ARC_COUNTER, FILE_LIMITS, MEANINGS, UNITS, WRITTEN_LIMITS, Dialect
from kinematics.gcode.patterns import compiled_pattern
from kinematics.toml.lines import Path, TomlLines
from kinematics.toml.problems import Problem, shown
from kinematics.toml.schema import dotted_name

WORD = re.compile(r"([GM])0*(\d{1,3})(?:\.(\d)0*)?", re.IGNORECASE | re.ASCII)
WORD_ALLOWED = 'G or M with a number up to 999.9, in quotes, such as "M204"'
LETTER_ALLOWED = "one letter, none of G, M, N"
VALUE = "{value}"  # where the number stands in a text to be written
# What a text command may mean beside the limits -> its units; none where it has no value.
OTHER_MEANINGS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"override": ("1", "%"), "dwell": ("s", "ms"), "pause": (), "ignore": ()}
)


def canonical_word(word: str) -> str:
    """A word as the dialects write it: g01 and G1.0 are G1; empty for what is no G or M word."""
    parts = WORD.fullmatch(word.strip())
    if parts is None:
        return ""
    tenth = "" if parts[3] in (None, "0") else f".{parts[3]}"
    return f"{parts[1].upper()}{parts[2]}{tenth}"


def problems_in_words_table(tables: Mapping[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """[words]: keys that are no words or are given twice, meanings that there are none of."""
    words = tables.get("words")
    first: dict[str, str] = {}
    meanings = [meaning for meaning in MEANINGS if meaning != "limit"]
    for word, meaning in words.items() if isinstance(words, dict) else ():
        path: Path = ("words", word)
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


def problems_in_rows(tables: Mapping[str, Any], base: Dialect, lines: TomlLines) -> Iterator[Problem]:
    """[[limit]]: words, letters, meanings, units, and what is said twice."""
    words = tables.get("words")
    said = {canonical_word(word): word for word in reversed(words)} if isinstance(words, dict) else {}
    first: dict[tuple[str, str, str, str], int] = {}
    for position, row in _rows(tables, "limit"):
        here: Path = ("limit", position)
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
        if letter and not re.fullmatch(r"[A-FH-LO-Z]", letter):
            yield Problem((*here, "letter"), f"limit.letter = {shown(row['letter'])}", LETTER_ALLOWED)
        elif canonical and letter:
            conditions = _text(row, "beside").upper(), _text(row, "without").upper()
            before = first.setdefault((canonical, letter, *conditions), position)
            if before != position:
                hint = f"first in line {lines.line_of(('limit', before, 'word'))}"
                yield Problem((*here, "word"), f"{canonical} {letter} is given twice in [[limit]]", "once", hint)
        for key in ("beside", "without"):
            told = _text(row, key)
            if told and not re.fullmatch(r"[A-FH-LO-Z]", told.upper()):
                yield Problem((*here, key), f"limit.{key} = {shown(told)}", LETTER_ALLOWED)
        yield from _meaning_and_unit(here, row, [*FILE_LIMITS])


def problems_in_patterns(tables: Mapping[str, Any]) -> Iterator[Problem]:
    """[[text]], [[label]], [[layer]]: patterns that are none or lack their group; meanings and units of [[text]]."""
    for position, row in _rows(tables, "text"):
        here: Path = ("text", position)
        means = _text(row, "means")
        valued = means in FILE_LIMITS or bool(OTHER_MEANINGS.get(means))
        yield from _pattern((*here, "pattern"), _text(row, "pattern"), "value" if valued else "")
        yield from _meaning_and_unit(here, row, [*FILE_LIMITS, *OTHER_MEANINGS])
    for key in ("label", "layer"):
        for position, row in _rows(tables, key):
            yield from _pattern((key, position, "pattern"), _text(row, "pattern"), key)


def problems_in_writes(tables: Mapping[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """[[write]]: texts without their {value}, meanings, units, and what is said twice."""
    first: dict[str, int] = {}
    for position, row in _rows(tables, "write"):
        here: Path = ("write", position)
        text, means = _text(row, "text"), _text(row, "means")
        if text and (text.count(VALUE) != 1 or re.search(r"[{}]", text.replace(VALUE, ""))):
            yield Problem((*here, "text"), f"write.text = {shown(text)}", "text with {value} once, and no other braces")
        if means and first.setdefault(means, position) != position:
            hint = f"first in line {lines.line_of(('write', first[means], 'means'))}"
            yield Problem((*here, "means"), f"{means!r} is given twice in [[write]]", "once", hint)
        yield from _meaning_and_unit(here, row, WRITTEN_LIMITS)


def _pattern(path: Path, pattern: str, group: str) -> Iterator[Problem]:
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


def _meaning_and_unit(here: Path, row: Mapping[str, Any], meanings: Sequence[str]) -> Iterator[Problem]:
    means, unit = _text(row, "means"), row.get("unit", "")
    key = str(here[0])
    if not means:
        return
    if means not in meanings:
        yield _not_among((*here, "means"), means, meanings)
        return
    units = tuple(UNITS[FILE_LIMITS[means][1]]) if means in FILE_LIMITS else OTHER_MEANINGS[means]
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


def _not_among(path: Path, value: Any, names: Sequence[str]) -> Problem:
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
