"""The compiled reader: bytes of a job file to moves and events, line by line.

One line goes through three steps: its words are collected (letter, number), they are given to the commands of the line
(`commands_of_line`), and the commands act in order. Nearly every line is one plain straight move, for which there is a
shorter way (`plain_lines`).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import byte_at, compiled, eight_at
from kinematics.gcode import dialects as words
from kinematics.gcode import scanning as text
from kinematics.gcode import state as codes
from kinematics.gcode.commands import (
    TOO_LARGE,
    TOO_LARGE_BIT,
    act,
    commands_of_line,
    fail,
    meaning_of,
    needs_numbers,
    note,
    note_code,
    note_letters,
    note_text,
    set_feed,
    state_limits,
    strict_commands,
    words_of_command,
)
from kinematics.gcode.motion import (
    MOST_CHORDS,
    NO_LENGTH,
    cut_arc,
    extend,
    is_own_retraction,
    own_retraction,
    place_told,
    special_speed,
    way_home,
)
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.gcode.plain_lines import are_plain, plain_lines
from kinematics.gcode.scanning import POWERS_OF_TEN, long_number, number_at, short_field

RESERVE = 65_536  # room that one command may need at most, in moves and in events
MOST_WORDS = 128
NOTHING_NOTED = -1
VANISHED = -1  # kind of a move with no length and no filament


@compiled
def read_lines(
    source: Any,
    begin: int,
    end: int,
    state: codes.State,
    meanings: NDArray[np.int64],
    groups: NDArray[np.int64],
    notes: NDArray[np.int64],
    path: NDArray[np.float64],
    height: NDArray[np.float64],
    kinds: NDArray[np.int8],
    lines: NDArray[np.int32],
    stops: NDArray[np.uint8],
    events: NDArray[np.float64],
) -> int:
    """Read whole lines from `begin` to `end` of `source`; return where reading stopped.

    `source` is an address (int64) or a uint8 array with some zero bytes after `end`; `state` a record of STATE, changed
    in place, and all from `notes` on as in `state`; `meanings`, `groups` (int64[2, 10000]) of G and of M codes. Stops
    early when room runs short (STATUS_GROW) or at an error (STATUS_ERROR).
    """
    letters = np.empty(MOST_WORDS, dtype=np.int64)
    values = np.empty(MOST_WORDS)
    owners = np.empty(MOST_WORDS, dtype=np.int64)
    meant = np.empty(MOST_WORDS, dtype=np.int64)  # of each command of a line its meaning …
    heads = np.empty(MOST_WORDS, dtype=np.int64)  # … and the word that names it
    slots = np.zeros(26)
    places = np.empty((3, MOST_CHORDS + 1))
    most_moves = min(path.shape[1], state.first + height.size) - RESERVE
    most_events = events.shape[0] - RESERVE
    strict, semicolons = state.strict, state.semicolons
    g_meanings, m_meanings = meanings[0], meanings[1]
    extruder = state.extruder
    state.status = codes.STATUS_DONE
    i = begin
    while i < end:
        if are_plain(state, g_meanings):
            i = plain_lines(source, i, end, state, path, height, kinds, lines, stops, most_moves)
            if i >= end:
                break
        if state.moves > most_moves or state.events > most_events:
            state.status = codes.STATUS_GROW
            return i
        line_begin = i
        state.line += 1
        state.offset = i
        # ---- collect the words of the line
        count = 0
        has_feed = False
        begun = percent = slashed = commented = False  # a block delete mark or a percent sign may only come first
        error = codes.ERROR_TEXT
        no_words = NOTHING_NOTED  # what a line is noted as that is none of words
        while True:
            c = byte_at(source, i) if i < end else text.LINE_FEED
            if c == text.BLANK or c == text.TAB:
                i += 1
                continue
            letter = (c | 32) - 97
            if 0 <= letter < 26:
                if extruder != text.E:  # the two change places
                    letter = text.E if letter == extruder else (extruder if letter == text.E else letter)
                first_word = not (begun or commented)
                begun = True
                i += 1
                c = byte_at(source, i)
                while c == text.BLANK or c == text.TAB or (c == text.OPENING and not strict):
                    i = text.after_comment(source, i, end) if c == text.OPENING else i + 1
                    c = byte_at(source, i)
                # -- a number: integer accumulation, divided once by a power of ten, is exact to 15 digits
                begin_number = i
                negative = c == text.MINUS
                signed = negative or c == text.PLUS
                if signed:
                    i += 1
                    c = byte_at(source, i)
                length, decimals = 8, -1
                mantissa = int(np.int64(0))
                if not strict:
                    length, decimals, mantissa = short_field(eight_at(source, i))
                digits, point = length, -1
                if length < 8 and decimals >= 0:
                    i += length
                else:  # a longer number, none, or one with blanks where they may stand inside
                    i, digits, point, mantissa = number_at(source, i, strict)
                    decimals = digits - point if point >= 0 else 0
                c = byte_at(source, i)
                if count == MOST_WORDS:
                    no_words = codes.NOTE_MANY_WORDS
                    break
                if digits == 0:
                    if i != begin_number:
                        no_words = codes.NOTE_DAMAGED
                        break
                    letters[count] = -1 - letter
                    count += 1
                    continue
                is_e = (c | 32) == 101 and byte_at(source, i - 1) != text.POINT and i < end
                if c == text.POINT or (is_e and text.is_exponent(source, i, end)):  # a second point, an exponent
                    no_words = codes.NOTE_DAMAGED
                    break
                if digits <= 18 and mantissa < 9007199254740992:
                    value = mantissa / POWERS_OF_TEN[decimals]
                else:
                    value = long_number(source, begin_number, i)
                if negative:
                    value = -value
                if letter == text.N:
                    if strict and (not first_word or digits > 5 or point >= 0 or signed):
                        error = codes.ERROR_LINE_NUMBER
                        no_words = codes.NOTE_TEXT
                        break
                    continue
                letters[count] = letter
                values[count] = value
                count += 1
                has_feed |= letter == text.F
                if letter == text.M and meaning_of(value, m_meanings) == words.MESSAGE:
                    i = text.end_of_line(source, i, end)
                    break
            elif c == text.LINE_FEED or c == text.RETURN:
                break
            elif c == text.SEMICOLON and semicolons:
                i = text.end_of_line(source, i, end)
            elif c == text.OPENING:
                commented = True
                comment = i
                i = text.after_comment(source, i, end)
                if strict and (
                    byte_at(source, i - 1) != text.CLOSING or text.holds(source, comment + 1, i, text.OPENING)
                ):
                    error = codes.ERROR_COMMENT
                    no_words = codes.NOTE_TEXT
                    break
            elif c == text.STAR and not strict:
                stop = text.end_of_line(source, i, end)
                if not text.after_checksum(source, i + 1, stop):
                    no_words = codes.NOTE_DAMAGED
                    break
                if not text.fits_checksum(source, line_begin, i, stop):
                    note(notes, codes.NOTE_CHECKSUM, state)
                i = stop
            elif c == text.SLASH and not (begun or percent or slashed or (strict and commented)):
                slashed = True
                i += 1
                if state.block_delete:
                    i = text.end_of_line(source, i, end)
                    break
            elif c == text.PERCENT and not begun and not percent:
                percent = True
                i += 1
            else:
                no_words = codes.NOTE_DAMAGED if text.breaks_a_number(c) else codes.NOTE_TEXT
                break
        if no_words != NOTHING_NOTED:
            i = text.end_of_line(source, i, end)
        if percent and (no_words != NOTHING_NOTED or begun or (strict and commented)):
            no_words = codes.NOTE_TEXT
        line_end = i
        # ---- step over the end of the line
        if strict:
            empty = not (begun or percent or slashed or commented)
            error = text.strict_line_error(state, i - line_begin, percent, empty, no_words != NOTHING_NOTED, error)
            if error != codes.ERROR_NONE:
                fail(state, error)
                return i
        if i < end:
            i = text.after_line_end(source, i, end)
        if strict and state.percents >= 2:
            state.ended = True
            return end
        # ---- give them to commands
        commands = int(np.int64(0))
        if no_words == NOTHING_NOTED and count > 0 and not strict:
            commands = commands_of_line(
                letters, values, count, owners, meant, heads, g_meanings, m_meanings, state.motion
            )
            if commands <= 0:
                no_words = codes.NOTE_DAMAGED if commands < 0 else codes.NOTE_TEXT
        if no_words != NOTHING_NOTED:
            if no_words == codes.NOTE_DAMAGED and not text.begins_as_words(source, line_begin, line_end):
                no_words = codes.NOTE_TEXT
            note_text(state, events, notes, no_words, text.text_key(source, line_begin, line_end))
            continue
        if count == 0:
            continue
        if strict:
            commands = strict_commands(
                letters, values, count, owners, meant, heads, g_meanings, m_meanings, groups, state.motion
            )
            if commands < 0:
                fail(state, -commands)
                return i
            for k in range(commands):
                if has_feed and (meant[k] == words.INCH or meant[k] == words.MILLIMETRE):
                    note(notes, codes.NOTE_FEED_WITH_UNITS, state)
        first_command = state.resumed
        state.resumed = 0
        for command in range(first_command, commands):
            if command > first_command and (state.moves > most_moves or state.events > most_events):
                # Room for one command more is not left: the line is taken up again from this command on.
                state.resumed = command
                state.line -= 1
                state.status = codes.STATUS_GROW
                return line_begin
            motion = meant[command]
            takes_bare = motion == words.HOME or motion == words.RENAME
            mask = words_of_command(letters, values, count, owners, command, takes_bare, slots, notes, state)
            too_large = mask & TOO_LARGE_BIT != 0
            goes = bool(strict and motion == words.HOME) or is_own_retraction(motion)
            if motion >= words.PLAIN and not goes:
                head = heads[command]
                if motion == words.FEED:
                    set_feed(state, notes, values[head])
                elif motion == words.UNKNOWN:
                    note_code(notes, values[head], letters[head] == text.M, state)
                elif needs_numbers(motion) and (too_large or not abs(values[head]) < TOO_LARGE):
                    fail(state, codes.ERROR_TOO_LARGE)
                elif motion == words.LIMIT_WORD:
                    code = round(values[head] * 10) + (words.CODES if letters[head] == text.M else 0)
                    state_limits(state, code, mask, slots, events)
                else:
                    act(state, motion, values[head], mask, slots, events, notes)
                if state.status != codes.STATUS_DONE:
                    return i
                continue
            if too_large and (mask & text.MOTION_WORDS or motion >= words.PLAIN):
                fail(state, codes.ERROR_TOO_LARGE)
                return i
            # ---- a motion: where to, how much filament, how fast
            if mask & (1 << text.F) and motion < words.PLAIN:
                set_feed(state, notes, slots[text.F])
                if state.status != codes.STATUS_DONE:
                    return i
            if mask & text.OTHER_AXES and motion < words.PLAIN and not strict:
                note_letters(notes, mask & text.OTHER_AXES, state)
            pieces = 1
            if motion < words.ARC_CLOCKWISE:
                state.motion = motion
                if mask & text.XYZE == 0:
                    continue
                place_told(state, mask, slots, places)
            elif motion < words.PLAIN:
                state.motion = motion
                if mask & text.ARC_WORDS == 0:
                    continue
                pieces = cut_arc(state, notes, mask, slots, places, motion == words.ARC_COUNTER)
                if pieces == 0:
                    return i
            elif motion == words.HOME:
                pieces = way_home(state, mask, slots, places)
            else:
                place_told(state, 0, slots, places)
            de = 0.0
            if is_own_retraction(motion):
                de = own_retraction(state, motion, mask, slots, events, notes)
                if de == 0.0:
                    continue
            elif mask & (1 << text.E) and motion < words.PLAIN:
                reading = slots[text.E] * state.filament_scale
                if state.is_relative or state.is_e_relative:
                    de = reading
                    state.reading += reading
                else:
                    de = reading - state.reading
                    state.reading = reading
                de *= state.flow_share
            speed = state.feed / 60.0 * state.feed_share
            if strict or motion > words.ARC_COUNTER or state.feed_mode != codes.PER_MINUTE:
                fed = has_feed if strict else mask & (1 << text.F) != 0
                speed = special_speed(state, notes, motion, fed, places, pieces, de)
                if state.status != codes.STATUS_DONE:
                    return i
            # ---- its pieces, one straight move each
            number = state.moves
            before = number
            de /= pieces
            for piece in range(pieces):
                x, y, z = places[0, piece], places[1, piece], places[2, piece]
                dx, dy, dz = x - state.place[0], y - state.place[1], z - state.place[2]
                kind = TRAVEL
                if math.sqrt(dx * dx + dy * dy + dz * dz) < NO_LENGTH:
                    kind = FILAMENT if abs(de) >= NO_LENGTH else VANISHED
                    dx = dy = dz = 0.0
                elif de > 0.0:
                    kind = PRINT
                    if state.last_kind != PRINT:
                        extend(state, state.place[0], state.place[1], state.place[2])
                    extend(state, x, y, z)
                state.place[0], state.place[1], state.place[2] = x, y, z
                state.last_kind = kind
                if kind == VANISHED:
                    continue
                path[codes.DX, number] = dx
                path[codes.DY, number] = dy
                path[codes.DZ, number] = dz
                path[codes.DE, number] = de
                path[codes.SPEED, number] = speed
                height[number - state.first] = z
                kinds[number] = kind
                lines[number] = state.line
                stops[number] = state.stop_pending
                state.stop_pending = False
                number += 1
            state.moves = number
            if number > before:
                if not speed > 0.0:
                    note(notes, codes.NOTE_NO_FEED, state)
                    path[codes.SPEED, before:number] = math.inf
                if state.ended:
                    note(notes, codes.NOTE_AFTER_END, state)
        if strict and state.ended:
            return end
    return i
