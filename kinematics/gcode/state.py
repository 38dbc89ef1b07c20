"""What the reader keeps from line to line, and what it notes of doubtful input.

The reader's kernels keep the modal state in one record, so that reading can stop at any line and go on later, and take
few, plain arrays beside it: a tuple of arrays costs an atomic reference count for each array that is taken out of it.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from kinematics.gcode.dialects import Dialect

_FIELDS = [
    ("place", np.float64, (3,)),  # x, y, z in the machine's frame (mm)
    ("reading", np.float64),  # what the extruder axis reads, in the file's frame (mm)
    ("shift", np.float64, (3,)),  # of G92: place = reading + shift (mm)
    ("home", np.float64, (3,)),  # mm
    ("low", np.float64, (3,)),  # extent of what is printed (mm)
    ("high", np.float64, (3,)),
    ("scale", np.float64),  # mm a file unit
    ("filament_scale", np.float64),  # mm of filament an E unit
    ("feed", np.float64),  # mm/min, NaN before the first F
    ("frequency", np.float64),  # F under G93: commands a minute
    ("feed_share", np.float64),  # M220 over 100
    ("flow_share", np.float64),  # M221 over 100
    ("dwell_unit", np.float64),  # s a unit of the P of a dwell
    ("arc_tolerance", np.float64),  # mm
    ("retract_length", np.float64),  # of the controller's own retraction (mm, mm/s); NaN where not given
    ("retract_speed", np.float64),
    ("motion", np.int64),  # meaning of the motion in force
    ("plane", np.int64),  # 0 XY, 1 ZX, 2 YZ
    ("feed_mode", np.int64),
    ("tool", np.int64),  # in use; −1 before the first is named
    ("is_relative", np.bool_),
    ("is_e_relative", np.bool_),
    ("retracted", np.bool_),  # by the controller
    ("probed", np.int64),  # ten times the code of the probing that nothing has followed yet; 0: none
    ("ended", np.bool_),  # the program
    ("stop_pending", np.bool_),  # motion is at rest before the next move
    ("last_kind", np.int64),  # of the last move, −1 where what is printed next begins somewhere else
    ("opened", np.int64),  # how the first line that is not empty began
    ("percents", np.int64),  # percent lines so far
    # What the dialect and the reader's options say, which stays.
    ("strict", np.bool_),
    ("semicolons", np.bool_),  # whether they begin comments
    ("block_delete", np.bool_),
    ("e_is_volume", np.bool_),  # whether G20 and G21 leave the unit of E alone
    ("keeps_text", np.bool_),  # whether lines that are no G-code are kept as events, for the dialect's patterns
    ("extruder", np.int64),  # letter of the filament's axis
    # Where reading is.
    ("line", np.int64),  # number, from 1
    ("offset", np.int64),  # of its first byte
    ("resumed", np.int64),  # commands of the line that have acted already, where room ran short amid it
    ("moves", np.int64),
    ("events", np.int64),
    ("first", np.int64),  # number of the move that the first height is of
    ("noted", np.int64),  # how often something was noted since this was last 0
    ("status", np.int64),  # why the kernel returned
    ("error", np.int64),
    ("error_line", np.int64),
    ("error_offset", np.int64),
]
STATE = np.dtype((np.record, np.dtype(_FIELDS, align=True)))
State = Any  # a record of this kind, in kernels and outside

PER_MINUTE, INVERSE_TIME, PER_TURN = 0, 1, 2  # what F says (feed_mode): G94, G93, G95

NOT_OPENED, OPENED_BY_PERCENT, OPENED_WITHOUT = 0, 1, 2  # how the first line that is not empty began (opened)

# Why the kernel returned (status).
STATUS_DONE, STATUS_GROW, STATUS_ERROR = 0, 1, 2

# Doubtful input that is counted.
(
    NOTE_TEXT,
    NOTE_DAMAGED,
    NOTE_REPEATED_WORD,
    NOTE_FEED_NOT_POSITIVE,
    NOTE_NO_FEED,
    NOTE_CHECKSUM,
    NOTE_ARC_RADII,
    NOTE_ARC_IMPOSSIBLE,
    NOTE_ARC_OVERDETERMINED,
    NOTE_EMPTY_DWELL,
    NOTE_AFTER_END,
    NOTE_OVERRIDE,
    NOTE_FEED_WITH_UNITS,
    NOTE_FEED_PER_TURN,
    NOTE_FEED_MISSING,
    NOTE_FEED_TINY,
    NOTE_PROBED_ALREADY,
    NOTE_RETRACTION_WORDS,
    NOTE_MANY_WORDS,
    NOTE_KINDS,
) = range(20)

NOTE_TEXTS = {
    NOTE_TEXT: "no G-code command, not used",
    NOTE_DAMAGED: "damaged line (a number that is none, or a letter without one): not used, nothing moved",
    NOTE_REPEATED_WORD: "word given twice in one command: the last one counts",
    NOTE_FEED_NOT_POSITIVE: "F of 0 or less, or under 0.01 mm a minute: the last F still holds",
    NOTE_NO_FEED: "move before the first F: no commanded speed, the machine's limits alone hold",
    NOTE_CHECKSUM: "checksum that does not fit its line: the line is used as it stands",
    NOTE_ARC_RADII: "arc whose end lies off its circle: cut on the start radius, the last chord goes to the end point",
    NOTE_ARC_IMPOSSIBLE: "arc that cannot exist: replaced by a straight move",
    NOTE_ARC_OVERDETERMINED: "arc with R beside I, J or K: the centre counts",
    NOTE_EMPTY_DWELL: "dwell without a length: counted as 0 s",
    NOTE_AFTER_END: "move after the end of the program, counted all the same",
    NOTE_OVERRIDE: "speed or flow override without an S from 0.01 to 1,000,000 percent: not used",
    NOTE_FEED_PER_TURN: "F in a turn of the spindle (G95): not guessed, the machine's limits alone hold",
    NOTE_FEED_MISSING: "inverse time (G93) without an F of its own: no commanded speed",
    NOTE_FEED_TINY: "F of under 1 mm a minute, used as it stands: is it meant for each turn of a spindle (G95)?",
    NOTE_PROBED_ALREADY: "probing again before anything moved: counted together with the one before as one probing",
    NOTE_RETRACTION_WORDS: "G10 or G11 with words of its own: no retraction, not used",
    NOTE_MANY_WORDS: "line of over 128 words, not used",
    NOTE_FEED_WITH_UNITS: "F on the line of G20 or G21: read in the units before it (NISTIR 6556, Table 8)",
}

# What a strict dialect refuses, and what none can take.
(
    ERROR_NONE,
    ERROR_TEXT,
    ERROR_REPEATED_WORD,
    ERROR_FEED_NOT_POSITIVE,
    ERROR_ARC_RADII,
    ERROR_ARC_TOO_FAR,
    ERROR_ARC_NO_FORM,
    ERROR_ARC_FULL_BY_RADIUS,
    ERROR_ARC_OVERDETERMINED,
    ERROR_ARC_NO_RADIUS,
    ERROR_TWO_MOTIONS,
    ERROR_UNKNOWN,
    ERROR_AXES_CLAIMED_TWICE,
    ERROR_DWELL,
    ERROR_RENAME_NOTHING,
    ERROR_TOO_LARGE,
    ERROR_TOO_MANY_CHORDS,
    ERROR_LINE_LENGTH,
    ERROR_LINE_NUMBER,
    ERROR_COMMENT,
    ERROR_NOT_WHOLE,
    ERROR_TOO_MANY_M,
    ERROR_FEED_MISSING,
    ERROR_PERCENT,
    ERROR_NO_MOTION,
    ERROR_TOO_MANY_TURNS,
) = range(26)

# code -> (what was found, what is allowed)
ERROR_TEXTS = {
    ERROR_TEXT: ("not a line of G-code words", "letters each with a number, and comments in ( )"),
    ERROR_REPEATED_WORD: ("a word given twice", "each letter but G and M once a line (NISTIR 6556, 3.3.5)"),
    ERROR_FEED_NOT_POSITIVE: ("F of 0 or less, or under 0.01 mm a minute", "a positive feed rate"),
    ERROR_ARC_RADII: (
        "arc whose start and end lie at different distances from its centre",
        "a difference of 0.002 mm at most (NISTIR 6556, 3.5.3.2)",
    ),
    ERROR_ARC_TOO_FAR: ("arc whose end lies further away than twice its radius", "|R| of half the distance or more"),
    ERROR_ARC_NO_FORM: (
        "arc without end point or without centre and radius",
        "an axis word of the plane, and R or an offset of the plane (NISTIR 6556, 3.5.3)",
    ),
    ERROR_ARC_FULL_BY_RADIUS: ("arc in radius form that ends where it starts", "the centre form for a full circle"),
    ERROR_ARC_OVERDETERMINED: ("arc with both R and a centre", "one of the two"),
    ERROR_ARC_NO_RADIUS: ("arc with a radius of 0", "a centre away from the start"),
    ERROR_TWO_MOTIONS: ("two commands of one group on a line", "one (NISTIR 6556, 3.3.5)"),
    ERROR_UNKNOWN: ("a word that the dialect does not know", "the words of the dialect (try --dialect extrusion)"),
    ERROR_AXES_CLAIMED_TWICE: ("axis words claimed by two commands", "one command with axis words a line"),
    ERROR_DWELL: ("dwell without P, or with a negative one", "G4 P with seconds (NISTIR 6556, 3.5.4)"),
    ERROR_RENAME_NOTHING: ("G92 without an axis word", "at least one axis word (NISTIR 6556, 3.5.18)"),
    ERROR_TOO_LARGE: ("a number too large for a machine", "numbers below 1e9"),
    ERROR_LINE_LENGTH: ("a line of over 256 characters", "256 characters at most (NISTIR 6556, 3.3)"),
    ERROR_LINE_NUMBER: ("a line number that is none", "N0 to N99999, no sign, first on its line (NISTIR 6556, 3.3.1)"),
    ERROR_COMMENT: ("a comment inside a comment, or one that is not closed", "( ) on one line (NISTIR 6556, 3.3.4)"),
    ERROR_NOT_WHOLE: ("a G or M word between two codes", "a code to within 0.0001 (NISTIR 6556, 3.3.2.1)"),
    ERROR_TOO_MANY_M: ("over four M words on a line", "four at most (NISTIR 6556, 3.3.5)"),
    ERROR_NO_MOTION: ("axis words after G80, with no motion to go by", "G0, G1, G2 or G3 on the line or before it"),
    ERROR_FEED_MISSING: ("a move in inverse time without an F of its own", "F on every G1 to G3 line under G93"),
    ERROR_PERCENT: ("percent lines that do not enclose the program", "% on a line of its own at both ends"),
    ERROR_TOO_MANY_TURNS: ("an arc of over 1,000 turns", "P of 1,000 at most"),
    ERROR_TOO_MANY_CHORDS: ("an arc that needs over 60,000 chords", "a smaller radius or a wider arc tolerance"),
}


# Rows of the notes: the kinds above, then axis letters that no move here has (A = 0), every G code and every M code
# that was not understood, by ten times its number, and what is told apart by a key of its own: text by its first word,
# codes beyond the table.
NOTE_LETTER = NOTE_KINDS
NOTE_G = NOTE_LETTER + 26
NOTE_M = NOTE_G + 10_000
NOTE_NAMED = NOTE_M + 10_000
NAMES = 512
NOTE_ROWS = NOTE_NAMED + NAMES
# Columns of the notes: lines counted, the first one and its byte offset, the last one counted, and the key.
NOTE_COUNT, NOTE_LINE, NOTE_OFFSET, NOTE_LAST, NOTE_KEY, NOTE_COLUMNS = range(6)
# Keys: of text a bit, a hash of its first word, and whether some number follows it; of a code its letter and ten times
# its number.
TEXT_KEY = 1 << 30  # below 2^31, so that the events can hold it
TEXT_HASH = (1 << 29) - 1
CODE_KEY, M_KEY, CODE_MIDDLE = 1 << 40, 1 << 39, 1 << 37
BEYOND_NAMING = 1 << 36  # ten times the number of a code with more digits than anybody can want to read

# Rows of the buffer of real numbers of moves (float64[5, room]). Beside it stand kind (int8), line (int32), stop
# (uint8) and height, the place on z after the move (mm), which is kept for a few moves at a time only.
DX, DY, DZ, DE, SPEED = range(5)
PATH_ROWS = 5
# Columns of the buffer of events (float64[room, 5]), in the order of `moves.Events`.
EVENT_MOVE, EVENT_KIND, EVENT_VALUE, EVENT_TOOL, EVENT_LINE = range(5)
EVENT_COLUMNS = 5


class ReaderOptions(NamedTuple):
    """What reading depends on beside the file: see `reader.read_gcode`."""

    home: tuple[float, float, float] = (0.0, 0.0, 0.0)
    arc_tolerance: float = 0.01
    retract_length: float = math.nan
    retract_speed: float = math.nan
    filament_area: float = math.nan
    block_delete: bool = False


def fresh_state(dialect: Dialect, options: ReaderOptions) -> State:
    """The state before the first line."""
    state: State = np.zeros(1, STATE)[0]
    state.scale = state.feed_share = state.flow_share = state.filament_scale = 1.0
    if dialect.extruder_is_volume:
        state.filament_scale = 1.0 / options.filament_area
    state.feed = math.nan
    state.home = options.home
    state.dwell_unit = dialect.dwell_p_seconds
    state.arc_tolerance = options.arc_tolerance
    state.low, state.high = math.inf, -math.inf
    state.retract_length, state.retract_speed = options.retract_length, options.retract_speed
    state.motion = 1
    state.tool = state.last_kind = -1
    state.strict = dialect.strict
    state.semicolons = dialect.semicolon_comments
    state.extruder = ord(dialect.extruder_letter.upper()) - ord("A")
    state.block_delete = options.block_delete
    state.keeps_text = bool(dialect.texts)
    state.e_is_volume = dialect.extruder_is_volume
    return state
