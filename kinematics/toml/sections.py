"""Tables of a file as frozen sections: a row a key says what may stand there, and every mistake comes out in words.

A section is a class with a row for each of its keys, the attribute of that name its value. Only what was given stands
in an instance; what was not is the class's own, so that sections with nothing given cost nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, ClassVar, NamedTuple, NoReturn, Self, TypeGuard, TypeVar, dataclass_transform

from kinematics.errors import InputError, nearest
from kinematics.toml.files import Names, Path, Problem, dotted_name

ANY_NAME = "NAME"  # stands in messages for a name of the user's
REQUIRED: Any = object()  # the default of a key that must be given
LARGEST_COUNT = 2**31 - 1  # counts go into 32-bit arrays
LEAST, MOST = 1e-9, 1e9  # keep every product of a few values far from what a float can hold; no machine comes near
LONGEST_VALUE_SHOWN = 60
_NUMBER = re.compile(r"\s*[+-]?(\d[\d_]*\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")
T = TypeVar("T")


class Kind(NamedTuple):
    """What may stand at a key, in the words of an error message.

    `holds` tells whether a raw value may stand there (what it cannot compare may not), and `made` what becomes of it;
    `hint` says what to try instead; `choices` the texts among which a key chooses; `any_number` whether it may be a
    number that need not be whole.
    """

    allowed: str
    holds: Callable[[Any], bool]
    made: Callable[[Any], Any] = lambda value: value
    hint: Callable[[Any], str] = lambda value: ""
    choices: tuple[str, ...] = ()
    any_number: bool = False

    def read(self, raw: Any) -> Any:
        """The value of a raw one. Raises ValueError where it may not stand there."""
        try:
            if self.holds(raw):
                return self.made(raw)
        except TypeError:
            pass
        raise ValueError(self.allowed)


class Doubtful(NamedTuple):
    """The span outside of which a key's value looks like a slip, and what to ask there."""

    below: float
    above: float
    question: str


class Row(NamedTuple):
    """One key of a section.

    `kind` of a plain value; `inside` the section of a table, of one table a name (`by_name`) or of an array of tables
    (`repeated`); `allowed` words for a table that is given or left out as one value, or by name. `meaning` in a maker's
    words; `is_limit` whether leaving it out means that nothing holds back there; `lifts` what changes with it.
    """

    kind: Kind | None = None
    meaning: str = ""
    default: Any = None
    doubtful: Doubtful | None = None
    is_limit: bool = False
    lifts: str = ""
    inside: type[Section] | None = None
    repeated: bool = False
    by_name: bool = False
    allowed: str = ""
    name: str = ""
    attribute: str = ""

    @property
    def is_key(self) -> bool:
        """Whether the row is one key of the file, a value, rather than a section."""
        return self.kind is not None or (self.repeated and self.default is None)

    @property
    def has_default(self) -> bool:
        """Whether something holds where the key is left out."""
        return self.default is not None and self.default is not REQUIRED

    @property
    def is_one_value(self) -> bool:
        """Whether the row is a table that is given or left out as a whole."""
        return self.inside is not None and self.default is None and not self.repeated

    @property
    def words(self) -> str:
        """What may stand there."""
        return self.kind.allowed if self.kind is not None else self.allowed


def key(
    kind: Kind,
    meaning: str = "",
    *,
    default: Any = REQUIRED,
    doubtful: Doubtful | None = None,
    is_limit: bool = False,
    lifts: str = "",
) -> Any:
    """A key that holds a value."""
    return Row(kind, meaning, default, doubtful, is_limit, lifts)


def table(*, factory: type[Section]) -> Any:
    """A table of its own, with nothing given where the file has none."""
    return Row(inside=factory, default=factory.made({}))


def one_table(inside: type[Section], allowed: str, *, default: None = None) -> Any:
    """A table that is given or left out as one value."""
    return Row(inside=inside, default=default, allowed=allowed)


def by_name(inside: type[Section], allowed: str, *, factory: Callable[[], ByName[Any]]) -> Any:
    """One table for each name of the user's."""
    return Row(inside=inside, default=factory(), by_name=True, allowed=allowed)


