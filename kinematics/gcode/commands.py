"""What each command does to the state, apart from motion (which `interpreter` does inline, since it is nearly all)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import dialects as words
from kinematics.gcode import moves as tool_path
from kinematics.gcode import state as at
from kinematics.gcode.letters import AXES, OTHER_AXES, E, P, R, S, T, X

EVERY_AXIS = AXES | OTHER_AXES | (1 << E)
TOO_LARGE = 1e9  # no machine goes there, and numbers of this size are slips
SLOWEST_FEED = 1.0  # mm/min: nothing that prints is fed more slowly


@compiled_part
def note(notes: NDArray[np.int64], row: int, whole: NDArray[np.int64]) -> None:
    """Count the present line as one more of a kind of doubtful input; once, however often it stands there."""
    line = whole[at.LINE_NUMBER]
    if notes[row, at.NOTE_LAST] == line:
        return
    if notes[row, at.NOTE_COUNT] == 0:
        notes[row, at.NOTE_LINE] = line
        notes[row, at.NOTE_OFFSET] = whole[at.OFFSET]
    notes[row, at.NOTE_COUNT] += 1
    notes[row, at.NOTE_LAST] = line
    whole[at.NOTED] += 1


@compiled_part
def note_named(notes: NDArray[np.int64], key: int, other: int, whole: NDArray[np.int64]) -> None:
    """Count the present line under a key; under the row `other` where there are too many keys already."""
    row = at.NOTE_NAMED + key % at.NAMES
    for _ in range(at.NAMES):
        if notes[row, at.NOTE_KEY] == key or notes[row, at.NOTE_COUNT] == 0:
            notes[row, at.NOTE_KEY] = key
            note(notes, row, whole)
            return
        row = row + 1 if row + 1 < at.NOTE_ROWS else at.NOTE_NAMED
    note(notes, other, whole)


@compiled_part
def note_code(notes: NDArray[np.int64], value: float, is_m: bool, whole: NDArray[np.int64]) -> None:
    """Count a G or M word that is not understood."""
    tenfold = round(value * 10) if abs(value) < TOO_LARGE else (at.BEYOND_NAMING if value > 0.0 else -at.BEYOND_NAMING)
    if tenfold >= 0 and tenfold < words.CODES:
        note(notes, tenfold + (at.NOTE_M if is_m else at.NOTE_G), whole)
    else:
        key = at.CODE_KEY + (at.M_KEY if is_m else 0) + at.CODE_MIDDLE + tenfold
        note_named(notes, key, at.NOTE_TEXT, whole)


@compiled_part
def note_letters(notes: NDArray[np.int64], mask: int, whole: NDArray[np.int64]) -> None:
    """Count a move with letters of axes that are not read, by the letters that the file has."""
    for letter in range(26):
        if mask & (1 << letter):
            note(notes, at.NOTE_LETTER + (E if letter == whole[at.EXTRUDER] else letter), whole)


@compiled_part
def fail(whole: NDArray[np.int64], error: int) -> None:
    """Stop reading at this line."""
    whole[at.STATUS] = at.STATUS_ERROR
    whole[at.ERROR] = error
    whole[at.ERROR_LINE] = whole[at.LINE_NUMBER]
    whole[at.ERROR_OFFSET] = whole[at.OFFSET]


@compiled_part
def add_event(whole: NDArray[np.int64], events: NDArray[np.float64], kind: int, value: float, tool: int) -> None:
    """Append an event at the present place; all but heater targets bring motion to rest."""
    i = whole[at.EVENTS]
    events[i, at.EVENT_MOVE] = whole[at.MOVES]
    events[i, at.EVENT_KIND] = kind
    events[i, at.EVENT_VALUE] = value
    events[i, at.EVENT_TOOL] = tool
    events[i, at.EVENT_LINE] = whole[at.LINE_NUMBER]
    whole[at.EVENTS] = i + 1
    if kind != tool_path.NOZZLE_TARGET and kind != tool_path.BED_TARGET and kind < tool_path.LIMIT:
        whole[at.STOP_PENDING] = 1
        whole[at.PROBED] = 0


@compiled_part
def note_text(
    whole: NDArray[np.int64], events: NDArray[np.float64], notes: NDArray[np.int64], kind: int, key: int
) -> None:
    """Count a line that is no G-code, text under its key, and keep it for the dialect's patterns where it has any."""
    if kind == at.NOTE_TEXT:
        note_named(notes, key, kind, whole)
    else:
        note(notes, kind, whole)
    if whole[at.KEEPS_TEXT]:
        add_event(whole, events, tool_path.TEXT, float(whole[at.OFFSET]), key if kind == at.NOTE_TEXT else kind)


