"""The machine that the slow twin of the G-code reader drives: its modes, its place, and the moves it collects.

Units: mm, s, mm/s; mm/min only where the file speaks.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from math import inf, isnan, nan, sqrt
from typing import NamedTuple

from .reader_twin_arcs import INCH, SHORTEST, Circle, Point, Words, chords
from .reader_twin_words import (
    BED_TARGET,
    DISTANCES,
    DWELL,
    ENDS,
    FEED_MODES,
    HEATERS,
    HOMING,
    NOZZLE_TARGET,
    OTHER_AXES,
    PAUSE,
    PAUSES,
    PLANES,
    PROBING,
    QUIET,
    QUIET_MODES,
    RETRACTION,
    TOOL_CHANGE,
    UNITS,
    NaiveLimit,
)

PRINT, TRAVEL, FILAMENT = 0, 1, 2


class NaiveMove(NamedTuple):
    """One move: displacement and filament (mm), speed (mm/s, inf where none is commanded), where it stands, starts."""

    dx: float
    dy: float
    dz: float
    de: float
    speed: float
    kind: int
    line: int
    layer: int
    stop: int
    start: Point = (0.0, 0.0, 0.0)


class NaiveEvent(NamedTuple):
    """One event before move number `move`; `value` seconds, °C or tool number by kind."""

    move: int
    kind: int
    value: float
    tool: int
    line: int


class NaiveJob(NamedTuple):
    """What a file reads as; `counts`, `unknown` and `unused` map a name to (first line, how many lines).

    `stated` are the limits that it states, `unused` words of commands for limits that state none, `texts` the line and
    the next move of every line that is no G-code, `loose` the letters of words for limits that state none.
    """

    moves: list[NaiveMove]
    events: list[NaiveEvent]
    counts: dict[str, tuple[int, int]]
    unknown: dict[str, tuple[int, int]]
    stated: list[NaiveLimit]
    unused: dict[str, tuple[int, int]]
    texts: list[tuple[int, int]]
    loose: dict[str, str]


class NaiveError(Exception):
    """A line that the `rs274` dialect forbids."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(f"line {line}: {text}")
        self.line = line
        self.text = text


class Reading(NamedTuple):
    """What reading depends on beside the file.

    `retraction` length and speed of the controller's own (mm, mm/s; nan where not given); `letter` moves the filament,
    by length or, where `area` (mm²) is given, by volume; lines that begin with `/` are left out where `block_delete`.
    """

    arc_tolerance: float = 0.01
    home: Point = (0.0, 0.0, 0.0)
    retraction: tuple[float, float] = (nan, nan)
    letter: str = "E"
    area: float | None = None
    block_delete: bool = False


