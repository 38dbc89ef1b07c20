"""The machine that the slow twin of the G-code reader drives: its modes, its place, and the moves it collects.

Units: mm, s, mm/s; mm/min only where the file speaks. Arcs: Kramer, Proctor and Messina 2000 (NISTIR 6556), 3.5.3.
"""

from __future__ import annotations

from math import acos, atan2, ceil, copysign, cos, hypot, inf, nan, pi, sin, sqrt
from typing import NamedTuple

PRINT, TRAVEL, FILAMENT = 0, 1, 2
DWELL, PAUSE, HOMING, PROBING, TOOL_CHANGE, NOZZLE_TARGET, BED_TARGET = 0, 1, 2, 3, 4, 5, 6
NOZZLE_WAIT, BED_WAIT, NOZZLE_WAIT_BOTH_WAYS, BED_WAIT_BOTH_WAYS = 7, 8, 9, 10

SHORTEST = 1e-9  # mm: shorter than this is no length
SAME_PLACE = 1e-6  # mm: an arc that ends this near its start is a full circle
SAME_HEIGHT = 1e-6  # mm: printing moves this near in height lie in one layer
FULL_TURN = 2 * pi
INCH = 25.4

MOTIONS = ("G0", "G1", "G2", "G3")
PLANES = {"G17": (0, 1, 2, "I", "J"), "G18": (2, 0, 1, "K", "I"), "G19": (1, 2, 0, "J", "K")}
FIXTURES = {f"G{number}" for number in range(54, 60)} | {"G59.1", "G59.2", "G59.3"}
PLAIN_NO_EFFECT = {"G40", "G49", "G61", "G61.1", "G64", "G80", "G94"} | FIXTURES
NO_EFFECT = PLAIN_NO_EFFECT | {f"M{code}" for code in (3, 4, 5, 6, 7, 8, 9, 17, 18, 84, 105, 106, 107, 110, 114, 115)}
NO_EFFECT |= {"M117", "M118"}  # messages
HEATERS = {  # target or wait with S, wait with R
    "M104": (NOZZLE_TARGET, NOZZLE_TARGET),
    "M140": (BED_TARGET, BED_TARGET),
    "M109": (NOZZLE_WAIT, NOZZLE_WAIT_BOTH_WAYS),
    "M190": (BED_WAIT, BED_WAIT_BOTH_WAYS),
}

Words = dict[str, float | None]  # letter to number; None where the letter is bare
Point = tuple[float, float, float]


class NaiveMove(NamedTuple):
    """One move: displacement and filament (mm), speed (mm/s, inf where none is commanded), and where it stands."""

    dx: float
    dy: float
    dz: float
    de: float
    speed: float
    kind: int
    line: int
    layer: int
    stop: int


class NaiveEvent(NamedTuple):
    """One event before move number `move`; `value` seconds, °C or tool number by kind."""

    move: int
    kind: int
    value: float
    tool: int
    line: int


class NaiveJob(NamedTuple):
    """What a file reads as; `counts` and `unknown` map a name to (first line, how often)."""

    moves: list[NaiveMove]
    events: list[NaiveEvent]
    counts: dict[str, tuple[int, int]]
    unknown: dict[str, tuple[int, int]]


class NaiveError(Exception):
    """A line that the `rs274` dialect forbids."""

    def __init__(self, line: int, text: str) -> None:
        super().__init__(f"line {line}: {text}")
        self.line = line
        self.text = text


