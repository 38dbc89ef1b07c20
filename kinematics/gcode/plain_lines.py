"""The short way through nearly every line of a job: `G1` or `G0` with X, Y, Z, E and F, and lines of comment.

What the general reader keeps in its state stays in registers here from line to line. A line that is anything else is
left untouched for the general reader, which does with every line what is done here: this only does it sooner.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import byte_at, compiled_part, eight_at
from kinematics.gcode import dialects as words
from kinematics.gcode import scanning as text
from kinematics.gcode import state as codes
from kinematics.gcode.commands import SLOWEST_FEED, TOO_LARGE
from kinematics.gcode.motion import NO_LENGTH, extend
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.gcode.scanning import POWERS_OF_TEN, E, F, X, Y, Z, after_line_end, end_of_line, number_at, short_field

ONE_BYTE, MINUS_BYTE = np.uint64(0xFF), np.uint64(text.MINUS)
THREE_BYTES = np.uint64(0xFFFFFF)
G0_BLANK, G1_BLANK = np.uint64(0x203047), np.uint64(0x203147)
X_BIT, Y_BIT, Z_BIT, E_BIT, F_BIT = 1 << X, 1 << Y, 1 << Z, 1 << E, 1 << F
SURELY_SOME = 1e-17  # mm²: squared lengths from here on are longer than NOTHING
DIVIDED_EXACTLY = 15  # that one division rounds correctly


@compiled_part
def are_plain(state: codes.State, g_meanings: NDArray[np.int64]) -> bool:
    """Whether plain lines mean what they nearly always mean: no strict rules, F per minute, E the extruder."""
    return bool(
        not state.strict
        and state.feed_mode == codes.PER_MINUTE
        and state.extruder == E
        and not state.ended
        and g_meanings[0] == words.RAPID
        and g_meanings[10] == words.LINE
    )


@compiled_part
def plain_lines(
    source: Any,
    i: int,
    end: int,
    state: codes.State,
    path: NDArray[np.float64],
    height: NDArray[np.float64],
    kinds: NDArray[np.int8],
    lines: NDArray[np.int32],
    stops: NDArray[np.uint8],
    most_moves: int,
) -> int:
    """Read plain lines from `i` on and return where the first other line begins; arrays as in `interpreter`."""
    x, y, z, reading = state.place[0], state.place[1], state.place[2], state.reading
    feed = state.feed
    e_relative = state.is_relative or state.is_e_relative
    last_kind, motion = state.last_kind, state.motion
    number, line, stop = state.moves, state.line, state.stop_pending
    base = np.uint64(state.first)
    speed = feed / 60.0 * state.feed_share
    value_x = value_y = value_z = value_e = value_f = 0.0
    while i < end and number <= most_moves:
        head = eight_at(source, i) & THREE_BYTES
        if head != G1_BLANK and head != G0_BLANK:
            if byte_at(source, i) != text.SEMICOLON or not state.semicolons:
                break
            j = end_of_line(source, i, end)
            if j == end:
                break
            i = after_line_end(source, j, end)
            line += 1
            continue
        j = i + 3
        mask = 0
        is_plain = False
        while True:
            # ---- a word
            c = byte_at(source, j)
            j += 1
            eight = eight_at(source, j)
            negative = eight & ONE_BYTE == MINUS_BYTE
            if negative:  # loaded again, so that this stays a branch: nothing then waits for the sign
                j += 1
                eight = eight_at(source, j)
            length, decimals, mantissa = short_field(eight)
            if length == 8:
                stop_at, digits, point, mantissa = number_at(source, j, False)
                length = stop_at - j
                decimals = digits - point if point >= 0 else 0
                if digits > DIVIDED_EXACTLY or digits == 0:
                    break
            if decimals < 0:
                break
            value = mantissa / POWERS_OF_TEN[np.uint64(decimals)]
            if negative:
                value = -value
            j += length
            if c == 88:
                value_x = value
            elif c == 89:
                value_y = value
            elif c == 69:
                value_e = value
            elif c == 70:
                value_f = value
            elif c == 90:
                value_z = value
            else:
                break
            bit = 1 << (c - 65)
            if mask & bit or abs(value) >= TOO_LARGE:
                break
            mask |= bit
            # ---- what follows it
            c = byte_at(source, j)
            if c == text.BLANK:
                j += 1
                c = byte_at(source, j)
                if c != text.SEMICOLON:
                    continue
            if c == text.SEMICOLON:
                if not state.semicolons:
                    break
                j = end_of_line(source, j, end)
                c = byte_at(source, j)
            if j >= end:
                break
            is_plain = c == text.LINE_FEED or c == text.RETURN
            j = after_line_end(source, j, end)
            break
        if not is_plain:
            break
        # ---- what it does
        if mask & F_BIT:
            new_feed = value_f * state.scale
            if not new_feed >= SLOWEST_FEED:
                break
            new_speed = new_feed / 60.0 * state.feed_share
        else:
            new_feed, new_speed = feed, speed
        if not new_speed > 0.0:
            break
        feed, speed = new_feed, new_speed
        motion = words.LINE if head == G1_BLANK else words.RAPID
        line += 1
        i = j
        if mask == F_BIT:
            continue
        new_x, new_y, new_z = x, y, z
        if mask & X_BIT:
            new_x = (x if state.is_relative else state.shift[0]) + value_x * state.scale
        if mask & Y_BIT:
            new_y = (y if state.is_relative else state.shift[1]) + value_y * state.scale
        if mask & Z_BIT:
            new_z = (z if state.is_relative else state.shift[2]) + value_z * state.scale
        de = 0.0
        if mask & E_BIT:
            told = value_e * state.filament_scale
            if e_relative:
                de = told
                reading += told
            else:
                de = told - reading
                reading = told
            de *= state.flow_share
        dx, dy, dz = new_x - x, new_y - y, new_z - z
        square = dx * dx + dy * dy + dz * dz
        if square < SURELY_SOME and math.sqrt(square) < NO_LENGTH:
            dx = dy = dz = 0.0
            x, y, z = new_x, new_y, new_z
            if not abs(de) >= NO_LENGTH:
                last_kind = -1
                continue
            last_kind = FILAMENT
        elif de > 0.0:
            if last_kind != PRINT:
                extend(state, x, y, z)
            x, y, z = new_x, new_y, new_z
            extend(state, x, y, z)
            last_kind = PRINT
        else:
            x, y, z = new_x, new_y, new_z
            last_kind = TRAVEL
        k = np.uint64(number)  # unsigned: it cannot count from the end
        path[codes.DX, k] = dx
        path[codes.DY, k] = dy
        path[codes.DZ, k] = dz
        path[codes.DE, k] = de
        path[codes.SPEED, k] = speed
        height[k - base] = z
        kinds[k] = last_kind
        lines[k] = line
        stops[k] = stop
        stop = False
        number += 1
    state.place[0], state.place[1], state.place[2], state.reading = x, y, z, reading
    state.feed = feed
    state.last_kind, state.motion = last_kind, motion
    state.moves, state.line, state.stop_pending = number, line, stop
    return i
