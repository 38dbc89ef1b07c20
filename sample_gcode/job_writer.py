"""Writes moves as G-code lines: places rounded to 0.001 mm, filament to 0.00001 mm, words only where they change."""

from __future__ import annotations

import math

FILAMENT_DIAMETER = 1.75  # mm
FILAMENT_AREA = math.pi * FILAMENT_DIAMETER**2 / 4.0  # mm2
PLACE_STEPS = 1_000  # written steps a mm of a place
FILAMENT_STEPS = 100_000  # written steps a mm of filament


def steps(value: float, steps_per_mm: int) -> int:
    """Nearest whole number of written steps, halves up.

    The millionth of a step makes halves fall the same way wherever the mathematics library differs in its last digit.
    """
    return math.floor(value * steps_per_mm + 0.5 + 1e-6)


def written(count: int, steps_per_mm: int) -> str:
    """A number of written steps as mm, without needless zeros."""
    digits = len(str(steps_per_mm)) - 1
    whole, part = divmod(abs(count), steps_per_mm)
    text = f"{whole}.{part:0{digits}d}".rstrip("0").rstrip(".")
    return f"-{text}" if count < 0 else text


class JobWriter:
    """Collects the lines of one job; it knows where the tool is, as the file's reader will.

    Filament is reckoned from the *rounded* places, width x height x length over the filament's area, and what one
    move's rounding leaves is carried into the next, so that the whole job is out by one written step at most.
    """

    def __init__(self, absolute_extruder: bool, retraction: float, retraction_speed: float) -> None:
        self.lines: list[str] = []
        self._absolute = absolute_extruder
        self._retraction = retraction
        self._retraction_speed = retraction_speed
        self._place = [0, 0, 0]  # x, y, z in written steps
        self._fed = 0.0  # exact filament, mm
        self._fed_steps = 0  # the same as written
        self._zero_steps = 0  # where the last G92 put E 0
        self._feed = 0  # mm/min in force
        self._retracted = False
        self._road = ("", 0.0, 0.0)
        self._speed = 0.0
        self._shift = [0, 0]  # of the copy under way, in written steps

    def shift(self, x: float, y: float) -> None:
        """Write all places so much further from here on (mm): those of another copy."""
        self._shift = [steps(x, PLACE_STEPS), steps(y, PLACE_STEPS)]

    def line(self, text: str) -> None:
        """Add a line as it stands."""
        self.lines.append(text)

    def text(self) -> str:
        """The whole file."""
        return "\n".join(self.lines) + "\n"

    def zero_extruder(self) -> None:
        """Call the present place of the filament E 0."""
        self.line("G92 E0")
        self._zero_steps = self._fed_steps

    def _feed_word(self, speed: float) -> str:
        """F word (mm/min) where the speed (mm/s) differs from the one in force."""
        feed = round(speed * 60.0)
        if feed == self._feed:
            return ""
        self._feed = feed
        return f" F{feed}"

    def _extruder_word(self, amount: float) -> str:
        """E word that feeds `amount` mm."""
        self._fed += amount
        target = steps(self._fed, FILAMENT_STEPS)
        count = target - (self._zero_steps if self._absolute else self._fed_steps)
        self._fed_steps = target
        return f" E{written(count, FILAMENT_STEPS)}"

    def _level(self, x: float, y: float) -> tuple[int, int]:
        """A place of the copy under way in written steps."""
        return steps(x, PLACE_STEPS) + self._shift[0], steps(y, PLACE_STEPS) + self._shift[1]

    def _axis_words(self, x: float, y: float, z: float | None) -> tuple[str, list[int], float]:
        """Words of a place, the place in written steps, and the straight way there (mm)."""
        target = [*self._level(x, y), self._place[2]]
        words = f" X{written(target[0], PLACE_STEPS)} Y{written(target[1], PLACE_STEPS)}"
        if z is not None:
            target[2] = steps(z, PLACE_STEPS)
            if target[2] != self._place[2]:
                words += f" Z{written(target[2], PLACE_STEPS)}"
        return words, target, math.dist(target, self._place) / PLACE_STEPS

    def road(self, label: str, width: float, height: float, speed: float) -> None:
        """Say what is printed from here on, and how wide and high (mm); `speed` in mm/s."""
        if label != self._road[0]:
            self.line(f"; road: {label}")
        if (width, height) != self._road[1:]:
            self.line(f"; bead {width:.2f} x {f'{height:.3f}'.removesuffix('0')} mm")
        self._road = (label, width, height)
        self._speed = speed

    def _bead(self, length: float) -> float:
        """Filament for `length` mm of the road under way (mm)."""
        _, width, height = self._road
        return width * height * length / FILAMENT_AREA

    def print_to(self, x: float, y: float, z: float | None = None) -> None:
        """Print a straight piece of road; nothing where the rounded place is the present one."""
        words, target, length = self._axis_words(x, y, z)
        if length == 0.0:
            return
        self.line(f"G1{words}{self._extruder_word(self._bead(length))}{self._feed_word(self._speed)}")
        self._place = target

    def print_arc(self, x: float, y: float, centre: tuple[float, float], clockwise: bool) -> None:
        """Print an arc at one height, the whole circle where it ends at its start; its length is the arc's own."""
        words, target, _ = self._axis_words(x, y, None)
        middle = self._level(*centre)
        i, j = middle[0] - self._place[0], middle[1] - self._place[1]
        begin = math.atan2(-j, -i)
        finish = math.atan2(target[1] - self._place[1] - j, target[0] - self._place[0] - i)
        sweep = (begin - finish if clockwise else finish - begin) % (2.0 * math.pi)
        if target == self._place:
            sweep = 2.0 * math.pi
        length = math.hypot(i, j) / PLACE_STEPS * sweep
        words += f" I{written(i, PLACE_STEPS)} J{written(j, PLACE_STEPS)}"
        code = "G2" if clockwise else "G3"
        self.line(f"{code}{words}{self._extruder_word(self._bead(length))}{self._feed_word(self._speed)}")
        self._place = target

    def climb(self, z: float, speed: float) -> None:
        """Go to another height."""
        target = steps(z, PLACE_STEPS)
        if target != self._place[2]:
            self.line(f"G0 Z{written(target, PLACE_STEPS)}{self._feed_word(speed)}")
            self._place[2] = target

    def distance(self, x: float, y: float) -> float:
        """How far a place is from the tool, level (mm)."""
        return math.dist(self._level(x, y), self._place[:2]) / PLACE_STEPS

    def travel(self, x: float, y: float, speed: float) -> None:
        """Go somewhere without printing; nothing where the tool is there."""
        words, target, length = self._axis_words(x, y, None)
        if length > 0.0:
            self.line(f"G0{words}{self._feed_word(speed)}")
            self._place = target

    def retract(self) -> None:
        """Draw the filament back, once."""
        if not self._retracted:
            self.line(f"G1{self._extruder_word(-self._retraction)}{self._feed_word(self._retraction_speed)}")
            self._retracted = True

    def restore(self) -> None:
        """Push the drawn-back filament forward again."""
        if self._retracted:
            self.line(f"G1{self._extruder_word(self._retraction)}{self._feed_word(self._retraction_speed)}")
            self._retracted = False
