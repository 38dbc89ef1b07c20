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
def note(notes: NDArray[np.int64], row: int, state: at.State) -> None:
    """Count the present line as one more of a kind of doubtful input; once, however often it stands there."""
    line = state.line
    if notes[row, at.NOTE_LAST] == line:
        return
    if notes[row, at.NOTE_COUNT] == 0:
        notes[row, at.NOTE_LINE] = line
        notes[row, at.NOTE_OFFSET] = state.offset
    notes[row, at.NOTE_COUNT] += 1
    notes[row, at.NOTE_LAST] = line
    state.noted += 1


@compiled_part
def note_named(notes: NDArray[np.int64], key: int, other: int, state: at.State) -> None:
    """Count the present line under a key; under the row `other` where there are too many keys already."""
    row = at.NOTE_NAMED + key % at.NAMES
    for _ in range(at.NAMES):
        if notes[row, at.NOTE_KEY] == key or notes[row, at.NOTE_COUNT] == 0:
            notes[row, at.NOTE_KEY] = key
            note(notes, row, state)
            return
        row = row + 1 if row + 1 < at.NOTE_ROWS else at.NOTE_NAMED
    note(notes, other, state)


@compiled_part
def note_code(notes: NDArray[np.int64], value: float, is_m: bool, state: at.State) -> None:
    """Count a G or M word that is not understood."""
    tenfold = round(value * 10) if abs(value) < TOO_LARGE else (at.BEYOND_NAMING if value > 0.0 else -at.BEYOND_NAMING)
    if tenfold >= 0 and tenfold < words.CODES:
        note(notes, tenfold + (at.NOTE_M if is_m else at.NOTE_G), state)
    else:
        key = at.CODE_KEY + (at.M_KEY if is_m else 0) + at.CODE_MIDDLE + tenfold
        note_named(notes, key, at.NOTE_TEXT, state)


@compiled_part
def note_letters(notes: NDArray[np.int64], mask: int, state: at.State) -> None:
    """Count a move with letters of axes that are not read, by the letters that the file has."""
    for letter in range(26):
        if mask & (1 << letter):
            note(notes, at.NOTE_LETTER + (E if letter == state.extruder else letter), state)


@compiled_part
def fail(state: at.State, error: int) -> None:
    """Stop reading at this line."""
    state.status = at.STATUS_ERROR
    state.error = error
    state.error_line = state.line
    state.error_offset = state.offset


@compiled_part
def add_event(state: at.State, events: NDArray[np.float64], kind: int, value: float, tool: int) -> None:
    """Append an event at the present place; all but heater targets bring motion to rest."""
    i = state.events
    events[i, at.EVENT_MOVE] = state.moves
    events[i, at.EVENT_KIND] = kind
    events[i, at.EVENT_VALUE] = value
    events[i, at.EVENT_TOOL] = tool
    events[i, at.EVENT_LINE] = state.line
    state.events = i + 1
    if kind != tool_path.NOZZLE_TARGET and kind != tool_path.BED_TARGET and kind < tool_path.LIMIT:
        state.stop_pending = True
        state.probed = 0


@compiled_part
def note_text(state: at.State, events: NDArray[np.float64], notes: NDArray[np.int64], kind: int, key: int) -> None:
    """Count a line that is no G-code, text under its key, and keep it for the dialect's patterns where it has any."""
    if kind == at.NOTE_TEXT:
        note_named(notes, key, kind, state)
    else:
        note(notes, kind, state)
    if state.keeps_text:
        add_event(state, events, tool_path.TEXT, float(state.offset), key if kind == at.NOTE_TEXT else kind)


@compiled_part
def set_feed(state: at.State, notes: NDArray[np.int64], value: float) -> None:
    """Take an F word: file units a minute, moves a minute under G93; under G95 it is passed over."""
    if value > 0.0:
        if state.feed_mode == at.PER_MINUTE:
            state.feed = value * state.scale
            if not state.feed >= SLOWEST_FEED and not state.strict:
                note(notes, at.NOTE_FEED_TINY, state)
        elif state.feed_mode == at.INVERSE_TIME:
            state.frequency = value
    elif state.strict:
        fail(state, at.ERROR_FEED_NOT_POSITIVE)
    else:
        note(notes, at.NOTE_FEED_NOT_POSITIVE, state)


