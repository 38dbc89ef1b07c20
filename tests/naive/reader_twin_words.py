"""What the words of a job file mean to the slow twin of the reader: its own tables, written from the rules alone.

Modal groups and letters of the standard: Kramer, Proctor and Messina 2000 (NISTIR 6556), Tables 3 and 4. What M and G
words mean in `extrusion`, and which of their letters state limits: common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

# Kinds of an event.
DWELL, PAUSE, HOMING, PROBING, TOOL_CHANGE, NOZZLE_TARGET, BED_TARGET = 0, 1, 2, 3, 4, 5, 6
NOZZLE_WAIT, BED_WAIT, NOZZLE_WAIT_BOTH_WAYS, BED_WAIT_BOTH_WAYS = 7, 8, 9, 10
FINISH, RETRACTION = 11, 12

OTHER_AXES = "ABCUVW"  # no printer here has them

MOTIONS = ("G0", "G1", "G2", "G3")
PLANES = {"G17": (0, 1, 2, "I", "J"), "G18": (2, 0, 1, "K", "I"), "G19": (1, 2, 0, "J", "K")}
DISTANCES = ("G90", "G91")
UNITS = ("G20", "G21")
STANDARD_FEED_MODES = ("G93", "G94")  # inverse time, length a minute
FEED_MODES = (*STANDARD_FEED_MODES, "G95")  # length a turn of the spindle
FIXTURES = {*(f"G{number}" for number in range(54, 60)), "G59.1", "G59.2", "G59.3"}
QUIET_MODES = {"G40", "G49", "G61", "G61.1", "G64", "G80", "G98", "G99"} | FIXTURES  # change nothing that takes time
HEATERS = {  # target or wait with S, wait with R
    "M104": (NOZZLE_TARGET, NOZZLE_TARGET),
    "M140": (BED_TARGET, BED_TARGET),
    "M109": (NOZZLE_WAIT, NOZZLE_WAIT_BOTH_WAYS),
    "M190": (BED_WAIT, BED_WAIT_BOTH_WAYS),
}
STANDARD_PAUSES = ("M0", "M1")
PAUSES = (*STANDARD_PAUSES, "M25", "M226", "M600")
ENDS = ("M2", "M30")
PROBES = ("G29", "G30", "G32", "G33")
QUIET = {f"M{code}" for code in (3, 4, 5, 6, 7, 8, 9, 17, 18, 84, 105, 106, 107, 110, 114, 115)} | {"M117", "M118"}
# Words in `extrusion` that leave what follows them to another command.
PLAIN = {*PLANES, *UNITS, *DISTANCES, *FEED_MODES, *ENDS, "M82", "M83"} | QUIET_MODES

# A letter of a word that states limits, and which; all in mm and s here.
LIMITS = {
    **{("M201", letter): f"{letter.lower()} acceleration" for letter in "XYZE"},
    **{("M203", letter): f"{letter.lower()} speed" for letter in "XYZE"},
    **{("M205", letter): f"{letter.lower()} step" for letter in "XYZE"},
    ("M204", "S"): "acceleration",
    ("M204", "P"): "print acceleration",
    ("M204", "T"): "travel acceleration",  # unless S stands beside it, and no P
    ("M204", "R"): "retraction acceleration",
}
LIMIT_WORDS = {word for word, _ in LIMITS}

# The standard: at most one of each set on a line (3.3.5, Table 4; M7 and M8 may be on together).
GROUPS = (
    {"G4", "G28", "G92"},
    {*MOTIONS, "G80"},
    set(PLANES),
    set(DISTANCES),
    set(STANDARD_FEED_MODES),
    set(UNITS),
    {"G98", "G99"},
    {"G61", "G61.1", "G64"},
    FIXTURES,
    {*STANDARD_PAUSES, *ENDS},
    {"M3", "M4", "M5"},
    {"M7", "M9"},
    {"M8", "M9"},
    {"M48", "M49"},
)
STANDARD_WORDS = set().union(*GROUPS) | {"G40", "G49", "M6"}
STANDARD_LETTERS = set("DEFGHIJKLMNPQRSTXYZ")  # E is an extension of the standard; A, B and C are no axes of a printer
LONGEST_LINE = 256
MOST_M_WORDS = 4


class NaiveLimit(NamedTuple):
    """A limit that the file states before move number `move`: what it means, its value (mm, s), its line."""

    move: int
    means: str
    value: float
    line: int
