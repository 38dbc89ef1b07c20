"""The text of a line: characters and letters, where it ends, comments, checksums, numbers."""

from __future__ import annotations

from typing import Any

import numpy as np

from kinematics.compiled import byte_at, compiled_part, trailing_zeros
from kinematics.gcode import state as codes

# Characters that mean something in a line of G-code, as bytes.
TAB, LINE_FEED, RETURN, BLANK, PERCENT, OPENING, CLOSING, STAR, PLUS, MINUS, POINT, SLASH, SEMICOLON = (
    b"\t\n\r %()*+-./;"
)

# Word letters as slots and bits, A = 0, and sets of them.
E, F, G, I, J, K, M, N, P, R, S, T, W, X, Y, Z = 4, 5, 6, 8, 9, 10, 12, 13, 15, 17, 18, 19, 22, 23, 24, 25
AXIS_LETTERS = (1 << X) | (1 << Y) | (1 << Z)
XYZE = AXIS_LETTERS | (1 << E)
COMMAND_LETTERS = (1 << G) | (1 << M) | (1 << T)
MOTION_WORDS = XYZE | (1 << I) | (1 << J) | (1 << K) | (1 << R) | (1 << F)
ARC_WORDS = MOTION_WORDS & ~(1 << F)
# Axes that no printer here has, or its extruder on another letter: A, B, C, U, V, W.
OTHER_AXES = 0b111 | (1 << 20) | (1 << 21) | (1 << W)
# Letters that the standard lacks (O, U, V, W; NISTIR 6556, Table 3) and axes that no printer here has (A, B, C).
NO_LETTERS = (1 << 14) | (1 << 20) | (1 << 21) | (1 << 22) | 0b111

LONGEST_LINE = 256  # characters, NISTIR 6556, 3.3


@compiled_part
def end_of_line(source: Any, i: int, end: int) -> int:
    """Index of the line feed, carriage return or end that closes the line."""
    while i < end:
        c = byte_at(source, i)
        if c == LINE_FEED or c == RETURN:
            break
        i += 1
    return i


@compiled_part
def after_line_end(source: Any, i: int, end: int) -> int:
    """Index after the line feed, the carriage return or both of them at `i`."""
    if byte_at(source, i) == RETURN and i + 1 < end and byte_at(source, i + 1) == LINE_FEED:
        return i + 2
    return i + 1


@compiled_part
def after_digits(source: Any, i: int, end: int) -> int:
    """Index of the first byte that is no digit."""
    while i < end and 48 <= byte_at(source, i) <= 57:
        i += 1
    return i


@compiled_part
def after_comment(source: Any, i: int, end: int) -> int:
    """Index after the comment that opens at `i`; the end of the line where it is not closed."""
    while i < end:
        c = byte_at(source, i)
        if c == LINE_FEED or c == RETURN:
            break
        i += 1
        if c == CLOSING:
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
def strict_line_error(state: codes.State, length: int, percent: bool, empty: bool, is_text: bool, error: int) -> int:
    """What the standard has against a line as a whole: its length, its percent, or `error` where it is no words."""
    if length > LONGEST_LINE:
        return codes.ERROR_LINE_LENGTH
    if is_text:
        return codes.ERROR_PERCENT if percent else error
    if percent:
        if state.opened == codes.OPENED_WITHOUT:
            return codes.ERROR_PERCENT
        state.percents += 1
        state.opened = codes.OPENED_BY_PERCENT
    elif state.opened == codes.NOT_OPENED and not empty:
        state.opened = codes.OPENED_WITHOUT
    return codes.ERROR_NONE


@compiled_part
def breaks_a_number(c: int) -> bool:
    """Whether a character where a word should begin belongs to a damaged number or checksum, not to text."""
    return 48 <= c <= 57 or c == POINT or c == MINUS or c == PLUS or c == STAR


@compiled_part
def is_letter(c: int) -> bool:
    """Whether a byte is one of A to Z, small or not."""
    return 97 <= (c | 32) <= 122


@compiled_part
def first_of_line(source: Any, i: int, end: int) -> int:
    """Index of the first byte of a line that is no blank, stroke or comment."""
    while i < end:
        c = byte_at(source, i)
        if c == OPENING:
            i = after_comment(source, i, end)
        elif c == BLANK or c == TAB or c == SLASH:
            i += 1
        else:
            break
    return i


@compiled_part
def begins_as_words(source: Any, i: int, end: int) -> bool:
    """Whether a line begins as G-code does: one letter alone, or a number that has lost its letter."""
    i = first_of_line(source, i, end)
    if i >= end:
        return False
    c = byte_at(source, i)
    after = byte_at(source, i + 1) if i + 1 < end else LINE_FEED
    if is_letter(c):
        return not is_letter(after)
    return 48 <= c <= 57 or (breaks_a_number(c) and 48 <= after <= 57)