def blocks(
    inside: type[Section], allowed: str = "", *, default: Any, name: str = "", meaning: str = "", lifts: str = ""
) -> Any:
    """An array of tables, with a name of its own in the file; with a default of None it is one value."""
    return Row(None, meaning, default, lifts=lifts, inside=inside, repeated=True, allowed=allowed, name=name)


@dataclass_transform(frozen_default=True, field_specifiers=(key, table, one_table, by_name, blocks))
class Section:
    """A table of a file, frozen; two are equal where all their values are, given or not."""

    ROWS: ClassVar[Mapping[str, Row]] = {}  # by the name in the file, in its order

    def __init_subclass__(cls) -> None:
        own = {name: row for name, row in vars(cls).items() if isinstance(row, Row)}
        rows = (row._replace(name=row.name or at, attribute=at) for at, row in own.items())
        cls.ROWS = {**cls.ROWS, **{row.name: row for row in rows}}
        for name, row in own.items():
            if row.default is REQUIRED:
                delattr(cls, name)
            else:
                setattr(cls, name, row.default)

    def __init__(self, *by_place: Any, **by_name: Any) -> None:
        names = {row.attribute: name for name, row in self.ROWS.items()}
        given = {names.get(at, at): value for at, value in (*zip(names, by_place, strict=False), *by_name.items())}
        reading = Reading()
        self.__dict__.update(reading.table(type(self), given))
        if problems := reading.problems():
            raise InputError(*(problem.at("") for problem in problems))

    @classmethod
    def made(cls, values: Mapping[str, Any]) -> Self:
        """The section of values by attribute that were read before."""
        section = object.__new__(cls)
        section.__dict__.update(values)
        return section

    def given(self) -> Iterator[tuple[str, Any]]:
        """Names and values of what was given, in the order of the file."""
        here = self.__dict__
        return ((name, here[row.attribute]) for name, row in self.ROWS.items() if here.get(row.attribute) is not None)

    def values(self) -> tuple[Any, ...]:
        """Every value, given or not, in the order of the file."""
        return tuple(getattr(self, row.attribute) for row in self.ROWS.values())

    def as_dict(self) -> dict[str, Any]:
        """Every value as nested plain data."""
        return {row.attribute: plain(getattr(self, row.attribute)) for row in self.ROWS.values()}

    def __setattr__(self, name: str, value: Any) -> NoReturn:
        raise ValueError(f"a {type(self).__name__} is frozen: {name} stays as it is")

    def __delattr__(self, name: str) -> NoReturn:
        raise ValueError(f"a {type(self).__name__} is frozen: {name} stays where it is")

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Section) or type(other) is not type(self):
            return NotImplemented
        return self is other or self.values() == other.values()

    def __hash__(self) -> int:
        return hash(self.values())

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{name}={value!r}' for name, value in self.given())})"


class ByName(Mapping[str, T]):
    """A frozen table by the user's own names: hashable, comparable with any mapping, may be pickled."""

    def __init__(self, values: Mapping[str, T] | Iterable[tuple[str, T]] = ()) -> None:
        self._values = dict(values)

    def __getitem__(self, name: str) -> T:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __hash__(self) -> int:
        return hash(frozenset(self._values.items()))

    def __repr__(self) -> str:
        return repr(self._values)


def plain(value: Any, given_only: bool = False) -> Any:
    """A value of a section as dicts, lists, texts and numbers; of sections inside what was given, or all."""
    if isinstance(value, Section):
        return {name: plain(one, True) for name, one in value.given()} if given_only else value.as_dict()
    if isinstance(value, Mapping):
        return {name: plain(one, given_only) for name, one in value.items()}
    return [plain(one, given_only) for one in value] if isinstance(value, (list, tuple)) else value


def replaced(section: Section, path: Names, value: Any) -> Any:
    """A section with another value at a path, which None takes out; what then says nothing is left out with it."""
    row = section.ROWS[path[0]]
    values = dict(section.__dict__)
    rest = path[1:]
    if rest and row.inside is not None:
        inside = getattr(section, row.attribute)
        if row.by_name:
            changed = replaced(inside.get(rest[0]) or row.inside.made({}), rest[1:], value)
            value = ByName((name, one) for name, one in {**inside, rest[0]: changed}.items() if one.__dict__)
        else:
            value = replaced(inside or row.inside.made({}), rest, value)
            if row.is_one_value and not value.__dict__:
                value = None
    values[row.attribute] = value
    if value is None:
        del values[row.attribute]
    return type(section).made(values)


