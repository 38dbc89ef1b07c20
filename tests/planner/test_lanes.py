"""Rows of numbers in one register against numpy, compiled and not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.compiled import CHECKED, compiled
from kinematics.lanes import LANES, all_at_most, greatest, in_every_lane, inverse_root, lanes_at, least, put_lanes

Reals = NDArray[np.float64]

LAST_DIGITS = 4e-16  # relative: a digit or two of double precision
ANSWERS = 9


@compiled
def all_of_it(rows: Any, number: float, found: Any) -> bool:
    """Every function of rows 0 and 1 into the rows of `found`."""
    left, right = lanes_at(rows, 0), lanes_at(rows, 1)
    put_lanes(found, 0, left + right)
    put_lanes(found, 1, left - right)
    put_lanes(found, 2, left * right)
    put_lanes(found, 3, left / right)
    put_lanes(found, 4, least(left, right))
    put_lanes(found, 5, greatest(left, right))
    put_lanes(found, 6, inverse_root(left * left))
    put_lanes(found, 7, number / (left * number) + number)
    put_lanes(found, 8, in_every_lane(number))
    return bool(all_at_most(left, right))


def address(rows: Reals) -> Any:
    """How compiled code is handed rows in ordinary runs."""
    return rows if CHECKED else rows.ctypes.data


def uncompiled(rows: Reals, number: float, found: Reals) -> bool:
    """The same kernel as plain Python."""
    plain: Callable[..., bool] = getattr(all_of_it, "__wrapped__", all_of_it)
    return plain(rows, number, found)


def by_array(rows: Reals, number: float, found: Reals) -> bool:
    """The compiled kernel on arrays, as in checked runs."""
    return all_of_it(rows, number, found)


def by_address(rows: Reals, number: float, found: Reals) -> bool:
    """The compiled kernel on addresses."""
    return all_of_it(address(rows), number, address(found))


@pytest.mark.parametrize("run", [uncompiled, by_array, by_address])
@pytest.mark.parametrize("seed", range(20))
def test_rows_do_what_numpy_does(run: Callable[[Reals, float, Reals], bool], seed: int) -> None:
    random = np.random.default_rng(seed)
    rows = 10.0 ** random.uniform(-60.0, 60.0, (2, LANES))
    rows[1, : seed % LANES] = rows[0, : seed % LANES]
    number = float(10.0 ** random.uniform(-9.0, 9.0))
    found = np.full((ANSWERS + 1, LANES), -1.0)
    assert run(rows, number, found) == bool((rows[0] <= rows[1]).all())
    left, right = rows
    expected = [
        left + right,
        left - right,
        left * right,
        left / right,
        np.minimum(left, right),
        np.maximum(left, right),
        1.0 / left,
        1.0 / left + number,
        np.full(LANES, number),
    ]
    for k, row in enumerate(expected):
        assert found[k] == pytest.approx(row, rel=LAST_DIGITS if k in (6, 7) else 0.0, abs=0.0), k
    assert (found[ANSWERS] == -1.0).all()


@pytest.mark.parametrize("run", [uncompiled, by_array, by_address])
@pytest.mark.parametrize("place", range(LANES))
def test_one_lane_that_is_more_is_seen(run: Callable[[Reals, float, Reals], bool], place: int) -> None:
    rows = np.ones((2, LANES))
    found = np.empty((ANSWERS, LANES))
    assert run(rows, 1.0, found)
    rows[0, place] = np.nextafter(1.0, 2.0)
    assert not run(rows, 1.0, found)


@pytest.mark.parametrize("run", [uncompiled, by_array, by_address])
def test_no_limit_is_the_greater(run: Callable[[Reals, float, Reals], bool]) -> None:
    rows = np.stack([np.full(LANES, np.inf), np.ones(LANES)])
    found = np.empty((ANSWERS, LANES))
    assert not run(rows, 1.0, found)
    assert (found[4] == 1.0).all()
    assert np.isinf(found[5]).all()


@pytest.mark.parametrize("size", [1e-300, 1e-290, 1e-12, 1.0, 1e12, 1e200, 1e250])
def test_inverse_roots_hold_over_the_sizes_that_squared_speeds_have(size: float) -> None:
    """From TINY, which stands for rest, to the square of no limit."""
    rows = np.stack([np.sqrt(size * np.linspace(1.0, 4.0, LANES)), np.ones(LANES)])
    found = np.empty((ANSWERS, LANES))
    by_address(rows, 1.0, found)
    assert found[6] == pytest.approx(1.0 / rows[0], rel=LAST_DIGITS)
