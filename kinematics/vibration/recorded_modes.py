"""From records of one axis to its modes: each record in the way that fits how it was shaken, then all together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from kinematics.vibration.modes import (
    FittedMode,
    band_about,
    fit_to_random_force,
    look_for_modes,
    within,
)
from kinematics.vibration.shakes import fit_to_rings, fit_to_rising_shake, rings_after
from kinematics.vibration.spectrum import (
    LOWEST_HZ,
    RANDOM,
    RISING,
    TAPS,
    Piece,
    kind_of_shake,
    periodograms,
    tap_starts,
)

LOWEST_HEIGHT = 0.05  # of the highest peak: what is lower is no mode to filter
WIDEST = 0.3  # of a frequency: an interval wider than this tells nothing
NOT_TOLD = 0.2  # of a damping ratio: what cannot be told better is said so
SAME_MODE = 3.0  # half-power widths within which two records speak of one mode


class RecordModes(NamedTuple):
    """What one record shows: the kind of shake, and its modes by frequency."""

    kind: str
    modes: tuple[FittedMode, ...]


def modes_of_record(pieces: Sequence[Piece]) -> RecordModes:
    """The modes of an evenly sampled record; empty where nothing stands out of noise and a smooth force.

    A randomly moved axis by Whittle's likelihood, a rising shake and taps by least squares on the swing itself.
    """
    longest = max(pieces, key=lambda piece: piece.seconds)
    kind, lowest, high = kind_of_shake(longest)
    starts = tap_starts(longest) if kind == TAPS else None
    looked_at: Sequence[Piece] = pieces
    if starts is not None:
        ends = [*starts[1:].tolist(), longest.values.size]
        before = round(0.01 * longest.rate)
        looked_at = [
            longest._replace(values=longest.values[max(0, start - before) : end - before])
            for start, end in zip(starts.tolist(), ends, strict=True)
        ]
    powers = periodograms(looked_at, lowest, high)
    if kind != RANDOM:  # nothing is there by chance that more looks would average out
        powers = powers._replace(looks=powers.looks / powers.looks.max())
    guess = look_for_modes(powers)
    found: tuple[FittedMode, ...] = ()
    while guess:
        low, top = band_about(guess, lowest, high)
        if kind == RISING:
            found = fit_to_rising_shake(longest, guess, low, top)
        elif starts is not None:
            found = fit_to_rings(rings_after(longest, starts, guess), longest.rate, guess, low, top)
        else:
            found = fit_to_random_force(within(powers, low, top), guess)
        kept = [k for k, mode in enumerate(found) if _is_told(mode)]
        if len(kept) == len(found):
            break
        guess = [(found[k].frequency, found[k].damping, found[k].strength * found[k].damping) for k in kept]
        found = ()
    return RecordModes(kind, found)


def _is_told(mode: FittedMode) -> bool:
    return (
        mode.strength >= LOWEST_HEIGHT
        and mode.frequency_high / mode.frequency_low < (1.0 + WIDEST) ** 2
        and mode.frequency > LOWEST_HZ
        and mode.damping > 1e-4
    )
