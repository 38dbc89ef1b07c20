"""Where does it turn? The first value along a range that meets a goal: looked for all over it, then narrowed down.

Every question is asked for several values at once, because a batch of plans costs little more than one: a bracket is
cut into eight parts a round, not into two. (Root finders of scipy.optimize ask for one value after the other, and for
numbers where some questions have only yes and no; the tests use them as a second method.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

Meets = Callable[[Sequence[float]], Sequence[bool]]

PARTS = 8  # of a bracket each round: as many plans as one register holds, less one
MOST_ROUNDS = 400  # a range of floating-point numbers is cut up sooner


class Scale(NamedTuple):
    """How a range is cut: in equal ratios or in equal steps, and the ratio (above 1) or the step at which two values
    count as one; `whole` numbers only, of which no two count as one.
    """

    by_ratio: bool
    close: float
    whole: bool = False


class Bracket(NamedTuple):
    """Two values with the turn between them: one that misses (None: the first value meets the goal already), and one
    further on that meets it (None: no value does).
    """

    missed: float | None
    met: float | None


def spread(first: float, last: float, count: int, scale: Scale) -> list[float]:
    """So many values from first to last, both of them among these; either may be the larger one.

    In equal ratios a range may begin or end at 0: 0 itself, and the rest down to a millionth of the other end. Of whole
    numbers each stands once.
    """
    if count < 2 or first == last:
        return [first]
    if scale.by_ratio and (first == 0.0 or last == 0.0):
        least = 1e-6 * max(first, last)
        if first == 0.0:
            return [0.0, *spread(least, last, count - 1, scale)]
        return [*spread(first, least, count - 1, scale), 0.0]
    inside = [_between(first, last, k / (count - 1), scale) for k in range(1, count - 1)]
    return list(dict.fromkeys([first, *inside, last]))


def _between(first: float, last: float, share: float, scale: Scale) -> float:
    value = first * (last / first) ** share if scale.by_ratio else first + (last - first) * share
    return float(round(value)) if scale.whole else value


def first_met(values: Sequence[float], met: Sequence[bool]) -> Bracket:
    """The first of ordered values that meets the goal, and the one before it."""
    place = next((k for k, one in enumerate(met) if one), None)
    if place is None:
        return Bracket(values[-1], None)
    return Bracket(values[place - 1] if place else None, values[place])


def narrowed(meets: Meets, bracket: Bracket, scale: Scale) -> Bracket:
    """A bracket narrowed until its two ends count as one; a bracket without two ends as it is.

    What lies between two ends need not be monotone: the ends that are left miss and meet, whatever lies elsewhere. An
    end at 0 in equal ratios stays where it is.
    """
    for _ in range(MOST_ROUNDS):
        missed, met = bracket
        if missed is None or met is None or _is_close(missed, met, scale):
            break
        inside = [_between(missed, met, k / PARTS, scale) for k in range(1, PARTS)]
        inside = [value for value in dict.fromkeys(inside) if value not in (missed, met)]
        if not inside:
            break
        found = first_met(inside, meets(inside))
        bracket = Bracket(
            missed if found.missed is None else found.missed,
            met if found.met is None else found.met,
        )
    return bracket


def _is_close(missed: float, met: float, scale: Scale) -> bool:
    low, high = sorted((missed, met))
    if scale.whole:
        return high - low <= 1.0
    if scale.by_ratio:
        return low <= 0.0 or high / low <= scale.close
    return high - low <= scale.close


def first_value(meets: Meets, values: Sequence[float], scale: Scale) -> float | None:
    """The first value along a range that meets a goal, looked for at ordered values and narrowed down; None for none.

    Between two of the values that are looked at the question is taken to turn once.
    """
    return narrowed(meets, first_met(values, meets(values)), scale).met


ONE_READING = 20  # plans that take as long, or so: a job in blocks is read for every question
USUALLY_ASKED = 900  # plans in one search, those readings among them
NEARLY_DONE = 0.99


class HowFar:
    """About how far a search is, by what others have taken."""

    def __init__(self, hear: Callable[[float], None]) -> None:
        """`hear` is told the share that is done, after every question."""
        self._hear, self._asked = hear, 0

    def asked(self, plans: int) -> None:
        """One question more, of so many plans, is answered."""
        self._asked += ONE_READING + plans
        self._hear(min(NEARLY_DONE, self._asked / USUALLY_ASKED))
