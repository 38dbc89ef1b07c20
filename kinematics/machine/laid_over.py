"""What may be laid over a machine: candidates to compare, and materials, each a name and some settings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from kinematics.machine.section import Section
from kinematics.machine.value_kinds import READ_SETTINGS, WRITE_SETTINGS
from kinematics.toml.value_kinds import Allowed, Name


class NamedSettings(Section):
    """A name, and the settings that go with it."""

    name: Name
    set: Annotated[
        Mapping[str, Any], READ_SETTINGS, WRITE_SETTINGS, Allowed('a table of settings, { "dotted.key" = value }')
    ]

    if not TYPE_CHECKING:

        def __init__(self, *by_place, **by_name):
            """Take the name and the settings by place or by name; any other name is for the models to refuse."""
            super().__init__(**dict(zip(("name", "set"), by_place, strict=False)), **by_name)


class Candidate(NamedSettings):
    """[[candidate]]: a named set of settings to compare with the file's own machine."""

    if TYPE_CHECKING:

        def __init__(self, name: str, set: Mapping[str, Any]) -> None: ...  # noqa: A002 the key of the file


class Material(NamedSettings):
    """[[material]]: what changes with a spool: flow, pressure advance, price and the like."""

    if TYPE_CHECKING:

        def __init__(self, name: str, set: Mapping[str, Any]) -> None: ...  # noqa: A002 the key of the file
