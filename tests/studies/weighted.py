"""Jobs of texts that are timed together, and a job whose time is any function of acceleration."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine
from kinematics.studies.knobs import variant_of
from tests.jobs.conftest import job_of

ZIGZAG = "M83\n" + "".join(f"G1 X{(i % 2) * 8} Y{i} E0.4 F6000\n" for i in range(60))


def jobs_of(*texts: str, weights: Sequence[float] = ()) -> WeightedJobs:
    """Jobs of texts, named a, b, c."""
    return WeightedJobs(
        [PreparedJob(job_of(text)) for text in texts], "abc"[: len(texts)], list(weights) or [1.0] * len(texts)
    )


def alone(jobs: WeightedJobs, machine: Machine, settings: dict[str, float], place: int = 0) -> float:
    """One job's time under a machine with settings, planned by itself."""
    variant = variant_of(machine, settings)
    return time_job(jobs.prepared[place], variant.machine, variant.varied, passing=True).total


def together(jobs: WeightedJobs, machine: Machine, settings: dict[str, float]) -> float:
    """The weighted time of the jobs, each planned by itself."""
    return sum(weight * alone(jobs, machine, settings, place) for place, weight in enumerate(jobs.weights.tolist()))


class Curve(WeightedJobs):
    """One job whose time is any function of print acceleration."""

    def __init__(self, function: Callable[[float], float]) -> None:
        super().__init__([PreparedJob(job_of("G1 X10 E1 F6000\n"))], ["job"], [1.0])
        self._function = function

    def weighted(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([self._function(one.machine.motion.print_acceleration_mm_s2) for one in variants])
