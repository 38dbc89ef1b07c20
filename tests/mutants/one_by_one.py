"""Mutants put into a copy of the tree and tested one by one: `python -m tests.mutants.one_by_one SESSION SECONDS`.

Started by `tests.mutants.mutation` in a copy of its own. What the tests need from other houses is loaded once; every
mutant is then tested in a process that begins with that and ends at its first failure.
"""

from __future__ import annotations

import gc
import hashlib
import os
import resource
import signal
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

from tests.mutants.suite import FEWER, MOST_CASES, suite_for

MOST_MEMORY = 8 << 30  # bytes of addresses; a mutant that asks for more is caught by that
LONGEST_WAIT = 600  # s by the clock, for a mutant that waits and does nothing
MOST_EXAMPLES = 40  # of a property, where it says no number itself; what fails is not made smaller
LONGEST_TEST = 5.0  # s of processor time for one test; each takes a tenth of that, and a loop without end all of it
LOADED_ONCE = (
    "numpy", "numba", "llvmlite", "scipy.optimize", "scipy.signal", "scipy.special", "scipy.sparse", "scipy.stats",
    "tomlkit", "hypothesis", "hypothesis.strategies", "hypothesis.extra.numpy", "pandas", "rich.console", "simpy",
)  # fmt: skip
# Nothing of the tests' runner but what the suite needs: no plugins of other packages, assertions left as they stand.
RUNNER = (
    "-x", "-q", "-o", "addopts=", "--assert=plain", "-W", "ignore", "-p", "no:cacheprovider",
    "-p", "no:unraisableexception", "-p", "no:threadexception", "-p", "no:faulthandler", "-p", "no:logging",
)  # fmt: skip


class Fewer:
    """Leaves out the cases that the suite does not ask for, and ends the process where one goes on without end."""

    def pytest_runtest_logstart(self) -> None:
        """The next test begins."""
        signal.setitimer(signal.ITIMER_PROF, LONGEST_TEST)

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Keep as many cases of a test as are asked for, evenly spread."""
        cases = defaultdict[str, list[Any]](list)
        for item in items:
            cases[item.nodeid.split("[")[0]].append(item)
        kept = []
        for name, those in cases.items():
            most = min(FEWER.get(name, MOST_CASES), len(those))
            kept += [those[k * len(those) // most] for k in range(most)]
        items[:] = kept


def run_suite(path: str) -> int:
    """Run the suite in the order for a source, up to its first failure; 0 where everything passes."""
    import pytest
    from hypothesis import Phase, settings

    gc.disable()  # for so short a run, searching for garbage costs more than it frees
    settings.register_profile(
        "mutants", derandomize=True, database=None, deadline=None, max_examples=MOST_EXAMPLES, phases=[Phase.generate]
    )
    settings.load_profile("mutants")
    for part in suite_for(path):
        status = int(pytest.main([*RUNNER, *part], plugins=[Fewer()]))
        if status:
            return status
    return 0


def tested(path: str, longest: int, keep: bool) -> tuple[int, float]:
    """Run the suite for a source in a process of its own: how it ended (0 all passed), and its processor time (s).

    `longest` s of processor time at most; `keep` whether compiled sources of Python are kept for the next.
    """
    before = os.times()
    child = os.fork()
    if child == 0:
        status = 3
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (longest, longest + 1))
            resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
            signal.alarm(LONGEST_WAIT)
            sys.dont_write_bytecode = not keep
            nowhere = os.open("tested.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            status = run_suite(path)
        finally:
            os._exit(status)
    _, ended = os.waitpid(child, 0)
    after = os.times()
    return ended, after.children_user + after.children_system - before.children_user - before.children_system


def try_all(session: str, longest: int) -> None:
    """Test every mutant of the session that was not noticed before, and write there how it ended."""
    from cosmic_ray.mutating import use_mutation
    from cosmic_ray.plugins import get_operator
    from cosmic_ray.work_db import WorkDB, use_db
    from cosmic_ray.work_item import TestOutcome, WorkerOutcome, WorkResult

    with use_db(session, WorkDB.Mode.open) as base:
        noticed = {number for number, result in base.results if result.is_killed}
        # In an order in which whatever is done first is a sample of the whole.
        for item in sorted(base.work_items, key=lambda item: hashlib.sha256(item.job_id.encode()).digest()):
            if item.job_id in noticed:
                continue
            (spec,) = item.mutations
            operator = get_operator(spec.operator_name)(**spec.operator_args)
            with use_mutation(Path(spec.module_path), operator, spec.occurrence):
                ended, seconds = tested(str(spec.module_path), longest, keep=False)
            outcome = TestOutcome.KILLED if ended else TestOutcome.SURVIVED
            last = Path("tested.txt").read_text(errors="replace")[-600:] if ended else ""
            base.set_result(item.job_id, WorkResult(WorkerOutcome.NORMAL, f"{seconds:.1f} s\n{last}", outcome))


def main() -> int:
    """Test a part of a session; exit status 1 where the suite is not green without any mutant."""
    session, longest = sys.argv[1], int(sys.argv[2])
    import importlib

    for name in LOADED_ONCE:
        importlib.import_module(name)
    began = time.process_time()
    ended, seconds = tested("", longest, keep=True)
    if ended:
        print(Path("tested.txt").read_text(errors="replace"))
        return 1
    print(f"without a mutant: {seconds:.1f} s of processor time, {began:.1f} s for what is loaded once", flush=True)
    try_all(session, longest)
    return 0


if __name__ == "__main__":
    sys.exit(main())
