"""Comments of a job file, and on which line a byte of it stands."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

AFTER_SEMICOLON = rb";([^\r\n]*)"
IN_BRACKETS = rb"\(([^)\r\n]*)"


def comments_of(content: bytes | memoryview, semicolon_comments: bool) -> Iterator[re.Match[bytes]]:
    """Every comment, group 1 its text: those after `;` and those in ( ), each kind in file order.

    What stands in a comment or a message is not looked at: a `;` inside ( ) begins a comment here as well.
    """
    if semicolon_comments:
        yield from re.finditer(AFTER_SEMICOLON, content)
    yield from re.finditer(IN_BRACKETS, content)


def lines_at(content: bytes | memoryview, offsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """The line (from 1) of each byte offset (int64[m], ascending); lines end at LF, CRLF or CR."""
    raw = np.frombuffer(content, np.uint8)
    feeds = raw == 10
    returns = raw == 13
    if returns.any():
        ends = feeds.copy()
        ends[:-1] |= returns[:-1] & ~feeds[1:]  # of CRLF the line feed is the end
        ends[-1:] |= returns[-1:]
        feeds = ends
    return np.searchsorted(np.flatnonzero(feeds), offsets, side="left").astype(np.int64) + 1
