"""Limits that belong together: of two that hold the same moves one brings nothing without the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

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
