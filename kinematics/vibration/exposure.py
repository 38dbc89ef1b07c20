"""The exposure of a whole job: how far the kicks of a planned motion swing an axis when they add up.

Budgets hold single kicks; here the state of the oscillator is carried from kick to kick, exactly.
"""

from __future__ import annotations

import cmath
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.errors import InputError
from kinematics.vibration.filters import Filter, check_mode

Reals = NDArray[np.float64]

SEGMENTS_A_MOVE = 4  # standing still, rising, cruising, falling
SIMULTANEOUS = 1e-9  # s: nothing swings in between


class AxisMotion(NamedTuple):
    """The planned motion of one axis, one entry a segment of constant acceleration, float64[segments].

    `duration` (s, 0 allowed), `acceleration` (mm/s²) and `jump` (mm/s), the sudden change of speed at the segment's
    start. The axis is at rest before the first and after the last segment; a speed left at the end is not taken away.
    """

    duration: Reals
    acceleration: Reals
    jump: Reals


class Exposure(NamedTuple):
    """The worst swings of one mode in a job, the segments whose start acted last before them, and when (s from the
    start of the motion).

    `ringing` (mm) is what kicks leave behind once the filter's last impulse of each has acted, to be held beside what
    a single kick may leave; `swing` (mm) counts as well what the filter's next impulses are still to cancel. Without a
    filter they are the same.
    """

    ringing: float
    ringing_segment: int
    ringing_time: float
    swing: float
    swing_segment: int
    swing_time: float


class LargestKicks(NamedTuple):
    """The largest step of acceleration (mm/s²) and sudden change of speed (mm/s) of an axis, and the segments at whose
    start they are (the last one for the end of the motion).
    """

    acceleration: float
    acceleration_segment: int
    speed: float
    speed_segment: int


def axis_motion(
    direction: Reals,
    speed_in: Reals,
    speed_peak: Reals,
    speed_out: Reals,
    rising: Reals,
    cruising: Reals,
    falling: Reals,
    pause: Reals | None = None,
) -> AxisMotion:
    """The motion of one axis in planned moves, `SEGMENTS_A_MOVE` segments a move, so that segment // 4 is the move.

    All float64[moves]: `direction` the component of the unit direction on the axis, speeds (mm/s) and durations (s)
    along the path; `pause` (s) of standing still before each move, none unless given. A ramp's acceleration is its
    change of speed by its duration, and a ramp of no duration a sudden change of speed; at a corner the axis's speed
    changes suddenly from speed_out·u to speed_in·u'.
    """
    duration, acceleration, jump = np.zeros((3, direction.size, SEGMENTS_A_MOVE))
    duration[:, 0] = 0.0 if pause is None else pause
    duration[:, 1], duration[:, 2], duration[:, 3] = rising, cruising, falling
    rise, fall = (speed_peak - speed_in) * direction, (speed_out - speed_peak) * direction
    np.divide(rise, rising, out=acceleration[:, 1], where=rising > 0.0)
    np.divide(fall, falling, out=acceleration[:, 3], where=falling > 0.0)
    jump[1:, 0] = -(speed_out * direction)[:-1]
    jump[:, 1] = speed_in * direction
    np.copyto(jump[:, 2], rise, where=rising == 0.0)
    np.copyto(jump[:, 3], fall, where=falling == 0.0)
    return AxisMotion(duration.ravel(), acceleration.ravel(), jump.ravel())


