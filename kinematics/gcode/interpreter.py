"""The compiled reader: bytes of a job file to moves and events, line by line.

One line goes through three steps: its words are collected (letter, number), they are given to the commands of the line
(`commands_of_line`), and the commands act in order. Nearly every line is one straight move, so that way is short.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import byte_at, compiled, compiled_part
from kinematics.gcode import dialects as words
from kinematics.gcode import state as at
from kinematics.gcode.arcs import ARC_GOOD, ARC_NO_RADIUS, ARC_OFF_CIRCLE, ARC_TOO_FAR
from kinematics.gcode.arcs import RADII_AGREE, RADII_AGREE_INCH, REACH_SLACK, arc_from_centre, arc_from_radius, chord_count
from kinematics.gcode.commands import act, fail, note, set_feed
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.gcode.numbers import POWERS_OF_TEN, long_number
from kinematics.gcode.sequence import commands_of_line, strict_commands

RESERVE = 65_536  # room that a line may need at most, in moves and in events
MOST_CHORDS = 60_000
MOST_WORDS = 128
TOO_LARGE = 1e9
NOTHING = 1e-9  # mm: lengths below count as zero

# Letters as bits and slots, A = 0.
E, F, G, I, J, K, M, N, R, T, X, Y, Z = 4, 5, 6, 8, 9, 10, 12, 13, 17, 19, 23, 24, 25
XYZE = (1 << X) | (1 << Y) | (1 << Z) | (1 << E)
OFFSETS = (1 << I) | (1 << J) | (1 << K)
COMMANDS = (1 << G) | (1 << M) | (1 << T)
MOTION_WORDS = XYZE | OFFSETS | (1 << R) | (1 << F)

TAB, LINE_FEED, RETURN, BLANK, PERCENT, OPEN, CLOSE, STAR, PLUS, MINUS, POINT, SLASH, NINE, SEMICOLON = (
    b"\t\n\r %()*+-./9;"
)
NOT_A_CODE = 0  # code that stands for "too large to be one"


@compiled_part
def extend(real: NDArray[np.float64], x: float, y: float, z: float) -> None:
    """Take a printed place into the extent of the part."""
    real[at.LOW_X] = min(real[at.LOW_X], x)
    real[at.LOW_Y] = min(real[at.LOW_Y], y)
    real[at.LOW_Z] = min(real[at.LOW_Z], z)
    real[at.HIGH_X] = max(real[at.HIGH_X], x)
    real[at.HIGH_Y] = max(real[at.HIGH_Y], y)
    real[at.HIGH_Z] = max(real[at.HIGH_Z], z)


@compiled_part
def add_move(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    target_x: float,
    target_y: float,
    target_z: float,
    de: float,
    speed: float,
) -> None:
    """Go straight to a place (mm, machine's frame) and append the move, unless there is nothing to it."""
    x, y, z = real[at.PLACE_X], real[at.PLACE_Y], real[at.PLACE_Z]
    dx, dy, dz = target_x - x, target_y - y, target_z - z
    real[at.PLACE_X], real[at.PLACE_Y], real[at.PLACE_Z] = target_x, target_y, target_z
    kind = TRAVEL
    if math.sqrt(dx * dx + dy * dy + dz * dz) < NOTHING:
        if abs(de) < NOTHING:
            return
        kind = FILAMENT
        dx = dy = dz = 0.0
    elif de > 0.0:
        kind = PRINT
        extend(real, x, y, z)
        extend(real, target_x, target_y, target_z)
    real[at.FED] += de
    real[at.FED_MOST] = max(real[at.FED_MOST], real[at.FED])
    i = whole[at.MOVES]
    path[at.DX, i] = dx
    path[at.DY, i] = dy
    path[at.DZ, i] = dz
    path[at.DE, i] = de
    path[at.SPEED, i] = speed
    path[at.HEIGHT, i] = target_z
    tags[at.KIND, i] = kind
    tags[at.LINE, i] = whole[at.LINE_NUMBER]
    tags[at.STOP, i] = whole[at.STOP_PENDING]
    whole[at.STOP_PENDING] = 0
    whole[at.MOVES] = i + 1


@compiled_part
def add_arc(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    notes: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    target: NDArray[np.float64],
    de: float,
    speed: float,
    counter: bool,
) -> None:
    """Cut an arc into chords and append them; `target` is the end place (mm, machine's frame)."""
    strict = whole[at.STRICT] != 0
    # Plane axes in right-handed order: (X, Y), (Z, X), (Y, Z); the third is the normal.
    plane = whole[at.PLANE]
    p = 0 if plane == 0 else (2 if plane == 1 else 1)
    q = (p + 1) % 3
    normal = (p + 2) % 3
    start_p, start_q, start_n = real[at.PLACE_X + p], real[at.PLACE_X + q], real[at.PLACE_X + normal]
    dp, dq = target[p] - start_p, target[q] - start_q
    by_centre = mask & ((1 << (I + p)) | (1 << (I + q))) != 0
    by_radius = mask & (1 << R) != 0
    code = ARC_TOO_FAR
    centre_p = centre_q = radius = start = sweep = 0.0
    if strict and (not (by_centre or by_radius) or mask & ((1 << (X + p)) | (1 << (X + q))) == 0):
        fail(whole, at.ERROR_ARC_NO_FORM)
        return
    if by_centre and by_radius:
        if strict:
            fail(whole, at.ERROR_ARC_OVERDETERMINED)
            return
        note(notes, at.NOTE_ARC_OVERDETERMINED, whole)
    if by_centre:
        offset_p = slots[I + p] * real[at.SCALE] if mask & (1 << (I + p)) else 0.0
        offset_q = slots[I + q] * real[at.SCALE] if mask & (1 << (I + q)) else 0.0
        agree = RADII_AGREE_INCH if real[at.SCALE] != 1.0 else RADII_AGREE
        code, centre_p, centre_q, radius, start, sweep = arc_from_centre(dp, dq, offset_p, offset_q, agree, counter)
    elif by_radius:
        slack = 1.0 + 1e-9 if strict else REACH_SLACK
        code, centre_p, centre_q, radius, start, sweep = arc_from_radius(
            dp, dq, slots[R] * real[at.SCALE], counter, slack
        )
    if code != ARC_GOOD and strict:
        if code == ARC_OFF_CIRCLE:
            fail(whole, at.ERROR_ARC_RADII)
        elif code == ARC_TOO_FAR:
            fail(whole, at.ERROR_ARC_TOO_FAR)
        elif code == ARC_NO_RADIUS:
            fail(whole, at.ERROR_ARC_NO_RADIUS)
        else:
            fail(whole, at.ERROR_ARC_FULL_BY_RADIUS)
        return
    if code == ARC_OFF_CIRCLE:
        note(notes, at.NOTE_ARC_RADII, whole)
    elif code != ARC_GOOD:
        note(notes, at.NOTE_ARC_IMPOSSIBLE, whole)
        add_move(real, whole, path, tags, target[0], target[1], target[2], de, speed)
        return
    closed = abs(abs(sweep) - 2.0 * math.pi) < 1e-12
    chords = chord_count(sweep, radius, real[at.ARC_TOLERANCE], closed)
    if chords > MOST_CHORDS or whole[at.MOVES] + chords + 1 > path.shape[1]:
        fail(whole, at.ERROR_TOO_MANY_CHORDS)
        return
    n = int(chords)
    place = np.empty(3)
    for i in range(1, n + 1):
        if i == n:
            place[p], place[q], place[normal] = target[p], target[q], target[normal]
        else:
            angle = start + sweep * i / n
            place[p] = start_p + centre_p + radius * math.cos(angle)
            place[q] = start_q + centre_q + radius * math.sin(angle)
            place[normal] = start_n + (target[normal] - start_n) * i / n
        add_move(real, whole, path, tags, place[0], place[1], place[2], de / n, speed)


@compiled_part
def place_told(
    real: NDArray[np.float64], whole: NDArray[np.int64], mask: int, slots: NDArray[np.float64]
) -> tuple[float, float, float]:
    """The place that the X, Y and Z words name (mm, machine's frame)."""
    scale = real[at.SCALE]
    relative = whole[at.IS_RELATIVE] != 0
    x, y, z = real[at.PLACE_X], real[at.PLACE_Y], real[at.PLACE_Z]
    if mask & (1 << X):
        x = (x if relative else real[at.SHIFT_X]) + slots[X] * scale
    if mask & (1 << Y):
        y = (y if relative else real[at.SHIFT_Y]) + slots[Y] * scale
    if mask & (1 << Z):
        z = (z if relative else real[at.SHIFT_Z]) + slots[Z] * scale
    return x, y, z


@compiled_part
def go_home(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    mask: int,
    slots: NDArray[np.float64],
) -> None:
    """G28 by the standard: a traverse by way of the place told, if one is, to the home place (NISTIR 6556, 3.5.8)."""
    x, y, z = place_told(real, whole, mask, slots)
    add_move(real, whole, path, tags, x, y, z, 0.0, math.inf)
    add_move(real, whole, path, tags, real[at.HOME_X], real[at.HOME_Y], real[at.HOME_Z], 0.0, math.inf)


@compiled_part
def move(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    notes: NDArray[np.int64],
    motion: int,
    mask: int,
    slots: NDArray[np.float64],
) -> None:
    """Carry out G0 to G3 with its words."""
    whole[at.MOTION] = motion
    is_arc = motion >= words.ARC_CLOCKWISE
    if mask & (1 << F):
        set_feed(real, whole, notes, slots[F])
        if whole[at.STATUS] != at.STATUS_DONE:
            return
    if mask & (XYZE | OFFSETS | (1 << R) if is_arc else XYZE) == 0:
        return
    x, y, z = place_told(real, whole, mask, slots)
    de = 0.0
    if mask & (1 << E):
        reading = slots[E] * real[at.SCALE]
        if whole[at.IS_RELATIVE] or whole[at.IS_E_RELATIVE]:
            de = reading
            real[at.E_READING] += reading
        else:
            de = reading - real[at.E_READING]
            real[at.E_READING] = reading
        de *= real[at.FLOW_SHARE]
    speed = math.inf
    if motion != words.RAPID or not whole[at.STRICT]:
        if real[at.FEED] > 0.0:
            speed = real[at.FEED] / 60.0 * real[at.FEED_SHARE]
        else:
            note(notes, at.NOTE_NO_FEED, whole)
    before = whole[at.MOVES]
    if is_arc:
        target = np.empty(3)
        target[0], target[1], target[2] = x, y, z
        add_arc(real, whole, path, tags, notes, mask, slots, target, de, speed, motion == words.ARC_COUNTER)
    else:
        add_move(real, whole, path, tags, x, y, z, de, speed)
    if whole[at.ENDED] and whole[at.MOVES] > before:
        note(notes, at.NOTE_AFTER_END, whole)


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
def after_comment(source: Any, i: int, end: int) -> int:
    """Index after the comment that opens at `i`; the end of the line where it is not closed."""
    while i < end:
        c = byte_at(source, i)
        if c == LINE_FEED or c == RETURN:
            break
        i += 1
        if c == CLOSE:
            break
    return i


@compiled_part
def fits_checksum(source: Any, begin: int, star: int, end: int) -> bool:
    """Whether the number after `*` is the exclusive or of all bytes of the line before it (common practice, no source)."""
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
    while i < end and (byte_at(source, i) == BLANK or byte_at(source, i) == TAB):
        i += 1
    return i == end or byte_at(source, i) == SEMICOLON or byte_at(source, i) == OPEN


@compiled_part
def is_exponent(source: Any, i: int, end: int) -> bool:
    """Whether the e at `i`, right after a digit, begins an exponent: a sign, two or more digits, no point after them."""
    if i + 3 >= end:
        return False
    c = byte_at(source, i + 1)
    if c != PLUS and c != MINUS:
        return False
    k = i + 2
    while k < end and byte_at(source, k) >= 48 and byte_at(source, k) <= 57:
        k += 1
    return k - i >= 4 and (k == end or byte_at(source, k) != POINT)


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
    `tags`, `events` as in `state`; `meanings` (int64[2, 10000]) of G and of M codes. Reading stops early when room runs short (STATUS_GROW) or at an error (STATUS_ERROR).
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
        mask = np.int64(0)  # letters with a number; a plain 0 would have every callee compiled for a literal as well
        bare = np.int64(0)  # letters without one
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
            mask = np.int64(0)
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
