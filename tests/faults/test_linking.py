"""Machine code that is linked without the compiler: the same answers to the bit, the same errors, nothing lost.

What is kept here leans on the insides of two libraries; whatever a release of them changes in that shows here.
"""

from __future__ import annotations

import gc
import itertools
import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import llvmlite
import numba
import numpy as np
import pytest

from kinematics import compiled
from tests.cli.conftest import ROOT
from tests.faults.test_cache import ran

RECORD = np.dtype([("count", np.int64), ("share", np.float64), ("seen", np.bool_)])


class Pair(NamedTuple):
    """A result with names."""

    first: np.ndarray[Any, Any]
    second: tuple[float, int]


def of_numbers(count: int, share: float, seen: bool, turn: complex) -> tuple[int, float, bool, complex, None]:
    """Every plain number, there and back."""
    return count + 1, share / 3.0, not seen, turn * turn, None


def of_arrays(row: Any, table: Any) -> tuple[Any, Any]:
    """An array as it came, and a new one."""
    made = np.empty((2, 3))
    for k in range(6):
        made[k // 3, k % 3] = table[k % 2, 1] / (k + 1.0)
    row[0] = -1.0
    return row, made


def of_records(states: Any, state: Any) -> tuple[Any, float]:
    """Records in an array and by themselves, written and read."""
    states[1].count += state.count
    state.share = -1.0
    return states, states[0].share


def of_names(pair: Pair) -> Pair:
    """A result with names from another."""
    return Pair(pair.first * 2.0, (pair.second[0] * 2.0, pair.second[1] * 2))


def that_raises(which: int) -> int:
    """Nothing for 0; else an error."""
    if which == 1:
        raise ValueError("no more than this")
    if which == 2:
        raise ZeroDivisionError
    return which


def cases() -> dict[Callable[..., Any], tuple[Any, ...]]:
    """A kernel each, and what it is called with."""
    records = np.array([(3, 0.3, True), (4, 0.4, False), (5, 0.5, True)], RECORD).view(np.recarray)
    return {
        of_numbers: (2**62, 0.1, True, 0.3 + 2j),
        of_arrays: (np.arange(3.0), np.arange(8.0).reshape(2, 4)[:, ::2]),
        of_records: (records[:2], records[2]),
        of_names: (Pair(np.arange(3.0), (0.1, 7)),),
        that_raises: (0,),
    }


def bits(value: Any) -> Any:
    """All of an answer, to the bit."""
    return [type(value).__name__, *map(bits, value)] if isinstance(value, tuple) else pickle.dumps(np.asarray(value))


KERNELS = {function: compiled.compiled(function) for function in cases()}


@pytest.mark.parametrize("function", KERNELS, ids=lambda function: function.__name__)
def test_answers_are_those_of_the_function(function: Callable[..., Any]) -> None:
    plain, linked = cases()[function], cases()[function]
    assert bits(KERNELS[function](*linked)) == bits(function(*plain))
    assert bits(linked) == bits(plain)  # what was written to them


def test_errors_have_their_words() -> None:
    with pytest.raises(ValueError, match="no more than this"):
        KERNELS[that_raises](1)
    with pytest.raises(ZeroDivisionError):
        KERNELS[that_raises](2)
    assert KERNELS[that_raises](0) == 0
    with pytest.raises(TypeError, match="not str"):
        KERNELS[that_raises]("0")


@pytest.mark.parametrize("function", KERNELS, ids=lambda function: function.__name__)
def test_nothing_is_left_behind(function: Callable[..., Any]) -> None:
    kernel, given = KERNELS[function], cases()[function]
    arrays = [
        one for one in (*given, *(one.first for one in given if isinstance(one, Pair))) if isinstance(one, np.ndarray)
    ]
    kernel(*given)
    before = [sys.getrefcount(one) for one in arrays]
    for _ in range(100):
        kernel(*given)
    gc.collect()
    assert [sys.getrefcount(one) for one in arrays] == before


def test_what_the_compiler_tells_apart_has_keys_of_its_own() -> None:
    table = np.arange(12.0).reshape(3, 4)
    frozen = np.arange(3.0)
    frozen.flags.writeable = False
    unaligned = np.frombuffer(bytearray(25), np.uint8)[1:].view(np.float64)
    values = [
        *(1, 1.0, True, 1j, None, np.int8(1), np.uint64(1), np.float32(1), np.int64(1), np.float64(1), np.bool_(1)),
        *(
            table,
            table.T,
            table[:, ::2],
            table[0],
            table[:, 0],
            table[:1, :1],
            table[None],
            np.float64(1),
            np.array(1.0),
        ),
        *(np.zeros(3, kind) for kind in ("i1", "u1", "i4", "u4", "i8", "u8", "f4", "c16", "?")),
        *(frozen, unaligned, np.zeros(2, RECORD), np.zeros(2, RECORD)[0], np.zeros(2, [("count", np.int64)])),
        *((), (1,), (1, 1), (1.0, 1), ((1,), 1), Pair(table[0], (1.0, 1)), Pair(table, (1.0, 1)), (table[0], (1.0, 1))),
    ]
    kinds = [(numba.typeof(value), compiled._kind(value)) for value in values]
    for (taken, key), (other, other_key) in itertools.combinations(kinds, 2):
        assert taken == other or key != other_key


def test_what_cannot_be_linked_runs_all_the_same(tmp_path: Path) -> None:
    """As after a release whose extensions have other names."""
    before = "from kinematics import linking; linking._extension = lambda *names: {}[names]"
    heard, hits, _, _ = ran(tmp_path, before)
    assert heard == ["what is compiled cannot be linked here (KeyError): every run compiles again"]
    assert hits == 0
    assert not ran(tmp_path, before)[3]


def test_code_of_another_processor_is_never_taken(tmp_path: Path) -> None:
    one, other = (f"from kinematics import linking; linking.processor = lambda: {name!r}" for name in ("one", "two"))
    assert [ran(tmp_path, which)[1] for which in (one, other, other, one)] == [0, 0, 3, 3]


def test_versions_and_what_the_compiler_is_told_are_in_the_folders_name(monkeypatch: pytest.MonkeyPatch) -> None:
    for library in (numba, llvmlite):
        assert library.__version__.encode() in compiled._version_of(library.__name__)
    keys = [compiled._source_key()]
    monkeypatch.setenv("NUMBA_OPT", "1")
    keys.append(compiled._source_key())
    monkeypatch.setattr(np, "__version__", "another")
    keys.append(compiled._source_key())
    for library in (numba, llvmlite):
        told = compiled._version_of
        other = library.__name__
        monkeypatch.setattr(
            compiled, "_version_of", lambda name, told=told, other=other: told(name) + (name == other) * b"!"
        )
        keys.append(compiled._source_key())
    assert len({*keys}) == 5


def test_a_second_estimate_loads_no_compiler() -> None:
    words = ["estimate", "sample_gcode/bracket.gcode", "--machine", "quick"]
    script = (
        f"import sys\nfrom kinematics.cli.program import main\ntry:\n    main({words})\nexcept SystemExit as left:\n"
        "    assert not left.code\nprint('numba' in sys.modules)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", script], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
        )
    assert done.stdout.splitlines()[-1] == "False"