@compiled_part
def use_tool(state: at.State, events: NDArray[np.float64], tool: int) -> None:
    """Take a tool into use; the first one named and the one in use already are no stop."""
    if state.tool >= 0 and state.tool != tool:
        add_event(state, events, tool_path.TOOL_CHANGE, float(tool), 0)
    state.tool = tool


@compiled_part
def home(state: at.State, mask: int) -> int:
    """Put the named axes at their home places and drop their shifts; x, y and z where no axis at all is named.

    Returns a bit for each of them, 1 for x.
    """
    every = mask & EVERY_AXIS == 0
    homed = 0
    for k in range(3):
        if every or mask & (1 << (X + k)):
            state.place[k] = state.home[k]
            state.shift[k] = 0.0
            homed |= 1 << k
    return homed


@compiled_part
def rename(state: at.State, mask: int, slots: NDArray[np.float64]) -> None:
    """G92: the present place reads as told; with no word every axis reads 0 (strict: an error)."""
    every = mask & EVERY_AXIS == 0
    if every and state.strict:
        fail(state, at.ERROR_RENAME_NOTHING)
        return
    for k in range(3):
        if every:
            state.shift[k] = state.place[k]
        elif mask & (1 << (X + k)):
            state.shift[k] = state.place[k] - slots[X + k] * state.scale
    if every:
        state.reading = 0.0
    elif mask & (1 << E):
        state.reading = slots[E] * state.filament_scale


@compiled_part
def set_units(state: at.State, scale: float) -> None:
    """G20 and G21; an E that is a volume keeps its unit."""
    if not state.e_is_volume:
        state.filament_scale = scale
    state.scale = scale


@compiled_part
def state_limits(
    state: at.State, code: int, mask: int, slots: NDArray[np.float64], events: NDArray[np.float64]
) -> None:
    """Note every word of a command that states limits; `code` as in `moves.LIMIT`."""
    first = tool_path.FIRST_OF_COMMAND
    for letter in range(26):
        if mask & (1 << letter):
            add_event(state, events, tool_path.LIMIT, slots[letter], letter + 32 * code + first)
            first = 0


@compiled_part
def dwell(
    state: at.State,
    mask: int,
    slots: NDArray[np.float64],
    events: NDArray[np.float64],
    notes: NDArray[np.int64],
) -> None:
    """G4: P in the dialect's unit, S in seconds, S wins; strict: P in seconds, needed, not negative."""
    seconds = math.nan
    if mask & (1 << P):
        seconds = slots[P] * state.dwell_unit
    if mask & (1 << S) and not state.strict:
        seconds = slots[S]
    if not seconds >= 0.0:
        if state.strict:
            fail(state, at.ERROR_DWELL)
            return
        note(notes, at.NOTE_EMPTY_DWELL, state)
        seconds = 0.0
    add_event(state, events, tool_path.DWELL, seconds, 0)


@compiled_part
def heat(state: at.State, meaning: int, mask: int, slots: NDArray[np.float64], events: NDArray[np.float64]) -> None:
    """Heater targets and waits; a wait with R waits for cooling down as well, one for 0 degrees or less for nothing."""
    tool = 0
    if mask & (1 << T):
        tool = int(slots[T])
    bed = meaning == words.SET_BED or meaning == words.WAIT_BED
    target = tool_path.BED_TARGET if bed else tool_path.NOZZLE_TARGET
    if meaning == words.SET_NOZZLE or meaning == words.SET_BED:
        if mask & (1 << S):
            add_event(state, events, target, slots[S], tool)
    elif mask & ((1 << S) | (1 << R)) and not slots[S if mask & (1 << S) else R] > 0.0:
        add_event(state, events, target, 0.0, tool)
    elif mask & (1 << S):
        add_event(state, events, tool_path.BED_WAIT if bed else tool_path.NOZZLE_WAIT, slots[S], tool)
    elif mask & (1 << R):
        kind = tool_path.BED_WAIT_BOTH_WAYS if bed else tool_path.NOZZLE_WAIT_BOTH_WAYS
        add_event(state, events, kind, slots[R], tool)
    else:
        add_event(state, events, tool_path.BED_WAIT if bed else tool_path.NOZZLE_WAIT, math.nan, tool)