class Reading:
    """Raw tables that become sections, and what is wrong with them; `hint_for_unknown` helps with an unknown key."""

    def __init__(self, hint_for_unknown: Callable[[Path], str] | None = None) -> None:
        self._hint_for_unknown = hint_for_unknown
        self._wrong: list[Problem] = []
        self._missing: list[Problem] = []

    def problems(self) -> list[Problem]:
        """Everything that was wrong, what is missing last.

        A misspelt name is one mistake, not an unknown key and a missing one.
        """
        hints = [(problem.path[:-1], problem.hint) for problem in self._wrong]
        return self._wrong + [
            missing
            for missing in self._missing
            if not any(path == missing.path[:-1] and repr(missing.path[-1]) in hint for path, hint in hints)
        ]

    def table(self, section: type[Section], raw: Mapping[str, Any], path: Path = ()) -> dict[str, Any]:
        """The values of a table by attribute, those that are wrong left out."""
        values: dict[str, Any] = {}
        for name, row in section.ROWS.items():
            here = (*path, name)
            if raw.get(name) is not None:
                values[row.attribute] = self.value(row, raw[name], here)
            elif row.default is REQUIRED:
                self._missing.append(Problem(here, f"{dotted_name(here)} is missing", row.words))
        for name in raw:
            if name not in section.ROWS:
                here = (*path, name)
                find = self._hint_for_unknown
                hint = find(here) if find is not None else nearest_row(section.ROWS, str(name))
                allowed = "" if hint else ", ".join(section.ROWS)
                self.note(Problem(here, f"unknown key {dotted_name(here)}", allowed, hint))
        return {attribute: value for attribute, value in values.items() if value is not None}

    def value(self, row: Row, raw: Any, path: Path) -> Any:
        """The value of a key or the sections of a table; None where it is wrong, and what is wrong is noted."""
        if row.kind is not None:
            try:
                return row.kind.read(raw)
            except ValueError:
                hint = hint_for(row, raw)
                return self.note(Problem(path, f"{dotted_name(path)} = {shown(raw)}", row.words, hint))
        inside = row.inside
        assert inside is not None
        if row.repeated and isinstance(raw, (list, tuple)):
            name = dotted_name(path)
            return tuple(
                self._inside(inside, one, (*path, place), f"[[{name}]] blocks") for place, one in enumerate(raw)
            )
        if row.by_name and isinstance(raw, Mapping):
            allowed = f"a table [{dotted_name((*path, ANY_NAME))}] with {', '.join(inside.ROWS)}"
            tables = ((name, self._inside(inside, one, (*path, name), allowed)) for name, one in raw.items())
            return ByName((name, one) for name, one in tables if one is not None and one.__dict__)
        name = dotted_name(path)
        allowed = row.allowed or f"a table [{name}] with {', '.join(inside.ROWS)}"
        if row.repeated or row.by_name:
            allowed = row.allowed or f"[[{name}]] blocks, each with {listed(list(inside.ROWS))}"
            return self.note(Problem(path, f"{name} = {shown(raw)}", allowed))
        before = len(self._wrong) + len(self._missing)
        made = self._inside(inside, raw, path, allowed)
        if row.is_one_value and before == len(self._wrong) + len(self._missing) and not made.__dict__:
            return self.note(Problem(path, f"{name} = {shown(raw)}", allowed))
        return made

    def _inside(self, inside: type[Section], raw: Any, path: Path, allowed: str) -> Any:
        """The section of one table, or None where there is none: `allowed` says what may stand there."""
        if isinstance(raw, Mapping):
            return inside.made(self.table(inside, raw, path))
        found = f"{dotted_name(path)} = {shown(raw)}"
        if isinstance(path[-1], int):
            found = f"{dotted_name(path)} has an element {shown(raw)}"
        return raw if isinstance(raw, inside) else self.note(Problem(path, found, allowed))

    def note(self, problem: Problem) -> None:
        """Keep what is wrong."""
        self._wrong.append(problem)


