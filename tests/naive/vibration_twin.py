"""Slow, obvious twins of the vibration package, by other methods: matrices, sampled motion, a library's solver."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.optimize import root
from scipy.signal import lsim

from kinematics.vibration.exposure import AxisMotion
from kinematics.vibration.filters import Filter

Reals = NDArray[np.float64]
Position = Callable[[Reals], Reals]


def swing_of(deviation: Any, speed: Any, omega: float, damping: float) -> Any:
    """The curve through the peaks of a swing with so much deviation and speed: √(e² + 2ζe·ė/ω + (ė/ω)²)."""
    slope = speed / omega
    return np.sqrt(deviation * deviation + 2.0 * damping * deviation * slope + slope * slope)


def naive_swings(motion: AxisMotion, command_filter: Filter, frequency: float, damping: float) -> list[float]:
    """The swing after every change of the filtered motion, in order of time (mm).

    State d, ḋ of tip − command with d̈ + 2ζωḋ + ω²d = −a, damping within the axis; a matrix exponential between changes.
    """
    omega = 2.0 * math.pi * frequency
    begins = np.append(0.0, np.cumsum(motion.duration))
    accelerations = np.concatenate([[0.0], motion.acceleration, [0.0]])
    changes = []
    for start, step, jump in zip(begins, np.diff(accelerations), np.append(motion.jump, 0.0), strict=True):
        for delay, amplitude in zip(command_filter.times, command_filter.amplitudes, strict=True):
            changes.append((start + delay, amplitude * step, amplitude * jump))
    changes.sort()
    state = np.zeros(3)  # d, ḋ, a
    flow = np.array([[0.0, 1.0, 0.0], [-(omega**2), -2.0 * damping * omega, -1.0], [0.0, 0.0, 0.0]])
    swings: list[float] = []
    now = changes[0][0]
    for time, step, jump in changes:
        if time > now:
            swings.append(float(swing_of(state[0] + state[2] / omega**2, state[1], omega, damping)))
            state = expm(flow * (time - now)) @ state
            now = time
        state += (0.0, -jump, step)
    swings.append(float(swing_of(state[0] + state[2] / omega**2, state[1], omega, damping)))
    return swings


def naive_kicks(motion: AxisMotion) -> tuple[float, float]:
    """The largest step of acceleration and change of speed: all that happens at one instant is added up."""
    begins = np.append(0.0, np.cumsum(motion.duration))
    steps: dict[float, float] = {}
    changes: dict[float, float] = {}
    accelerations = np.concatenate([[0.0], motion.acceleration, [0.0]])
    for time, step, jump in zip(begins.tolist(), np.diff(accelerations), np.append(motion.jump, 0.0), strict=True):
        steps[time] = steps.get(time, 0.0) + float(step)
        changes[time] = changes.get(time, 0.0) + float(jump)
    return max(map(abs, steps.values())), max(map(abs, changes.values()))


def position_of(motion: AxisMotion) -> tuple[Position, Position, Position]:
    """Position, speed and acceleration of an axis against time; at rest before, at the last speed after."""
    begins = np.append(0.0, np.cumsum(motion.duration))
    accelerations = np.append(motion.acceleration, 0.0)
    speeds, places = [], []
    speed, place = 0.0, 0.0
    for duration, acceleration, jump in zip(*motion, strict=True):
        speed += jump
        speeds.append(speed)
        places.append(place)
        place += speed * duration + 0.5 * acceleration * duration**2
        speed += acceleration * duration
    speeds.append(speed)
    places.append(place)

    def at(times: Reals) -> tuple[Reals, Reals, Reals]:
        index = np.searchsorted(begins, times, side="right") - 1
        moving = index >= 0
        index = np.maximum(index, 0)
        since = np.where(moving, times - begins[index], 0.0)
        a, v = np.where(moving, accelerations[index], 0.0), np.where(moving, np.array(speeds)[index], 0.0)
        p = np.where(moving, np.array(places)[index], 0.0)
        return p + v * since + 0.5 * a * since**2, v + a * since, a

    return (lambda t: at(t)[0]), (lambda t: at(t)[1]), (lambda t: at(t)[2])


def filtered(function: Position, command_filter: Filter) -> Position:
    """ΣA_i f(t − t_i)."""
    pairs = list(zip(command_filter.amplitudes, command_filter.times, strict=True))
    return lambda times: sum((a * function(times - t) for a, t in pairs), start=np.zeros_like(times))


def simulated_swings(
    motion: AxisMotion, command_filter: Filter, frequency: float, damping: float, times: Reals
) -> Reals:
    """The swing at each of the `times` (s, evenly spaced from before the motion) by scipy's simulation.

    The filtered position drives ω²/(s² + 2ζωs + ω²), damping against the frame; what a lasting speed and acceleration
    hold it off by, −2ζv/ω + (4ζ² − 1)a/ω², is no swing and is taken away.
    """
    omega = 2.0 * math.pi * frequency
    position, speed, acceleration = (filtered(f, command_filter)(times) for f in position_of(motion))
    plant = ([[0.0, 1.0], [-(omega**2), -2.0 * damping * omega]], [[0.0], [omega**2]], np.eye(2), np.zeros((2, 1)))
    _, tip, _ = lsim(plant, position, times - times[0])
    held = -2.0 * damping * speed / omega + (4.0 * damping**2 - 1.0) * acceleration / omega**2
    held_slope = -2.0 * damping * acceleration / omega
    return np.asarray(swing_of(tip[:, 0] - position - held, tip[:, 1] - speed - held_slope, omega, damping), np.float64)


def relative_residual(amplitudes: Reals, times: Reals, ratio: float, damping: float) -> complex:
    """What impulses leave at a multiple of the design frequency, as a phasor of size V.

    Each impulse's own vibration at the time of the last one, added up; times in periods of the design frequency.
    """
    total = 0.0 + 0.0j
    turn = 2.0 * math.pi * ratio * math.sqrt(1.0 - damping**2)
    for amplitude, time in zip(amplitudes, times, strict=True):
        since = times[-1] - time
        faded = amplitude * math.exp(-damping * 2.0 * math.pi * ratio * since)
        total += faded * complex(math.cos(turn * since), math.sin(turn * since))
    return total


def solved_by_library(impulses: int, damping: float, guess: Reals, tolerance: float) -> Reals:
    """Amplitudes, then times (periods) of the extra-insensitive filter, from scipy's solver and a guess of
    amplitudes but the last, times but the first, zeros and humps in turn (the design frequency left out)."""
    n = impulses

    def misses(unknowns: Reals) -> list[float]:
        amplitudes = np.append(unknowns[: n - 1], 1.0 - unknowns[: n - 1].sum())
        times = np.append(0.0, unknowns[n - 1 : 2 * n - 2])
        places = list(unknowns[2 * n - 2 :])
        places.insert(len(places) // 2, 1.0)
        found: list[float] = []
        for k, ratio in enumerate(places):
            left = relative_residual(amplitudes, times, ratio, damping)
            if k % 2 == 0:
                found += [left.real, left.imag]
            else:
                found.append(abs(left) - tolerance)
                if n > 3:
                    beside = [abs(relative_residual(amplitudes, times, ratio + s, damping)) for s in (-1e-4, 1e-4)]
                    found.append((beside[1] - beside[0]) / 2e-4)
        if n == 3:
            found.append(times[-1] - 1.0 / math.sqrt(1.0 - damping**2))
        return found

    solution = root(misses, guess, tol=1e-13)
    unknowns = solution.x
    return np.concatenate([unknowns[: n - 1], [1.0 - unknowns[: n - 1].sum(), 0.0], unknowns[n - 1 : 2 * n - 2]])
