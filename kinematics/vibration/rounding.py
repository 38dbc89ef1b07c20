"""Rounding: how far a filter takes the path off the drawn one, and the limits that keep it within a budget.

What a filter delays it also smooths. All distances are from the drawn path merely delayed by the mean time of each
axis's filter; that axes with different filters are delayed alike is left to the controller. Not modelled: corners
closer to each other than the filter is long, whose roundings add.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.vibration.filters import Filter, spread_of

Reals = NDArray[np.float64]

HALF_OF_BUDGET = 0.5  # of the budget to either: ramps and corners


def lead(command_filter: Filter, acceleration: float) -> float:
    """How far (mm) the filtered axis is ahead while it accelerates at `acceleration` (mm/s²): a·σ²/2.

    Σ A_i a(t − τ_i)²/2 − a t²/2 with τ_i about their mean, so that the term in t vanishes; behind while braking.
    """
    return 0.5 * acceleration * spread_of(command_filter).variance


def half_spread(command_filter: Filter) -> float:
    """By how much (s) a sudden change of speed is rounded: M/2, so that the axis is off by Δv·M/2 at that instant."""
    return 0.5 * spread_of(command_filter).mean_deviation


def corner_cut(
    filters: Sequence[Filter],
    before: Sequence[float],
    after: Sequence[float],
    speed: float,
    braking: float,
    speeding: float,
) -> float:
    """How far (mm) inside a drawn corner the filtered path passes, between ramps longer than the filters.

    `filters` one an axis; `before`, `after` components of the unit directions on those axes; `speed` through the corner
    (mm/s), `braking` towards it and `speeding` away from it (mm/s²). On each axis the impulses later than the mean
    still show the path before the corner and the earlier ones the path after it: y = u'(v·M/2 + a'·σ_early²/2) −
    u(v·M/2 + a·σ_late²/2), each side's own sum of σ². For a symmetric filter and a = a' that is w(v·M/2 + a·σ²/4), w =
    u' − u. The distance at the corner's instant: what the path keeps from the corner exactly where filters are
    symmetric, at most that otherwise.
    """
    squares = 0.0
    for command_filter, u, u_after in zip(filters, before, after, strict=True):
        spread = spread_of(command_filter)
        rounded = 0.5 * speed * spread.mean_deviation
        ahead = u_after * (rounded + 0.5 * speeding * spread.early)
        squares += (ahead - u * (rounded + 0.5 * braking * spread.late)) ** 2
    return math.sqrt(squares)


def check_budget(budget: float, split: float) -> None:
    """Raise InputError unless `budget` (mm) is above 0 and `split` lies between 0 and 1."""
    if not budget > 0.0:
        raise InputError.at("rounding budget", f"{budget:g} mm", "above 0")
    if not 0.0 < split < 1.0:
        raise InputError.at("rounding split", f"{split:g}", "above 0 and below 1")


def acceleration_by_rounding(command_filter: Filter, budget: float, split: float = HALF_OF_BUDGET) -> float:
    """The acceleration (mm/s²) of an axis within a rounding `budget` ε (mm): 2qε/σ²; infinite without a filter.

    `split` q is the share of the budget that ramps may use, at corners the rest. On the axis |u|·a is at most this, so
    that ramps on both sides of a corner add at most qε to its cut. Raises InputError for a budget or split out of
    range.
    """
    check_budget(budget, split)
    variance = spread_of(command_filter).variance
    return 2.0 * split * budget / variance if variance > 0.0 else math.inf


def corner_speed_by_rounding(
    change: Reals, half_spreads: Sequence[float], budget: float, split: float = HALF_OF_BUDGET
) -> Reals:
    """The speed (mm/s) through corners within a rounding `budget` ε (mm): (1 − q)ε/√Σ(w_k M_k/2)².

    `change` float64[axes, …] of w = u' − u; `half_spreads` M_k/2 (s), one an axis (`half_spread`). Returns float64[…],
    infinite where no filtered axis turns. Together with `acceleration_by_rounding` no axis is ever off by more than ε.
    Raises InputError for a budget or split out of range.
    """
    check_budget(budget, split)
    weights = np.square(np.asarray(half_spreads, np.float64))
    rounded = np.sqrt(np.tensordot(weights, np.square(np.asarray(change, np.float64)), axes=1))
    with np.errstate(divide="ignore"):
        return np.asarray((1.0 - split) * budget / rounded, np.float64)
