"""What the words of a job file mean, as data: two dialects built in.

`extrusion` follows trade usage with the arithmetic of the standard; `rs274` follows NIST (Kramer, Proctor and Messina,
The NIST RS274NGC Interpreter - Version 3, NISTIR 6556, 2000).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, nearest

CODES = 10_000  # a code is ten times its number: G92.1 is 921

# Meanings. Below PLAIN: motion. From PLAIN on: modes without words. From TAKES_WORDS on: words after them are theirs.
RAPID, LINE, ARC_CLOCKWISE, ARC_COUNTER = 0, 1, 2, 3
PLAIN = 10
PLANE_XY, PLANE_ZX, PLANE_YZ = 10, 11, 12
INCH, MILLIMETRE, ABSOLUTE, RELATIVE, E_ABSOLUTE, E_RELATIVE = 13, 14, 15, 16, 17, 18
NO_EFFECT_MODE, PROGRAM_END, TOOL = 19, 20, 21
TAKES_WORDS = 30
DWELL, HOME, RENAME, FEED_OVERRIDE, FLOW_OVERRIDE, PAUSE = 30, 31, 32, 33, 34, 35
SET_NOZZLE, SET_BED, WAIT_NOZZLE, WAIT_BED = 36, 37, 38, 39
NO_EFFECT, MESSAGE, TOOL_CHANGE, FEED, UNKNOWN = 40, 41, 42, 43, 50

MEANINGS: Mapping[str, int] = MappingProxyType(
    {
        "rapid": RAPID,
        "line": LINE,
        "arc clockwise": ARC_CLOCKWISE,
        "arc counter-clockwise": ARC_COUNTER,
        "plane XY": PLANE_XY,
        "plane ZX": PLANE_ZX,
        "plane YZ": PLANE_YZ,
        "inch": INCH,
        "millimetre": MILLIMETRE,
        "absolute": ABSOLUTE,
        "relative": RELATIVE,
        "extruder absolute": E_ABSOLUTE,
        "extruder relative": E_RELATIVE,
        "mode without effect on time": NO_EFFECT_MODE,
        "program end": PROGRAM_END,
        "dwell": DWELL,
        "home": HOME,
        "rename position": RENAME,
        "feed override": FEED_OVERRIDE,
        "flow override": FLOW_OVERRIDE,
        "pause": PAUSE,
        "nozzle target": SET_NOZZLE,
        "bed target": SET_BED,
        "nozzle wait": WAIT_NOZZLE,
        "bed wait": WAIT_BED,
        "no effect on time": NO_EFFECT,
        "message": MESSAGE,
        "tool change": TOOL_CHANGE,
    }
)


@dataclass(frozen=True)
class Dialect:
    """What each G and M word means, and the few rules in which the dialects differ.

    `words` maps a word such as "G92" to a key of MEANINGS. `strict`: what is not allowed is an error, words act in the
    order of NISTIR 6556 Table 8, blanks inside numbers are ignored, `;` marks no comment and G0 has no commanded speed.
    `dwell_p_seconds`: what one unit of the P of a dwell is (s).
    """

    name: str
    words: Mapping[str, str] = field(repr=False)
    strict: bool = False
    dwell_p_seconds: float = 0.001

    def _table(self, letter: str) -> NDArray[np.int64]:
        table = np.full(CODES, UNKNOWN, dtype=np.int64)
        for word, meaning in self.words.items():
            if word[0] == letter:
                table[round(10 * float(word[1:]))] = MEANINGS[meaning]
        return table

    @cached_property
    def meanings(self) -> NDArray[np.int64]:
        """Meaning of every G code (row 0) and M code (row 1), indexed by ten times its number."""
        return np.stack([self._table("G"), self._table("M")])


_SHARED = {
    "G0": "rapid",
    "G1": "line",
    "G2": "arc clockwise",
    "G3": "arc counter-clockwise",
    "G4": "dwell",
    "G17": "plane XY",
    "G18": "plane ZX",
    "G19": "plane YZ",
    "G20": "inch",
    "G21": "millimetre",
    "G28": "home",
    "G90": "absolute",
    "G91": "relative",
    "G92": "rename position",
    "M0": "pause",
    "M1": "pause",
    "M2": "program end",
    "M6": "tool change",
    "M30": "program end",
} | dict.fromkeys(
    ("G40", "G49", "G54", "G55", "G56", "G57", "G58", "G59", "G61", "G61.1", "G64", "G80", "G94", "G98", "G99"),
    "mode without effect on time",
)

EXTRUSION = Dialect(
    "extrusion",
    MappingProxyType(
        _SHARED
        | {
            "M82": "extruder absolute",
            "M83": "extruder relative",
            "M104": "nozzle target",
            "M109": "nozzle wait",
            "M117": "message",
            "M118": "message",
            "M140": "bed target",
            "M190": "bed wait",
            "M220": "feed override",
            "M221": "flow override",
        }
        # Spindle and coolant, motors on and off, reports, fans, the line counter: nothing waits for them.
        | dict.fromkeys(
            ("M3", "M4", "M5", "M7", "M8", "M9", "M17", "M18", "M84", "M105", "M106", "M107", "M110", "M114", "M115"),
            "no effect on time",
        )
    ),
)

RS274 = Dialect(
    "rs274",
    MappingProxyType(
        _SHARED | dict.fromkeys(("M3", "M4", "M5", "M7", "M8", "M9", "M48", "M49"), "mode without effect on time")
    ),
    strict=True,
    dwell_p_seconds=1.0,
)

DIALECTS: Mapping[str, Dialect] = MappingProxyType({"extrusion": EXTRUSION, "rs274": RS274})


def dialect_named(name: str) -> Dialect:
    """The built-in dialect of that name; raises InputError with the nearest name."""
    if name not in DIALECTS:
        raise InputError.at("--dialect", f"unknown dialect {name!r}", ", ".join(DIALECTS), nearest(name, DIALECTS))
    return DIALECTS[name]
