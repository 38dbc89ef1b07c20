"""Which are the gentlest limits that meet a deadline?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from kinematics.errors import InputError
from kinematics.machine import Machine
from kinematics.studies.causes import main_cause
from kinematics.studies.knobs import present_value, range_of, variant_of
from kinematics.studies.sweep import WeightedJobs
from kinematics.studies.timing import time_job

GENTLEST, WILDEST = 1e-3, 1e4  # factors on the present limits between which is searched
LOOKS = 160  # of the first look over that range
CLOSE = 1.0002  # ratio at which the search ends; the answer is good to 0.1 %
GENTLER = 0.99


@dataclass(frozen=True)
class Target:
    """The gentlest limits for a deadline.

    `met` whether there are any; `within` the deadline (s); `total` the time under `settings` (s), those that meet it or
    else the wildest that were tried; `factor` on the present limits, each to the power of its weight; `gentler_total`
    the time with a setting 1 % gentler (s), which misses; `present_total` as the machine is (s); `stopped_by` the cause
    that most of the time is spent under where the deadline cannot be met.
    """

    met: bool
    within: float
    total: float
    settings: Mapping[str, float]
    factor: float
    gentler_total: float | None
    present_total: float
    stopped_by: str | None


def present_values(machine: Machine, names: Sequence[str]) -> dict[str, float]:
    """What the machine has for knobs now. Raises InputError where it has nothing, or there is no such knob."""
    present: dict[str, float] = {}
    for name in names:
        machine.with_settings({name: 1.0}, "--turn")
        value = present_value(machine, name)
        if value is None:
            raise InputError.at("--turn", f"the machine file gives no {name} to begin from", f"--set {name}=…")
        present[name] = value
    return present


def target_of(jobs: WeightedJobs, machine: Machine, within: float, weights: Mapping[str, float]) -> Target:
    """The gentlest limits with which jobs are done within a time (s).

    `weights` knob -> weight: all knobs are turned together, each by factor^weight, so that one with twice the weight of
    another is raised twice as readily; `{"acceleration": 1}` is least acceleration. The least factor is looked for all
    over the range first, since time may grow again where acceleration hangs on speed, and then bisected; the answer is
    planned again, and so is one 1 % gentler. Raises InputError where the machine has no present value for a knob.
    """
    present = present_values(machine, tuple(weights))
    allowed = {name: range_of(machine, name, value) for name, value in present.items()}

    def settings(factor: float) -> dict[str, float]:
        turned = {name: value * factor ** weights[name] for name, value in present.items()}
        return {name: float(f"{allowed[name].taken(value):.6g}") for name, value in turned.items()}

    def times(factors: Sequence[float]) -> list[float]:
        return list(jobs.weighted([variant_of(machine, settings(factor), "target") for factor in factors]))

    present_total = times([1.0])[0]

    def times_if_any(factors: Sequence[float]) -> list[float]:
        # A machine may not move at all, as one whose motor is too weak for the friction on it.
        try:
            return times(factors)
        except InputError:
            return [math.inf] if len(factors) == 1 else [times_if_any([factor])[0] for factor in factors]

    looks = [GENTLEST * (WILDEST / GENTLEST) ** (i / (LOOKS - 1)) for i in range(LOOKS)]
    seen = times_if_any(looks)
    met = [i for i, total in enumerate(seen) if total <= within]
    if not met:
        best = min(range(LOOKS), key=lambda i: (seen[i], i))
        variant = variant_of(machine, settings(looks[best]), "target")
        timing = time_job(jobs.prepared[0], variant.machine, variant.varied, passing=True)
        cause = main_cause(timing.by_cause, timing.total)
        return Target(False, within, seen[best], settings(looks[best]), looks[best], None, present_total, cause)
    low, high = looks[max(0, met[0] - 1)], looks[met[0]]
    while met[0] > 0 and high / low > CLOSE:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if times_if_any([middle])[0] <= within else (middle, high)
    found = settings(high)
    total, gentler = times_if_any([high, high * GENTLER])
    return Target(
        True, within, total, found, high, gentler if met[0] > 0 and gentler < math.inf else None, present_total, None
    )
