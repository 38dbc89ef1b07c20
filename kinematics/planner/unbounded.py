"""Whether a table of limits leaves a move without any ceiling of speed, or of acceleration."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled
from kinematics.planner.ceilings import least_pace, least_sluggishness, limits_of_class
from kinematics.planner.features import Features
from kinematics.planner.motor_loads import MASS, SHARE
from kinematics.planner.pairs import ADVANCE, DELAY, extruder_tie
from kinematics.planner.plan import inverse_of
from kinematics.planner.ties import Ties

Reals = NDArray[np.float64]


@compiled
def first_unbounded(features: Features, inverse: Reals, advance: Reals, ties: Ties) -> int:
    """The first move without a ceiling of speed or of acceleration; −1 where every move has both.

    A motor that accelerates at steady speed bounds that speed, one that has some mass to move bounds acceleration, and
    pressure advance beside a limit of the extruder bounds both.
    """
    by_moves, by_bytes, loads = ties.move_reach.size > 0, ties.byte_reach.size > 0, ties.loads
    for i in range(features.length.size):
        row = int(features.move_class[i])
        limits = limits_of_class(inverse, row)
        x, y, z, ratio = features.x[i], features.y[i], features.z[i], features.ratio[i]
        pace = least_pace(x, y, z, ratio, features.pace[i], limits)[0]
        slow = least_sluggishness(x, y, z, ratio, limits)[0]
        for motor in range(features.motor.shape[0]):
            share = features.motor[motor, i]
            pace = max(pace, share * inverse[row, by.MOTOR_1_MOST + motor])
            slow = max(slow, share * inverse[row, by.MOTOR_1_RAMP + motor])
            if features.bend.shape[0] > 0:
                pace = max(pace, features.bend[motor, i] * inverse[row, by.MOTOR_1_RAMP + motor])
        if by_moves:
            pace = max(pace, ties.move_reach[i] * inverse[row, by.MOVE_RATE])
        if by_bytes:
            pace = max(pace, ties.byte_reach[i] * inverse[row, by.BYTE_RATE])
        for motor in range(loads.shape[1]):
            slow = max(slow, loads[i, motor, MASS])
            pace = max(pace, loads[i, motor, SHARE])
        if extruder_tie(ratio, advance[row, ADVANCE], advance[row, DELAY]) < np.inf:
            pace, slow = max(pace, 1.0), max(slow, 1.0)
        if pace == 0.0 or slow == 0.0:
            return i
    return -1


def is_unbounded(features: Features, limits: Reals, advance: Reals, ties: Ties) -> bool:
    """Whether some move may run at any speed, or speed up at any rate, under limits as in `plan`."""
    return bool(first_unbounded(features, inverse_of(limits), advance, ties) >= 0)
