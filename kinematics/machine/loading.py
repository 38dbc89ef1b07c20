"""TOML -> machine: a file, text or a built-in name, with every finding at once and the line of each."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from kinematics.errors import Finding, InputError, nearest
from kinematics.machine.keys import Path as KeyPath
from kinematics.machine.keys import all_keys, dotted_name
from kinematics.machine.model import Machine
from kinematics.machine.settings import machine_with_settings, parse_settings, setting_problems
from kinematics.machine.toml_lines import TomlLines, toml_lines
from kinematics.machine.validation import Problem, build

BUILTIN_NAMES = ("gentle", "middling", "quick")
BUILTIN_FOLDER = Path(__file__).parent / "builtin"
MACHINE_FILE = "a machine file (TOML)"
LARGEST_FILE = 4_000_000  # bytes; anything larger is some other file, and is not read to the end

_PLACE_IN_TOML = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


def load_machine(source: str | Path, settings: Sequence[str] = ()) -> Machine:
    """Load a built-in name or a TOML file, then apply `key=value` settings. Raises InputError with every finding.

    Text with a separator or ending in .toml is a path; other text is a built-in name first and a file second.
    """
    findings: list[Finding] = []
    machine = Machine()
    try:
        machine = _from_source(source)
    except InputError as failure:
        findings += failure.findings
    values: dict[str, Any] = {}
    for text in settings:
        try:
            parsed = parse_settings(text)
        except InputError as failure:
            findings += failure.findings
            continue
        findings += [Finding("--set", f"{key} is given twice", "once") for key in parsed if key in values]
        values |= parsed
    if values:
        try:
            machine = machine_with_settings(machine, values, "--set")
        except InputError as failure:
            findings += failure.findings
    if findings:
        raise InputError(*findings)
    return machine


def _from_source(source: str | Path) -> Machine:
    if isinstance(source, Path) or "/" in source or "\\" in source or source.endswith(".toml"):
        return machine_from_file(source)
    if source in BUILTIN_NAMES:
        return builtin_machine(source)
    if source and Path(source).exists():
        return machine_from_file(source)
    names = ", ".join(BUILTIN_NAMES)
    hint = nearest(source.lower(), BUILTIN_NAMES)
    raise InputError.at("--machine", f"no machine {source!r}", f"{names}, or the path of {MACHINE_FILE}", hint)


def builtin_text(name: str) -> str:
    """The TOML text of a built-in machine."""
    return (BUILTIN_FOLDER / f"{name}.toml").read_text(encoding="utf-8")


def builtin_machine(name: str) -> Machine:
    """One of the built-in machines."""
    source = f"built-in {name}"
    machine = machine_from_text(builtin_text(name), source)
    return machine._came_from(dict.fromkeys(machine._origins, source), source)


def machine_from_file(path: str | Path) -> Machine:
    """Read a machine from a TOML file. Raises InputError with every finding."""
    place = str(path)
    path = Path(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        hint = nearest(path.name, _machine_files_beside(path))
        if path.stem in BUILTIN_NAMES:
            hint = f"the built-in machine is called {path.stem!r}"
        raise InputError.at(place, "no such file", MACHINE_FILE, hint) from None
    except IsADirectoryError:
        raise InputError.at(place, "is a folder", MACHINE_FILE) from None
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or str(failure)
        raise InputError.at(place, f"cannot be read: {reason}", MACHINE_FILE) from None
    if len(content) > LARGEST_FILE:
        raise InputError.at(place, f"is larger than {LARGEST_FILE // 1_000_000} MB", MACHINE_FILE)
    try:
        text = content.decode("utf-8-sig")  # some editors put a mark in front
    except UnicodeDecodeError as failure:
        line = content.count(b"\n", 0, failure.start) + 1
        raise InputError.at(f"{place}:{line}", "is not text in UTF-8", MACHINE_FILE) from None
    return machine_from_text(text, place, path.name)


def _machine_files_beside(path: Path) -> list[str]:
    try:
        return [one.name for one in path.parent.glob("*.toml")]
    except (OSError, ValueError):
        return []


def machine_from_text(text: str, place: str, short_place: str = "") -> Machine:
    """Read a machine from TOML text; messages say `place:line`, origins `short_place:line`. Raises InputError."""
    tables = _parsed(text, place)
    lines = toml_lines(text)
    machine, problems = build(tables)
    if "candidate" in tables:
        problems += _candidate_problems(tables, machine or Machine(), lines)
    if problems or machine is None:
        located = [(lines.line_of(problem.path), problem) for problem in problems]
        located.sort(key=lambda pair: pair[0] or 0)
        raise InputError(*(
            Finding(f"{place}:{line}" if line else place, problem.found, problem.allowed, problem.hint)
            for line, problem in located
        ))  # fmt: skip
    label = short_place or place
    origins = {key.name: f"{label}:{lines.line_of(key.path)}" for key in all_keys()}
    return machine._came_from(origins, place)


def _candidate_problems(tables: Mapping[str, Any], machine: Machine, lines: TomlLines) -> list[Problem]:
    """What the models cannot see: names used twice, and settings that the machine does not take."""
    problems: list[Problem] = []
    first_with: dict[str, int] = {}
    candidates = tables["candidate"]
    for position, candidate in enumerate(candidates if isinstance(candidates, list) else []):
        if not isinstance(candidate, dict):
            continue
        here: KeyPath = ("candidate", position)
        name = candidate.get("name")
        if isinstance(name, str) and name.strip():
            first = first_with.setdefault(name.strip(), position)
            if first != position:
                line = lines.line_of(("candidate", first, "name"))
                hint = f"first in line {line}"
                problems.append(Problem((*here, "name"), f"two candidates are named {name!r}", "each name once", hint))
        settings = candidate.get("set")
        if isinstance(settings, dict):
            called = f"candidate {name!r}" if isinstance(name, str) else "candidate"
            for setting, problem in setting_problems(machine, settings):
                path: KeyPath = (*here, "set", setting)
                if path not in lines.lines:
                    path = (*here, "set", *setting.split("."))
                problems.append(Problem(path, f"{called}: {problem.found}", problem.allowed, problem.hint))
    return problems


def _parsed(text: str, place: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError.at(place, "brackets are nested too deeply", MACHINE_FILE) from None
    except ValueError as failure:
        message = str(failure)
    where = _PLACE_IN_TOML.search(message)
    reason = message[: where.start()] if where else message
    last = text.rstrip().count("\n") + 1
    line = int(where[1]) if where and where[1] else last
    column = f", column {where[2]}" if where and where[2] else ""
    for repeat in toml_lines(text).repeats:
        if repeat.second == line:
            found = f"{dotted_name(repeat.path)} is given twice"
            raise InputError.at(f"{place}:{line}", found, "once", f"first in line {repeat.first}")
    raise InputError.at(f"{place}:{line}", f"not valid TOML: {reason}{column}", MACHINE_FILE)
