"""Command filters against vibration: short sequences of impulses that every axis position is convolved with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from kinematics.errors import InputError, nearest

OWN = "own"  # the name of a filter whose impulses are told
FILTER_NAMES = ("none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI")
TOLERANCE = 0.05  # residual that the extra-insensitive filters leave on purpose
SUM_ERROR = 1e-9  # of amplitudes that shall sum to 1

_ZEROS_STACKED = {"ZV": 1, "ZVD": 2, "ZVDD": 3}
_IMPULSES = {"EI": 3, "two-hump-EI": 4, "three-hump-EI": 5}
# Where the solution that grows out of the undamped filter ends. EI, two humps: the last two impulses meet and the
# upper zero runs off to infinity at 0.687 and 0.449. Three humps: the solution turns back at 0.2756.
HIGHEST_DAMPING = {"EI": 0.68, "two-hump-EI": 0.44, "three-hump-EI": 0.27}


@dataclass(frozen=True)
class Filter:
    """A filter by its name, the times of its impulses (s, ascending) and their amplitudes (>= 0, summing to 1).

    Where every impulse acts at once the filter does nothing. Raises InputError where the numbers are no filter.
    """

    name: str
    times: tuple[float, ...]
    amplitudes: tuple[float, ...]

    def __post_init__(self) -> None:
        times, amplitudes = self.times, self.amplitudes
        if not times or len(times) != len(amplitudes):
            found = f"{len(times)} times and {len(amplitudes)} amplitudes"
            raise InputError.at(f"filter {self.name}", found, "as many of one as of the other, at least one")
        if not all(math.isfinite(t) for t in times) or list(times) != sorted(times):
            raise InputError.at(f"filter {self.name}", f"times {times}", "finite and ascending")
        if not (min(amplitudes) >= 0.0 and abs(math.fsum(amplitudes) - 1.0) <= SUM_ERROR):
            raise InputError.at(f"filter {self.name}", f"amplitudes {amplitudes}", "none below 0, summing to 1")


class Spread(NamedTuple):
    """How far the impulses lie from their mean time.

    `delay` t̄ = ΣA_i t_i (s); `variance` σ² = ΣA_i (t_i − t̄)² (s²), of which `early` is the sum over the impulses
    before the mean and `late` over those after it (equal for symmetric filters); `mean_deviation` M = ΣA_i |t_i − t̄|
    (s), half of it from either side.
    """

    delay: float
    variance: float
    early: float
    late: float
    mean_deviation: float


def spread_of(command_filter: Filter) -> Spread:
    """The moments of a filter about its mean time."""
    pairs = list(zip(command_filter.amplitudes, command_filter.times, strict=True))
    delay = math.fsum(a * t for a, t in pairs)
    centred = [(a, t - delay) for a, t in pairs]
    early = math.fsum(a * t * t for a, t in centred if t < 0.0)
    late = math.fsum(a * t * t for a, t in centred if t > 0.0)
    return Spread(delay, early + late, early, late, math.fsum(a * abs(t) for a, t in centred))


def check_mode(frequency: float, damping: float) -> None:
    """Raise InputError unless 0 < `frequency` (Hz) and 0 <= `damping` < 1, both finite."""
    if not (math.isfinite(frequency) and frequency > 0.0):
        raise InputError.at("frequency", f"{frequency:g} Hz", "above 0")
    check_damping(damping)


def check_damping(damping: float) -> None:
    """Raise InputError unless 0 <= `damping` ratio < 1: from 1 on nothing vibrates, and there is nothing to filter."""
    if not 0.0 <= damping < 1.0:
        raise InputError.at("damping ratio", f"{damping:g}", "0 or more and below 1")


def filter_named(name: str, frequency: float, damping: float) -> Filter:
    """The filter of this name for a mode of natural `frequency` (Hz, undamped) and `damping` (ratio).

    With K = e^(−ζπ/√(1−ζ²)) and T_d = 1/(f·√(1−ζ²)): ZV, ZVD, ZVDD have the amplitudes of ((1 + Kx)/(1 + K))^n, n = 1,
    2, 3, half a T_d apart (N. Singer, W. Seering, ASME J. Dyn. Sys. Meas. Control 112(1):76-82, 1990). EI leaves 5 % at
    the design mode (W. Singhose, W. Seering, N. Singer, ASME J. Mech. Design 116(2):654-659, 1994), two and three humps
    of 5 % elsewhere (W. Singhose, L. Porter, T. Tuttle, N. Singer, ASME J. Dyn. Sys. Meas. Control 119(2):320-326,
    1997), the damped ones solved from their definition (`extra_insensitive`), not from a fit. "none" is one impulse
    and takes any frequency and damping. Raises InputError for an unknown name, a frequency or damping that is none,
    and where the damping is too high for the filter to exist.
    """
    if name not in FILTER_NAMES:
        raise InputError.at("filter", repr(name), ", ".join(FILTER_NAMES), nearest(name, FILTER_NAMES))
    if name == "none":
        return Filter(name, (0.0,), (1.0,))
    check_mode(frequency, damping)
    highest = HIGHEST_DAMPING.get(name, 1.0)
    if damping > highest:
        hint = "ZV, ZVD and ZVDD take any damping ratio below 1"
        raise InputError.at(f"damping ratio of {name}", f"{damping:g}", f"0 to {highest:g}", hint)
    if name in _ZEROS_STACKED:
        times, amplitudes = _stacked_zeros(_ZEROS_STACKED[name], damping)
    else:
        times, amplitudes = _extra_insensitive(_IMPULSES[name], damping)
    return Filter(name, tuple(t / frequency for t in times), amplitudes)


def _stacked_zeros(order: int, damping: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Times (periods) and amplitudes of the filter with an `order`-fold zero at the design mode."""
    root = math.sqrt(1.0 - damping * damping)
    ratio = math.exp(-damping * math.pi / root)
    weights = [math.comb(order, k) * ratio**k for k in range(order + 1)]
    total = (1.0 + ratio) ** order
    return tuple(0.5 * k / root for k in range(order + 1)), tuple(w / total for w in weights)


@lru_cache(maxsize=64)
def _extra_insensitive(impulses: int, damping: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Times (periods) and amplitudes of the filter that leaves `TOLERANCE`; solved once for each damping."""
    # Only here are arrays needed; whoever just names a filter loads none.
    from kinematics.vibration.extra_insensitive import extra_insensitive

    return extra_insensitive(impulses, damping, TOLERANCE)
