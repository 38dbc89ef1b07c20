"""Which share of the visible path a change of limits prints otherwise than before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import KIND_NAMES, PRINT
from kinematics.studies.many import Variant
from kinematics.studies.timing import TimedJob, each, time_job
from kinematics.studies.weighted_jobs import WeightedJobs

OTHERWISE = 1e-3  # of a move's time: what is less is no change that anybody sees


def changed_shares(jobs: WeightedJobs, keep: Sequence[str], variants: Sequence[Variant]) -> list[float | None]:
    """The shares of the visible length that take another time under each variant but the first than under the one
    before; None for jobs whose moves are not kept.

    Visible are moves of the labels to `keep`, or without any such all that print.
    """
    labels = [name for name in keep if name not in KIND_NAMES]
    lengths = each(jobs.prepared, _changed_lengths, tuple(variants), labels)
    shares: list[float | None] = []
    for place in range(len(variants) - 1):
        changed, length = 0.0, 0.0
        for of_job, weight in zip(lengths, jobs.weights.tolist(), strict=True):
            if of_job is None:
                return [None] * (len(variants) - 1)
            changed += weight * of_job[place][0]
            length += weight * of_job[place][1]
        shares.append(changed / length if length > 0.0 else 0.0)
    return shares


def _changed_lengths(
    job: TimedJob, variants: Sequence[Variant], labels: Sequence[str]
) -> list[tuple[float, float]] | None:
    """Of each variant but the first, the visible length that takes another time than under the one before, and all of
    it (mm).
    """
    found: list[tuple[float, float]] = []
    before: NDArray[np.float64] | None = None
    for variant in variants:
        planned = time_job(job, *variant, passing=True).planned
        if planned is None:
            return None
        seen = planned.job.moves.kind == PRINT
        if labels:
            names = planned.job.labels.names
            codes = [code for code, name in enumerate(names) if name in labels]
            seen = seen & np.isin(planned.job.labels.of_move, codes)
        lengths, now = planned.features.length[seen], planned.plan.duration[seen]
        if before is not None:
            other = np.abs(now - before) > OTHERWISE * before if before.size == now.size else np.zeros(now.size, bool)
            found.append((float(lengths[other].sum()), float(lengths.sum())))
        before = now
    return found
