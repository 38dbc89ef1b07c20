"""Tables that the user names, such as one a label: a frozen mapping from name to section."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Annotated, Any, Generic, TypeVar, get_args

from pydantic import BaseModel, GetCoreSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from kinematics.toml.value_kinds import Allowed

ANY_NAME = "NAME"  # stands in messages for a name of the user's
Member = TypeVar("Member", bound=BaseModel)


class NamedSections(Mapping[str, Member], Generic[Member]):
    """Sections by the user's own names, never changed: hashable, comparable with any mapping, may be pickled.

    A section in which nothing is given says nothing, and is left out.
    """

    def __init__(self, sections: Mapping[str, Member]) -> None:
        self._sections = {name: section for name, section in sections.items() if _says_something(section)}

    def __getitem__(self, name: str) -> Member:
        return self._sections[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._sections)

    def __len__(self) -> int:
        return len(self._sections)

    def __hash__(self) -> int:
        return hash(frozenset(self._sections.items()))

    def __repr__(self) -> str:
        return repr(self._sections)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Read as a table of tables, so that errors carry the name; write as plain dicts again."""
        (member,) = get_args(source)
        tables = core_schema.dict_schema(core_schema.str_schema(strict=True), handler.generate_schema(member))
        writing = core_schema.wrap_serializer_function_ser_schema(_written, schema=tables)
        return core_schema.no_info_after_validator_function(cls, tables, serialization=writing)


def _says_something(section: BaseModel) -> bool:
    return any(value is not None for _, value in section)


def _written(sections: Mapping[str, Any], write: core_schema.SerializerFunctionWrapHandler) -> Any:
    return write(dict(sections))


class OfAnyName(BaseModel):
    """Stands for the model of a table that holds one table a name: it has every field that it is asked for."""

    every: Any = None


class EveryField(dict[str, FieldInfo]):
    """Lists no fields, and has the given one under every name."""

    def __init__(self, field: FieldInfo) -> None:
        super().__init__()
        self.field = field

    def __missing__(self, name: str) -> FieldInfo:
        return self.field


@cache
def of_any_name(allowed: str) -> type[BaseModel]:
    """The stand-in for a table that holds one table a name, with what may stand under each name, in words."""
    annotation = Annotated[Any, Allowed(allowed)]
    return type("OfAnyName", (OfAnyName,), {"__annotations__": {"every": annotation}, "every": None})
