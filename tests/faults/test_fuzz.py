"""Some of the runs of the fuzz driver; all of them belong to the full run."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults import fuzz


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_crashes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    monkeypatch.chdir(tmp_path)
    assert fuzz.problems(250, seed) == []