@compiled_part
def probe(state: at.State, code: int, events: NDArray[np.float64], notes: NDArray[np.int64]) -> None:
    """Feel the bed: one stop, in however many lines of the same word it is told before anything else happens.

    Such lines begin, store and switch on what is felt once (common practice, no source).
    """
    if state.probed == code and state.stop_pending:
        note(notes, at.NOTE_PROBED_ALREADY, state)
        return
    add_event(state, events, tool_path.PROBING, 0.0, 0)
    state.probed = code


@compiled_part
def act(
    state: at.State,
    meaning: int,
    value: float,
    mask: int,
    slots: NDArray[np.float64],
    events: NDArray[np.float64],
    notes: NDArray[np.int64],
) -> None:
    """Carry out one command that makes no move.

    `value` is the number after the command's letter; `mask` has a bit a word letter (bare ones included), `slots` the
    words' numbers. May set STATUS to STATUS_ERROR.
    """
    if meaning == words.PLANE_XY or meaning == words.PLANE_ZX or meaning == words.PLANE_YZ:
        state.plane = meaning - words.PLANE_XY
    elif meaning == words.INCH:
        set_units(state, 25.4)
    elif meaning == words.MILLIMETRE:
        set_units(state, 1.0)
    elif meaning == words.ABSOLUTE:
        state.is_relative = False
    elif meaning == words.RELATIVE:
        state.is_relative = True
    elif meaning == words.E_ABSOLUTE:
        state.is_e_relative = False
    elif meaning == words.E_RELATIVE:
        state.is_e_relative = True
    elif meaning == words.FEED_PER_MINUTE or meaning == words.FEED_INVERSE or meaning == words.FEED_PER_TURN:
        state.feed_mode = meaning - words.FEED_PER_MINUTE
    elif meaning == words.PROBE:
        probe(state, round(value * 10), events, notes)
    elif meaning == words.FINISH:
        add_event(state, events, tool_path.FINISH, 0.0, 0)
    elif meaning == words.NO_MOTION:
        if state.strict:
            state.motion = words.NO_MOTION
    elif meaning == words.PROGRAM_END:
        state.ended = True
    elif meaning == words.TOOL:
        use_tool(state, events, round(value))
    elif meaning == words.TOOL_CHANGE:
        if mask & (1 << T):
            use_tool(state, events, round(slots[T]))
    elif meaning == words.DWELL:
        dwell(state, mask, slots, events, notes)
    elif meaning == words.HOME:
        homed = home(state, mask)
        state.last_kind = -1  # what is printed next begins somewhere else
        add_event(state, events, tool_path.HOMING, 0.0, homed)
    elif meaning == words.RENAME:
        rename(state, mask, slots)
    elif meaning == words.FEED_OVERRIDE or meaning == words.FLOW_OVERRIDE:
        if mask & (1 << S) and slots[S] > 0.0:
            if meaning == words.FEED_OVERRIDE:
                state.feed_share = slots[S] / 100.0
            else:
                state.flow_share = slots[S] / 100.0
        else:
            note(notes, at.NOTE_OVERRIDE, state)
    elif meaning == words.PAUSE:
        add_event(state, events, tool_path.PAUSE, 0.0, 0)
    elif meaning >= words.SET_NOZZLE and meaning <= words.WAIT_BED:
        heat(state, meaning, mask, slots, events)