class Reader(ABC):
    """The state of the machine that both dialects share, and what commands do to it."""

    radius_allowance = 1.0  # how far beyond 2|R| a chord may reach, as a factor

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.swap = {"E": reading.letter, reading.letter: "E"}  # the letter of the filament is E from here on
        self.moves: list[NaiveMove] = []
        self.events: list[NaiveEvent] = []
        self.counts: dict[str, tuple[int, int]] = {}
        self.unknown: dict[str, tuple[int, int]] = {}
        self.stated: list[NaiveLimit] = []
        self.unused: dict[str, tuple[int, int]] = {}
        self.texts: list[tuple[int, int]] = []
        self.loose: dict[str, str] = {}
        self.last_counted: dict[tuple[str, str], int] = {}
        self.probed = ""  # the word of the probing that nothing has followed yet
        self.line = 0
        self.closed = False  # reading is over
        self.ended = False  # M2 or M30 has been read
        self.resting = False  # an event has stopped motion since the last move
        self.place: Point = (0.0, 0.0, 0.0)
        self.shift = [0.0, 0.0, 0.0]  # place = logical coordinate + shift
        self.filament = 0.0  # logical E
        self.retracted = False  # by the controller
        self.scale = 1.0
        self.relative = False  # G91
        self.filament_relative = False  # M83
        self.flow = 1.0
        self.override = 1.0
        self.feed_mode = "G94"
        self.feed: float | None = None  # mm/min
        self.plane = "G17"
        self.motion = "G1"
        self.tool: int | None = None

    @abstractmethod
    def read_line(self, raw: bytes) -> None:
        """Read one line, without its end."""

    def finish(self) -> None:  # noqa: B027 one of the two dialects has nothing left to do
        """After the last line."""

    @abstractmethod
    def doubt(self, name: str) -> None:
        """Something that the standard forbids and extrusion counts."""

    def count(self, table: str, name: str) -> None:
        """Count the present line under a name in `counts`, `unknown` or `unused`, once however often it is there."""
        if self.last_counted.get((table, name)) != self.line:
            counts: dict[str, tuple[int, int]] = getattr(self, table)
            first, lines = counts.get(name, (self.line, 0))
            counts[name] = (first, lines + 1)
            self.last_counted[table, name] = self.line

    def note(self, name: str) -> None:
        self.count("counts", name)

    def tiny_feed(self) -> None:  # noqa: B027 of the two dialects one has nothing against it
        """F of less than 1 mm a minute."""

    def add_event(self, kind: int, value: float = 0.0, tool: int = 0) -> None:
        self.events.append(NaiveEvent(len(self.moves), kind, value, tool, self.line))
        if kind not in (NOZZLE_TARGET, BED_TARGET):
            self.resting = True
            self.probed = ""

    # --- moves -------------------------------------------------------------------------------------------------

    def set_feed(self, value: float) -> None:
        """F under G94: what it says under the other modes is looked for on the line of the move itself."""
        amount = value * self.scale if self.feed_mode == "G94" else value
        if amount < (0.01 if self.feed_mode == "G94" else 0.0001):  # a week for a move, or more
            self.doubt("feed of zero or less")
        elif self.feed_mode == "G94":
            self.feed = amount
            if self.feed < 1:
                self.tiny_feed()

    def speed(self, path: list[Point], de: float, words: Words) -> float | None:
        """Commanded speed (mm/s) of a command that goes along `path`; inf for none, None before the first F."""
        if self.feed_mode == "G95":
            self.note("feed per turn")
            return inf
        if self.feed_mode == "G93":
            moves_a_minute = words.get("F")
            if moves_a_minute is None or moves_a_minute < 0.0001:
                self.doubt("inverse time without F")
                return inf
            length = 0.0
            for (x, y, z), (u, v, w) in zip([self.place, *path], path, strict=False):
                length += sqrt((u - x) * (u - x) + (v - y) * (v - y) + (w - z) * (w - z))
            if length < SHORTEST:
                length = abs(de)
            return length * moves_a_minute / 60 * self.override
        return None if self.feed is None else self.feed / 60 * self.override

    def go(self, path: list[Point], de: float, speed: float | None) -> None:
        """Straight moves along `path`, the filament spread over them evenly."""
        before = len(self.moves)
        for target in path:
            self.go_straight(target, de / len(path), speed)
        if len(self.moves) > before:
            if speed is None:
                self.note("no feed yet")
            if self.ended:
                self.note("moves after the end")

    def go_straight(self, target: Point, de: float, speed: float | None) -> None:
        """Append the straight move to `target` unless it has neither length nor filament; no speed: none told yet."""
        x, y, z = self.place
        self.place = target
        dx, dy, dz = target[0] - x, target[1] - y, target[2] - z
        if sqrt(dx * dx + dy * dy + dz * dz) < SHORTEST:
            if abs(de) < SHORTEST:
                return
            dx = dy = dz = 0.0
            kind = FILAMENT
        elif de > 0:
            kind = PRINT
        else:
            kind = TRAVEL
        told = inf if speed is None else speed
        tags = (self.line, 0, int(self.resting))  # layers are told once all moves are known
        self.moves.append(NaiveMove(dx, dy, dz, de, told, kind, *tags, start=(x, y, z)))
        self.resting = False

    def move(self, name: str, words: Words) -> None:
        """Carry out G0 to G3 with the numbers in `words`."""
        if not any(letter in words for letter in ("XYZE" if name in ("G0", "G1") else "XYZEIJKR")):
            return
        target = list(self.place)
        for axis, letter in enumerate("XYZ"):
            value = words.get(letter)
            if value is not None:
                target[axis] = value * self.scale + (self.place[axis] if self.relative else self.shift[axis])
        end = (target[0], target[1], target[2])
        path = [end] if name in ("G0", "G1") else self.chords(name, end, words)
        de = self.fed(words.get("E"))
        self.go(path, de, self.speed_of(name, path, de, words))

    def speed_of(self, name: str, path: list[Point], de: float, words: Words) -> float | None:
        """Commanded speed (mm/s) of a motion by name."""
        return self.speed(path, de, words)

    def length_of_filament(self, value: float) -> float:
        """An E word in mm of filament."""
        return value * self.scale if self.reading.area is None else value / self.reading.area

    def fed(self, value: float | None) -> float:
        """Filament that an E word feeds (mm)."""
        if value is None:
            return 0.0
        told = self.length_of_filament(value)
        if self.relative or self.filament_relative:
            self.filament += told
            return told * self.flow
        de = told - self.filament
        self.filament = told
        return de * self.flow

    def whole_turns(self, words: Words) -> int:
        """How often an arc goes through its end point."""
        return 1

    def chords(self, name: str, end: Point, words: Words) -> list[Point]:
        """Places along the arc G2 or G3 from the present place to `end`."""
        circle = Circle(self.plane, name == "G3", self.scale, self.whole_turns(words), self.radius_allowance)
        return chords(circle, self.place, end, words, self.reading.arc_tolerance, self.doubt)

    # --- everything else ---------------------------------------------------------------------------------------

    def select_tool(self, tool: int) -> None:
        if self.tool is not None and tool != self.tool:
            self.add_event(TOOL_CHANGE, float(tool))
        self.tool = tool

    def rename_place(self, words: Words) -> None:
        """G92: the named letters read as told from here on; all read 0 where no axis at all is named."""
        named = any(letter in words for letter in "XYZE" + OTHER_AXES)
        for letter in [letter for letter in "XYZE" if letter in words or not named]:
            value = words.get(letter) or 0.0
            if letter == "E":
                self.filament = self.length_of_filament(value)
            else:
                axis = "XYZ".index(letter)
                self.shift[axis] = self.place[axis] - value * self.scale

    def go_home(self, words: Words) -> None:
        """G28 in extrusion: the named axes are at home, X, Y and Z where no axis at all is named."""
        named = any(letter in words for letter in "XYZE" + OTHER_AXES)
        axes = [axis for axis, letter in enumerate("XYZ") if letter in words or not named]
        place = list(self.place)
        for axis in axes:
            place[axis] = self.reading.home[axis]
            self.shift[axis] = 0.0
        self.place = (place[0], place[1], place[2])
        self.add_event(HOMING, tool=sum(2**axis for axis in axes))

    def retract(self, pull: bool, words: Words) -> None:
        """G10 and G11: the controller's own retraction and its return; with words of their own they are none."""
        told = {letter: value for letter, value in words.items() if value is not None}
        if told.pop("S", 0) not in (0, 1) or told:
            self.note("retraction with words")
            return
        if self.retracted == pull:
            return
        self.retracted = pull
        length, speed = self.reading.retraction
        if isnan(length):
            self.add_event(RETRACTION)
        else:
            self.go([self.place], -length if pull else length, speed)

    def probe(self, name: str) -> None:
        """One stop, however often the word is told before anything else happens."""
        if self.probed == name and self.resting:
            self.note("probed already")
            return
        self.add_event(PROBING)
        self.probed = name

    def dwell(self, seconds: float | None) -> None:
        if seconds is None:
            self.doubt("dwell of no length")
        self.add_event(DWELL, seconds or 0.0)

    def heat(self, name: str, words: Words) -> None:
        """M104, M109, M140, M190: S wins over R; a wait without either counts for the last target, for 0 it is none."""
        with_s, with_r = HEATERS[name]
        tool = round(words.get("T") or 0.0)
        s, r = words.get("S"), words.get("R")
        told = r if s is None else s
        if with_s != with_r and told is not None and told <= 0:
            self.add_event(BED_TARGET if name == "M190" else NOZZLE_TARGET, 0.0, tool)
        elif s is not None:
            self.add_event(with_s, s, tool)
        elif with_s != with_r:
            self.add_event(with_s if r is None else with_r, nan if r is None else r, tool)

    def set_mode(self, name: str, words: Words) -> bool:
        """Carry out a command that neither moves nor renames; False where it is not known."""
        if name in PLANES:
            self.plane = name
        elif name in UNITS:
            self.scale = INCH if name == "G20" else 1.0
        elif name in DISTANCES:
            self.relative = name == "G91"
        elif name in FEED_MODES:
            self.feed_mode = name
        elif name in ("M82", "M83"):
            self.filament_relative = name == "M83"
        elif name in HEATERS:
            self.heat(name, words)
        elif name in ("M220", "M221"):
            percent = words.get("S")
            if percent is None or not 0.01 <= percent <= 1_000_000:
                self.note("override of nothing")
            elif name == "M221":
                self.flow = percent / 100
            else:
                self.override = percent / 100
        elif name in PAUSES:
            self.add_event(PAUSE)
        elif name in ENDS:
            self.ended = True
        else:
            return name in QUIET or name in QUIET_MODES
        return True