@compiled_part
def set_feed(real: NDArray[np.float64], whole: NDArray[np.int64], notes: NDArray[np.int64], value: float) -> None:
    """Take an F word: file units a minute, moves a minute under G93; under G95 it is passed over."""
    if value > 0.0:
        if whole[at.FEED_MODE] == at.PER_MINUTE:
            real[at.FEED] = value * real[at.SCALE]
            if not real[at.FEED] >= SLOWEST_FEED and not whole[at.STRICT]:
                note(notes, at.NOTE_FEED_TINY, whole)
            if whole[at.FIRST_FEED] < 0:
                whole[at.FIRST_FEED] = whole[at.MOVES]
        elif whole[at.FEED_MODE] == at.INVERSE_TIME:
            real[at.FREQUENCY] = value
    elif whole[at.STRICT]:
        fail(whole, at.ERROR_FEED_NOT_POSITIVE)
    else:
        note(notes, at.NOTE_FEED_NOT_POSITIVE, whole)


@compiled_part
def use_tool(whole: NDArray[np.int64], events: NDArray[np.float64], tool: int) -> None:
    """Take a tool into use; the first one named and the one in use already are no stop."""
    if whole[at.TOOL_IN_USE] >= 0 and whole[at.TOOL_IN_USE] != tool:
        add_event(whole, events, tool_path.TOOL_CHANGE, float(tool), 0)
    whole[at.TOOL_IN_USE] = tool


@compiled_part
def home(real: NDArray[np.float64], whole: NDArray[np.int64], mask: int) -> int:
    """Put the named axes at their home places and drop their shifts; x, y and z where no axis at all is named.

    Returns a bit for each of them, 1 for x.
    """
    every = mask & EVERY_AXIS == 0
    homed = 0
    for k in range(3):
        if every or mask & (1 << (X + k)):
            real[at.PLACE_X + k] = real[at.HOME_X + k]
            real[at.SHIFT_X + k] = 0.0
            whole[at.UNSET] &= ~(1 << (X + k))
            homed |= 1 << k
    return homed


@compiled_part
def rename(real: NDArray[np.float64], whole: NDArray[np.int64], mask: int, slots: NDArray[np.float64]) -> None:
    """G92: the present place reads as told; with no word every axis reads 0 (strict: an error)."""
    every = mask & EVERY_AXIS == 0
    if whole[at.UNSET] & AXES & (AXES if every else mask):
        whole[at.INEXACT] = 1
    if every or mask & (1 << E):
        whole[at.UNSET] &= ~(1 << E)
        whole[at.E_DIRTY] = 0
    if every and whole[at.STRICT]:
        fail(whole, at.ERROR_RENAME_NOTHING)
        return
    for k in range(3):
        if every:
            real[at.SHIFT_X + k] = real[at.PLACE_X + k]
        elif mask & (1 << (X + k)):
            real[at.SHIFT_X + k] = real[at.PLACE_X + k] - slots[X + k] * real[at.SCALE]
    if every:
        real[at.E_READING] = 0.0
    elif mask & (1 << E):
        real[at.E_READING] = slots[E] * real[at.FILAMENT_SCALE]


@compiled_part
def set_units(real: NDArray[np.float64], whole: NDArray[np.int64], scale: float) -> None:
    """G20 and G21; an E that is a volume keeps its unit."""
    if not whole[at.E_IS_VOLUME]:
        real[at.FILAMENT_SCALE] = scale
    real[at.SCALE] = scale


@compiled_part
def state_limits(
    whole: NDArray[np.int64], code: int, mask: int, slots: NDArray[np.float64], events: NDArray[np.float64]
) -> None:
    """Note every word of a command that states limits; `code` as in `moves.LIMIT`."""
    first = tool_path.FIRST_OF_COMMAND
    for letter in range(26):
        if mask & (1 << letter):
            add_event(whole, events, tool_path.LIMIT, slots[letter], letter + 32 * code + first)
            first = 0


@compiled_part
def doubt_reading(whole: NDArray[np.int64]) -> None:
    """E is absolute again: where its reading is not exact, the next E word must not be read against it."""
    if whole[at.E_DIRTY] and not whole[at.IS_RELATIVE] and not whole[at.IS_E_RELATIVE]:
        whole[at.UNSET] |= 1 << E


@compiled_part
def dwell(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    events: NDArray[np.float64],
    notes: NDArray[np.int64],
) -> None:
    """G4: P in the dialect's unit, S in seconds, S wins; strict: P in seconds, needed, not negative."""
    seconds = math.nan
    if mask & (1 << P):
        seconds = slots[P] * real[at.DWELL_UNIT]
    if mask & (1 << S) and not whole[at.STRICT]:
        seconds = slots[S]
    if not seconds >= 0.0:
        if whole[at.STRICT]:
            fail(whole, at.ERROR_DWELL)
            return
        note(notes, at.NOTE_EMPTY_DWELL, whole)
        seconds = 0.0
    add_event(whole, events, tool_path.DWELL, seconds, 0)


