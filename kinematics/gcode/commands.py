"""Which commands stand on a line, which words are whose, and what each does to the state.

Motion apart, which `interpreter` does inline, since it is nearly all.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import dialects as words
from kinematics.gcode import moves as tool_path
from kinematics.gcode import state as codes
from kinematics.gcode.scanning import (
    AXIS_LETTERS,
    COMMAND_LETTERS,
    MOTION_WORDS,
    NO_LETTERS,
    OTHER_AXES,
    E,
    F,
    G,
    M,
    P,
    R,
    S,
    T,
    W,
    X,
)

EVERY_AXIS = AXIS_LETTERS | OTHER_AXES | (1 << E)
TOO_LARGE = 1e9  # no machine goes there, and numbers of this size are slips
SLOWEST_FEED = 1.0  # mm/min: nothing that prints is fed more slowly
STANDING_FEED = 0.01  # mm/min: below it nothing moves that anybody would wait for, and F counts as F0
STANDING_FREQUENCY = 1e-4  # commands a minute under G93: a week each
LEAST_PERCENT, MOST_PERCENT = 0.01, 1e6  # overrides beyond these are slips
TOO_LARGE_BIT = 1 << 26  # beside the 26 letters
CODE_TOLERANCE = 0.0001 + 1e-9  # of a number where a code is needed (NISTIR 6556, 3.3.2.1)
NO_OWNER = -1
DAMAGED = -1


@compiled_part
def note(notes: NDArray[np.int64], row: int, state: codes.State) -> None:
    """Count the present line as one more of a kind of doubtful input; once, however often it stands there."""
    line = state.line
    if notes[row, codes.NOTE_LAST] == line:
        return
    if notes[row, codes.NOTE_COUNT] == 0:
        notes[row, codes.NOTE_LINE] = line
        notes[row, codes.NOTE_OFFSET] = state.offset
    notes[row, codes.NOTE_COUNT] += 1
    notes[row, codes.NOTE_LAST] = line
    state.noted += 1


@compiled_part
def note_named(notes: NDArray[np.int64], key: int, other: int, state: codes.State) -> None:
    """Count the present line under a key; under the row `other` where there are too many keys already."""
    row = codes.NOTE_NAMED + key % codes.NAMES
    for _ in range(codes.NAMES):
        if notes[row, codes.NOTE_KEY] == key or notes[row, codes.NOTE_COUNT] == 0:
            notes[row, codes.NOTE_KEY] = key
            note(notes, row, state)
            return
        row = row + 1 if row + 1 < codes.NOTE_ROWS else codes.NOTE_NAMED
    note(notes, other, state)


@compiled_part
def note_code(notes: NDArray[np.int64], value: float, is_m: bool, state: codes.State) -> None:
    """Count a G or M word that is not understood."""
    tenfold = (
        round(value * 10) if abs(value) < TOO_LARGE else (codes.BEYOND_NAMING if value > 0.0 else -codes.BEYOND_NAMING)
    )
    if tenfold >= 0 and tenfold < words.CODES:
        note(notes, tenfold + (codes.NOTE_M if is_m else codes.NOTE_G), state)
    else:
        key = codes.CODE_KEY + (codes.M_KEY if is_m else 0) + codes.CODE_MIDDLE + tenfold
        note_named(notes, key, codes.NOTE_TEXT, state)


@compiled_part
def note_letters(notes: NDArray[np.int64], mask: int, state: codes.State) -> None:
    """Count a move with letters of axes that are not read, by the letters that the file has."""
    for letter in range(26):
        if mask & (1 << letter):
            note(notes, codes.NOTE_LETTER + (E if letter == state.extruder else letter), state)


@compiled_part
def fail(state: codes.State, error: int) -> None:
    """Stop reading at this line."""
    state.status = codes.STATUS_ERROR
    state.error = error
    state.error_line = state.line
    state.error_offset = state.offset


@compiled_part
def add_event(state: codes.State, events: NDArray[np.float64], kind: int, value: float, tool: int) -> None:
    """Append an event at the present place; all but heater targets bring motion to rest."""
    i = state.events
    events[i, codes.EVENT_MOVE] = state.moves
    events[i, codes.EVENT_KIND] = kind
    events[i, codes.EVENT_VALUE] = value
    events[i, codes.EVENT_TOOL] = tool
    events[i, codes.EVENT_LINE] = state.line
    state.events = i + 1
    if kind != tool_path.NOZZLE_TARGET and kind != tool_path.BED_TARGET and kind < tool_path.LIMIT:
        state.stop_pending = True
        state.probed = 0


@compiled_part
def note_text(state: codes.State, events: NDArray[np.float64], notes: NDArray[np.int64], kind: int, key: int) -> None:
    """Count a line that is no G-code, text under its key, and keep it for the dialect's patterns where it has any."""
    if kind == codes.NOTE_TEXT:
        note_named(notes, key, kind, state)
    else:
        note(notes, kind, state)
    if state.keeps_text:
        add_event(state, events, tool_path.TEXT_LINE, float(state.offset), key if kind == codes.NOTE_TEXT else kind)


