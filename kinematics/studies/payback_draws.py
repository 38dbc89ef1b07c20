"""Within how many months does an upgrade pay, where values of the machine or of its costs are known as ranges?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps.flow import filament_mass
from kinematics.machine import Machine
from kinematics.studies.economics import part_cost
from kinematics.studies.intervals import Interval, SampledTimes, Sampling, drawn_machines, interval_of
from kinematics.studies.timing import TimedJob

Reals = NDArray[np.float64]


class Known(NamedTuple):
    """What 95 % of the draws say of an upgrade: its saving a month, and the months until it pays (infinity: never)."""

    saving: Interval
    months: Interval


class PaybackDraws:
    """The month's cost under draws from the ranges of a machine and of its upgraded ones.

    A range of both machines is drawn alike for both, so that what they share does not widen what sets them apart.
    `prints` good prints a month of each job, `filament` what each feeds (mm).
    """

    def __init__(
        self,
        prepared: Sequence[TimedJob],
        machine: Machine,
        prints: Sequence[float],
        filament: Sequence[float],
        sampling: Sampling,
    ) -> None:
        self._prints, self._filament, self._sampling = prints, filament, sampling
        self._machine = machine
        self._times = SampledTimes(prepared, machine, sampling)
        self._before = self._costs(machine, self._times.as_it_is)

    def _costs(self, machine: Machine, times: Reals) -> Reals:
        """What a month's prints cost under each draw (float64[draws])."""
        drawn = drawn_machines(machine, self._sampling)
        costs = np.zeros(self._sampling.draws)
        for i in range(self._sampling.draws):
            one = drawn[i if len(drawn) > 1 else 0]
            for seconds, count, filament in zip(times[:, i].tolist(), self._prints, self._filament, strict=True):
                costs[i] += count * part_cost(one, seconds, filament_mass(one, filament)).total
        return costs

    def of(self, upgraded: Machine, price: float, fitting_hours: float) -> Known | None:
        """What the draws say of an upgraded machine; None where neither machine has ranges.

        Raises InputError where values drawn together make no machine.
        """
        if not (self._machine.ranges or upgraded.ranges):
            return None
        saving = self._before - self._costs(upgraded, self._times.totals(upgraded))
        drawn = drawn_machines(self._machine, self._sampling)
        labour = np.array([one.economy.labour_cost_per_hour or 0.0 for one in drawn])
        investment = np.broadcast_to(price + fitting_hours * labour, saving.shape)
        # Shares of the investment that come back each month: 0 and below are as good as never, and quantiles of them
        # need no infinity.
        returned = np.divide(saving, investment, out=np.where(saving < 0.0, -1.0, 1.0), where=investment > 0.0)
        slow, quick = interval_of(returned)
        if not investment.any():
            quick, slow = (np.inf if quick > 0.0 else quick), (np.inf if slow > 0.0 else slow)
        months = Interval(*(1.0 / rate if rate > 0.0 else np.inf for rate in (quick, slow)))
        return Known(interval_of(saving), months)
