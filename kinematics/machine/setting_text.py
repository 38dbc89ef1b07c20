"""Settings as text: `key=value, key=value`."""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Iterator
from typing import Any

from kinematics.errors import Finding, InputError
from kinematics.toml.dotted import unquoted
from kinematics.toml.problems import shown

KEY_VALUE = "key=value, several separated by commas"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_QUOTED = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*')\s*""", re.DOTALL)
_END_OF_PART = re.compile(r"[.,=]")


def parse_settings(text: str, place: str = "--set") -> dict[str, Any]:
    """Read "key=value, key=value"; values as in TOML, and bare words are text. Raises InputError with every finding.

    Commas inside brackets or quotes do not separate; a name inside a key may stand in quotes. Keys and values are
    judged where they are applied.
    """
    settings: dict[str, Any] = {}
    findings: list[Finding] = []
    pieces = list(_pieces(text))
    if len(pieces) > 1 and not "".join(pieces[-1]).strip():
        pieces.pop()  # a comma at the end
    for piece in pieces:
        key, equals, value = (part.strip() for part in piece)
        whole = shown("".join(piece).strip())
        if _QUOTED.fullmatch(key):
            key = unquoted(key)
        if not key and not equals:
            findings.append(Finding(place, "nothing is given" if len(pieces) == 1 else "an empty setting", KEY_VALUE))
        elif not equals:
            hint = "a comma separates settings; 1000, not 1,000" if key.isdecimal() else ""
            findings.append(Finding(place, f"{whole} has no value", KEY_VALUE, hint))
        elif not key:
            findings.append(Finding(place, f"{whole} has no key", KEY_VALUE))
        elif not value:
            findings.append(Finding(place, f"{key} has no value", KEY_VALUE))
        elif key in settings:
            findings.append(Finding(place, f"{key} is given twice", "once"))
        else:
            try:
                settings[key] = _parse_value(value)
            except ValueError:
                allowed = "a number, true, false, text in quotes, { … } or [ … ]"
                findings.append(Finding(place, f"{key} = {value}", allowed, "are all quotes and brackets closed?"))
    if findings:
        raise InputError(*findings)
    return settings


def _parse_value(text: str) -> Any:
    """A value as TOML has it; words that are none are text. Raises ValueError for broken quotes or brackets."""
    if _NUMBER.fullmatch(text) and not re.fullmatch(r"[+-]?(0|[1-9]\d*)", text):
        return float(text)  # .5 and 5. and 007 are numbers to everybody but TOML
    try:
        tables = tomllib.loads(f"values = [{text}]")
    except (ValueError, RecursionError):
        if text[0] in "\"'[{":
            raise ValueError(text) from None
        return text
    if len(tables) != 1 or len(tables["values"]) != 1:
        raise ValueError(text)
    (value,) = tables["values"]
    return text if isinstance(value, (datetime.date, datetime.time)) else value


def _pieces(text: str) -> Iterator[tuple[str, str, str]]:
    """Cut text at its commas, and every piece into key, "=" and value; the last two are empty where there is none."""
    start = 0
    while True:
        end = middle = _end_of_key(text, start)
        if text[middle : middle + 1] == "=":
            end = _end_of_value(text, middle + 1)
            yield text[start:middle], "=", text[middle + 1 : end]
        else:
            yield text[start:middle], "", ""
        if end >= len(text):
            return
        start = end + 1


def _end_of_key(text: str, place: int) -> int:
    """Where a key ends: at "=", a comma or the end; what stands in quotes at the beginning of a part is part of it."""
    while True:
        quoted = _QUOTED.match(text, place)
        end = _END_OF_PART.search(text, quoted.end() if quoted else place)
        if end is None:
            return len(text)
        if end[0] != ".":
            return end.start()
        place = end.end()


def _end_of_value(text: str, place: int) -> int:
    """Where a value ends: at a comma or the end; quotes and brackets hold commas where they open it or stand in it."""
    depth, quote, opens = 0, "", True
    while place < len(text):
        letter = text[place]
        if quote:
            if letter == "\\" and quote == '"':
                place += 1
            elif letter == quote:
                quote = ""
        elif letter in "\"'" and (opens or depth):
            quote = letter
        elif letter in "[{" and (opens or depth):
            depth += 1
        elif letter in "]}" and depth:
            depth -= 1
        elif letter == "," and not depth:
            return place
        if not letter.isspace():
            opens = letter == "=" and not quote and not depth
        place += 1
    return len(text)