@compiled
def worst_swing(
    duration: Reals,
    acceleration: Reals,
    jump: Reals,
    delays: Reals,
    weights: NDArray[np.complex128],
    omega: float,
    damping: float,
) -> tuple[float, int, float]:
    """The largest swing (mm) of a mode in the motion of an axis, the segment whose start acted last before it, and when
    it did (s).

    Every kick (at the start of a segment, at the end of the last) acts after each of the `delays` (s, ascending) with
    its weight. The swing is z = e − i(ė + ζωe)/ω_d, e the tip's deviation (mm) from where it would lag at rest; between
    kicks z grows by e^(λt), λ = −ζω + iω_d, and a step of acceleration a adds a/ω²·(1 − iζ/√(1 − ζ²)), a sudden change
    of speed Δv adds iΔv/ω_d. √(1 − ζ²)·|z| is the curve through the peaks of e; it falls between kicks, so that the
    largest is found right after one. Kicks closer together than `SIMULTANEOUS` are looked at as one.
    """
    n = duration.size
    root = math.sqrt(1.0 - damping * damping)
    pole = complex(-damping * omega, root * omega)
    by_acceleration = complex(1.0, -damping / root) / omega**2
    by_speed = complex(0.0, 1.0 / (root * omega))
    place = np.zeros(delays.size, np.int64)  # the segment whose start each impulse comes to next,
    due = delays.copy()  # and when
    swing = complex(0.0, 0.0)
    now, acted = delays[0], 0
    worst, worst_segment, worst_time = 0.0, 0, 0.0
    while True:
        earliest = 0
        for k in range(1, delays.size):
            if due[k] < due[earliest]:
                earliest = k
        segment = place[earliest]
        if segment > n:
            break
        kick = complex(0.0, 0.0)
        if segment == 0:
            if n > 0:
                kick = acceleration[0] * by_acceleration + jump[0] * by_speed
        elif segment < n:
            step = acceleration[segment] - acceleration[segment - 1]
            kick = step * by_acceleration + jump[segment] * by_speed
        else:
            kick = -acceleration[n - 1] * by_acceleration
        if kick != 0.0:
            waited = due[earliest] - now
            if waited > 0.0:
                if waited > SIMULTANEOUS and abs(swing) > worst:
                    worst, worst_segment, worst_time = abs(swing), acted, now
                swing *= cmath.exp(pole * waited)
                now = due[earliest]
            swing += kick * weights[earliest]
            acted = min(segment, n - 1)
        due[earliest] = due[earliest] + duration[segment] if segment < n else math.inf
        place[earliest] += 1
    if abs(swing) > worst:
        worst, worst_segment, worst_time = abs(swing), acted, now
    return worst * root, worst_segment, worst_time


@compiled
def largest_kicks(duration: Reals, acceleration: Reals, jump: Reals) -> tuple[float, int, float, int]:
    """The largest kicks of a motion as in `LargestKicks`, arrays as in `AxisMotion`.

    What happens within `SIMULTANEOUS` is one kick: the top of a triangle is a step of 2a, a corner one change of speed.
    """
    n = duration.size
    step, step_segment, change, change_segment = 0.0, 0, 0.0, 0
    before, now = 0.0, 0.0  # acceleration before the kick under way, and that of the segment before
    jumped, acted = 0.0, 0  # change of speed that the kick has come to, and the last segment that added to it
    for segment in range(n + 1):
        after = acceleration[segment] if segment < n else 0.0
        sudden = jump[segment] if segment < n else 0.0
        if after != now or sudden != 0.0:
            acted = min(segment, n - 1)
        jumped += sudden
        now = after
        if segment == n or duration[segment] > SIMULTANEOUS:
            if abs(now - before) > step:
                step, step_segment = abs(now - before), acted
            if abs(jumped) > change:
                change, change_segment = abs(jumped), acted
            before, jumped = now, 0.0
    return step, step_segment, change, change_segment


def check_motion(motion: AxisMotion) -> None:
    """Raise InputError for arrays of different length and for negative durations."""
    if not motion.duration.shape == motion.acceleration.shape == motion.jump.shape:
        lengths = ", ".join(f"{len(numbers)} {name}" for name, numbers in motion._asdict().items())
        raise InputError.at("motion of an axis", lengths, "as many of each")
    if not (motion.duration >= 0.0).all():
        raise InputError.at("motion of an axis", "a negative duration", "0 s or more")


def kicks_of(motion: AxisMotion) -> LargestKicks:
    """The largest kicks that a motion gives its axis. Raises InputError as `check_motion`."""
    check_motion(motion)
    return LargestKicks(*largest_kicks(*motion))


def exposure(motion: AxisMotion, command_filter: Filter, frequency: float, damping: float) -> Exposure:
    """How far the planned motion of an axis swings a true mode of `frequency` (Hz) and `damping` at worst.

    The input of the oscillator is the filtered motion ΣA_i a(t − t_i); nothing is sampled. Once its last impulse has
    acted, a kick has left V times what it would without the filter (`residual`), in a phase of its own; `ringing` is
    the worst sum of those. Several modes add at worst. Raises InputError for a mode that is none and as `check_motion`.
    """
    check_mode(frequency, damping)
    check_motion(motion)
    omega = 2.0 * math.pi * frequency
    times = np.array(command_filter.times)
    amplitudes = np.array(command_filter.amplitudes, np.complex128)
    pole = omega * complex(-damping, math.sqrt(1.0 - damping * damping))
    left = np.array([amplitudes @ np.exp(pole * (times[-1] - times))])
    swing = worst_swing(*motion, times, amplitudes, omega, damping)
    ringing = worst_swing(*motion, times[-1:], left, omega, damping)
    return Exposure(*ringing, *swing)