@compiled_part
def heat(
    whole: NDArray[np.int64], meaning: int, mask: int, slots: NDArray[np.float64], events: NDArray[np.float64]
) -> None:
    """Heater targets and waits; a wait with R waits for cooling down as well, one for 0 degrees or less for nothing."""
    tool = 0
    if mask & (1 << T):
        tool = int(slots[T])
    bed = meaning == words.SET_BED or meaning == words.WAIT_BED
    target = tool_path.BED_TARGET if bed else tool_path.NOZZLE_TARGET
    if meaning == words.SET_NOZZLE or meaning == words.SET_BED:
        if mask & (1 << S):
            add_event(whole, events, target, slots[S], tool)
    elif mask & ((1 << S) | (1 << R)) and not slots[S if mask & (1 << S) else R] > 0.0:
        add_event(whole, events, target, 0.0, tool)
    elif mask & (1 << S):
        add_event(whole, events, tool_path.BED_WAIT if bed else tool_path.NOZZLE_WAIT, slots[S], tool)
    elif mask & (1 << R):
        kind = tool_path.BED_WAIT_BOTH_WAYS if bed else tool_path.NOZZLE_WAIT_BOTH_WAYS
        add_event(whole, events, kind, slots[R], tool)
    else:
        add_event(whole, events, tool_path.BED_WAIT if bed else tool_path.NOZZLE_WAIT, math.nan, tool)


@compiled_part
def probe(whole: NDArray[np.int64], code: int, events: NDArray[np.float64], notes: NDArray[np.int64]) -> None:
    """Feel the bed: one stop, in however many lines of the same word it is told before anything else happens.

    Such lines begin, store and switch on what is felt once (common practice, no source).
    """
    whole[at.INEXACT] = 1
    if whole[at.PROBED] == code and whole[at.STOP_PENDING]:
        note(notes, at.NOTE_PROBED_ALREADY, whole)
        return
    add_event(whole, events, tool_path.PROBING, 0.0, 0)
    whole[at.PROBED] = code


@compiled_part
def act(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    meaning: int,
    value: float,
    mask: int,
    slots: NDArray[np.float64],
    events: NDArray[np.float64],
    notes: NDArray[np.int64],
) -> None:
    """Carry out one command that makes no move; in a guessed state note where the guess can no longer be mended.

    `value` is the number after the command's letter; `mask` has a bit a word letter (bare ones included), `slots` the
    words' numbers. May set STATUS to STATUS_ERROR.
    """
    if meaning == words.PLANE_XY or meaning == words.PLANE_ZX or meaning == words.PLANE_YZ:
        whole[at.PLANE] = meaning - words.PLANE_XY
    elif meaning == words.INCH:
        set_units(real, whole, 25.4)
    elif meaning == words.MILLIMETRE:
        set_units(real, whole, 1.0)
    elif meaning == words.ABSOLUTE:
        whole[at.IS_RELATIVE] = 0
        doubt_reading(whole)
    elif meaning == words.RELATIVE:
        whole[at.IS_RELATIVE] = 1
    elif meaning == words.E_ABSOLUTE:
        whole[at.IS_E_RELATIVE] = 0
        doubt_reading(whole)
    elif meaning == words.E_RELATIVE:
        whole[at.IS_E_RELATIVE] = 1
    elif meaning == words.FEED_PER_MINUTE or meaning == words.FEED_INVERSE or meaning == words.FEED_PER_TURN:
        mode = meaning - words.FEED_PER_MINUTE
        if mode != whole[at.FEED_MODE]:
            whole[at.FEED_MODE] = mode
            whole[at.INEXACT] = 1
    elif meaning == words.PROBE:
        probe(whole, round(value * 10), events, notes)
    elif meaning == words.FINISH:
        add_event(whole, events, tool_path.FINISH, 0.0, 0)
    elif meaning == words.NO_MOTION:
        if whole[at.STRICT]:
            whole[at.MOTION] = words.NO_MOTION
    elif meaning == words.PROGRAM_END:
        whole[at.ENDED] = 1
    elif meaning == words.TOOL:
        use_tool(whole, events, round(value))
    elif meaning == words.TOOL_CHANGE:
        if mask & (1 << T):
            use_tool(whole, events, round(slots[T]))
    elif meaning == words.DWELL:
        dwell(real, whole, mask, slots, events, notes)
    elif meaning == words.HOME:
        homed = home(real, whole, mask)
        whole[at.LAST_KIND] = -1  # what is printed next begins somewhere else
        add_event(whole, events, tool_path.HOMING, 0.0, homed)
    elif meaning == words.RENAME:
        rename(real, whole, mask, slots)
    elif meaning == words.FEED_OVERRIDE or meaning == words.FLOW_OVERRIDE:
        if mask & (1 << S) and slots[S] > 0.0:
            if meaning == words.FEED_OVERRIDE and whole[at.FIRST_FEED] < 0:
                whole[at.INEXACT] = 1
            if meaning == words.FLOW_OVERRIDE and whole[at.UNSET] & (1 << E):
                whole[at.INEXACT] = 1
            real[at.FEED_SHARE if meaning == words.FEED_OVERRIDE else at.FLOW_SHARE] = slots[S] / 100.0
        else:
            note(notes, at.NOTE_OVERRIDE, whole)
    elif meaning == words.PAUSE:
        add_event(whole, events, tool_path.PAUSE, 0.0, 0)
    elif meaning >= words.SET_NOZZLE and meaning <= words.WAIT_BED:
        heat(whole, meaning, mask, slots, events)
