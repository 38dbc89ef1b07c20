"""The models of a file, walked by the path of a key: what stands where, what is allowed, and under which name."""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kinematics.errors import nearest
from kinematics.toml.dotted import quoted
from kinematics.toml.lines import Path
from kinematics.toml.named_sections import ANY_NAME, EveryField, NamedSections, OfAnyName, of_any_name
from kinematics.toml.value_kinds import Advice, Allowed


def _alternatives(annotation: Any) -> Iterator[Any]:
    """The types inside Annotated and Optional, outermost first."""
    yield annotation
    if get_origin(annotation) in (Annotated, Union, types.UnionType):
        for inside in get_args(annotation):
            yield from _alternatives(inside)


def _section_in(field: FieldInfo) -> tuple[type[BaseModel] | None, bool]:
    for annotation in _alternatives(field.annotation):
        repeated = get_origin(annotation) is tuple
        kind = get_args(annotation)[0] if repeated else annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind, repeated
    return None, False


def section_of(field: FieldInfo) -> type[BaseModel] | None:
    """The model of a field that is a table or an array of tables; None for a plain value."""
    return _section_in(field)[0]


def is_repeated(field: FieldInfo) -> bool:
    """Whether a field is an array of tables."""
    return _section_in(field)[1]


def named_section_of(field: FieldInfo) -> type[BaseModel] | None:
    """The model of each table of a field that holds one table a name; None for any other field."""
    for annotation in _alternatives(field.annotation):
        if get_origin(annotation) is NamedSections:
            member: type[BaseModel] = get_args(annotation)[0]
            return member
    return None


def notes_of(field: FieldInfo) -> Iterator[Any]:
    """What is noted about a field beside its type, outermost first."""
    yield from field.metadata
    for annotation in _alternatives(field.annotation):
        yield from getattr(annotation, "__metadata__", ())


def allowed_text(field: FieldInfo) -> str:
    """What may stand at a field, in words; empty where its type does not say."""
    return next((note.text for note in notes_of(field) if isinstance(note, Allowed)), "")


def choices_of(field: FieldInfo) -> list[str]:
    """The texts among which a field chooses; empty where it takes any."""
    found = (one for kind in _alternatives(field.annotation) if get_origin(kind) is Literal for one in get_args(kind))
    return [one for one in found if isinstance(one, str)]


def takes_any_number(field: FieldInfo) -> bool:
    """Whether a field may hold a number that need not be whole."""
    return any(kind is float for kind in _alternatives(field.annotation))


def advice_for(field: FieldInfo, value: Any) -> str:
    """What to try instead of a value that a field does not take; empty where nothing is known."""
    return next((hint for note in notes_of(field) if isinstance(note, Advice) and (hint := note.hint(value))), "")


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The fields of a model under the names that they have in the file."""
    if issubclass(model, OfAnyName):
        return EveryField(model.model_fields["every"])
    return {field.alias or name: field for name, field in model.model_fields.items()}


def model_at(root: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """The model of the table at a path (list positions skipped); None where no table is known."""
    model = root
    member: type[BaseModel] | None = None  # what every name stands for in the table that has been reached
    names = [part for part in path if isinstance(part, str)]
    for place, name in enumerate(names):
        if member is not None:
            model, member = member, None
            continue
        field = fields_of(model).get(name)
        if field is None:
            return None
        member = named_section_of(field)
        if member is not None:
            table = dotted_name((*names[: place + 1], ANY_NAME))
            model = of_any_name(f"a table [{table}] with {', '.join(fields_of(member))}")
            continue
        inside = section_of(field)
        if inside is None:
            return None
        model = inside
    return model


def nearest_here(root: type[BaseModel], path: Path) -> str:
    """The hint for an unknown key: the one like it in its own table; empty where none is."""
    model = model_at(root, path[:-1])
    here = list(fields_of(model)) if model is not None else []
    name = str(path[-1])
    return nearest(name, here) or nearest(name.lower(), here)


def dotted_name(path: Path) -> str:
    """A path as it is written in a file, list positions left out, odd names quoted."""
    return ".".join(quoted(part) for part in path if isinstance(part, str))
