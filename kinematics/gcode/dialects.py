"""What the words of a job file mean, as data: two dialects built in.

`extrusion` follows trade usage with the arithmetic of the standard; `rs274` follows NIST (Kramer, Proctor and Messina,
The NIST RS274NGC Interpreter - Version 3, NISTIR 6556, 2000).
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, nearest
from kinematics.toml.sections import TEXT, Section, key, not_blank

CODES = 10_000  # a code is ten times its number: G92.1 is 921

# Meanings. Below PLAIN: motion. From PLAIN on: modes without words. From TAKES_WORDS on: words after them are theirs.
RAPID, LINE, ARC_CLOCKWISE, ARC_COUNTER = 0, 1, 2, 3
PLAIN = 10
PLANE_XY, PLANE_ZX, PLANE_YZ = 10, 11, 12
INCH, MILLIMETRE, ABSOLUTE, RELATIVE, E_ABSOLUTE, E_RELATIVE = 13, 14, 15, 16, 17, 18
NO_EFFECT_MODE, PROGRAM_END, TOOL = 19, 20, 21
FEED_PER_MINUTE, FEED_INVERSE, FEED_PER_TURN, NO_MOTION = 22, 23, 24, 25
TAKES_WORDS = 30
DWELL_WORD, HOME, RENAME, FEED_OVERRIDE, FLOW_OVERRIDE, PAUSE_WORD = 30, 31, 32, 33, 34, 35
SET_NOZZLE, SET_BED, WAIT_NOZZLE, WAIT_BED = 36, 37, 38, 39
NO_EFFECT, MESSAGE, TOOL_WORD, FEED, LIMIT_WORD, PROBE, RETRACT, UNRETRACT, FINISH_WORD = (
    40,
    41,
    42,
    43,
    44,
    45,
    46,
    47,
    48,
)
RETRACT_OR_HEAT = 49
UNKNOWN = 50

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
        "dwell": DWELL_WORD,
        "home": HOME,
        "rename position": RENAME,
        "feed override": FEED_OVERRIDE,
        "flow override": FLOW_OVERRIDE,
        "pause": PAUSE_WORD,
        "nozzle target": SET_NOZZLE,
        "bed target": SET_BED,
        "nozzle wait": WAIT_NOZZLE,
        "bed wait": WAIT_BED,
        "no effect on time": NO_EFFECT,
        "message": MESSAGE,
        "tool change": TOOL_WORD,
        "feed a minute": FEED_PER_MINUTE,
        "feed by inverse time": FEED_INVERSE,
        "feed a turn": FEED_PER_TURN,
        "limit": LIMIT_WORD,
        "probe": PROBE,
        "retract": RETRACT,
        "undo retraction": UNRETRACT,
        "retract, or nozzle target": RETRACT_OR_HEAT,
        "finish moves": FINISH_WORD,
        "no motion": NO_MOTION,
    }
)

# Modal groups of NISTIR 6556, Table 4: one of each a line. Group 0 has no mode.
GROUPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "non-modal": ("G4", "G10", "G28", "G30", "G53", "G92", "G92.1", "G92.2", "G92.3"),
        "motion": ("G0", "G1", "G2", "G3", "G38.2", *(f"G{code}" for code in range(80, 90))),
        "plane": ("G17", "G18", "G19"),
        "distance": ("G90", "G91"),
        "feed": ("G93", "G94"),
        "units": ("G20", "G21"),
        "cutter radius": ("G40", "G41", "G42"),
        "tool length": ("G43", "G49"),
        "return": ("G98", "G99"),
        "coordinates": (*(f"G{code}" for code in range(54, 60)), "G59.1", "G59.2", "G59.3"),
        "path": ("G61", "G61.1", "G64"),
        "stopping": ("M0", "M1", "M2", "M30", "M60"),
        "tool": ("M6",),
        "spindle": ("M3", "M4", "M5"),
        "mist": ("M7", "M9"),  # both kinds of coolant may be on at a time
        "flood": ("M8", "M9"),
        "overrides": ("M48", "M49"),
    }
)

# What a job file may state about limits: meaning -> (dotted keys of the machine, unit).
FILE_LIMITS: Mapping[str, tuple[tuple[str, ...], str]] = MappingProxyType(
    {
        "acceleration": (("motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2"), "mm/s2"),
        "print acceleration": (("motion.print_acceleration_mm_s2",), "mm/s2"),
        "travel acceleration": (("motion.travel_acceleration_mm_s2",), "mm/s2"),
        "retraction acceleration": (("retraction.acceleration_mm_s2",), "mm/s2"),
        "junction deviation": (("motion.junction_deviation_mm",), "mm"),
        "speed cap": (("motion.speed_cap_mm_s",), "mm/s"),
        "pressure advance": (("filament.pressure_advance_s",), "s"),
    }
    | {f"{axis} speed": ((f"axes.{axis}.max_speed_mm_s",), "mm/s") for axis in "xyze"}
    | {f"{axis} acceleration": ((f"axes.{axis}.max_acceleration_mm_s2",), "mm/s2") for axis in "xyze"}
    | {f"{axis} step": ((f"motion.speed_step_mm_s.{axis}",), "mm/s") for axis in "xyz"}
    | {"e step": (("motion.extruder_step_mm_s",), "mm/s")}
)
# Limits that may have to be set in a file that is written for the user's controller.
WRITTEN_LIMITS = (
    "print acceleration",
    "travel acceleration",
    "junction deviation",
    *(f"{axis} step" for axis in "xyz"),
    "pressure advance",
    "speed cap",
)
# Factors to the unit of FILE_LIMITS.
LIMIT_UNITS: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "mm/s": MappingProxyType({"mm/s": 1.0, "mm/min": 1.0 / 60.0}),
        "mm/s2": MappingProxyType({"mm/s2": 1.0, "mm/min2": 1.0 / 3600.0}),
        "mm": MappingProxyType({"mm": 1.0, "um": 0.001}),
        "s": MappingProxyType({"s": 1.0, "ms": 0.001}),
    }
)
# What a text command may mean beside the limits.
OTHER_MEANINGS = ("override", "dwell", "pause", "ignore")
# The units of each meaning and their factors: to the unit of FILE_LIMITS, to a factor, to seconds; none has no value.
UNITS_OF: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {means: LIMIT_UNITS[unit] for means, (_, unit) in FILE_LIMITS.items()}
    | {"override": MappingProxyType({"1": 1.0, "%": 0.01}), "dwell": LIMIT_UNITS["s"]}
    | dict.fromkeys(("pause", "ignore"), MappingProxyType({}))
)


MEANS = not_blank("what it means, in quotes")
UNIT = TEXT._replace(allowed='a unit in quotes, such as "mm/s2"')
PATTERN = not_blank("a regular expression in 'single quotes'")


class LimitWord(Section):
    """[[limit]]: letter `letter` of `word` states the limit `means`, in `unit`.

    Where `beside` names a letter, only in a command that has that one as well; where `without` does, only in one that
    lacks it. Of several rows for a letter the first that fits holds.
    """

    word: str = key(not_blank('a G or M word in quotes, such as "M204"'))
    letter: str = key(not_blank('a letter in quotes, such as "S"'))
    means: str = key(MEANS)
    unit: str = key(UNIT)
    beside: str = key(not_blank("a letter that stands in the same command, in quotes"), default="")
    without: str = key(not_blank("a letter that does not, in quotes"), default="")

    def fits(self, letters: str) -> bool:
        """Whether the row holds in a command with these letters."""
        return self.beside in letters and (not self.without or self.without not in letters)


class TextCommand(Section):
    """[[text]]: a text command of the user's controller, a regular expression with a group `value` where it has one.

    `means` is a key of FILE_LIMITS, or "override" (a factor, unit "1" or "%"), "dwell" (unit s or ms), "pause" or
    "ignore".
    """

    pattern: str = key(PATTERN)
    means: str = key(MEANS)
    unit: str = key(UNIT, default="")


class WriteCommand(Section):
    """[[write]]: the user's own text that sets a limit: `{value}` in `text` stands for the number, in `unit`."""

    means: str = key(MEANS)
    text: str = key(not_blank("text in quotes with {value} in it"))
    unit: str = key(UNIT)


