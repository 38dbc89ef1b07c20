"""What is found in made-up records, held against the truth and against what they can tell at best.

`python -m tests.vibration.shaken_cases 200` does so for 200 cases; exit status 1 where a bound does not hold.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from typing import NamedTuple

from kinematics.vibration.modes import NORMAL
from kinematics.vibration.recorded_modes import modes_of_record
from kinematics.vibration.spectrum import even_pieces, sampling_of
from tests.vibration.shaken import KINDS, case, least_errors, recorded

COVERED = 0.90, 0.995
WIDER = 1.5  # times the interval that the data allow at best, on the average
FREQUENCY_ERROR = 0.02  # for damping up to a tenth
MISSED = 0.01  # of the cases: in which other modes may be found than there are


class Score(NamedTuple):
    """One mode of one case: whether the truth lies inside the intervals, how wide they are beside the least that the
    data allow, and how far off the frequency is."""

    kind: str
    frequency_inside: bool
    damping_inside: bool
    frequency_width: float
    damping_width: float
    error: float
    damping: float


def scores_of(number: int) -> list[Score] | None:
    """The scores of a case's modes; None where other modes were found than there are."""
    one = case(number)
    times, values, _ = recorded(one)
    found = modes_of_record(even_pieces(times, values, sampling_of(times)))
    if found.kind != one.kind or len(found.modes) != len(one.modes):
        return None
    scores = []
    for mode, (frequency, damping, _), (least, least_damping) in zip(
        found.modes, one.modes, least_errors(one), strict=True
    ):
        scores.append(
            Score(
                one.kind,
                mode.frequency_low <= frequency <= mode.frequency_high,
                mode.damping_low <= damping <= mode.damping_high,
                math.log(mode.frequency_high / mode.frequency_low) / (2.0 * NORMAL * least),
                math.log(mode.damping_high / mode.damping_low) / (2.0 * NORMAL * least_damping),
                abs(mode.frequency / frequency - 1.0),
                damping,
            )
        )
    return scores


def told(numbers: Iterable[int]) -> tuple[list[Score], list[int]]:
    """The scores of many cases, and the numbers of those in which other modes were found."""
    scores: list[Score] = []
    missed = []
    for number in numbers:
        one = scores_of(number)
        if one is None:
            missed.append(number)
        else:
            scores += one
    return scores, missed


def mean(values: Iterable[float]) -> float:
    """The mean of some numbers."""
    found = list(values)
    return math.fsum(found) / len(found)


def main() -> int:
    """Tell how many cases hold; exit status 1 where a bound does not."""
    scores, missed = told(range(int(sys.argv[1])))
    status = 0
    print(f"{sys.argv[1]} cases, {len(scores)} modes, other modes found in {missed}")
    for kind in (None, *KINDS):
        some = [score for score in scores if kind in (None, score.kind)]
        inside = mean(score.frequency_inside for score in some), mean(score.damping_inside for score in some)
        wide = mean(score.frequency_width for score in some), mean(score.damping_width for score in some)
        error = max(score.error for score in some if score.damping <= 0.1)
        print(
            f"{kind or 'all':8} inside {inside[0]:.3f}, damping {inside[1]:.3f}; width {wide[0]:.2f}, damping "
            f"{wide[1]:.2f} of the least; largest error {error:.2%}"
        )
        if kind is None and not all(COVERED[0] <= share <= COVERED[1] for share in inside):
            status = 1
        if max(wide) > WIDER or error > FREQUENCY_ERROR:
            status = 1
    return 1 if len(missed) > MISSED * int(sys.argv[1]) else status


if __name__ == "__main__":
    sys.exit(main())
