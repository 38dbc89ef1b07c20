"""Numbers with more digits than one exact division takes."""

from __future__ import annotations

from typing import Any

import numpy as np

from kinematics.compiled import byte_at, compiled_part, trailing_zeros

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
