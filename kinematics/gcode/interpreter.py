"""The compiled reader: bytes of a job file to moves and events, line by line.

One line goes through three steps: its words are collected (letter, number), they are given to the commands of the line
(`commands_of_line`), and the commands act in order. Nearly every line is one straight move, so that way is short.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import byte_at, compiled
from kinematics.gcode import dialects as words
from kinematics.gcode import state as at
from kinematics.gcode.commands import act, fail, note
from kinematics.gcode.motion import go_home, move
from kinematics.gcode.numbers import POWERS_OF_TEN, long_number
from kinematics.gcode.scanning import (
    BLANK,
    CLOSE,
    LINE_FEED,
    MINUS,
    OPEN,
    PERCENT,
    PLUS,
    POINT,
    RETURN,
    SEMICOLON,
    SLASH,
    STAR,
    TAB,
    after_checksum,
    after_comment,
    end_of_line,
    fits_checksum,
    is_exponent,
)
from kinematics.gcode.sequence import commands_of_line, strict_commands

RESERVE = 65_536  # room that a line may need at most, in moves and in events
MOST_WORDS = 128
TOO_LARGE = 1e9

# Letters as bits and slots, A = 0.
E, F, G, I, J, K, M, N, R, T, X, Y, Z = 4, 5, 6, 8, 9, 10, 12, 13, 17, 19, 23, 24, 25
XYZE = (1 << X) | (1 << Y) | (1 << Z) | (1 << E)
COMMANDS = (1 << G) | (1 << M) | (1 << T)
MOTION_WORDS = XYZE | (1 << I) | (1 << J) | (1 << K) | (1 << R) | (1 << F)
NOT_A_CODE = 0  # code that stands for "too large to be one"


@compiled
def read_lines(
    source: Any,
    begin: int,
    end: int,
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    meanings: NDArray[np.int64],
    notes: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    events: NDArray[np.float64],
) -> int:
    """Read whole lines from `begin` to `end` of `source`; return where reading stopped.

    `source` is an address (int64) or a uint8 array with some zero bytes after `end`; `real`, `whole`, `notes`, `path`,
    `tags`, `events` as in `state`; `meanings` (int64[2, 10000]) of G and of M codes. Reading stops early when room runs
    short (STATUS_GROW) or at an error (STATUS_ERROR).
    """
    letters = np.empty(MOST_WORDS, dtype=np.int64)
    values = np.empty(MOST_WORDS)
    owners = np.empty(MOST_WORDS, dtype=np.int64)
    command_meaning = np.empty(MOST_WORDS, dtype=np.int64)
    command_word = np.empty(MOST_WORDS, dtype=np.int64)
    slots = np.zeros(26)
    most_moves = path.shape[1] - RESERVE
    most_events = events.shape[0] - RESERVE
    strict = whole[at.STRICT] != 0
    g_meanings = meanings[0]
    m_meanings = meanings[1]
    whole[at.STATUS] = at.STATUS_DONE
    i = begin
    while i < end:
        if whole[at.MOVES] > most_moves or whole[at.EVENTS] > most_events:
            whole[at.STATUS] = at.STATUS_GROW
            return i
        line_begin = i
        whole[at.LINE_NUMBER] += 1
        whole[at.OFFSET] = i
        # ---- collect the words of the line
        count = 0
        mask = int(np.int64(0))  # letters with a number; a plain 0 would compile callees for it too
        bare = int(np.int64(0))  # letters without one
        repeated = False
        is_text = False
        too_large = False
        begun = False  # a block delete mark or a percent sign may only come first
        while True:
            c = byte_at(source, i) if i < end else LINE_FEED
            if c == BLANK or c == TAB:
                i += 1
                continue
            letter = (c | 32) - 97
            if 0 <= letter < 26:
                begun = True
                i += 1
                c = byte_at(source, i)
                while c == BLANK or c == TAB or c == OPEN:
                    i = after_comment(source, i, end) if c == OPEN else i + 1
                    c = byte_at(source, i)
                # -- a number: integer accumulation, divided once by a power of ten, is exact to 15 digits
                begin_number = i
                negative = c == MINUS
                if negative or c == PLUS:
                    i += 1
                    c = byte_at(source, i)
                mantissa = 0
                digits = 0
                point = -1
                while True:
                    digit = c - 48
                    if 0 <= digit < 10:
                        mantissa = mantissa * 10 + digit
                        digits += 1
                    elif c == POINT and point < 0:
                        point = digits
                    elif not (strict and (c == BLANK or c == TAB)):
                        break
                    i += 1
                    c = byte_at(source, i)
                bit = 1 << letter
                if count == MOST_WORDS:
                    is_text = True
                    break
                if digits == 0:
                    if i != begin_number:
                        is_text = True
                        break
                    bare |= bit
                    letters[count] = -1 - letter
                    count += 1
                    continue
                if c == POINT:  # a second point
                    is_text = True
                    break
                if (c | 32) == 101 and byte_at(source, i - 1) != POINT and i < end and is_exponent(source, i, end):
                    is_text = True
                    break
                decimals = digits - point if point >= 0 else 0
                if digits <= 18 and mantissa < 9007199254740992:
                    value = mantissa / POWERS_OF_TEN[decimals]
                else:
                    value = long_number(source, begin_number, i)
                if negative:
                    value = -value
                if letter == N:
                    continue
                letters[count] = letter
                values[count] = value
                count += 1
                if bit & COMMANDS:
                    mask |= bit
                    if letter == M and abs(value) < 999.0 and m_meanings[round(abs(value) * 10)] == words.MESSAGE:
                        i = end_of_line(source, i, end)
                        break
                else:
                    if mask & bit:
                        repeated = True
                    too_large |= abs(value) >= TOO_LARGE
                mask |= bit
                slots[letter] = value
            elif c == LINE_FEED or c == RETURN:
                break
            elif c == SEMICOLON and not strict:
                i = end_of_line(source, i, end)
            elif c == OPEN:
                i = after_comment(source, i, end)
                if strict and byte_at(source, i - 1) != CLOSE:
                    is_text = True
                    break
            elif c == STAR and not strict:
                stop = end_of_line(source, i, end)
                if not after_checksum(source, i + 1, stop):
                    is_text = True
                    break
                if not fits_checksum(source, line_begin, i, stop):
                    note(notes, at.NOTE_CHECKSUM, whole)
                i = stop
            elif c == SLASH and not begun:
                i += 1
            elif c == PERCENT and not begun:
                whole[at.PERCENTS] += 1
                i += 1
            else:
                is_text = True
                break
        if is_text:
            i = end_of_line(source, i, end)
        # ---- step over the end of the line
        if i < end:
            c = byte_at(source, i)
            i += 1
            if c == RETURN and i < end and byte_at(source, i) == LINE_FEED:
                i += 1
        if strict and whole[at.PERCENTS] >= 2:
            whole[at.ENDED] = 1
            return end
        if is_text:
            if strict:
                fail(whole, at.ERROR_TEXT)
                return i
            note(notes, at.NOTE_TEXT, whole)
            continue
        if count == 0:
            continue
        # ---- nearly every line: one motion with its words
        simple = False
        if bare == 0 and not repeated and not too_large:
            first = letters[0]
            if mask & COMMANDS == 0:
                simple = mask & MOTION_WORDS != 0 and (not strict or mask & XYZE != 0)
                motion = whole[at.MOTION]
            elif first == G and mask & ((1 << M) | (1 << T)) == 0:
                motion = round(values[0] * 10) // 10
                simple = 0 <= motion <= 3 and round(values[0] * 10) == motion * 10 and motion == g_meanings[motion * 10]
                for k in range(1, count):
                    simple = simple and letters[k] != G
        if simple:
            move(real, whole, path, tags, notes, motion, mask, slots)
            if whole[at.STATUS] != at.STATUS_DONE:
                return i
            continue
        # ---- the rest: several commands, modes, waits, bare letters
        if strict:
            commands = strict_commands(
                letters, values, count, owners, command_meaning, command_word, g_meanings, m_meanings, whole[at.MOTION]
            )
            if commands < 0:
                fail(whole, -commands)
                return i
            if mask & (1 << F):
                for k in range(commands):
                    if command_meaning[k] == words.INCH or command_meaning[k] == words.MILLIMETRE:
                        note(notes, at.NOTE_FEED_WITH_UNITS, whole)
        else:
            commands = commands_of_line(
                letters, values, count, owners, command_meaning, command_word, g_meanings, m_meanings, whole[at.MOTION]
            )
            if commands <= 0:
                kind = at.NOTE_TEXT if commands == 0 else at.NOTE_DAMAGED
                note(notes, kind, whole)
                continue
        for command in range(commands):
            meaning = command_meaning[command]
            mask = int(np.int64(0))
            repeated = False
            too_large = False
            claims_bare = meaning == words.HOME or meaning == words.RENAME
            for k in range(count):
                if owners[k] == command:
                    letter = letters[k]
                    if letter < 0:
                        if not claims_bare:
                            continue
                        letter = -1 - letter
                        slots[letter] = 0.0
                    else:
                        slots[letter] = values[k]
                        too_large |= abs(values[k]) >= TOO_LARGE
                    repeated |= mask & (1 << letter) != 0
                    mask |= 1 << letter
            if repeated:
                note(notes, at.NOTE_REPEATED_WORD, whole)
            if meaning < words.PLAIN:
                if too_large and mask & MOTION_WORDS:
                    fail(whole, at.ERROR_TOO_LARGE)
                    return i
                move(real, whole, path, tags, notes, meaning, mask, slots)
            elif meaning == words.UNKNOWN:
                word = command_word[command]
                code = round(abs(values[word]) * 10) if abs(values[word]) < 999.0 else NOT_A_CODE
                note(notes, (at.NOTE_G if letters[word] == G else at.NOTE_M) + code, whole)
            elif strict and meaning == words.HOME:
                go_home(real, whole, path, tags, mask, slots)
            else:
                if too_large and meaning == words.RENAME:
                    fail(whole, at.ERROR_TOO_LARGE)
                    return i
                word = command_word[command]
                act(real, whole, meaning, values[word], mask, slots, events, notes)
            if whole[at.STATUS] != at.STATUS_DONE:
                return i
        if strict and whole[at.ENDED]:
            return end
    return i