@compiled_part
def set_feed(state: codes.State, notes: NDArray[np.int64], value: float) -> None:
    """Take an F word: file units a minute, moves a minute under G93; under G95 it is passed over."""
    per_minute = state.feed_mode == codes.PER_MINUTE
    amount = value * state.scale if per_minute else value
    if not amount >= (STANDING_FEED if per_minute else STANDING_FREQUENCY):
        if state.strict:
            fail(state, codes.ERROR_FEED_NOT_POSITIVE)
        else:
            note(notes, codes.NOTE_FEED_NOT_POSITIVE, state)
    elif per_minute:
        state.feed = amount
        if amount < SLOWEST_FEED and not state.strict:
            note(notes, codes.NOTE_FEED_TINY, state)
    elif state.feed_mode == codes.INVERSE_TIME:
        state.frequency = value


@compiled_part
def use_tool(state: codes.State, events: NDArray[np.float64], tool: int) -> None:
    """Take a tool into use; the first one named and the one in use already are no stop."""
    if state.tool >= 0 and state.tool != tool:
        add_event(state, events, tool_path.TOOL_CHANGE, float(tool), 0)
    state.tool = tool


@compiled_part
def home(state: codes.State, mask: int) -> int:
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
def rename(state: codes.State, mask: int, slots: NDArray[np.float64]) -> None:
    """G92: the present place reads as told; with no word every axis reads 0 (strict: an error)."""
    every = mask & EVERY_AXIS == 0
    if every and state.strict:
        fail(state, codes.ERROR_RENAME_NOTHING)
        return
    for k in range(3):
        if every or mask & (1 << (X + k)):
            state.shift[k] = state.place[k] - (0.0 if every else slots[X + k] * state.scale)
    if every or mask & (1 << E):
        state.reading = 0.0 if every else slots[E] * state.filament_scale


@compiled_part
def state_limits(
    state: codes.State, code: int, mask: int, slots: NDArray[np.float64], events: NDArray[np.float64]
) -> None:
    """Note every word of a command that states limits; `code` as in `moves.LIMIT`."""
    first = tool_path.FIRST_OF_COMMAND
    for letter in range(26):
        if mask & (1 << letter):
            add_event(state, events, tool_path.LIMIT, slots[letter], letter + 32 * code + first)
            first = 0


