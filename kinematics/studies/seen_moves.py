"""Which share of the visible path a change of limits prints otherwise than before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import KIND_NAMES, PRINT
from kinematics.studies.timing import Timing
from kinematics.studies.weighted_jobs import WeightedJobs

OTHERWISE = 1e-3  # of a move's time: what is less is no change that anybody sees


class SeenMoves:
    """The visible moves of jobs, plan by plan: those that are kept as they are, or without any such all that print."""

    def __init__(self, jobs: WeightedJobs, keep: Sequence[str]) -> None:
        self._weights = jobs.weights.tolist()
        self._keep = [name for name in keep if name not in KIND_NAMES]
        self._before: list[NDArray[np.float64]] = []

    def changed_share(self, timings: Sequence[Timing]) -> float | None:
        """The share of the visible length that takes another time than in the plan before, 0 in the first one; None
        for jobs whose moves are not kept.
        """
        if any(timing.planned is None for timing in timings):
            return None
        now, changed, length = [], 0.0, 0.0
        for place, (timing, weight) in enumerate(zip(timings, self._weights, strict=True)):
            planned = timing.whole_plan()
            seen = planned.job.moves.kind == PRINT
            if self._keep:
                labels = planned.job.labels
                codes = [code for code, name in enumerate(labels.names) if name in self._keep]
                seen = seen & np.isin(labels.of_move, codes)
            lengths = planned.features.length[seen]
            now.append(planned.plan.duration[seen])
            length += weight * float(lengths.sum())
            if self._before and self._before[place].size == now[-1].size:
                other = np.abs(now[-1] - self._before[place]) > OTHERWISE * self._before[place]
                changed += weight * float(lengths[other].sum())
        self._before = now
        return changed / length if length > 0.0 else 0.0
