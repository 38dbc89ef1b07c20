"""Mutants of which is proven that no test can notice them, each by file, function, and line before and after."""

from __future__ import annotations

from typing import NamedTuple


class Equivalent(NamedTuple):
    """A change of one line that changes no answer, and why."""

    path: str
    inside: str
    before: str
    after: str
    proof: str


EQUIVALENT: tuple[Equivalent, ...] = ()
