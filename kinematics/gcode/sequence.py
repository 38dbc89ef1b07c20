"""Which commands stand on a line, in which order they act, and which words are whose."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import dialects as words
from kinematics.gcode import state as at
from kinematics.gcode.commands import TOO_LARGE, note
from kinematics.gcode.letters import AXES, MOTION_WORDS, NO_LETTERS, OTHER_AXES, E, F, G, M, P, S, T, W

TOO_LARGE_BIT = 1 << 26  # beside the 26 letters
CODE_TOLERANCE = 0.0001 + 1e-9  # of a number where a code is needed (NISTIR 6556, 3.3.2.1)
NO_OWNER = -1
DAMAGED = -1


@compiled_part
def takes_words(meaning: int) -> bool:
    """Whether words after a command of this meaning are its own."""
    return meaning < words.PLAIN or meaning >= words.TAKES_WORDS


@compiled_part
def needs_numbers(meaning: int) -> bool:
    """Whether a command that makes no move takes numbers that tell a time, a place, a limit or a tool."""
    return (
        meaning == words.RENAME
        or meaning == words.DWELL
        or meaning == words.LIMIT
        or meaning == words.TOOL
        or meaning == words.TOOL_CHANGE
        or (meaning >= words.FEED_OVERRIDE and meaning <= words.WAIT_BED and meaning != words.PAUSE)
    )


@compiled_part
def meaning_of(value: float, meanings: NDArray[np.int64]) -> int:
    """The meaning of a code; numbers are matched to the tenth, and none leads out of the table."""
    if not abs(value) < 1000.0:
        return words.UNKNOWN
    code = round(value * 10)
    if code < 0 or code >= words.CODES:
        return words.UNKNOWN
    return int(meanings[code])


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
            meant[commands] = meaning
            heads[commands] = k
            if takes_words(meaning):
                taker = commands
            commands += 1
            continue
        if taker == NO_OWNER:
            taker = commands
            meant[commands] = motion
            heads[commands] = k
            commands += 1
        owners[k] = taker
    # A motion may hold no bare letter; a line without command or usable word is text.
    told = False
    usable = False
    has_bare = False
    for k in range(count):
        letter = letters[k]
        owner = owners[k]
        if owner == NO_OWNER:
            told = True
        elif meant[owner] < words.PLAIN:
            if letter < 0:
                has_bare = True
            elif (MOTION_WORDS | OTHER_AXES) & (1 << letter):
                usable = True
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
    state: at.State,
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
            note(notes, at.NOTE_REPEATED_WORD, state)
        mask |= 1 << letter
        slots[letter] = value
        if abs(value) >= TOO_LARGE:
            mask |= TOO_LARGE_BIT
    return mask


@compiled_part
def rank(meaning: int) -> int:
    """Place of a meaning in the order of execution of NISTIR 6556, Table 8."""
    if meaning >= words.FEED_PER_MINUTE and meaning <= words.FEED_PER_TURN:
        return -1
    if meaning == words.FEED:
        return 0
    if meaning == words.TOOL:
        return 1
    if meaning == words.TOOL_CHANGE:
        return 2
    if meaning == words.NO_EFFECT_MODE or meaning == words.NO_EFFECT:
        return 3
    if meaning == words.DWELL:
        return 4
    if meaning == words.PLANE_XY or meaning == words.PLANE_ZX or meaning == words.PLANE_YZ:
        return 5
    if meaning == words.INCH or meaning == words.MILLIMETRE:
        return 6
    if meaning == words.ABSOLUTE or meaning == words.RELATIVE:
        return 7
    if meaning == words.HOME or meaning == words.RENAME:
        return 8
    if meaning < words.PLAIN or meaning == words.NO_MOTION:
        return 9
    return 10  # pause, end of program


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
            return -at.ERROR_TEXT
        meaning = NO_OWNER
        if letter == G or letter == M:
            tenfold = 10.0 * values[k]
            if abs(tenfold - round(tenfold)) > 10.0 * CODE_TOLERANCE:
                return -at.ERROR_NOT_WHOLE
            meaning = meaning_of(values[k], g_meanings if letter == G else m_meanings)
            if meaning == words.UNKNOWN:
                return -at.ERROR_UNKNOWN
            group = groups[0 if letter == G else 1, round(tenfold)]
            if used & group:
                return -at.ERROR_TWO_MOTIONS
            used |= group
            m_words += letter == M
            if m_words > 4:
                return -at.ERROR_TOO_MANY_M
            if meaning < words.PLAIN:
                motions += 1
            cancelled |= meaning == words.NO_MOTION
            if meaning == words.HOME or meaning == words.RENAME:
                claimers += 1
        else:
            if seen & (1 << letter):
                return -at.ERROR_REPEATED_WORD
            if NO_LETTERS & (1 << letter):
                return -at.ERROR_TEXT
            seen |= 1 << letter
            if letter == T:
                meaning = words.TOOL
            elif letter == F:
                meaning = words.FEED
        if meaning != NO_OWNER:
            meant[commands] = meaning
            heads[commands] = k
            commands += 1
    moving_words = seen & (AXES | (1 << E))
    if motions + claimers > 1 and moving_words:
        return -at.ERROR_AXES_CLAIMED_TWICE
    if motions == 0 and claimers == 0 and moving_words:
        if motion == words.NO_MOTION or cancelled:
            return -at.ERROR_NO_MOTION
        meant[commands] = motion
        heads[commands] = 0
        commands += 1
    for i in range(1, commands):
        meaning, word = meant[i], heads[i]
        j = i
        while j > 0 and rank(meant[j - 1]) > rank(meaning):
            meant[j], heads[j] = meant[j - 1], heads[j - 1]
            j -= 1
        meant[j], heads[j] = meaning, word
    for k in range(count):
        letter = letters[k]
        owners[k] = NO_OWNER
        for command in range(commands):
            meaning = meant[command]
            if letter == P or letter == S:
                if meaning == words.DWELL:
                    owners[k] = command
            elif letter != F and letter != G and letter != M and letter != T:
                if meaning == words.HOME or meaning == words.RENAME or (meaning < words.PLAIN and claimers == 0):
                    owners[k] = command
    return commands
