"""Two hundred small jobs, and a cluster of two workers on this machine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import ROOT, folder, run
from tests.fleet.sweeping import small_jobs

__all__ = ["folder", "run"]
JOBS = 200


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of small jobs."""
    made = tmp_path_factory.mktemp("fleet") / "jobs"
    small_jobs(made, JOBS)
    return made


@pytest.fixture(scope="module")
def workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A Dask cluster of two processes."""
    from distributed import LocalCluster

    path = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    with (
        pytest.MonkeyPatch.context() as patched,
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            env={"PYTHONPATH": path},
            local_directory=str(tmp_path_factory.mktemp("workers")),
        ) as cluster,
    ):
        patched.setenv("PYTHONPATH", path)
        yield cluster
