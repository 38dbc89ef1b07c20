"""Settings of candidates and `--set`: `key=value, key=value` as text, and what they change of a machine."""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Container, Iterator, Mapping
from typing import Any, NamedTuple

from kinematics.errors import Finding, InputError
from kinematics.machine.keys import Candidate, Keys
from kinematics.machine.kinds import Range
from kinematics.machine.names import (
    SHORT_NAMES,
    example_key,
    find_key,
    flattened,
    given_keys,
    help_for_setting,
    is_one_value,
    key_named,
    keys_of_section,
    place_in_file,
    section_named,
    value_at,
)
from kinematics.machine.rules import (
    BOTH_CORNER_RULES,
    CORNER_KEYS,
    JUNCTION,
    JUNCTION_KEY,
    ONE_CORNER_RULE,
    SPEED_STEP_KEY,
    MachineReading,
    with_one_corner_rule,
)
from kinematics.toml.files import Problem, dotted_name, split_key, unquoted
from kinematics.toml.sections import plain, replaced, shown

TOGETHER = ("machine.", "motors.", "checked.")  # sections whose keys say something about each other
KEY_VALUE = "key=value, several separated by commas"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_QUOTED = r"""(?:"(?:[^"\\]|\\.)*"|'[^']*')"""
_QUOTED_KEY = re.compile(_QUOTED, re.DOTALL)
# Parts of a key up to "=" or a comma; what stands in quotes at the beginning of a part is part of it.
_KEY = re.compile(rf"(?:(?:\s*{_QUOTED}\s*)?+[^.,=]*+\.)*+(?:\s*{_QUOTED}\s*)?+[^.,=]*+", re.DOTALL)
_TEXT_OR_LETTER = re.compile(r"""\"(?:[^"\\]|\\.)*+"?|'[^']*+'?|.""", re.DOTALL)


def candidate_from(text: str, place: str = "--candidate") -> Candidate:
    """The candidate of `name: key=value, …`, or of settings that are its name as well. Raises InputError."""
    name, colon, settings = text.partition(":")
    if "=" in name:  # no name: a colon after it belongs to a value
        name, settings = text, text
    elif not colon or not name.strip() or not settings.strip():
        raise InputError.at(place, f"can't read {text!r}", '"KEY=VALUE, …" or "NAME: KEY=VALUE, …"')
    return Candidate(name.strip(), parse_settings(settings, place=f"{place} {name.strip()}"))


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
        if _QUOTED_KEY.fullmatch(key):
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
    while start <= len(text):
        key = _KEY.match(text, start)
        assert key is not None  # nothing at all is a key
        equals = "=" if text.startswith("=", key.end()) else ""
        end = _end_of_value(text, key.end() + 1) if equals else key.end()
        yield key[0], equals, text[key.end() + 1 : end]
        start = end + 1


def _end_of_value(text: str, place: int) -> int:
    """Where a value ends: at a comma or the end; quotes and brackets hold commas where they open it or stand in it."""
    depth, opens = 0, True
    while place < len(text):
        inside = opens or depth > 0
        piece = _TEXT_OR_LETTER.match(text, place) if inside else None
        told = text[place] if piece is None else piece[0]
        if told == "," and not depth:
            return place
        depth += (inside and told in "[{") - (depth > 0 and told in "]}")
        if not told.isspace():
            opens = told == "=" and not depth
        place += len(told)
    return len(text)


class Changed(NamedTuple):
    """Settings brought down to the keys of the file.

    `values` dotted key -> new value, None to take it out; `replaced` tables given anew as a whole; `asked` dotted
    key -> the setting that asked for it; `problems` (setting, problem) pairs.
    """

    values: dict[str, Any]
    replaced: list[str]
    asked: dict[str, str]
    problems: list[tuple[str, Problem]]

    def corner_rules(self) -> tuple[bool, bool]:
        """Whether junction deviation is given, and whether speed steps are."""
        junction, *steps = (self.values.get(key) is not None for key in CORNER_KEYS)
        return junction, any(steps)

    def touched(self) -> set[str]:
        """The keys that are given anew or taken out."""
        return {*self.values, *(key.name for table in self.replaced for key in keys_of_section(table))}


def resolved(settings: Mapping[str, Any], machine: Keys) -> Changed:
    """Bring settings down to the keys of the file; short names are read as the machine's corner rule has it."""
    change = Changed({}, [], {}, [])
    for setting, value in flattened(settings):
        _resolve_one(change, setting, setting, _plain(value), machine)
    if JUNCTION_KEY in change.values and all(change.corner_rules()):
        problem = Problem(JUNCTION, BOTH_CORNER_RULES, ONE_CORNER_RULE)
        change.problems.append((change.asked[JUNCTION_KEY], problem))
    return change


