"""A machine file, text or built-in name -> machine, with every finding at once and the line of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from kinematics.errors import Finding, InputError, nearest
from kinematics.machine.kinds import Range
from kinematics.machine.model import Machine
from kinematics.machine.names import LAID_OVER, given_keys
from kinematics.machine.rules import MachineReading
from kinematics.machine.settings import applied, parse_settings, with_later
from kinematics.toml.files import (
    FileKind,
    Problem,
    TomlLines,
    dotted_name,
    failure_at_lines,
    is_builtin,
    split_key,
    tables_of,
    text_of_file,
    toml_lines,
)
from kinematics.toml.files import Path as KeyPath

BUILTIN_NAMES = ("gentle", "middling", "quick")
BUILTIN_FOLDER = Path(__file__).parent / "builtin"
MACHINE_FILE = FileKind("machine", "--machine", BUILTIN_NAMES)


def load_machine(source: str | Path, settings: Sequence[str] = (), material: str | None = None) -> Machine:
    """Load a built-in name or a TOML file, lay a material of it over it, then apply `key=value` settings, of which the
    last one for a key wins.

    Raises InputError with every finding.
    Text with a separator or ending in .toml is a path; other text is a built-in name first and a file second.
    """
    findings: list[Finding] = []
    machine = Machine()
    try:
        machine = builtin_machine(str(source)) if is_builtin(source, MACHINE_FILE) else machine_from_file(source)
        if material is not None:
            machine = with_material(machine, material)
    except InputError as failure:
        findings += failure.findings
    values: dict[str, Any] = {}
    for text in settings:
        try:
            parsed = parse_settings(text)
        except InputError as failure:
            findings += failure.findings
            continue
        values = with_later(values, parsed, machine)
    if values:
        try:
            machine = machine.with_settings(values)
        except InputError as failure:
            findings += failure.findings
    if findings:
        raise InputError(*findings)
    return machine


def with_material(machine: Machine, name: str) -> Machine:
    """The machine with the settings of one of its materials. Raises InputError where it has none of that name."""
    for material in machine.materials:
        if material.name.strip() == name.strip():
            return machine.with_settings(material.set, f"material {material.name}")
    names = [material.name for material in machine.materials]
    allowed = ", ".join(names) or f"a [[material]] block in {machine.source or 'the machine file'} first"
    raise InputError.at("--material", f"no material {name!r}", allowed, nearest(name, names))


def is_named_alike(one: str, other: str) -> bool:
    """Whether two names that people wrote into tables and files mean the same."""
    return one.strip().casefold() == other.strip().casefold()


def laid_with(machine: Machine, material: str) -> Machine:
    """The machine with a material of its own of that name over it; as it is where it has none."""
    named = [one.name for one in machine.materials if is_named_alike(one.name, material)]
    return with_material(machine, named[0]) if named else machine


def builtin_text(name: str) -> str:
    """The TOML text of a built-in machine."""
    return (BUILTIN_FOLDER / f"{name}.toml").read_text(encoding="utf-8")


def builtin_machine(name: str) -> Machine:
    """One of the built-in machines."""
    source = f"built-in {name}"
    machine = machine_from_text(builtin_text(name), source)
    origins = {dotted_name(path): source for path in given_keys(machine)}
    return machine.noted(origins, machine.ranges, source)


def machine_from_file(path: str | Path) -> Machine:
    """Read a machine from a TOML file. Raises InputError with every finding."""
    return machine_from_text(text_of_file(path, MACHINE_FILE), str(path), Path(path).name)


def machine_from_text(text: str, place: str, short_place: str = "") -> Machine:
    """Read a machine from TOML text; messages say `place:line`, origins `short_place:line`. Raises InputError."""
    tables = tables_of(text, place, MACHINE_FILE)
    lines = toml_lines(text)
    reading = MachineReading()
    values = reading.machine(Machine, tables)
    problems = reading.problems()
    machine, ranges = (Machine(), {}) if problems else (Machine.made(values), reading.ranges)
    for kind in LAID_OVER:
        if kind in tables:
            problems += _problems_of(kind, tables, machine, ranges, lines)
    if problems:
        raise failure_at_lines(problems, lines, place)
    file = short_place or place
    origins = {dotted_name(path): f"{file}:{lines.line_of(path)}" for path in given_keys(machine)}
    return machine.noted(origins, ranges, place)


def _problems_of(
    kind: str, tables: Mapping[str, Any], machine: Machine, ranges: Mapping[str, Range], lines: TomlLines
) -> list[Problem]:
    """What the rows cannot see of candidates, materials or upgrades: names twice, settings not taken."""
    problems: list[Problem] = []
    first_with: dict[str, int] = {}
    blocks = tables[kind]
    for position, block in enumerate(blocks if isinstance(blocks, list) else []):
        if not isinstance(block, dict):
            continue
        here: KeyPath = (kind, position)
        name = block.get("name")
        if isinstance(name, str) and name.strip():
            first = first_with.setdefault(name.strip(), position)
            if first != position:
                line = lines.line_of((kind, first, "name"))
                hint = f"first in line {line}"
                problems.append(Problem((*here, "name"), f"two {kind}s are named {name!r}", "each name once", hint))
        settings = block.get("set")
        if isinstance(settings, dict):
            called = f"{kind} {name!r}" if isinstance(name, str) else kind
            for setting, problem in applied(machine, settings, ranges).problems:
                path: KeyPath = (*here, "set", setting)
                if path not in lines.lines:
                    path = (*here, "set", *split_key(setting))
                problems.append(Problem(path, f"{called}: {problem.found}", problem.allowed, problem.hint))
    return problems