@compiled_part
def ends_first_word(c: int) -> bool:
    """Whether a character ends the word by which a line of text is counted: so does a digit, `part2` is `part`."""
    return (
        c <= BLANK
        or 48 <= c <= 62  # digits : ; < = >
        or c == OPENING
        or c == 34  # "
        or c == 39  # '
        or c == 44  # ,
        or c == 91  # [
        or c == 123  # {
    )


@compiled_part
def text_key(source: Any, i: int, end: int) -> int:
    """The key under which a line of text is counted: its first word, and whether any word after it is a number.

    A single letter with a number is counted by its letter, a G or M word by letter and number. Letters are taken as
    capitals. As a number counts what is one from blank to blank, with a letter or `name=` before it or not.
    """
    i = first_of_line(source, i, end)
    hashed = 0
    begin = i
    is_code = i + 1 < end and ((byte_at(source, i) | 32) == 103 or (byte_at(source, i) | 32) == 109)
    is_code = is_code and 48 <= byte_at(source, i + 1) <= 57
    while i < end:
        c = byte_at(source, i)
        if i > begin and (ends_first_word(c) if not is_code else not (48 <= c <= 57 or c == POINT)):
            break
        if c == LINE_FEED or c == RETURN:
            break
        hashed = ((hashed ^ (c & 0xDF if is_letter(c) else c)) * 16777619) & codes.TEXT_HASH
        i += 1
    # ---- the rest of the line: is there a number in it?
    letters, digits = 0, 0  # of the word so far; letters from 2 on make it none
    found = 0
    while True:
        c = byte_at(source, i) if i < end else LINE_FEED
        if c == LINE_FEED or c == RETURN or c == SEMICOLON or c == OPENING:
            break
        i += 1
        if c == BLANK or c == TAB or c == 44 or c == 61 or c == 58:  # , = :
            found |= digits > 0 and letters < 2
            letters, digits = 0, 0
        elif 48 <= c <= 57:
            digits += 1
        elif is_letter(c):
            letters += 1 if digits == 0 else 2
        elif c != POINT and c != MINUS and c != PLUS and c != PERCENT:
            letters += 2
    found |= digits > 0 and letters < 2
    return codes.TEXT_KEY | (hashed << 1) | (1 if found else 0)


@compiled_part
def fits_checksum(source: Any, begin: int, star: int, end: int) -> bool:
    """Whether the number after `*` is the exclusive or of the bytes before it (common practice, no source)."""
    total = 0
    for i in range(begin, star):
        total ^= byte_at(source, i)
    told = 0
    for i in range(star + 1, after_digits(source, star + 1, end)):
        told = min(told * 10 + byte_at(source, i) - 48, 1000)
    return total == told


@compiled_part
def after_checksum(source: Any, i: int, end: int) -> bool:
    """Whether digits, and nothing else but blanks and a comment, follow from `i` to the end of the line."""
    begin, i = i, after_digits(source, i, end)
    if i == begin:
        return False
    while i < end and (byte_at(source, i) == BLANK or byte_at(source, i) == TAB):
        i += 1
    return i == end or byte_at(source, i) == SEMICOLON or byte_at(source, i) == OPENING


@compiled_part
def is_exponent(source: Any, i: int, end: int) -> bool:
    """Whether the e at `i`, right after a digit, begins an exponent: a sign, two digits or more, then no point."""
    if i + 3 >= end or (byte_at(source, i + 1) != PLUS and byte_at(source, i + 1) != MINUS):
        return False
    k = after_digits(source, i + 2, end)
    return k - i >= 4 and (k == end or byte_at(source, k) != POINT)


POWERS_OF_TEN = np.array([10.0**k for k in range(23)])  # all exact
MOST_DIGITS = 19  # what an unsigned 64-bit integer holds; later digits change less than a part in 1e18


ASCII_ZEROS = np.uint64(0x3030303030303030)
ABOVE_NINE = np.uint64(0x7676767676767676)  # added to a digit's value it sets the byte's top bit from ten on
TOP_BITS = np.uint64(0x8080808080808080)
EIGHT = np.uint64(8)
POINTS = np.uint64(0x1E1E1E1E1E1E1E1E)  # points after the exclusive or with ASCII_ZEROS
ONES = np.uint64(0x0101010101010101)
BELOW_POINT = np.uint64(0x2E2E2E2E2E2E2E2E)  # taken from a byte below the point it borrows
ABOVE_DIGITS = np.uint64(0x4646464646464646)  # added to a byte above the digits it sets the byte's top bit
SEVEN = np.uint64(7)