def _resolve_one(change: Changed, setting: str, key: str, value: Any, machine: Keys) -> None:
    def wrong(found: str, allowed: str = "", hint: str = "") -> None:
        change.problems.append((setting, Problem(split_key(key), found, allowed, hint)))

    if key == "corner":
        steps = machine.motion.speed_step_mm_s
        in_force = [f"{SPEED_STEP_KEY}.{name}" for name, _ in steps.given()] if steps is not None else [JUNCTION_KEY]
        for rule in in_force:
            _resolve_one(change, setting, rule, value, machine)
    elif key in SHORT_NAMES:
        _resolve_one(change, setting, SHORT_NAMES[key], value, machine)
    elif is_one_value(key):
        inside = [one.name.removeprefix(key + ".") for one in keys_of_section(key)]
        if value is not None and not (isinstance(value, Mapping) and value):
            wrong(f"{key} = {shown(value)}", f"a table with at least one of {', '.join(inside)}")
            return
        change.replaced.append(key)
        for name, one in (value or {}).items():
            _resolve_one(change, setting, f"{key}.{name}", one, machine)
    elif section_named(key) is not None:
        wrong(f"{key} is a section, not a key", f"one of its keys, such as {example_key(key)}")
    elif (known := find_key(key)) is None:
        wrong(f"unknown key {key}", *help_for_setting(key))
    elif known.name in change.values:
        wrong(f"{known.name} is given twice", "once")
    else:
        change.values[known.name] = value
        change.asked[known.name] = setting


def resolved_keys(settings: Mapping[str, Any], machine: Keys) -> frozenset[str]:
    """The dotted keys that settings touch on a machine: short names as they are read there, tables as all their keys.

    A key that is taken out (None) is touched as well. What the machine does not take is left out: it is judged where
    the settings are applied.
    """
    return frozenset(resolved(settings, machine).touched())


def with_later(earlier: Mapping[str, Any], later: Mapping[str, Any], machine: Keys) -> dict[str, Any]:
    """Settings with later ones laid over them: of a key that both name, by whatever name, the later value stands."""
    touched = resolved_keys(later, machine)
    kept = {key: value for key, value in flattened(earlier) if not resolved_keys({key: value}, machine) & touched}
    return kept | dict(flattened(later))


def _plain(value: Any) -> Any:
    """A value as plain Python: numbers of array libraries and tuples included."""
    if isinstance(value, (float, int, str)) and not hasattr(value, "item"):
        return value
    if isinstance(value, Range):
        return value.as_dict()
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    return value.item() if hasattr(value, "item") and getattr(value, "ndim", 1) == 0 else value


class Applied(NamedTuple):
    """A machine with settings applied, only of use without problems.

    `values` of the keys that may have changed;
    `touched` the keys that were given anew or taken out, `dropped` these and the corner rule that went with them;
    `given` those that were given, `ranges` those among them; `problems` (setting, problem) pairs.
    """

    machine: Any
    values: Mapping[str, Any]
    touched: frozenset[str]
    dropped: frozenset[str]
    given: Mapping[str, Any]
    ranges: Mapping[str, Range]
    problems: list[tuple[str, Problem]]


def applied(machine: Keys, settings: Mapping[str, Any], ranges: Mapping[str, Range]) -> Applied:
    """Apply settings to a machine, of whose values some are the likely ones of ranges; nothing is raised.

    Giving one corner rule takes the other out. Every value is read by itself; those of sections whose keys say
    something about each other are judged together with the rest of these.
    """
    change = resolved(settings, machine)
    new = {key: value for key, value in change.values.items() if value is not None}
    touched = dropped = frozenset(change.touched())
    if not touched.isdisjoint(CORNER_KEYS):
        junction, steps = change.corner_rules()
        dropped |= {*(CORNER_KEYS[1:] if junction else ()), *(CORNER_KEYS[:1] if steps else ())}
        if junction and steps:
            del new[JUNCTION_KEY]  # told already
    reading = MachineReading()
    together = {key for key in dropped if key.startswith(TOGETHER)}
    if together:
        anew = reading.machine(type(machine), _tables_together(machine, ranges, dropped, new))
        anew = {name.strip("."): anew.get(name.strip("."), machine.ROWS[name.strip(".")].default) for name in TOGETHER}
        machine = machine.made({**machine.__dict__, **anew})
    for name in (*new, *(dropped - new.keys())):
        if name not in together:
            key = key_named(name)
            machine = replaced(machine, key.path, reading.value(key.row, new[name], key.path) if name in new else None)
    may_differ = dropped
    if not dropped.isdisjoint(CORNER_KEYS):
        machine = machine.made({**machine.__dict__, "motion": with_one_corner_rule(machine.motion)})
        may_differ = dropped.union(CORNER_KEYS)
    problems = change.problems
    if wrong := reading.problems():
        wrong.sort(key=lambda problem: place_in_file(problem.path))
        told = ((dotted_name(problem.path), problem) for problem in wrong)
        problems += [(change.asked.get(key, key), problem) for key, problem in told]
    found = {key: one for key, one in reading.ranges.items() if key in new}
    values = {key: value_at(machine, key_named(key).path) for key in may_differ}
    return Applied(machine, values, touched, dropped, new, found, problems)


def _tables_together(
    machine: Keys, ranges: Mapping[str, Range], dropped: Container[str], new: Mapping[str, Any]
) -> dict[str, Any]:
    """Raw tables of the sections that are judged together, settings in their places."""
    paths = {dotted_name(path): path for path in given_keys(machine) if f"{path[0]}." in TOGETHER}
    values = {key: plain(value_at(machine, path), given_only=True) for key, path in paths.items() if key not in dropped}
    values |= {key: one.as_dict() for key, one in ranges.items() if key in values}
    values |= {key: value for key, value in new.items() if key.startswith(TOGETHER)}
    tables: dict[str, Any] = {}
    for key, value in values.items():
        *section, last = key_named(key).path
        table = tables
        for name in section:
            table = table.setdefault(name, {})
        table[last] = value
    return tables
