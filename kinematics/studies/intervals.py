"""Between which times does a job lie, where values of the machine are known as ranges?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from kinematics.jobs.timing import Ask, Reals, TimedJob, totals_of
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine import Machine, Range

DRAWING = "drawing from the ranges"  # the step, as it is told
INSIDE = 0.95  # share of what may be that an interval holds
FEWEST_KEPT = 100  # draws of which an interval is told where drawing was interrupted


class Sampling(NamedTuple):
    """How many machines are drawn from the ranges of one, and the seed that makes them the same again; `of` how many
    were asked for, where drawing was interrupted (0: it was not).
    """

    draws: int = 200
    seed: int = 1
    of: int = 0


USUAL_SAMPLING = Sampling()


class Interval(NamedTuple):
    """The ends between which 95 % of the draws lie (s)."""

    low: float
    high: float


def interval_of(samples: Reals) -> Interval:
    """The interval of samples, float64[draws]: their quantiles at 2.5 % and 97.5 %, so that each tail has as much.

    A quantile p stands at place n·p + ½ of n sorted samples, with straight lines between (R. Hyndman, Y. Fan, The
    American Statistician 50(4), 1996, definition 5): of evenly spread draws, each of which stands for the middle of its
    n-th part, exactly 95 % of the distribution lie between.
    """
    tail = (1.0 - INSIDE) / 2.0
    low, high = np.quantile(samples, [tail, 1.0 - tail], method="hazen")
    return Interval(float(low), float(high))


def triangular(known: Range, shares: Reals) -> Reals:
    """The values of a range below which the given shares of it lie: the triangular distribution.

    Its density rises straight from 0 at `low` to its peak at `likely` and falls straight to 0 at `high`: as much as
    three numbers say. With a, m, b for low, likely, high and c = (m − a)/(b − a):
    x = a + √(u·(b − a)·(m − a)) for u < c, else b − √((1 − u)·(b − a)·(b − m)) (D. Johnson, The Statistician 46(3),
    1997, from memory).
    """
    low, likely, high = known.low, known.likely, known.high
    width = high - low
    rising = low + np.sqrt(shares * width * (likely - low))
    falling = high - np.sqrt((1.0 - shares) * width * (high - likely))
    values = np.where(shares * width < likely - low, rising, falling)
    return np.asarray(np.clip(values, low, high))


def shares_of(key: str, sampling: Sampling) -> Reals:
    """Shares between 0 and 1 for the draws of one key, one in each of `draws` equal parts, in shuffled order.

    Evenly spread draws (M. McKay, R. Beckman, W. Conover, Technometrics 21(2), 1979) need fewer of them for ends that
    hardly change with the seed. They hang on the name of the key and on the seed alone: a key that two machines have as
    a range is drawn alike for both, whatever else differs.
    """
    chance = np.random.default_rng([sampling.seed, *key.encode()])
    parts = sampling.of or sampling.draws
    return np.asarray((chance.permutation(parts) + chance.random(parts)) / parts)


def fitted_factors(machine: Machine, sampling: Sampling) -> dict[str, Reals]:
    """By what the likely values of the keys that measured prints gave are multiplied, key by key: float64[draws].

    Their logarithms are normal with the covariance of `[checked]`: S·z, S its symmetric square root, z one evenly
    spread normal number a key. All keys of `[checked]` take part, whether or not they are ranges now, so that a machine
    of which one of them is set is drawn as the machine that it is set against.
    """
    from scipy.special import ndtri

    keys, covariance = machine.checked.keys or (), np.array(machine.checked.covariance or ())
    if not keys or not covariance.size:
        return {}
    variances, directions = np.linalg.eigh(covariance)
    root = (directions * np.sqrt(np.maximum(variances, 0.0))) @ directions.T
    evenly = np.stack([ndtri(shares_of(key, sampling)) for key in keys])
    return dict(zip(keys, np.exp(root @ evenly), strict=True))


def drawn_machines(machine: Machine, sampling: Sampling) -> list[Machine]:
    """Machines with one value of each range; the machine itself, once, where it has none: see `drawn_in_parts`."""
    return [one for part in drawn_in_parts(machine, sampling) for one in part]


def drawn_in_parts(machine: Machine, sampling: Sampling) -> Iterator[list[Machine]]:
    """Machines with one value of each range, some at a time, as they are needed; the machine itself, once, where it has
    none.

    Ranges that measured prints gave are drawn together (`fitted_factors`): their ends are where 95 % of the draws end.
    All others are drawn independently of each other: that two values rise together is not modelled. Raises InputError
    where values drawn together make no machine.
    """
    ranges = machine.ranges
    if not ranges:
        yield [machine]
        return
    fitted = fitted_factors(machine, sampling) if machine.checked.keys else {}
    columns = {
        key: (known.likely * fitted[key] if key in fitted else triangular(known, shares_of(key, sampling))).tolist()
        for key, known in ranges.items()
    }
    rows = list(zip(*columns.values(), strict=True))[: sampling.draws]
    for first in range(0, len(rows), DRAWN_TOGETHER):
        yield [
            machine.with_settings(dict(zip(columns, row, strict=True)), "a draw from the ranges")
            for row in rows[first : first + DRAWN_TOGETHER]
        ]


DRAWN_TOGETHER = 250  # machines: in batches of more next to nothing goes faster, and they are kept in memory


def drawn_totals(
    jobs: Sequence[TimedJob],
    machine: Machine,
    varied: frozenset[str],
    sampling: Sampling,
    hear: Callable[[float], None],
    keeps: bool = False,
) -> Reals:
    """The time of each job under each draw from a machine's ranges (float64[jobs, draws], s; one where it has none).

    `hear` is told which share of the draws is done; where it `keeps` them, Ctrl-C leaves those that are done, if they
    are enough for an interval. Raises InputError as `drawn_machines` does.
    """
    parts, done = [], 0
    try:
        for part in drawn_in_parts(machine, sampling):
            asks = [Ask(one, varied) for one in part]
            parts.append(totals_of(jobs, asks))
            done += len(part)
            hear(done / sampling.draws)
    except KeyboardInterrupt:
        if not keeps or done < FEWEST_KEPT:
            raise
    return np.concatenate(parts, axis=1)


class SampledTimes:
    """The times of jobs under machines drawn from ranges; the same draws for every machine that has the same ranges.

    `as_it_is` the times under draws from the machine that others are set against (float64[jobs, draws], s). Interrupted
    once there are enough of them, the draws that are done are all there are from then on, as `sampling` tells.
    """

    def __init__(
        self,
        prepared: Sequence[TimedJob],
        machine: Machine,
        sampling: Sampling,
        hear: Callable[[float], None] = lambda _: None,
        keeps: bool = False,
    ) -> None:
        """`hear` is told which share of the draws `as_it_is` is done; `keeps` whether fewer will do."""
        self.sampling = sampling
        self._jobs = prepared
        self._keeps = keeps
        self.as_it_is = np.empty((0, 0))
        self.as_it_is = self.totals(machine, hear=hear)

    def totals(
        self,
        machine: Machine,
        varied: frozenset[str] = NOTHING_VARIED,
        hear: Callable[[float], None] = lambda _: None,
    ) -> Reals:
        """The time of each job under each draw from the machine's ranges (float64[jobs, draws], s).

        `varied` names the keys that a study varies; `hear` is told which share of the draws is done. Raises InputError
        as `drawn_machines` does.
        """
        drawn = drawn_totals(self._jobs, machine, varied, self.sampling, hear, self._keeps)
        if 1 < drawn.shape[1] < self.sampling.draws:  # interrupted
            made = self.sampling.of or self.sampling.draws
            self.sampling = self.sampling._replace(draws=drawn.shape[1], of=made)
            self.as_it_is = self.as_it_is[:, : drawn.shape[1]]
        return np.broadcast_to(drawn, (len(self._jobs), self.sampling.draws))
