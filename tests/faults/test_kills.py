"""A few sweeps that are killed; `python -m tests.faults.kills 20` kills more."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.kills import SWEEPS, problems


@pytest.mark.parametrize("name", SWEEPS)
def test_a_sweep_that_is_killed_twice_ends_with_the_same_bytes(folder: Path, name: str) -> None:
    assert not list(problems(2, 7, (name,)))