def hint_for(row: Row, raw: Any) -> str:
    """What to try instead of a wrong value; empty where nothing is known."""
    kind = row.kind
    assert kind is not None
    if isinstance(raw, str) and "number" in kind.allowed and _NUMBER.fullmatch(raw):
        return "write it without quotes"
    none_meant = row.is_limit and not isinstance(raw, bool) and raw in (0, math.inf)
    hint = kind.hint(raw) or ("leave the key out for no limit" if none_meant else "")
    return hint or (nearest(raw, kind.choices) if isinstance(raw, str) else "")


def nearest_row(rows: Mapping[str, Row], name: str) -> str:
    """The hint for an unknown key: the one like it in its own table; empty where none is."""
    return nearest(name, rows) or nearest(name.lower(), rows)


def listed(names: Sequence[str]) -> str:
    """Names as a sentence lists them: a, b and c."""
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)


def shown(value: Any) -> str:
    """A value as a file would write it, shortened where it is long."""
    text = _as_toml(value)
    return text if len(text) <= LONGEST_VALUE_SHOWN else text[: LONGEST_VALUE_SHOWN - 1] + "…"


def _as_toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(letter if letter.isprintable() else " " for letter in value) + '"'
    if isinstance(value, int) and abs(value) > 10**LONGEST_VALUE_SHOWN:
        return "a huge whole number"  # writing it out may be refused
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_as_toml(one)}" for key, one in value.items()) + " }" if value else "{}"
    if isinstance(value, (list, tuple)):
        if value and all(isinstance(one, Mapping) for one in value):
            return "an array of tables"
        return "[" + ", ".join(_as_toml(one) for one in value) + "]"
    return "nothing" if value is None else str(value)


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a raw value is a number; true and false are none."""
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def number(allowed: str, holds: Callable[[float], bool]) -> Kind:
    """The kind of a number of which something holds. Strict: true is no number, nor is "5"."""
    return Kind(allowed, lambda raw: is_number(raw) and holds(raw), float, any_number=True)


def whole_number(allowed: str, least: int) -> Kind:
    """The kind of a whole number; a sweep counts in floats, and 32.0 is a count as well."""
    return Kind(allowed, lambda raw: is_number(raw) and least <= raw <= LARGEST_COUNT and raw == int(raw), int)


def not_blank(allowed: str) -> Kind:
    """The kind of a text that is not blank."""
    return Kind(allowed, lambda raw: isinstance(raw, str) and bool(raw.strip()))


def one_of(*choices: str, allowed: str = "") -> Kind:
    """The kind of one of a few texts."""
    quoted = [f'"{choice}"' for choice in choices]
    allowed = allowed or " or ".join((", ".join(quoted[:-1]), quoted[-1]))
    return Kind(allowed, lambda raw: isinstance(raw, str) and raw in choices, choices=choices)


def several(kind: Kind, count: int, allowed: str) -> Kind:
    """The kind of so many values of one kind."""
    return Kind(
        allowed,
        lambda raw: isinstance(raw, (list, tuple)) and len(raw) == count and all(map(kind.holds, raw)),
        lambda raw: tuple(map(kind.made, raw)),
    )


# No infinities: a limit that is to be none is left out.
POSITIVE = number("a number above 0 (1e-9 to 1e9)", lambda value: LEAST <= value <= MOST)
NOT_NEGATIVE = number("a number, 0 or more (up to 1e9)", lambda value: 0.0 <= value <= MOST)
ANY_NUMBER = number("a number (-1e9 to 1e9)", lambda value: -MOST <= value <= MOST)
TEMPERATURE = number("a temperature in °C, a number above -273.15", lambda value: -273.15 < value <= MOST)
COUNT = whole_number("a whole number, 0 or more", 0)
COUNT_FROM_ONE = whole_number("a whole number, 1 or more", 1)
YES_NO = Kind("true or false", lambda raw: isinstance(raw, bool))
TEXT = Kind("text in quotes", lambda raw: isinstance(raw, str))
NAME = not_blank("text in quotes, not blank")