class Reader:
    """The state of the machine that both dialects share, and what commands do to it."""

    def __init__(self, arc_tolerance: float, home: Point) -> None:
        self.arc_tolerance = arc_tolerance
        self.home = home
        self.moves: list[NaiveMove] = []
        self.events: list[NaiveEvent] = []
        self.counts: dict[str, tuple[int, int]] = {}
        self.unknown: dict[str, tuple[int, int]] = {}
        self.line = 0
        self.closed = False  # reading is over
        self.ended = False  # M2 or M30 has been read
        self.resting = False  # an event has stopped motion since the last move
        self.place: Point = (0.0, 0.0, 0.0)
        self.shift = [0.0, 0.0, 0.0]  # place = logical coordinate + shift
        self.filament = 0.0  # logical E
        self.scale = 1.0
        self.relative = False  # G91
        self.filament_relative = False  # M83
        self.flow = 1.0
        self.override = 1.0
        self.feed: float | None = None  # mm/min
        self.plane = "G17"
        self.motion = "G1"
        self.tool: int | None = None
        self.unfed_line = 0  # last line with a move before any F
        self.layer = 0
        self.layer_height = 0.0
        self.climbing = False
        self.winding = 0.0
        self.heading = (0.0, 0.0)  # XY displacement of the last printing move that had one
        self.last_print = -2  # its place in the list of moves

    def read_line(self, raw: bytes) -> None:
        """Read one line, without its end."""
        raise NotImplementedError

    def doubt(self, name: str) -> None:
        """Something that the standard forbids and extrusion counts."""
        raise NotImplementedError

    def note(self, name: str) -> None:
        first, count = self.counts.get(name, (self.line, 0))
        self.counts[name] = (first, count + 1)

    def add_event(self, kind: int, value: float, tool: int = 0) -> None:
        self.events.append(NaiveEvent(len(self.moves), kind, value, tool, self.line))
        if kind not in (NOZZLE_TARGET, BED_TARGET):
            self.resting = True

    # --- moves -------------------------------------------------------------------------------------------------

    def set_feed(self, value: float) -> None:
        if value <= 0:
            self.doubt("feed of zero or less")
        else:
            self.feed = value * self.scale

    def speed(self) -> float | None:
        """Commanded speed (mm/s) of a move made now; None before the first F."""
        return None if self.feed is None else self.feed / 60 * self.override

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
            self.find_layer(dx, dy, z, target[2])
        else:
            kind = TRAVEL
        if self.ended:
            self.note("moves after the end")
        if speed is None:
            speed = inf
            if self.unfed_line != self.line:
                self.unfed_line = self.line
                self.note("no feed yet")
        self.moves.append(NaiveMove(dx, dy, dz, de, speed, kind, self.line, self.layer, int(self.resting)))
        self.resting = False

    def find_layer(self, dx: float, dy: float, z0: float, z1: float) -> None:
        """Number the layer of the printing move about to be appended, from height z0 to z1."""
        follows = self.last_print == len(self.moves) - 1
        turns = follows and self.heading != (0.0, 0.0) and hypot(dx, dy) >= SHORTEST
        if abs(z1 - z0) <= SAME_HEIGHT:
            if self.layer == 0 or abs(z1 - self.layer_height) > SAME_HEIGHT:
                self.layer += 1
                self.layer_height = z1
            self.winding = 0.0
            self.climbing = False
        else:
            if not self.climbing or abs(z0 - self.layer_height) > SAME_HEIGHT:
                self.layer += 1
                self.winding = 0.0
            elif turns:
                ax, ay = self.heading
                self.winding += atan2(ax * dy - ay * dx, ax * dx + ay * dy)
                if abs(self.winding) >= FULL_TURN - 1e-6:
                    self.layer += 1
                    self.winding -= copysign(FULL_TURN, self.winding)
            self.layer_height = z1
            self.climbing = True
        if hypot(dx, dy) >= SHORTEST:
            self.heading = (dx, dy)
        self.last_print = len(self.moves)

    def move(self, name: str, words: Words, speed: float | None) -> None:
        """Carry out G0 to G3 with the numbers in `words`."""
        scale = self.scale
        target = list(self.place)
        for axis, letter in enumerate("XYZ"):
            value = words.get(letter)
            if value is not None:
                target[axis] = value * scale + (self.place[axis] if self.relative else self.shift[axis])
        de = 0.0
        value = words.get("E")
        if value is not None:
            if self.relative or self.filament_relative:
                de = value * scale
                self.filament += de
            else:
                de = value * scale - self.filament
                self.filament = value * scale
            de *= self.flow
        end = (target[0], target[1], target[2])
        if name in ("G0", "G1"):
            self.go_straight(end, de, speed)
        elif any(letter in words for letter in "XYZEIJKR"):
            self.go_round(name, end, words, de, speed)

    def go_round(self, name: str, end: Point, words: Words, de: float, speed: float | None) -> None:
        """Cut the arc G2 or G3 from the present place to `end` into chords."""
        a, b, normal, letter_a, letter_b = PLANES[self.plane]
        start = self.place
        da, db = end[a] - start[a], end[b] - start[b]
        chord = hypot(da, db)
        full = abs(da) <= SAME_PLACE and abs(db) <= SAME_PLACE
        value_a, value_b, value_r = words.get(letter_a), words.get(letter_b), words.get("R")
        centre_form = value_a is not None or value_b is not None
        if centre_form:
            if value_r is not None:
                self.doubt("arc over-determined")
            ia, ib = (value_a or 0.0) * self.scale, (value_b or 0.0) * self.scale
            radius = hypot(ia, ib)
            if radius == 0:
                self.doubt("arc impossible")
                self.go_straight(end, de, speed)
                return
            end_radius = hypot(da - ia, db - ib)
            if abs(end_radius - radius) > (0.002 if self.scale == 1.0 else 0.0002 * INCH):
                self.doubt("arc radii differ")
        else:
            value_r = (value_r or 0.0) * self.scale
            radius = abs(value_r)
            if chord <= SAME_PLACE or chord > 2 * radius * self.radius_allowance:
                self.doubt("arc impossible")
                self.go_straight(end, de, speed)
                return
            height = 0.0
            if chord > 2 * radius:
                radius = chord / 2
            else:
                height = sqrt(max(0.0, radius * radius - chord * chord / 4))
            side = 1.0 if (name == "G3") == (value_r > 0) else -1.0  # +1: the centre lies left of the chord
            ia = da / 2 - side * height * db / chord
            ib = db / 2 + side * height * da / chord
        begin = atan2(-ib, -ia)
        if full and centre_form:
            sweep = FULL_TURN
        else:
            turn = atan2(db - ib, da - ia) - begin
            sweep = (turn if name == "G3" else -turn) % FULL_TURN or FULL_TURN
        signed = sweep if name == "G3" else -sweep
        chords = max(1, ceil(sweep / (2 * acos(max(-1.0, 1 - self.arc_tolerance / radius)))))
        if full and centre_form:
            chords = max(3, chords)
        centre_a, centre_b = start[a] + ia, start[b] + ib
        rise = end[normal] - start[normal]
        point = [0.0, 0.0, 0.0]
        for i in range(1, chords):
            angle = begin + signed * i / chords
            point[a] = centre_a + radius * cos(angle)
            point[b] = centre_b + radius * sin(angle)
            point[normal] = start[normal] + rise * i / chords
            self.go_straight((point[0], point[1], point[2]), de / chords, speed)
        self.go_straight(end, de / chords, speed)

    radius_allowance = 1.0  # how far beyond 2|R| a chord may reach, as a factor

    # --- everything else ---------------------------------------------------------------------------------------

    def select_tool(self, tool: int) -> None:
        if self.tool is not None and tool != self.tool:
            self.add_event(TOOL_CHANGE, float(tool))
        self.tool = tool

    def rename_place(self, words: Words) -> None:
        """G92: the named letters read as told from here on; all read 0 where none is named."""
        named = [letter for letter in "XYZE" if letter in words] or list("XYZE")
        for letter in named:
            value = (words.get(letter) or 0.0) * self.scale
            if letter == "E":
                self.filament = value
            else:
                axis = "XYZ".index(letter)
                self.shift[axis] = self.place[axis] - value

    def go_home(self, words: Words) -> None:
        """G28 in extrusion: the named axes are at home, all where none is named."""
        axes = [axis for axis, letter in enumerate("XYZ") if letter in words] or [0, 1, 2]
        place = list(self.place)
        for axis in axes:
            place[axis] = self.home[axis]
            self.shift[axis] = 0.0
        self.place = (place[0], place[1], place[2])
        self.add_event(HOMING, 0.0)

    def dwell(self, seconds: float | None) -> None:
        if seconds is None:
            self.note("dwell of no length")
        self.add_event(DWELL, seconds or 0.0)

    def heat(self, name: str, words: Words) -> None:
        """M104, M109, M140, M190: S wins over R; a wait without either counts for the last target."""
        with_s, with_r = HEATERS[name]
        tool = round(words.get("T") or 0.0)
        s, r = words.get("S"), words.get("R")
        if s is not None:
            self.add_event(with_s, s, tool)
        elif with_s != with_r:
            self.add_event(with_s if r is None else with_r, nan if r is None else r, tool)

    def set_mode(self, name: str, words: Words) -> bool:
        """Carry out a command that neither moves nor renames; False where it is not known."""
        if name in PLANES:
            self.plane = name
        elif name in ("G20", "G21"):
            self.scale = INCH if name == "G20" else 1.0
        elif name in ("G90", "G91"):
            self.relative = name == "G91"
        elif name in ("M82", "M83"):
            self.filament_relative = name == "M83"
        elif name in HEATERS:
            self.heat(name, words)
        elif name in ("M220", "M221"):
            percent = words.get("S")
            if percent is not None:
                if name == "M221":
                    self.flow = percent / 100
                elif percent <= 0:
                    self.doubt("feed of zero or less")
                else:
                    self.override = percent / 100
        elif name in ("M0", "M1"):
            self.add_event(PAUSE, 0.0)
        elif name in ("M2", "M30"):
            self.ended = True
        else:
            return name in NO_EFFECT
        return True
