"""Ringing along a whole job: how far all kicks so far leave an axis swinging, at the start of each part of a move."""

from __future__ import annotations

import cmath
import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.vibration.exposure import AxisMotion, check_motion
from kinematics.vibration.filters import Filter, check_mode

Reals = NDArray[np.float64]


@compiled
def _swings(duration: Reals, acceleration: Reals, jump: Reals, left: complex, omega: float, damping: float) -> Reals:
    """The swing (mm) right after the start of every segment, the oscillator carried on exactly."""
    root = math.sqrt(1.0 - damping * damping)
    pole = complex(-damping * omega, root * omega)
    by_acceleration = complex(1.0, -damping / root) / omega**2
    by_speed = complex(0.0, 1.0 / (root * omega))
    swing = complex(0.0, 0.0)
    before = 0.0
    found = np.empty(duration.size)
    for k in range(duration.size):
        kick = (acceleration[k] - before) * by_acceleration + jump[k] * by_speed
        swing += kick * left
        before = acceleration[k]
        found[k] = abs(swing) * root
        swing *= cmath.exp(pole * duration[k])
    return found


def ringing_along(motion: AxisMotion, command_filter: Filter, frequency: float, damping: float) -> Reals:
    """How far (mm, amplitude) a mode of `frequency` (Hz) and `damping` swings right after the start of every segment of
    a motion, float64[segments]: what all kicks so far have left, each V times what it would without the filter.

    As `exposure.exposure` has its worst, at its own moments. Raises InputError for a mode that is none and as
    `check_motion`.
    """
    check_mode(frequency, damping)
    check_motion(motion)
    omega = 2.0 * math.pi * frequency
    times = np.array(command_filter.times)
    pole = omega * complex(-damping, math.sqrt(1.0 - damping * damping))
    left = complex(np.array(command_filter.amplitudes) @ np.exp(pole * (times[-1] - times)))
    found: Reals = _swings(*motion, left, omega, damping)
    return found
