"""What every table of the machine file is: frozen, and strict about its keys."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


class Section(BaseModel):
    """A table of the machine file: frozen, and a key that it does not know is an error."""

    # Only the whole machine is ever read, and it holds the rest: one validator to build instead of one a section.
    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


def with_defaults() -> Any:
    """The default of a section: the section with nothing given, made by the machine's own validator."""
    return Field(default={}, validate_default=True)
