"""The vibration that a filter leaves of a mode: at its design, beside it, and at worst over what is not known of it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.vibration.filters import TOLERANCE, Filter, check_damping, check_mode

Reals = NDArray[np.float64]

FINE = 0.05  # rad of phase over the length of the filter, from one frequency looked at to the next
FEWEST = 65  # frequencies looked at, however short the filter
ROUNDS = 2  # of looking closer at a maximum, each of CLOSER + 1 frequencies between its neighbours
CLOSER = 40
NEARLY_HIGHEST = 0.99  # of the highest seen: lower maxima cannot turn out to be the highest
TOUCHING = 1.02  # a hump of so many tolerances is still inside
HALVINGS = 50  # of an interval, down to the last digits
NEAR, WIDEST = (
    3.0,
    100.0,
)  # multiples of the design frequency that are looked at, the second where the first says nothing


class Mode(NamedTuple):
    """A mode of an axis: natural `frequency` (Hz, undamped), `damping` ratio, and the share by which the true frequency
    may lie above or below (0.1: from 0.9 f to 1.1 f)."""

    frequency: float
    damping: float
    uncertainty: float = 0.0


def residual(command_filter: Filter, omega: float | Reals, damping: float) -> Reals:
    """V(ω, ζ): what a filter leaves of the vibration after one impulse at the time of its last one, as a ratio.

    `omega` natural angular frequencies (rad/s), any shape, which the result (float64) has; one `damping` ratio.
    V = e^(−ζω t_N)·√(C² + S²), C = ΣA_i e^(ζω t_i) cos(ω_d t_i), S with sin, ω_d = ω√(1 − ζ²); 1 at most (N. Singer, W.
    Seering, ASME J. Dyn. Sys. Meas. Control 112(1):76-82, 1990). Raises InputError for a damping ratio that is none.
    """
    check_damping(damping)
    before_last = np.subtract(command_filter.times, command_filter.times[-1])
    pole = complex(damping, math.sqrt(1.0 - damping * damping))
    terms = np.exp(np.multiply.outer(np.asarray(omega, np.float64), pole * before_last))
    return np.asarray(np.abs(terms @ np.asarray(command_filter.amplitudes)), np.float64)


def insensitivity_width(
    command_filter: Filter, frequency: float, damping: float, tolerance: float = TOLERANCE
) -> float:
    """Width of the band about `frequency` (Hz) in which V stays within `tolerance`, as a share of `frequency`.

    (f_high − f_low)/f, the damping ratio the same throughout; 0 where V is larger at `frequency` itself, infinite
    where it stays within up to a hundred times that. A hump that exceeds the tolerance by less than 2 % of it, as that
    of a damped EI does, is inside the band.
    """
    check_mode(frequency, damping)
    omega = 2.0 * math.pi * frequency

    def edge(towards: float) -> float:
        """Multiple of the frequency at which V leaves the tolerance on the way to a multiple `towards`."""
        places = np.linspace(1.0, towards, _looks(command_filter, omega * abs(towards - 1.0)))
        left = residual(command_filter, omega * places, damping)
        beyond = np.flatnonzero(left > tolerance * TOUCHING)
        if beyond.size == 0:
            return math.inf if towards > 1.0 else towards
        within = np.flatnonzero(left[: beyond[0]] <= tolerance)
        if within.size == 0:
            return 1.0
        inside, outside = float(places[within[-1]]), float(places[within[-1] + 1])
        for _ in range(HALVINGS):
            middle = 0.5 * (inside + outside)
            if residual(command_filter, omega * middle, damping) > tolerance:
                outside = middle
            else:
                inside = middle
        return inside

    upper = edge(NEAR)
    return (edge(WIDEST) if math.isinf(upper) else upper) - edge(0.0)


def worst_residual(command_filter: Filter, mode: Mode, power: int) -> float:
    """The largest V(ω, ζ)/ω^`power` (s^power) over the frequencies that a mode may have.

    Power 2: swing for each unit of a step of acceleration; 1: of a sudden change of speed. The frequencies from (1 −
    uncertainty)·f to (1 + uncertainty)·f at the damping ratio given, looked at so finely that a maximum between two of
    them shows, then more finely about the highest: less than 1e-6 below the true one. Raises InputError for a mode that
    is none.
    """
    check_mode(mode.frequency, mode.damping)
    if not 0.0 <= mode.uncertainty < 1.0:
        raise InputError.at("uncertainty of a frequency", f"{mode.uncertainty:g}", "0 or more and below 1, as a share")
    omega = 2.0 * math.pi * mode.frequency

    def heights(places: Reals) -> Reals:
        return np.asarray(residual(command_filter, places, mode.damping) / places**power, np.float64)

    low, high = omega * (1.0 - mode.uncertainty), omega * (1.0 + mode.uncertainty)
    places = np.linspace(low, high, _looks(command_filter, high - low))
    seen = heights(places)
    worst = float(seen.max())
    around = np.concatenate([[0.0], seen, [0.0]])
    tops = (seen >= around[:-2]) & (seen >= around[2:]) & (seen >= NEARLY_HIGHEST * worst)
    for k in np.flatnonzero(tops).tolist():
        left, right = places[max(k - 1, 0)], places[min(k + 1, places.size - 1)]
        for _ in range(ROUNDS):
            closer = np.linspace(left, right, CLOSER + 1)
            found = heights(closer)
            best = int(np.argmax(found))
            worst = max(worst, float(found[best]))
            left, right = closer[max(best - 1, 0)], closer[min(best + 1, CLOSER)]
    return worst


def _looks(command_filter: Filter, span: float) -> int:
    """How many frequencies to look at over a `span` (rad/s); one that is known for certain is looked at once."""
    if span == 0.0:
        return 1
    length = command_filter.times[-1] - command_filter.times[0]
    return max(FEWEST, math.ceil(span * length / FINE) + 1)
