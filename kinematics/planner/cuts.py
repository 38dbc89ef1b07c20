"""Where a job that comes in by and by may be cut: what is known of the moves at hand, and which of them are kept.

Ceilings see a stretch of path on either side, and on to the end of the run that lies there (`limits.columns.Sight`). Of
a run that began long ago it takes no more than the way from its start. What comes behind a run that has not ended yet
is of no account either, once the run is so long that the curve rule cannot hold the corners before it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.limits.columns import Sight
from kinematics.planner.ceilings import inverse_of, least_pace, least_sluggishness, limits_of_class, turn_pace
from kinematics.planner.corners import NOTHING_BEFORE, WINDOW_SLACK, Before
from kinematics.planner.features import Features

Reals = NDArray[np.float64]

STRAIGHT = 4096  # moves of a run without an end behind a corner, from which on it is asked whether that end matters
SAFE = 1.0 - 1e-6


@compiled
def is_settled(features: Features, inverse: Reals, node: int, ahead: float) -> bool:
    """Whether the curve rule cannot hold a corner from which a run goes on for `ahead` (mm) and more.

    The circle through the corner and a place that lies so far away has a curvature of 2/`ahead` at most. Under the
    inverse limits one of the moves at the node has a ceiling of speed below what that admits. (Deltas, whose motors
    share their acceleration, are never cut.)
    """
    row = int(features.move_class[node])
    pace, slow = 0.0, 0.0
    for i in range(node - 1, node + 1):
        mine = int(features.move_class[i])
        limits = limits_of_class(inverse, mine)
        x, y, z, ratio = features.x[i], features.y[i], features.z[i], features.ratio[i]
        pace = max(pace, least_pace(x, y, z, ratio, features.pace[i], limits)[0])
        slow = max(slow, least_sluggishness(x, y, z, ratio, limits)[0])
        if features.lead.size > 0:
            slow = max(slow, features.lead[i] * inverse[mine, by.ROUNDING_RAMP])
        for motor in range(features.motor.shape[0]):
            slow = max(slow, features.motor[motor, i] * inverse[mine, by.MOTOR_1_RAMP + motor])
    for motor in range(features.motor_corner.shape[0]):
        slow = max(slow, features.motor_corner[motor, node] * inverse[row, by.MOTOR_1_RAMP + motor])
    corner = features.corner_x[node], features.corner_y[node], features.corner_z[node]
    held = turn_pace(corner[0], corner[1], corner[2], 0.0, 2.0 / ahead, slow, limits_of_class(inverse, row))
    return bool(held <= SAFE * pace * pace)


def last_known(features: Features, sight: Sight, tables: Sequence[Reals] = ()) -> int:
    """The last node whose ceiling does not hang on what comes behind these moves.

    It sees so much path ahead and on to the end of a run. The end of the last run is not known, so the last corner may
    have a short run behind it, and a circle through its end; not where that run is long, under any of the `tables` of
    limits (float64[classes, LIMITS]).
    """
    n = features.length.size
    run_ends = np.flatnonzero(features.change)
    known = n - 2
    if run_ends.size:
        travelled = np.concatenate([[0.0], np.cumsum(features.length)])
        behind = travelled[run_ends[-1]] - travelled[run_ends]
        pending = run_ends[(behind < sight.ahead) | (behind == 0.0)]
        ahead = travelled[-1] - travelled[pending]
        if not (n - run_ends[-1] > STRAIGHT and _all_settled(features, pending, ahead, sight, tables)):
            known = int(pending[0]) - 1
    return known if sight.moves_ahead < 2 else max(0, min(known, n - int(min(n, sight.moves_ahead))))


def _all_settled(
    features: Features, pending: NDArray[np.intp], ahead: Reals, sight: Sight, tables: Sequence[Reals]
) -> bool:
    """Whether the end of the run that goes on behind some corners, `ahead` (mm) of them, is of no account to these."""
    if not tables or ahead[-1] <= 2.0 * max(sight.ahead, sight.behind) + WINDOW_SLACK:
        return False
    inverses = [inverse_of(table) for table in tables]
    for node, left in zip(pending.tolist(), ahead.tolist(), strict=True):
        # What lies less than a window away is seen in that distance, whatever its end; or straight on to that end.
        if not all(is_settled(features, inverse, node, left) for inverse in inverses):
            return False
    return True


def lead_in(features: Features, node: int, sight: Sight) -> int:
    """The first move that the ceilings of nodes behind `node` hang on: they see so much path behind.

    What they see of the run of that move before it, `before_run` tells.
    """
    travelled = np.concatenate([[0.0], np.cumsum(features.length[:node])])
    first = int(np.searchsorted(travelled, travelled[-1] - sight.behind - 2.0 * WINDOW_SLACK, side="right")) - 1
    return max(0, min(first, node - 1))


def before_run(features: Features, moves: Moves, first: int, before: Before = NOTHING_BEFORE) -> Before:
    """Path, x, y, z (mm) from the start of a move's run to that move, `before` those of the first move at hand."""
    ends = np.flatnonzero((features.change[: first + 1] > 0.0) | (features.rest[: first + 1] != 0))
    begin = int(ends[-1])
    path, x, y, z = before if begin == 0 else NOTHING_BEFORE
    part = slice(begin, first)
    return (
        path + float(features.length[part].sum()),
        x + float(moves.dx[part].sum()),
        y + float(moves.dy[part].sum()),
        z + float(moves.dz[part].sum()),
    )