@compiled_part
def short_field(eight: np.uint64) -> tuple[int, int, int]:
    """The unsigned number at the start of eight bytes, which ends at the first byte that is no digit, point or slash.

    Returns its length in bytes (8: it may go on), its decimals (−1: no number), and the integer that its digits make.
    All bytes are looked at together: a loop over them would mispredict the end of nearly every number. The length, for
    which the next word waits, hangs on as few steps as can be.
    """
    end = (((eight - BELOW_POINT) & ~eight) | (eight + ABOVE_DIGITS) | eight) & TOP_BITS
    end &= ~end + np.uint64(1)
    length = trailing_zeros(end) >> 3
    value = eight ^ ASCII_ZEROS  # a digit becomes its value, and nothing else becomes less than ten
    point = value ^ POINTS
    point = (point - ONES) & ~point & TOP_BITS
    point &= ~point + np.uint64(1)
    point = point if point < end else np.uint64(0)
    low = (point >> SEVEN) - np.uint64(1)  # all bytes where there is no point
    value = (value & low) | ((value >> EIGHT) & ~low)
    digits = length - (1 if point != np.uint64(0) else 0)
    value = value << ((np.uint64(64) - EIGHT * np.uint64(digits)) & np.uint64(63))
    if digits == 0 or (((value + ABOVE_NINE) | value) & TOP_BITS) != np.uint64(0):
        return length, -1, 0
    decimals = digits - (trailing_zeros(point) >> 3) if point != np.uint64(0) else 0
    # Pairs, quadruples and the whole are joined by one multiplication each (common practice, no source).
    value = (value * np.uint64(10) + (value >> EIGHT)) & np.uint64(0x00FF00FF00FF00FF)
    value = (value * np.uint64(100) + (value >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    value = (value * np.uint64(10000) + (value >> np.uint64(32))) & np.uint64(0xFFFFFFFF)
    return length, decimals, int(np.int64(value))


@compiled_part
def number_at(source: Any, i: int, blanks: bool) -> tuple[int, int, int, int]:
    """The unsigned number at `i`, byte by byte: where it ends, its digits, how many of them stand before the point (−1:
    it has none), and the integer that they make, if they are few. `blanks` may stand inside it.
    """
    mantissa, digits, point = int(np.int64(0)), 0, -1
    while True:
        c = byte_at(source, i)
        if 48 <= c <= 57:
            mantissa = mantissa * 10 + c - 48
            digits += 1
        elif c == POINT and point < 0:
            point = digits
        elif not (blanks and (c == BLANK or c == TAB)):
            return i, digits, point, mantissa
        i += 1


@compiled_part
def long_number(source: Any, begin: int, end: int) -> float:
    """The magnitude of the number from `begin` to `end`, whose digits may be many; a sign and blanks are passed over.

    The first 19 significant digits are taken as an integer w and w/10^k is rounded from a quotient with about 105 bits
    (T. J. Dekker, A floating-point technique for extending the available precision, Numer. Math. 18, 1971).
    """
    mantissa = np.uint64(0)
    taken = 0
    exponent = 0
    point = False
    for i in range(begin, end):
        c = byte_at(source, i)
        if c == 46:
            point = True
        elif 48 <= c <= 57:
            if taken < MOST_DIGITS:
                mantissa = mantissa * np.uint64(10) + np.uint64(c - 48)
                if mantissa > np.uint64(0):
                    taken += 1
                if point:
                    exponent += 1
            elif not point:
                exponent -= 1
    if mantissa == np.uint64(0):
        return 0.0
    high = float(mantissa >> np.uint64(11)) * 2048.0
    low = float(mantissa & np.uint64(2047))
    # Make (high, low) a normalised pair.
    total = high + low
    low = low - (total - high)
    high = total
    if exponent <= 0:
        while exponent < 0 and high < 1e300:
            step = min(-exponent, 15)
            high = high * POWERS_OF_TEN[step]
            exponent += step
        return high + low
    while exponent > 22:
        # So many leading zeros after the point that the rounding of this division no longer matters to a path.
        high = high / POWERS_OF_TEN[22]
        low = low / POWERS_OF_TEN[22]
        exponent -= 22
    power = POWERS_OF_TEN[exponent]
    quotient = high / power
    # remainder = high - quotient * power, exactly, by Dekker's product
    split = 134217729.0
    a = quotient * split
    a_high = a - (a - quotient)
    a_low = quotient - a_high
    b = power * split
    b_high = b - (b - power)
    b_low = power - b_high
    product = quotient * power
    error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low
    return float(quotient + (((high - product) - error) + low) / power)
