"""The order of rungs: half of the saving as soon as may be, then as much as may be after each.

What is one rung: limits that belong together, because of two that hold the same moves one brings nothing without the
other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from typing import NamedTuple

MOST_RUNGS_IN_ALL_ORDERS = 8  # beyond it the rung that saves most comes next
HALF = 0.5

Times = Callable[[Sequence[int]], Sequence[float]]


class Ordered(NamedTuple):
    """Rungs in their order, and the time before the first and after each (s)."""

    order: tuple[int, ...]
    times: tuple[float, ...]


def best_order(count: int, after: Sequence[int | None], times: Times, in_all_orders: bool = True) -> Ordered:
    """The order of rungs that reaches half of the saving in the fewest of them, and then the least time in sum.

    `after` tells of each rung which one must come before it (None: none must); `times` the time (s) with each of
    several sets of rungs, a bit a rung. Up to eight rungs the order is the best of all, from the times of every set
    that may stand together; of more, or where `in_all_orders` is not asked for, the one that saves most comes next.
    """
    if count > MOST_RUNGS_IN_ALL_ORDERS or not in_all_orders:
        return _greedy(count, after, times)
    allowed = [mask for mask in range(1 << count) if _stands(mask, after)]
    known = dict(zip(allowed, times(allowed), strict=True))
    everything = (1 << count) - 1
    half = known[0] - HALF * (known[0] - known[everything])
    soonest = min((mask.bit_count() for mask in allowed if known[mask] <= half), default=count)
    best: dict[int, tuple[float, int]] = {0: (0.0, 0)}  # sum of times, last rung
    for mask in sorted(allowed, key=int.bit_count):
        if mask == 0 or (mask.bit_count() == soonest and known[mask] > half):
            continue
        ways = [
            (best[mask ^ (1 << last)][0], last)
            for last in range(count)
            if mask >> last & 1 and (mask ^ (1 << last)) in best
        ]
        if ways:
            least, last = min(ways)
            best[mask] = least + known[mask], last
    order: list[int] = []
    mask = everything
    while mask:
        last = best[mask][1]
        order.append(last)
        mask ^= 1 << last
    order.reverse()
    return _along(order, known)


def _stands(mask: int, after: Sequence[int | None]) -> bool:
    """Whether a set holds, with every rung, the one that must come before it."""
    return all(first is None or not mask >> rung & 1 or mask >> first & 1 for rung, first in enumerate(after))


def _along(order: Sequence[int], known: dict[int, float]) -> Ordered:
    masks = [0]
    for rung in order:
        masks.append(masks[-1] | 1 << rung)
    return Ordered(tuple(order), tuple(known[mask] for mask in masks))


def _greedy(count: int, after: Sequence[int | None], times: Times) -> Ordered:
    mask = 0
    order: list[int] = []
    known = {0: times([0])[0]}
    while len(order) < count:
        nexts = [mask | 1 << rung for rung in range(count) if not mask >> rung & 1]
        nexts = [one for one in nexts if _stands(one, after)]
        known |= dict(zip(nexts, times(nexts), strict=True))
        best = min(nexts, key=lambda one: (known[one], one))
        order.append((best ^ mask).bit_length() - 1)
        mask = best
    return _along(order, known)


LINKED_FROM = 0.25  # of the smaller loss: what two limits must lose in common to count as linked
FELT = 1e-4  # of the whole saving: a limit that loses less if it is left out is linked to nothing

Losses = Callable[[Sequence[frozenset[int]]], Sequence[float]]


def linked_groups(sorts: Sequence[str], losses: Losses, saving: float) -> tuple[list[tuple[int, ...]], list[float]]:
    """Limits in groups that must be raised together, and what is lost if each one alone is left out of all (s).

    `sorts` the sort of each limit, `losses` what is lost (s) where each of several sets of them is left out, `saving`
    what all bring (s). Two limits k and h of one sort are linked where L_k + L_h − L_kh exceeds a quarter of the
    smaller: where both hold the same moves, leaving out both loses little more than leaving out one. Groups are what
    links connect, in the order of their first limit.
    """
    count = len(sorts)
    single = list(losses([frozenset((k,)) for k in range(count)]))
    pairs = [
        (k, h)
        for k, h in combinations(range(count), 2)
        if sorts[k] == sorts[h] and min(single[k], single[h]) > FELT * saving
    ]
    both = losses([frozenset(pair) for pair in pairs])
    leader = list(range(count))
    for (k, h), lost in zip(pairs, both, strict=True):
        if single[k] + single[h] - lost > LINKED_FROM * min(single[k], single[h]):
            first, second = sorted((leader[k], leader[h]))
            leader = [first if one == second else one for one in leader]
    groups: dict[int, list[int]] = {}
    for k in range(count):
        groups.setdefault(leader[k], []).append(k)
    return [tuple(members) for members in groups.values()], single
