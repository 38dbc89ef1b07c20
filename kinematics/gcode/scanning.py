"""Small looks at the bytes of a line: where it ends, comments, checksums, exponents."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import byte_at, compiled_part
from kinematics.gcode import characters as ch
from kinematics.gcode import state as at

LONGEST_LINE = 256  # characters, NISTIR 6556, 3.3


@compiled_part
def end_of_line(source: Any, i: int, end: int) -> int:
    """Index of the line feed, carriage return or end that closes the line."""
    while i < end:
        c = byte_at(source, i)
        if c == ch.LINE_FEED or c == ch.RETURN:
            break
        i += 1
    return i


@compiled_part
def after_comment(source: Any, i: int, end: int) -> int:
    """Index after the comment that opens at `i`; the end of the line where it is not closed."""
    while i < end:
        c = byte_at(source, i)
        if c == ch.LINE_FEED or c == ch.RETURN:
            break
        i += 1
        if c == ch.CLOSE:
            break
    return i


@compiled_part
def holds(source: Any, begin: int, end: int, sought: int) -> bool:
    """Whether a byte stands between two places."""
    found = False
    for i in range(begin, end):
        found |= byte_at(source, i) == sought
    return found


@compiled_part
def strict_line_error(
    whole: NDArray[np.int64], length: int, percent: bool, empty: bool, is_text: bool, error: int
) -> int:
    """What the standard has against a line as a whole: its length, its percent, or `error` where it is no words."""
    if length > LONGEST_LINE:
        return at.ERROR_LINE_LENGTH
    if percent and is_text:
        return at.ERROR_PERCENT
    if is_text:
        return error
    if percent:
        if whole[at.OPENED] == at.OPENED_WITHOUT:
            return at.ERROR_PERCENT
        whole[at.PERCENTS] += 1
        whole[at.OPENED] = at.OPENED_BY_PERCENT
    elif whole[at.OPENED] == at.NOT_OPENED and not empty:
        whole[at.OPENED] = at.OPENED_WITHOUT
    return at.ERROR_NONE


@compiled_part
def fits_checksum(source: Any, begin: int, star: int, end: int) -> bool:
    """Whether the number after `*` is the exclusive or of the bytes before it (common practice, no source)."""
    total = 0
    for i in range(begin, star):
        total ^= byte_at(source, i)
    told = 0
    for i in range(star + 1, end):
        c = byte_at(source, i)
        if c < 48 or c > 57:
            break
        told = min(told * 10 + c - 48, 1000)
    return total == told


@compiled_part
def after_checksum(source: Any, i: int, end: int) -> bool:
    """Whether digits, and nothing else but blanks and a comment, follow from `i` to the end of the line."""
    if i >= end or byte_at(source, i) < 48 or byte_at(source, i) > 57:
        return False
    while i < end and byte_at(source, i) >= 48 and byte_at(source, i) <= 57:
        i += 1
    while i < end and (byte_at(source, i) == ch.BLANK or byte_at(source, i) == ch.TAB):
        i += 1
    return i == end or byte_at(source, i) == ch.SEMICOLON or byte_at(source, i) == ch.OPEN


@compiled_part
def is_exponent(source: Any, i: int, end: int) -> bool:
    """Whether the e at `i`, right after a digit, begins an exponent: a sign, two digits or more, then no point."""
    if i + 3 >= end:
        return False
    c = byte_at(source, i + 1)
    if c != ch.PLUS and c != ch.MINUS:
        return False
    k = i + 2
    while k < end and byte_at(source, k) >= 48 and byte_at(source, k) <= 57:
        k += 1
    return k - i >= 4 and (k == end or byte_at(source, k) != ch.POINT)
