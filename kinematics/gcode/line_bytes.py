"""How many bytes of a file stand for each of its moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LINE_FEED, RETURN = 10, 13


def bytes_of_moves(content: bytes, lines_of_moves: NDArray[np.int32]) -> NDArray[np.float64]:
    """Bytes of each move's line (float64[n]), shared evenly by the moves of one line, its end counted.

    `lines_of_moves` int32[n], from 1. Lines of comments between moves do not count: a sender leaves them out (common
    practice, no source).
    """
    letters = np.frombuffer(content, np.uint8)
    following = np.append(letters[1:], 0)
    ends = np.flatnonzero((letters == LINE_FEED) | ((letters == RETURN) & (following != LINE_FEED)))
    lengths = np.diff(ends, prepend=-1, append=letters.size)
    moves = np.bincount(lines_of_moves, minlength=lengths.size + 1)
    return np.asarray(lengths[lines_of_moves - 1] / moves[lines_of_moves], np.float64)