def place_of(word: str) -> tuple[int, int]:
    """Where a word stands in tables of codes: row 0 for G and 1 for M, and ten times its number."""
    return "GM".index(word[0]), round(10 * float(word[1:]))


@dataclass(frozen=True)
class Dialect:
    """What each G and M word means, and the few rules in which the dialects differ.

    `words` maps a word such as "G92" to a key of MEANINGS. `strict`: what is not allowed is an error, words act in the
    order of NISTIR 6556 Table 8, blanks inside numbers are ignored, `;` marks no comment and G0 has no commanded speed.
    `dwell_p_seconds`: what one unit of the P of a dwell is (s). `extruder_letter` moves the filament, by length or,
    where `extruder_is_volume`, by volume (mm³). `limits` are the words that state limits, `texts` the text commands,
    `labels` regular expressions with a group `label` that match comments, `layers` such with a group `layer`; `writes`
    how the user's controller is told a limit.
    """

    name: str
    words: Mapping[str, str] = field(repr=False)
    strict: bool = False
    dwell_p_seconds: float = 0.001
    semicolon_comments: bool = True
    extruder_letter: str = "E"
    extruder_is_volume: bool = False
    limits: tuple[LimitWord, ...] = ()
    texts: tuple[TextCommand, ...] = ()
    labels: tuple[str, ...] = ()
    layers: tuple[str, ...] = ()
    writes: tuple[WriteCommand, ...] = ()

    def __getstate__(self) -> dict[str, object]:
        """What is kept of it in a file: words that cannot be changed could not be, either."""
        return {**vars(self), "words": dict(self.words)}

    @cached_property
    def meanings(self) -> NDArray[np.int64]:
        """Meaning of every G code (row 0) and M code (row 1), indexed by ten times its number."""
        table = np.full((2, CODES), UNKNOWN, dtype=np.int64)
        stated = dict.fromkeys((row.word for row in self.limits), "limit")
        for word, meaning in {**self.words, **stated}.items():
            table[place_of(word)] = MEANINGS[meaning]
        return table

    @cached_property
    def groups(self) -> NDArray[np.int64]:
        """A bit for the modal group of every G code (row 0) and M code (row 1); 0 without one."""
        table = np.zeros((2, CODES), dtype=np.int64)
        for number, members in enumerate(GROUPS.values()):
            for word in members:
                table[place_of(word)] |= 1 << number
        return table


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
    "G93": "feed by inverse time",
    "G94": "feed a minute",
    "M0": "pause",
    "M1": "pause",
    "M2": "program end",
    "M6": "tool change",
    "M30": "program end",
} | dict.fromkeys(
    (
        *("G40", "G49", "G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"),
        *("G61", "G61.1", "G64", "G80", "G98", "G99"),
    ),
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
            "G95": "feed a turn",
            "G10": "retract",
            "G11": "undo retraction",
            "G29": "probe",
            "G30": "probe",
            "G32": "probe",
            "G33": "probe",
            "M25": "pause",
            "M226": "pause",
            "M400": "finish moves",
            "M600": "pause",
        }
        # Spindle and coolant, motors on and off, reports, fans, the line counter: nothing waits for them.
        | dict.fromkeys(
            ("M3", "M4", "M5", "M7", "M8", "M9", "M17", "M18", "M84", "M105", "M106", "M107", "M110", "M114", "M115"),
            "no effect on time",
        )
    ),
    # Units and letters: common practice, no source; a dialect table says otherwise where a controller does.
    limits=(
        *(LimitWord("M201", axis.upper(), f"{axis} acceleration", "mm/s2") for axis in "xyze"),
        *(LimitWord("M203", axis.upper(), f"{axis} speed", "mm/s") for axis in "xyze"),
        LimitWord("M204", "S", "acceleration", "mm/s2"),
        LimitWord("M204", "P", "print acceleration", "mm/s2"),
        LimitWord("M204", "T", "retraction acceleration", "mm/s2", beside="S", without="P"),  # the older meaning
        LimitWord("M204", "T", "travel acceleration", "mm/s2"),
        LimitWord("M204", "R", "retraction acceleration", "mm/s2"),
        *(LimitWord("M205", axis.upper(), f"{axis} step", "mm/s") for axis in "xyze"),
    ),
)

