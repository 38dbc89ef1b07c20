"""Small looks at the bytes of a line: where it ends, comments, checksums, exponents."""

from __future__ import annotations

from typing import Any

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
def strict_line_error(state: at.State, length: int, percent: bool, empty: bool, is_text: bool, error: int) -> int:
    """What the standard has against a line as a whole: its length, its percent, or `error` where it is no words."""
    if length > LONGEST_LINE:
        return at.ERROR_LINE_LENGTH
    if percent and is_text:
        return at.ERROR_PERCENT
    if is_text:
        return error
    if percent:
        if state.opened == at.OPENED_WITHOUT:
            return at.ERROR_PERCENT
        state.percents += 1
        state.opened = at.OPENED_BY_PERCENT
    elif state.opened == at.NOT_OPENED and not empty:
        state.opened = at.OPENED_WITHOUT
    return at.ERROR_NONE


@compiled_part
def breaks_a_number(c: int) -> bool:
    """Whether a character where a word should begin belongs to a damaged number or checksum, not to text."""
    return 48 <= c <= 57 or c == ch.POINT or c == ch.MINUS or c == ch.PLUS or c == ch.STAR


@compiled_part
def is_letter(c: int) -> bool:
    """Whether a byte is one of A to Z, small or not."""
    return 97 <= (c | 32) <= 122


@compiled_part
def first_of_line(source: Any, i: int, end: int) -> int:
    """Index of the first byte of a line that is no blank, stroke or comment."""
    while i < end:
        c = byte_at(source, i)
        if c == ch.OPEN:
            i = after_comment(source, i, end)
        elif c == ch.BLANK or c == ch.TAB or c == ch.SLASH:
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
    after = byte_at(source, i + 1) if i + 1 < end else ch.LINE_FEED
    if is_letter(c):
        return not is_letter(after)
    return 48 <= c <= 57 or (breaks_a_number(c) and 48 <= after <= 57)


@compiled_part
def ends_first_word(c: int) -> bool:
    """Whether a character ends the word by which a line of text is counted: so does a digit, `part2` is `part`."""
    return (
        c <= ch.BLANK
        or 48 <= c <= 62  # digits : ; < = >
        or c == ch.OPEN
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
        if i > begin and (ends_first_word(c) if not is_code else not (48 <= c <= 57 or c == ch.POINT)):
            break
        if c == ch.LINE_FEED or c == ch.RETURN:
            break
        hashed = ((hashed ^ (c & 0xDF if is_letter(c) else c)) * 16777619) & at.TEXT_HASH
        i += 1
    # ---- the rest of the line: is there a number in it?
    letters, digits = 0, 0  # of the word so far; letters from 2 on make it none
    found = 0
    while True:
        c = byte_at(source, i) if i < end else ch.LINE_FEED
        if c == ch.LINE_FEED or c == ch.RETURN or c == ch.SEMICOLON or c == ch.OPEN:
            break
        i += 1
        if c == ch.BLANK or c == ch.TAB or c == 44 or c == 61 or c == 58:  # , = :
            found |= digits > 0 and letters < 2
            letters, digits = 0, 0
        elif 48 <= c <= 57:
            digits += 1
        elif is_letter(c):
            letters += 1 if digits == 0 else 2
        elif c != ch.POINT and c != ch.MINUS and c != ch.PLUS and c != ch.PERCENT:
            letters += 2
    found |= digits > 0 and letters < 2
    return at.TEXT_KEY | (hashed << 1) | (1 if found else 0)


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
