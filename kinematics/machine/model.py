"""The machine: the keys of its file as they hold, where each comes from, and what changes of it with settings."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, NamedTuple, Self

from kinematics.errors import InputError
from kinematics.machine.doubts import doubts_of
from kinematics.machine.keys import Keys
from kinematics.machine.kinds import Range
from kinematics.machine.mechanisms import mechanism_of
from kinematics.machine.names import (
    Key,
    all_keys,
    flattened,
    given_keys,
    key_named,
    keys_of_section,
    limit_keys,
    plain_value_of,
    section_named,
)
from kinematics.machine.rules import MachineReading
from kinematics.machine.settings import applied
from kinematics.toml.files import dotted_name
from kinematics.toml.sections import plain

GIVEN_IN_CODE = "given in code"
DEFAULT = "default"
NOT_GIVEN = "not given"


Changes = Mapping[str, frozenset[tuple[str, Any]]]


class EffectiveValue(NamedTuple):
    """One key as it holds: dotted key, plain value (None where not given), and where the value comes from.

    A range is a table of three numbers here, as it is in the file.
    """

    key: str
    value: Any
    origin: str


class Machine(Keys):
    """The whole machine file; `Machine()` is the one with nothing given. Two machines are equal if all values are.

    A key that is given as a range has its likely value; `ranges` tells the rest.
    """

    _origins: Mapping[str, str] = MappingProxyType({})
    _source: str = ""
    _ranges: tuple[tuple[str, Range], ...] = ()
    _turned: tuple[Machine, Mapping[str, Any], Changes] | None = None

    def __init__(self, **tables: Any) -> None:
        names = {row.attribute: name for name, row in self.ROWS.items()}
        reading = MachineReading()
        found = reading.machine(type(self), {names.get(name, name): one for name, one in tables.items()})
        if problems := reading.problems():
            raise InputError(*(problem.at("") for problem in problems))
        self.__dict__.update(found, _ranges=tuple(sorted(reading.ranges.items())))
        self.__dict__["_origins"] = {dotted_name(path): GIVEN_IN_CODE for path in given_keys(self)}

    def noted(self, origins: Mapping[str, str], ranges: Mapping[str, Range], source: str) -> Self:
        """The same machine with the place that each given key comes from, its ranges, and what was loaded."""
        machine = self.made(self.__dict__)
        machine.__dict__.update(_origins=origins, _ranges=tuple(sorted(ranges.items())), _source=source)
        return machine

    @classmethod
    def from_toml_text(cls, text: str, name: str) -> Machine:
        """Read the machine from TOML text; `name` stands before the line in messages. Raises InputError."""
        from kinematics.machine.file import machine_from_text

        return machine_from_text(text, name)

    def with_settings(self, settings: Mapping[str, Any], origin: str = "--set") -> Self:
        """The machine with some keys changed; None takes a key out again. Raises InputError with every finding.

        Keys are dotted keys of the file, or the short names acceleration, corner, flow, speed. Giving one corner
        rule takes the other out; giving a number takes the range out. `origin` names the place in messages and in
        `origin_of`.
        """
        return self.changed(settings, origin)[0]

    def changed(self, settings: Mapping[str, Any], origin: str = "--set") -> tuple[Self, frozenset[str]]:
        """The machine as `with_settings` makes it, and the dotted keys that the settings touch."""
        ranges = self.ranges
        found = applied(self, settings, ranges)
        if found.problems:
            order = {setting: position for position, (setting, _) in enumerate(flattened(settings))}
            problems = sorted(found.problems, key=lambda pair: order.get(pair[0], len(order)))
            raise InputError(*(problem.at(origin) for _, problem in problems))
        origins = dict(self._origins)
        for key in found.dropped:
            origins.pop(key, None)
        origins.update(dict.fromkeys(found.given, origin))
        if ranges or found.ranges:
            ranges = {**{key: one for key, one in ranges.items() if key not in found.dropped}, **found.ranges}
        machine: Self = found.machine.noted(origins, ranges, self._source)
        base, before, _ = self.turned
        turned = {**before, **found.values}
        parts: dict[str, list[tuple[str, Any]]] = {}
        for key, value in turned.items():
            parts.setdefault(key_named(key).row.lifts, []).append((key, value))
        machine.__dict__["_turned"] = base, turned, {part: frozenset(those) for part, those in parts.items()}
        return machine, found.touched

    @property
    def turned(self) -> tuple[Machine, Mapping[str, Any], Changes]:
        """The machine that all settings so far were laid over, the value of every dotted key in which this one may
        differ from it, and these by the part of the limits that they lift.
        """
        return self._turned or (self, {}, {})

    @property
    def name(self) -> str:
        """The name in the file, or what was loaded where the file gives none."""
        return self.machine.name or self._source or "unnamed"

    @property
    def ranges(self) -> Mapping[str, Range]:
        """The ranges by dotted key, in the order of their names; empty where every value is known as one number."""
        return dict(self._ranges)

    @property
    def source(self) -> str:
        """What was loaded: the file, `built-in …`, or nothing."""
        return self._source

    def value_of(self, key: str) -> Any:
        """The plain value of a dotted key, None where it is not given. Raises InputError for an unknown key."""
        return plain_value_of(self, key_named(key))

    def origin_of(self, key: str) -> str:
        """Where the value of a dotted key comes from: `file:line`, `built-in …`, `--set`, `default`, `not given`.

        A table (`motion.speed_step_mm_s`) comes from where its first given key does. Raises InputError for an
        unknown key.
        """
        if section_named(key) is not None:
            inside = keys_of_section(key, self)
            return next((self._origins[one.name] for one in inside if one.name in self._origins), NOT_GIVEN)
        found = key_named(key)
        return self._origin_of(found, plain_value_of(self, found))

    def _origin_of(self, key: Key, value: Any) -> str:
        return self._origins.get(key.name, NOT_GIVEN if value is None else DEFAULT)

    def effective(self) -> list[EffectiveValue]:
        """Every key in the order of the file with its value and origin, defaults and keys not given included.

        Keys by label are those of the labels that the machine names.
        """
        ranges = {name: known.as_dict() for name, known in self._ranges}
        values = [(key, plain_value_of(self, key)) for key in all_keys(self)]
        return [EffectiveValue(key.name, ranges.get(key.name, one), self._origin_of(key, one)) for key, one in values]

    def limits_not_given(self) -> list[str]:
        """The dotted keys of the printer's limits that are left out, in the order of the file.

        Of the motors those that move several axes at once, or one unevenly: any other says no more than its axis.
        """
        return [key.name for key in limit_keys(mechanism_of(self).coupled) if plain_value_of(self, key) is None]

    def as_dict(self) -> dict[str, Any]:
        """The effective values as nested plain data for JSON; what may be laid over the machine is no part of them.

        Where there are ranges they stand beside the sections, under `ranges`, by dotted key.
        """
        values = {row.attribute: plain(getattr(self, row.attribute)) for row in self.ROWS.values() if not row.repeated}
        return values | ({"ranges": {key: one.as_dict() for key, one in self._ranges}} if self._ranges else {})

    def check(self) -> list[str]:
        """What is legal but doubtful, a sentence each; empty where nothing is.

        Of a candidate what is doubtful of the machine as well is not told again.
        """
        doubts = list(doubts_of(self, self._origins))
        for candidate in self.candidates:
            try:
                tried = self.with_settings(candidate.set, f"candidate {candidate.name}")
            except InputError as failure:  # only where the machine was made in code; files are judged when loaded
                doubts += [f"{finding}." for finding in failure.findings]
                continue
            more = doubts_of(tried, tried._origins)
            doubts += [f"Candidate {candidate.name}: {doubt}" for doubt in more if doubt not in doubts]
        return doubts

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Machine):
            return NotImplemented
        return self.values() == other.values() and self._ranges == other._ranges

    def __hash__(self) -> int:
        return hash((self.values(), self._ranges))

    def __repr__(self) -> str:
        from kinematics.wording import value_text

        limits: dict[str, list[str]] = {}
        for key in all_keys(self):
            value = plain_value_of(self, key)
            if key.row.is_limit and value is not None:
                limits.setdefault(".".join(key.path[:-1]), []).append(f"{value_text(value)} {key.unit}")
        told = [f"{section} {', '.join(values)}" for section, values in limits.items()]
        return f"<Machine {'; '.join([repr(self.name), *told])}>"

    __str__ = __repr__
