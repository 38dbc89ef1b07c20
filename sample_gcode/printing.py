"""How a job is printed: its settings, and the start, one layer and the end that all jobs share."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from filling import CHORD_ERROR, zigzags
from job_writer import JobWriter
from shapes import Loop, Outline, Point, chords, polygon

LONGEST_DRY_WAY = 1.5  # further than this the filament is drawn back before travelling, mm
CLIMB_SPEED = 9.0  # mm/s
PRIME_LENGTH, PRIME_GAP = 24.0, 5.0  # a line beside the part that fills the nozzle, mm
INFILL_OVERLAP_SHARE = 0.15  # of the road width by which infill reaches into the inner perimeter


@dataclass(frozen=True)
class Settings:
    """What one job is printed with; mm, mm/s, °C."""

    nozzle: int
    bed: int
    absolute_extruder: bool
    arcs: bool = False
    width: float = 0.45
    height: float = 0.2
    first_height: float = 0.2
    outer_speed: float = 30.0
    inner_speed: float = 45.0
    infill_speed: float = 60.0
    solid_speed: float = 50.0
    first_speed: float = 20.0
    travel_speed: float = 120.0
    infill_share: float = 0.2
    retraction: float = 1.2
    retraction_speed: float = 28.0
    chord_error: float = CHORD_ERROR
    fan_by_course: tuple[tuple[int, int], ...] = ((2, 128), (4, 255))  # from this layer on, M106 S

    def top_of(self, course: int) -> float:
        """Height of the nozzle in a layer, counted from 1."""
        return self.first_height + (course - 1) * self.height

    def height_of(self, course: int) -> float:
        """Height of the roads of a layer."""
        return self.first_height if course == 1 else self.height


Copies = tuple[Point, ...]  # by how much each copy of a part is moved
ONE_COPY: Copies = ((0.0, 0.0),)


class Print:
    """One job under way: writes its start, its layers and its end.

    Several copies are made together: every layer of all of them, one copy after the other, before the next layer.
    """

    def __init__(self, settings: Settings, title: str, shows: list[str], copies: Copies = ONE_COPY) -> None:
        self.settings = settings
        self.copies = copies
        self.writer = JobWriter(settings.absolute_extruder, settings.retraction, settings.retraction_speed)
        self.course = 0
        self._fill = cache(zigzags)  # the same outline is filled alike in every other layer
        for text in (
            f"Bicycle-repair co-op, sample job - {title}",
            *shows,
            "Made by make_samples.py. A road is a rectangle, and the filament fed for it is its volume,",
            "width x height x length; filament 1.75 mm. Units mm, bed 215 x 225 mm.",
        ):
            self.writer.line(f"; {text}")
        self._start()

    def _start(self) -> None:
        """Heat and home."""
        settings, writer = self.settings, self.writer
        for text in (
            "G21",
            "G90",
            "M82" if settings.absolute_extruder else "M83",
            f"M140 S{settings.bed}",
            f"M104 S{settings.nozzle - 50}",
            "G28",
            f"M190 S{settings.bed}",
            f"M109 S{settings.nozzle}",
            "M107",
        ):
            writer.line(text)
        writer.zero_extruder()
        writer.climb(2.0, CLIMB_SPEED)

    def _prime(self, outline: Outline) -> None:
        """Fill the nozzle along a short line beside the part, a few millimetres from its leftmost place."""
        settings, writer = self.settings, self.writer
        corners = [corner for loop in outline(0.0) for corner in polygon(loop, settings.chord_error)]
        left = min(x for x, _ in corners) - PRIME_GAP
        middle = (min(y for _, y in corners) + max(y for _, y in corners)) / 2.0
        writer.travel(left, middle - PRIME_LENGTH / 2.0, settings.travel_speed)
        writer.climb(settings.first_height, CLIMB_SPEED)
        writer.restore()
        writer.road("prime", 0.6, settings.first_height, settings.first_speed)
        writer.print_to(left, middle + PRIME_LENGTH / 2.0)

    def begin_course(self) -> None:
        """Go up to the next layer; the filament stays drawn back until the first road is reached."""
        settings, writer = self.settings, self.writer
        self.course += 1
        writer.retract()
        top = settings.top_of(self.course)
        writer.line(f"; course {self.course} at {top:.2f}")
        if settings.absolute_extruder:
            writer.zero_extruder()
        for course, power in settings.fan_by_course:
            if course == self.course:
                writer.line(f"M106 S{power}")
        writer.climb(top, CLIMB_SPEED)

    def _go(self, place: Point) -> None:
        """Travel to where a road begins, dry if it is far."""
        if self.writer.distance(*place) > LONGEST_DRY_WAY:
            self.writer.retract()
        self.writer.travel(*place, self.settings.travel_speed)
        self.writer.restore()

    def _road(self, label: str, speed: float) -> None:
        """Begin a kind of road in the layer under way; the first layer has one speed."""
        settings = self.settings
        actual = settings.first_speed if self.course == 1 else speed
        self.writer.road(label, settings.width, settings.height_of(self.course), actual)

    def _follow(self, loop: Loop) -> None:
        """Print a closed loop, its arcs as arcs or as chords."""
        self._go(loop.start)
        before = loop.start
        for edge in loop.edges:
            if self.settings.arcs and edge.centre is not None:
                self.writer.print_arc(*edge.end, edge.centre, edge.clockwise)
            else:
                for corner in chords(before, edge, self.settings.chord_error):
                    self.writer.print_to(*corner)
            before = edge.end

    def perimeters(self, outline: Outline) -> None:
        """Print each rim twice, the inner road first."""
        width = self.settings.width
        for inner, outer in zip(outline(1.5 * width), outline(0.5 * width), strict=True):
            self._road("inner", self.settings.inner_speed)
            self._follow(inner)
            self._road("outer", self.settings.outer_speed)
            self._follow(outer)

    def fill(self, outline: Outline, solid: bool) -> None:
        """Fill what the perimeters enclose with lines at +45° and -45° in turn."""
        settings = self.settings
        spacing = settings.width if solid else settings.width / settings.infill_share
        angle = math.radians(45.0 if self.course % 2 else -45.0)
        inset = (2.5 - INFILL_OVERLAP_SHARE) * settings.width
        if solid:
            self._road("solid", settings.solid_speed)
        else:
            self._road("infill", settings.infill_speed)
        for path in self._fill(outline, inset, spacing, angle):
            self._go(path[0])
            for place in path[1:]:
                self.writer.print_to(*place)

    def layer(self, outline: Outline, solid: bool) -> None:
        """Print one whole layer of every copy, the first one behind a line that fills the nozzle."""
        first = self.course == 0
        for number, copy in enumerate(self.copies):
            self.writer.shift(*copy)
            if number > 0:
                self.writer.retract()
            if first:
                self._prime(outline)
            if number == 0:
                self.begin_course()
            self.perimeters(outline)
            self.fill(outline, solid)

    def finish(self) -> str:
        """Present the part, switch everything off, and give the file's text."""
        settings, writer = self.settings, self.writer
        writer.shift(0.0, 0.0)
        writer.retract()
        writer.line("M107")
        writer.climb(settings.top_of(self.course) + 10.0, CLIMB_SPEED)
        writer.travel(10.0, 200.0, settings.travel_speed)
        writer.line("M104 S0")
        writer.line("M140 S0")
        writer.line("M84")
        return writer.text()