RS274 = Dialect(
    "rs274",
    MappingProxyType(
        _SHARED
        | dict.fromkeys(("M3", "M4", "M5", "M7", "M8", "M9", "M48", "M49"), "mode without effect on time")
        | {"G80": "no motion"}
    ),
    strict=True,
    semicolon_comments=False,
    dwell_p_seconds=1.0,
)

DIALECTS: Mapping[str, Dialect] = MappingProxyType({"extrusion": EXTRUSION, "rs274": RS274})


def dialect_named(name: str) -> Dialect:
    """The built-in dialect of that name; raises InputError with the nearest name."""
    if name not in DIALECTS:
        raise InputError.at("--dialect", f"unknown dialect {name!r}", ", ".join(DIALECTS), nearest(name, DIALECTS))
    return DIALECTS[name]


def compiled_pattern(pattern: str) -> re.Pattern[str]:
    """A dialect's pattern, ready for `fullmatch`. Raises re.error; RecursionError, OverflowError for absurd ones."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # remarks of the regular expressions' own future are not for the user
        return re.compile(pattern, re.IGNORECASE)


def text_from(raw: bytes) -> str:
    """Bytes of a job file as text: UTF-8, or Latin-1 where they are none; never fails."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def readable(text: str) -> str:
    """Text of a job file as it may be shown, blanks around it aside: what cannot be printed becomes a question mark."""
    text = text.strip()
    return text if text.isprintable() else "".join(letter if letter.isprintable() else "?" for letter in text)
