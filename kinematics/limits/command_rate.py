"""What the controller takes in: moves and bytes a second, against the moves that it sees."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled

Reals = NDArray[np.float64]

SHORTEST_WAIT = 1e-9  # s: less is rounding


class Reach(NamedTuple):
    """One entry a move: how much path the controller covers with what it takes in (`a_move` in mm, `a_byte` in mm)."""

    a_move: Reals
    a_byte: Reals


@compiled
def window_sums(values: Reals, rest: NDArray[np.uint8], window: int, sums: Reals) -> None:
    """Sum of the `window` values from each one on, cut at the next stop: into `sums` (n, as `values`).

    `rest` (n + 1) is 1 at the nodes where motion rests, the last one among them. Sums are made of the end of one
    stretch of `window` values and the beginning of the next: no difference of large sums is taken.
    """
    n = values.size
    begin = 0
    while begin < n:
        end = begin + 1
        while not rest[end]:
            end += 1
        for base in range(begin, end, window):
            last = min(base + window, end)
            total = 0.0
            for i in range(last - 1, base - 1, -1):
                total += values[i]
                sums[i] = total
            total = 0.0
            for i in range(last, min(last + window - 1, end)):
                total += values[i]
                # Of the window that ends here; windows that the stop cuts are done below.
                sums[i - window + 1] += total
            for i in range(max(base, end - window + 1), last):
                sums[i] += total
        begin = end


def reach(length: Reals, rest: NDArray[np.uint8], lookahead: int | None, bytes_of_move: Reals | None = None) -> Reach:
    """How much path each move and its followers give for one command and for one byte.

    `length` (n; mm), `rest` (n + 1) as in `Features`, `lookahead` moves that the controller sees (None: all, and then
    each move counts by itself), `bytes_of_move` (n) what each move takes in the file (None: not asked for, infinite
    reach). A controller that takes in m moves and b bytes a second cannot run move i faster than
    v_i <= a_move·m and v_i <= a_byte·b: L̄ = ΣL/N over the N moves from i, cut at a stop, and ΣL/Σbytes.
    That a buffer evens out more than its own length is not modelled.
    """
    window = max(1, min(lookahead, length.size)) if lookahead else 1
    sums = np.empty((2, length.size))
    counts = np.empty(length.size)
    window_sums(length, rest, window, sums[0])
    window_sums(np.ones(length.size), rest, window, counts)
    if bytes_of_move is None:
        sums[1] = np.inf
    else:
        window_sums(bytes_of_move, rest, window, sums[1])
        with np.errstate(divide="ignore"):
            sums[1] = sums[0] / sums[1]
    return Reach(sums[0] / counts, sums[1])


class Lateness(NamedTuple):
    """How commands kept up with a planned job: `late` of `commands` had to be waited for, `longest` and `total` the
    waits (s), `worst` the command that was waited for longest (its place, 0 where none was).
    """

    commands: int
    late: int
    longest: float
    total: float
    worst: int


def lateness(duration: Reals, cost: Reals, lookahead: int | None) -> Lateness:
    """Send a planned job through the controller's buffer.

    `duration` (n; s) planned for each command, stops among them; `cost` (n; s) that taking one in takes, 1/m for m
    commands a second or its bytes by bytes a second, whichever is longer; `lookahead` commands that the buffer holds,
    the one under way counted (None: all). A command is taken in once the one before it is and the buffer has room, and
    begins once it is in and the one before has ended; motion that has to wait is told as planned, not planned again.
    """
    waits = np.empty(duration.size)
    window = min(lookahead, duration.size) if lookahead else duration.size
    _waits(duration, cost, max(window, 1), waits)
    # The first command has to come before anything moves, and whoever waits for it does not see the job stutter.
    waits[:1] = 0.0
    late = int(np.count_nonzero(waits > SHORTEST_WAIT))
    worst = int(waits.argmax()) if late else 0
    return Lateness(duration.size, late, float(waits.max(initial=0.0)), float(waits.sum()), worst)


@compiled
def _waits(duration: Reals, cost: Reals, window: int, waits: Reals) -> None:
    """Fill how long (s) each command is waited for after the one before it has ended."""
    n = duration.size
    ends = np.empty(n)
    taken = free = 0.0
    for k in range(n):
        if k >= window:
            taken = max(taken, ends[k - window])
        taken += cost[k]
        waits[k] = max(taken - free, 0.0)
        free = max(taken, free) + duration[k]
        ends[k] = free
