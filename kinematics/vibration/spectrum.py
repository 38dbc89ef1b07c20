"""From accelerations at uneven moments to spectra: even pieces, power by frequency, what kind of shake it was."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.vibration.modes import Powers

Reals = NDArray[np.float64]

SAMPLES_AROUND = 8  # samples that give a value at an even moment
EVEN = 0.002  # of a step: moments that stray less are taken as even
LOST = 1.5  # steps between two samples from which on some between them are lost
BRIDGED = 5.5  # steps: longer gaps cut the record into pieces
SHORTEST_PIECE = 1.0  # s
LONGEST_LOOK = 45.0  # s of one periodogram: longer records are looked at in parts
SEEN_SHARE = 0.4  # of the rate: frequencies above are not trusted
LOWEST_HZ, HIGHEST_HZ = 8.0, 250.0  # Hz: where modes of a printer are looked for (common practice, no source)
TAPER = 0.1  # share of a look over which it fades in and out
WELCH_SECONDS = 4.0  # of a segment of the spectrum that is shown

RANDOM, RISING, TAPS = "random", "rising", "taps"  # how an axis was shaken


class Piece(NamedTuple):
    """An evenly sampled part of a record: `rate` (Hz), `values` float64[samples], `start` (s from the first sample)."""

    rate: float
    values: Reals
    start: float = 0.0

    @property
    def seconds(self) -> float:
        """How long it is."""
        return self.values.size / self.rate


class RecordSampling(NamedTuple):
    """How a record was sampled: mean `rate` (Hz), by how much of a step moments stray from even ones (`uneven`, root
    mean square), `lost` samples, `gaps` too long to be bridged.
    """

    rate: float
    uneven: float
    lost: int
    gaps: int


def sampling_of(times: Reals) -> RecordSampling:
    """How times (s, ascending) lie; lost samples are told by steps of more than one and a half."""
    steps = np.diff(times)
    usual = float(np.median(steps))
    one = steps < LOST * usual
    usual = float(steps[one].mean()) if one.any() else usual
    lost = int(np.rint(steps[~one] / usual - 1.0).sum()) if not one.all() else 0
    gaps = int((steps > BRIDGED * usual).sum())
    uneven = float(steps[one].std()) / usual if one.any() else 0.0
    return RecordSampling(1.0 / usual, uneven, lost, gaps)


def even_pieces(times: Reals, values: Reals, sampling: RecordSampling) -> list[Piece]:
    """A record on even moments, at its mean rate, by polynomials through eight samples; cut where more than a few are
    lost.

    Midway between even samples such a polynomial strays by about (ωΔ)⁸·35/32768 of what it follows: 0.02 % at an eighth
    of the rate, where a cubic strays by 0.9 %.
    """
    step = 1.0 / sampling.rate
    ends = [0, *(np.flatnonzero(np.diff(times) > BRIDGED * step) + 1).tolist(), times.size]
    pieces = []
    for first, last in pairwise(ends):
        here, there = times[first:last], values[first:last]
        if here.size < SAMPLES_AROUND or here[-1] - here[0] < SHORTEST_PIECE:
            continue
        if sampling.uneven > EVEN or sampling.lost:
            count = math.floor((here[-1] - here[0]) / step) + 1
            there = _on_even_moments(here, there, step, count)
        pieces.append(Piece(sampling.rate, there, float(here[0] - times[0])))
    return pieces


@compiled
def _on_even_moments(times: Reals, values: Reals, step: float, count: int) -> Reals:
    """Values at `count` moments, `step` (s) apart from the first time on, by the polynomial through the samples about
    each, half of them before it, in its barycentric form (J.-P. Berrut, L. Trefethen, SIAM Review 46, 2004, eq. 4.2).
    """
    found = np.empty(count)
    last = times.size - SAMPLES_AROUND
    first, known = 0, -1
    weights = np.empty(SAMPLES_AROUND)
    for k in range(count):
        moment = times[0] + step * k
        while first < last and times[first + SAMPLES_AROUND // 2] < moment:
            first += 1
        if first != known:
            known = first
            for i in range(SAMPLES_AROUND):
                product = 1.0
                for j in range(SAMPLES_AROUND):
                    if j != i:
                        product *= (times[first + i] - times[first + j]) / step
                weights[i] = 1.0 / product
        above = below = 0.0
        for i in range(SAMPLES_AROUND):
            away = moment - times[first + i]
            if away == 0.0:
                above, below = values[first + i], 1.0
                break
            share = weights[i] / away
            above += share * values[first + i]
            below += share
        found[k] = above / below
    return found


def highest_seen(rate: float) -> float:
    """The highest frequency (Hz) that is trusted at a rate."""
    return min(HIGHEST_HZ, SEEN_SHARE * rate)


def periodograms(pieces: Sequence[Piece], low: float, high: float) -> Powers:
    """The power of pieces between two frequencies (Hz), the looks of all of them averaged; for likelihoods.

    Looks are as long as `LONGEST_LOOK` at most, so that hardly any frequency leaks beside a mode, and fade in and out;
    `spread` tells how many fewer independent numbers that leaves. Each piece counts as its looks do.
    """
    longest = max(piece.seconds for piece in pieces)
    looks = max(1, round(longest / LONGEST_LOOK))
    rate = pieces[0].rate
    size = _quick_size(int(longest / looks * rate))
    fade = _fade(size)
    total, count = np.zeros(size // 2 + 1), 0
    for piece in pieces:
        for k in range(max(1, piece.values.size // size)):
            part = piece.values[k * size : (k + 1) * size]
            if part.size < 0.5 * size:
                continue
            window = fade if part.size == size else _fade(part.size)
            padded = np.zeros(size)
            padded[: part.size] = (part - part.mean()) * window
            total += np.abs(np.fft.rfft(padded)) ** 2 / float((window**2).sum())
            count += 1
    frequency = np.asarray(np.fft.rfftfreq(size, 1.0 / rate), np.float64)
    kept = (frequency >= low) & (frequency <= high)
    spread = size * float((fade**4).sum()) / float((fade**2).sum()) ** 2
    power = total[kept] / max(count, 1)
    scale = float(power.mean()) or 1.0
    return Powers(frequency[kept], power / scale, np.full(int(kept.sum()), float(max(count, 1))), spread)


def _quick_size(size: int) -> int:
    """The largest number up to `size` that is quick to transform."""
    from scipy.fft import prev_fast_len

    return int(prev_fast_len(size, real=True))


def _fade(size: int) -> Reals:
    from scipy.signal.windows import tukey

    return np.asarray(tukey(size, TAPER), np.float64)


class Spectrum(NamedTuple):
    """The spectrum that is shown: `frequency` (Hz), `power` ((mm/s²)²/Hz), float64[bins]."""

    frequency: Reals
    power: Reals


def spectrum_of(pieces: Sequence[Piece], kind: str = RANDOM) -> Spectrum:
    """The power density of pieces by Welch's method (P. Welch, IEEE Trans. Audio Electroacoust. AU-15(2):70-73, 1967):
    Hann segments of some seconds that overlap by half, pieces weighted by their length.

    Of a rising shake, whose segments each hold a few frequencies only, the longest piece as a whole, neighbouring bins
    averaged.
    """
    from scipy.signal import periodogram, welch

    rate = pieces[0].rate
    if kind == RISING:
        piece = max(pieces, key=lambda one: one.seconds)
        frequency, power = periodogram(piece.values, rate)
        together = max(1, round(piece.seconds / WELCH_SECONDS))
        whole = frequency.size // together * together
        means = [values[:whole].reshape(-1, together).mean(axis=1) for values in (frequency, power)]
        return Spectrum(*means)
    size = _quick_size(int(min(WELCH_SECONDS, *(piece.seconds for piece in pieces)) * rate))
    frequency, total, seconds = np.zeros(0), np.zeros(0), 0.0
    for piece in pieces:
        frequency, power = welch(piece.values, rate, nperseg=size)
        total = total + power * piece.seconds if total.size else power * piece.seconds
        seconds += piece.seconds
    return Spectrum(frequency, total / seconds)


STEP_SECONDS = 0.02  # of the loudness by which taps are told
LOUD = 6.0  # times the usual loudness: a tap
QUIET = 0.2  # of the mean loudness: what half of the time stays below where it was tapped
LEAST_APART = 0.5  # s between two taps
FEWEST_TAPS = 3


def tap_starts(piece: Piece) -> NDArray[np.int64]:
    """At which samples an axis was hit: sudden loudness after quiet, its loudest moment; empty where it was not."""
    block = max(2, round(STEP_SECONDS * piece.rate))
    values = piece.values - np.median(piece.values)
    whole = values.size // block
    loud = (values[: whole * block].reshape(whole, block) ** 2).mean(axis=1)
    nothing = np.zeros(0, np.int64)
    if not loud.any() or np.median(loud) > QUIET * loud.mean():
        return nothing
    floor = float(np.median(loud))
    least = max(LOUD * floor, 0.02 * float(np.quantile(loud, 0.999)))
    apart = math.ceil(LEAST_APART / STEP_SECONDS)
    starts: list[int] = []
    above = np.flatnonzero(loud > least)
    for place in above.tolist():
        before = loud[max(0, place - 3) : place]
        if starts and place - starts[-1] < apart:
            continue
        if before.size and loud[place : place + 2].max() < 4.0 * before.max():
            continue
        starts.append(place)
    samples = []
    for place in starts:
        first = max(0, (place - 1) * block)
        samples.append(first + int(np.argmax(np.abs(values[first : (place + 2) * block]))))
    return np.array(samples, np.int64) if len(samples) >= FEWEST_TAPS else nothing


def group_delays(transform: NDArray[np.complex128]) -> Reals:
    """When each frequency came by, as a share of the record, from the turn between neighbouring bins: −Δφ/2π."""
    turn = np.angle(transform[1:] * np.conj(transform[:-1])) / (2.0 * math.pi)
    return np.asarray((-turn) % 1.0, np.float64)


SCATTER = 0.06  # of the record: how far the moments of a rising shake stray from a smooth course
CLIMB = 0.2  # of the record that it takes at least from the lowest to the highest frequency
COURSE_DEGREE = 4
COURSE_BLOCKS = 120
ENDS = 0.05  # of a course at either end: there a shake swells and dies away


class ShakeCourse(NamedTuple):
    """When frequencies came by in a record: by how much that strays from a smooth course, and how long the course is,
    both as shares of the record; `low` to `high` (Hz) what it went through.
    """

    strays: float
    climb: float
    low: float
    high: float


NO_COURSE = ShakeCourse(1.0, 0.0, 0.0, 0.0)


def course_of(piece: Piece, low: float, high: float) -> ShakeCourse:
    """The course that frequencies from `low` to `high` (Hz) took through a record; ends of it are left out."""
    transform = np.fft.rfft(piece.values - piece.values.mean())
    frequency = np.fft.rfftfreq(piece.values.size, 1.0 / piece.rate)
    kept = np.flatnonzero((frequency >= low) & (frequency <= high))
    delays = group_delays(transform[kept[0] : kept[-1] + 1])
    blocks = min(COURSE_BLOCKS, delays.size // 8)
    if blocks < 10:
        return NO_COURSE
    # Moments are told on a circle: their mean in each block of bins, and how well they agree there.
    edges = np.linspace(0, delays.size, blocks + 1).astype(int)
    vectors = np.array([np.exp(2j * math.pi * delays[a:b]).mean() for a, b in pairwise(edges)])
    scatter = np.sqrt(np.maximum(0.0, -2.0 * np.log(np.maximum(np.abs(vectors), 1e-9)))) / (2.0 * math.pi)
    agree = np.flatnonzero(scatter < SCATTER)
    if agree.size < 0.3 * blocks:
        return NO_COURSE
    runs = np.split(agree, np.flatnonzero(np.diff(agree) > 3) + 1)
    run = max(runs, key=len)
    margin = max(1, round(ENDS * (run[-1] - run[0])))
    inner = run[margin:-margin]
    if inner.size < 10:
        return NO_COURSE
    x = np.linspace(-1.0, 1.0, blocks)[inner]
    means = np.unwrap(np.angle(vectors[inner])) / (2.0 * math.pi)
    course = np.polyval(np.polyfit(x, means, COURSE_DEGREE), x)
    frequencies = frequency[kept[0] + edges]
    return ShakeCourse(
        float(np.median(np.abs(means - course))),
        float(np.ptp(course)),
        float(frequencies[inner[0]]),
        float(frequencies[inner[-1] + 1]),
    )


def _coarser(piece: Piece) -> Piece:
    """A piece of which neighbouring samples are taken together as long as all that is looked for is still seen."""
    together = max(1, math.floor(SEEN_SHARE * piece.rate / HIGHEST_HZ))
    whole = piece.values.size // together * together
    if together == 1:
        return piece
    return piece._replace(rate=piece.rate / together, values=piece.values[:whole].reshape(-1, together).mean(axis=1))


def kind_of_shake(piece: Piece) -> tuple[str, float, float]:
    """Whether an axis was shaken with a frequency that rises (or falls), was tapped, or was moved at random; and the
    frequencies (Hz) between which that tells of it.
    """
    high = highest_seen(piece.rate)
    course = course_of(_coarser(piece), LOWEST_HZ, high)
    if course.strays < SCATTER and course.climb > CLIMB:
        return RISING, course.low, course.high
    return (TAPS if tap_starts(piece).size else RANDOM), LOWEST_HZ, high
