"""Numbers with more digits than one exact division takes."""

from __future__ import annotations

from typing import Any

import numpy as np

from kinematics.compiled import byte_at, compiled_part

POWERS_OF_TEN = np.array([10.0**k for k in range(23)])  # all exact
MOST_DIGITS = 19  # what an unsigned 64-bit integer holds; later digits change less than a part in 1e18


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
