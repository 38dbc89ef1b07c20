"""Looking ahead: squared ceilings of nodes lowered to what can be reached and left under each move's acceleration."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part

Reals = NDArray[np.float64]
Counts = NDArray[np.int64]


@compiled_part
def look_ahead(gains: Reals, window: int, suffix: Reals, nodes: Reals) -> None:
    """Lower the squared node ceilings so that motion can stop within the next `window` moves: v_i² <= Σ 2 a_k L_k.

    Sums over a sliding window are made of a suffix of one stretch of `window` moves and a prefix of the next: no
    difference of large sums is taken. Nodes with fewer moves left in the block need none: the backward pass starts from
    rest at its end. `gains` (n) holds 2 a L (mm²/s²); `suffix` is scratch of the same length.
    """
    n = gains.size
    last = n - window  # the last node with a full window
    for base in range(0, last + 1, window):
        total = 0.0
        for k in range(base + window - 1, base - 1, -1):
            total += gains[k]
            suffix[k] = total
        nodes[base] = min(nodes[base], total)
        total = 0.0
        for k in range(base + 1, min(base + window, last + 1)):
            total += gains[k + window - 1]
            nodes[k] = min(nodes[k], suffix[k] + total)


@compiled_part
def look_ahead_in_pieces(gains: Reals, window: int, whole: Counts, begin: int, suffix: Reals, nodes: Reals) -> None:
    """Lower the squared node ceilings as `look_ahead` does, where moves are cut and the controller sees whole ones.

    `whole` holds the number of the move that each piece of the job belongs to, `begin` the job's first piece of the
    block. Only the starts of moves are lowered. A stretch ends where the window of its first piece does, so that no
    window reaches over two of its ends.
    """
    n = gains.size
    base, stop = 0, 0  # the piece under way, and the first one that is not seen from it
    while True:
        while stop < n and whole[begin + stop] < whole[begin + base] + window:
            stop += 1
        if stop == n:  # fewer moves left in the block than are seen
            return
        fence = stop
        total = 0.0
        for k in range(fence - 1, base - 1, -1):
            total += gains[k]
            suffix[k] = total
        total = 0.0
        for k in range(base, fence):
            while stop < n and whole[begin + stop] < whole[begin + k] + window:
                total += gains[stop]
                stop += 1
            if stop == n:
                return
            if begin + k == 0 or whole[begin + k - 1] != whole[begin + k]:
                nodes[k] = min(nodes[k], suffix[k] + total)
        base = fence


@compiled_part
def last_held(gains: Reals, nodes: Reals) -> int:
    """The last node of a block that its own ceiling holds, however motion goes on after the block; 0 if there is none.

    Even if motion came to rest at the end of the block, the node's ceiling could be run: then nothing behind the block
    can lower it, nor what lies before it.
    """
    square = 0.0
    for i in range(gains.size - 1, 0, -1):
        square += gains[i]  # from here motion could still come to rest
        if nodes[i] <= square:
            return i
    return 0


@compiled_part
def backward_pass(n: int, gains: Reals, nodes: Reals) -> None:
    """Lower squared node ceilings (n + 1) to v_i² <= v_i+1² + 2 a_i L_i; `gains` (n) holds 2 a L (all mm²/s²).

    Four moves at a time: what the ceilings of the four allow is worked out before the speed behind them is known,
    so that only one addition and one minimum in four moves have to wait for it.
    """
    reached = nodes[n]
    fours = (n - 1) // 4
    for group in range(fours):
        i = n - 4 - 4 * group
        a, b, c, d = nodes[i], nodes[i + 1], nodes[i + 2], nodes[i + 3]
        gain_a, gain_b, gain_c, gain_d = gains[i], gains[i + 1], gains[i + 2], gains[i + 3]
        c = min(c, d + gain_c)
        gain_c += gain_d
        b = min(b, c + gain_b)
        gain_b += gain_c
        a = min(a, b + gain_a)
        gain_a += gain_b
        nodes[i + 3] = min(d, reached + gain_d)
        nodes[i + 2] = min(c, reached + gain_c)
        nodes[i + 1] = min(b, reached + gain_b)
        reached = min(a, reached + gain_a)
        nodes[i] = reached
    for i in range(n - 1 - 4 * fours, 0, -1):
        reached = min(nodes[i], reached + gains[i])
        nodes[i] = reached


@compiled_part
def forward_pass(n: int, gains: Reals, square: float, nodes: Reals) -> float:
    """Lower squared node ceilings (n + 1) to v_i+1² <= v_i² + 2 a_i L_i, beginning with `square`; return the last one.

    All in mm²/s²; four moves at a time, as in the backward pass.
    """
    nodes[0] = square
    fours = n // 4
    for group in range(fours):
        i = 4 * group
        a, b, c, d = nodes[i + 1], nodes[i + 2], nodes[i + 3], nodes[i + 4]
        gain_a, gain_b, gain_c, gain_d = gains[i], gains[i + 1], gains[i + 2], gains[i + 3]
        b = min(b, a + gain_b)
        gain_b += gain_a
        c = min(c, b + gain_c)
        gain_c += gain_b
        d = min(d, c + gain_d)
        gain_d += gain_c
        nodes[i + 1] = min(a, square + gain_a)
        nodes[i + 2] = min(b, square + gain_b)
        nodes[i + 3] = min(c, square + gain_c)
        square = min(d, square + gain_d)
        nodes[i + 4] = square
    for i in range(4 * fours, n):
        square = min(nodes[i + 1], square + gains[i])
        nodes[i + 1] = square
    return square
