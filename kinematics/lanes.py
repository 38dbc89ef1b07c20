"""Several numbers in one register: functions for compiled kernels that do with eight candidates what they do with one.

A kernel works on rows of LANES numbers: `lanes_at` takes a row out of an array, `put_lanes` writes one, and between
them stand +, −, ·, / and the functions below. Compiled, a row is one register of the processor (or as many as it
needs, `compiled_lanes.py`); uncompiled it is a numpy array, so that the uncompiled runs do the same.
"""

from __future__ import annotations

from typing import Any

import numpy as np

LANES = 8


def least(left: Any, right: Any) -> Any:
    """The lesser in every lane."""
    return np.minimum(left, right)


def greatest(left: Any, right: Any) -> Any:
    """The greater in every lane."""
    return np.maximum(left, right)


def lanes_at(rows: Any, row: Any) -> Any:
    """Row `row` of float64[rows, LANES], or of the rows at an address where compiled."""
    return rows[row].copy()


def put_lanes(rows: Any, row: Any, value: Any) -> None:
    """Write row `row` of float64[rows, LANES], or of the rows at an address where compiled."""
    rows[row] = value


def in_every_lane(number: float) -> Any:
    """A row that holds one number in every lane."""
    return np.full(LANES, number)


def inverse_root(row: Any) -> Any:
    """1/√x in every lane, to the last digit or two."""
    return 1.0 / np.sqrt(row)


def all_at_most(left: Any, right: Any) -> bool:
    """Whether `left` is at most `right` in every lane."""
    return bool(np.all(left <= right))