@compiled_part
def dwell(
    state: codes.State,
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
            fail(state, codes.ERROR_DWELL)
            return
        note(notes, codes.NOTE_EMPTY_DWELL, state)
        seconds = 0.0
    add_event(state, events, tool_path.DWELL, seconds, 0)


@compiled_part
def heat(state: codes.State, meaning: int, mask: int, slots: NDArray[np.float64], events: NDArray[np.float64]) -> None:
    """Heater targets and waits; a wait with R waits for cooling down as well, one for 0 degrees or less for nothing."""
    tool = int(slots[T]) if mask & (1 << T) else 0
    bed = int(meaning == words.SET_BED or meaning == words.WAIT_BED)  # each kind of the bed comes after the nozzle's
    letter = R if mask & (1 << R) and not mask & (1 << S) else S
    told = slots[letter] if mask & (1 << letter) else math.nan
    if meaning == words.SET_NOZZLE or meaning == words.SET_BED:
        if mask & (1 << S):
            add_event(state, events, tool_path.NOZZLE_TARGET + bed, told, tool)
    elif told <= 0.0:
        add_event(state, events, tool_path.NOZZLE_TARGET + bed, 0.0, tool)
    else:
        kind = tool_path.NOZZLE_WAIT if letter == S else tool_path.NOZZLE_WAIT_BOTH_WAYS
        add_event(state, events, kind + bed, told, tool)


@compiled_part
def probe(state: codes.State, code: int, events: NDArray[np.float64], notes: NDArray[np.int64]) -> None:
    """Feel the bed: one stop, in however many lines of the same word it is told before anything else happens.

    Such lines begin, store and switch on what is felt once (common practice, no source).
    """
    if state.probed == code and state.stop_pending:
        note(notes, codes.NOTE_PROBED_ALREADY, state)
        return
    add_event(state, events, tool_path.PROBING, 0.0, 0)
    state.probed = code


@compiled_part
def act(
    state: codes.State,
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
    elif meaning == words.INCH or meaning == words.MILLIMETRE:
        state.scale = 25.4 if meaning == words.INCH else 1.0
        if not state.e_is_volume:
            state.filament_scale = state.scale
    elif meaning == words.ABSOLUTE or meaning == words.RELATIVE:
        state.is_relative = meaning == words.RELATIVE
    elif meaning == words.E_ABSOLUTE or meaning == words.E_RELATIVE:
        state.is_e_relative = meaning == words.E_RELATIVE
    elif meaning == words.FEED_PER_MINUTE or meaning == words.FEED_INVERSE or meaning == words.FEED_PER_TURN:
        state.feed_mode = meaning - words.FEED_PER_MINUTE
    elif meaning == words.PROBE:
        probe(state, round(value * 10), events, notes)
    elif meaning == words.FINISH_WORD or meaning == words.PAUSE_WORD:
        add_event(state, events, tool_path.FINISH if meaning == words.FINISH_WORD else tool_path.PAUSE, 0.0, 0)
    elif meaning == words.NO_MOTION and state.strict:
        state.motion = words.NO_MOTION
    elif meaning == words.PROGRAM_END:
        state.ended = True
    elif meaning == words.TOOL:
        use_tool(state, events, round(value))
    elif meaning == words.TOOL_WORD and mask & (1 << T):
        use_tool(state, events, round(slots[T]))
    elif meaning == words.DWELL_WORD:
        dwell(state, mask, slots, events, notes)
    elif meaning == words.HOME:
        homed = home(state, mask)
        state.last_kind = -1  # what is printed next begins somewhere else
        add_event(state, events, tool_path.HOMING, 0.0, homed)
    elif meaning == words.RENAME:
        rename(state, mask, slots)
    elif meaning == words.FEED_OVERRIDE or meaning == words.FLOW_OVERRIDE:
        if not mask & (1 << S) or slots[S] < LEAST_PERCENT or slots[S] > MOST_PERCENT:
            note(notes, codes.NOTE_OVERRIDE, state)
        elif meaning == words.FEED_OVERRIDE:
            state.feed_share = slots[S] / 100.0
        else:
            state.flow_share = slots[S] / 100.0
    elif meaning >= words.SET_NOZZLE and meaning <= words.WAIT_BED:
        heat(state, meaning, mask, slots, events)


@compiled_part
def needs_numbers(meaning: int) -> bool:
    """Whether a command that makes no move takes numbers that tell a time, a place, a limit or a tool."""
    return (
        meaning == words.RENAME
        or meaning == words.DWELL_WORD
        or meaning == words.LIMIT_WORD
        or meaning == words.TOOL
        or meaning == words.TOOL_WORD
        or (meaning >= words.FEED_OVERRIDE and meaning <= words.WAIT_BED and meaning != words.PAUSE_WORD)
    )


@compiled_part
def meaning_of(value: float, meanings: NDArray[np.int64]) -> int:
    """The meaning of a code; numbers are matched to the tenth, and none leads out of the table."""
    code = round(value * 10) if abs(value) < 1000.0 else -1
    return int(meanings[code]) if 0 <= code < words.CODES else words.UNKNOWN


@compiled_part
def commands_of_line(
    letters: NDArray[np.int64],
    values: NDArray[np.float64],
    count: int,
    owners: NDArray[np.int64],
    meant: NDArray[np.int64],
    heads: NDArray[np.int64],
    g_meanings: NDArray[np.int64],
    m_meanings: NDArray[np.int64],
    motion: int,
) -> int:
    """Give every word of a line to a command; return the number of commands, 0 for no command, −1 for a damaged line.

    `letters` holds 0 to 25, or −1 − letter for a bare one. A word belongs to the last command before it that takes
    words, else to the motion in force, which then acts where its first word stands. A T after a command that takes
    words, a motion apart, is a word of it.
    """
    commands = 0
    taker = NO_OWNER
    # A motion may hold no bare letter; a line without command or usable word is text.
    told = usable = has_bare = False
    for k in range(count):
        letter = letters[k]
        owners[k] = NO_OWNER
        meaning = NO_OWNER
        if letter == G:
            meaning = meaning_of(values[k], g_meanings)
        elif letter == M:
            meaning = meaning_of(values[k], m_meanings)
        elif letter == T and (taker == NO_OWNER or meant[taker] < words.PLAIN):
            meaning = words.TOOL
        if meaning != NO_OWNER:
            told = True
            meant[commands] = meaning
            heads[commands] = k
            if meaning < words.PLAIN or meaning >= words.TAKES_WORDS:
                taker = commands
            commands += 1
            continue
        if taker == NO_OWNER:
            taker = commands
            meant[commands] = motion
            heads[commands] = k
            commands += 1
        owners[k] = taker
        if meant[taker] < words.PLAIN:
            has_bare |= letter < 0
            usable |= letter >= 0 and (MOTION_WORDS | OTHER_AXES) & (1 << letter) != 0
    if not told and not usable:
        return 0
    return DAMAGED if has_bare else commands


@compiled_part
def words_of_command(
    letters: NDArray[np.int64],
    values: NDArray[np.float64],
    count: int,
    owners: NDArray[np.int64],
    command: int,
    takes_bare: bool,
    slots: NDArray[np.float64],
    notes: NDArray[np.int64],
    state: codes.State,
) -> int:
    """Fill the slots with one command's words; return a bit a letter, and TOO_LARGE_BIT where a number is too large.

    Bare letters count as 0 where `takes_bare`, else not at all; a bare W never: it is a setting of homing, no axis
    (common practice, no source). Of a word given twice the last counts, and is noted.
    """
    mask = int(np.int64(0))
    for k in range(count):
        if owners[k] != command:
            continue
        letter = letters[k]
        value = values[k]
        if letter < 0:
            if not takes_bare:
                continue
            letter = -1 - letter
            value = 0.0
            if letter == W and state.extruder != W:
                continue
        if mask & (1 << letter):
            note(notes, codes.NOTE_REPEATED_WORD, state)
        mask |= 1 << letter
        slots[letter] = value
        if abs(value) >= TOO_LARGE:
            mask |= TOO_LARGE_BIT
    return mask


# Place of each meaning in the order of execution of NISTIR 6556, Table 8; those without a line of their own come last.
_IN_ORDER = (
    (words.FEED_PER_MINUTE, words.FEED_INVERSE, words.FEED_PER_TURN),
    (words.FEED,),
    (words.TOOL,),
    (words.TOOL_WORD,),
    (words.NO_EFFECT_MODE, words.NO_EFFECT),
    (words.DWELL_WORD,),
    (words.PLANE_XY, words.PLANE_ZX, words.PLANE_YZ),
    (words.INCH, words.MILLIMETRE),
    (words.ABSOLUTE, words.RELATIVE),
    (words.HOME, words.RENAME),
    (*range(words.PLAIN), words.NO_MOTION),
)
RANK = np.full(words.UNKNOWN + 1, len(_IN_ORDER))
for _rank, _meanings in enumerate(_IN_ORDER):
    RANK[[*_meanings]] = _rank


@compiled_part
def strict_commands(
    letters: NDArray[np.int64],
    values: NDArray[np.float64],
    count: int,
    owners: NDArray[np.int64],
    meant: NDArray[np.int64],
    heads: NDArray[np.int64],
    g_meanings: NDArray[np.int64],
    m_meanings: NDArray[np.int64],
    groups: NDArray[np.int64],
    motion: int,
) -> int:
    """The commands of a line in the order of NISTIR 6556, Table 8, and its words with them.

    `groups` (int64[2, 10000]) holds a bit for the modal group of every G and M code. Returns the number of commands, or
    minus an error code. Axis words go to G28 or G92 where one stands on the line,
    else to the motion named or in force; P to the dwell; F acts first. Words that no command uses are dropped.
    """
    seen = 0
    used = 0
    m_words = 0
    commands = 0
    motions = 0
    claimers = 0
    cancelled = False
    for k in range(count):
        letter = letters[k]
        if letter < 0:
            return -codes.ERROR_TEXT
        meaning = NO_OWNER
        if letter == G or letter == M:
            tenfold = 10.0 * values[k]
            if abs(tenfold - round(tenfold)) > 10.0 * CODE_TOLERANCE:
                return -codes.ERROR_NOT_WHOLE
            meaning = meaning_of(values[k], g_meanings if letter == G else m_meanings)
            if meaning == words.UNKNOWN:
                return -codes.ERROR_UNKNOWN
            group = groups[0 if letter == G else 1, round(tenfold)]
            if used & group:
                return -codes.ERROR_TWO_MOTIONS
            used |= group
            m_words += letter == M
            if m_words > 4:
                return -codes.ERROR_TOO_MANY_M
            if meaning < words.PLAIN:
                motions += 1
            cancelled |= meaning == words.NO_MOTION
            if meaning == words.HOME or meaning == words.RENAME:
                claimers += 1
        else:
            if seen & (1 << letter):
                return -codes.ERROR_REPEATED_WORD
            if NO_LETTERS & (1 << letter):
                return -codes.ERROR_TEXT
            seen |= 1 << letter
            if letter == T:
                meaning = words.TOOL
            elif letter == F:
                meaning = words.FEED
        if meaning != NO_OWNER:
            meant[commands] = meaning
            heads[commands] = k
            commands += 1
    moving_words = seen & (AXIS_LETTERS | (1 << E))
    if motions + claimers > 1 and moving_words:
        return -codes.ERROR_AXES_CLAIMED_TWICE
    if motions == 0 and claimers == 0 and moving_words:
        if motion == words.NO_MOTION or cancelled:
            return -codes.ERROR_NO_MOTION
        meant[commands] = motion
        heads[commands] = 0
        commands += 1
    for i in range(1, commands):
        meaning, word = meant[i], heads[i]
        j = i
        while j > 0 and RANK[meant[j - 1]] > RANK[meaning]:
            meant[j], heads[j] = meant[j - 1], heads[j - 1]
            j -= 1
        meant[j], heads[j] = meaning, word
    for k in range(count):
        letter = letters[k]
        owners[k] = NO_OWNER
        for command in range(commands):
            meaning = meant[command]
            claims = meaning == words.HOME or meaning == words.RENAME or (meaning < words.PLAIN and claimers == 0)
            if letter == P or letter == S:
                claims = meaning == words.DWELL_WORD
            if claims and not (COMMAND_LETTERS | (1 << F)) & (1 << letter):
                owners[k] = command
    return commands
