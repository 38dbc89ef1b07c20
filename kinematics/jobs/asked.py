"""What a job asks for before any limit: the flow that its commanded speeds want, the directions it goes in, and moves
that end off the bed.

All are sums over its moves, so that a job in blocks tells them as one that is kept does.
"""

from __future__ import annotations

from collections.abc import Collection, Generator, Iterable
from typing import Generic, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import MAY_COST, Notice
from kinematics.gcode.cutting import count_outside
from kinematics.gcode.job import Job
from kinematics.gcode.moves import FILAMENT, HOMING, PRINT, Events, Moves
from kinematics.gcode.portions import Portion
from kinematics.limits.classes import MoveClass
from kinematics.limits.flow import filament_area, hangs_on_temperature
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of
from kinematics.wording import quantity_text

Reals = NDArray[np.float64]

STEPS_OF_DIRECTION = 90  # to a right angle: how finely the directions of a job are told apart


Sums = TypeVar("Sums", bound="Look")


class Look(Protocol):
    """Takes a job's moves in file order, some at a time."""

    def add(self, moves: Moves, of_move: NDArray[np.uint16]) -> None:
        """Take further moves, and the class of each."""


class Seen(NamedTuple, Generic[Sums]):
    """A look at all of a job's moves: its sums, what the classes of moves stand for, and what limits stated in the job
    do.
    """

    sums: Sums
    table: tuple[MoveClass, ...]
    file_limits: str


def look_hangs_on(machine: Machine) -> object:
    """What the moves of a job and their classes hang on of a machine; equal for machines that look at a job alike."""
    motion, retraction = machine.motion, machine.retraction
    return (
        machine.machine.home_mm,
        motion.arc_tolerance_mm,
        (retraction.length_mm, retraction.speed_mm_s),
        filament_area(machine),
        motion.first_layers.count,
        bool(motion.by_label),
        hangs_on_temperature(machine),
    )


class FlowAsked:
    """Of each class of printing moves the fastest commanded speed of filament, and the most filament a path length.

    `fastest` (mm/s), `most` (mm/mm), one entry a class; 0 for classes that print nothing.
    """

    def __init__(self) -> None:
        self._both = np.zeros((2, 0))

    def add(self, moves: Moves, of_move: NDArray[np.uint16]) -> None:
        """Take further moves, and the class of each."""
        prints = moves.kind == PRINT
        classes = of_move[prints]
        if classes.size == 0:
            return
        dx, dy, dz = moves.dx[prints], moves.dy[prints], moves.dz[prints]
        ratio = moves.de[prints] / np.sqrt(dx * dx + dy * dy + dz * dz)
        speed = moves.speed[prints]
        missing = int(classes.max()) + 1 - self._both.shape[1]
        if missing > 0:
            self._both = np.concatenate([self._both, np.zeros((2, missing))], axis=1)
        np.maximum.at(self._both[0], classes, np.where(np.isfinite(speed), ratio * speed, 0.0))
        np.maximum.at(self._both[1], classes, ratio)

    def of_classes(self, classes: int) -> tuple[Reals, Reals]:
        """`fastest` and `most` of so many classes."""
        known = self._both.shape[1]
        found = np.zeros((2, max(known, classes)))
        found[:, :known] = self._both
        return found[0, :classes], found[1, :classes]


class DirectionsAsked:
    """The directions of moves by kind, told apart to a degree."""

    def __init__(self) -> None:
        self._steps: dict[int, NDArray[np.int64]] = {}

    def add(self, moves: Moves, of_move: NDArray[np.uint16]) -> None:
        """Take further moves."""
        for kind in np.unique(moves.kind).tolist():
            if kind == FILAMENT:
                continue
            steps = np.stack([moves.dx, moves.dy, moves.dz])[:, moves.kind == kind]
            coarse = np.round(steps / np.sqrt((steps**2).sum(axis=0)) * STEPS_OF_DIRECTION).astype(np.int64)
            known = self._steps.get(kind, np.empty((3, 0), np.int64))
            self._steps[kind] = np.unique(np.concatenate([known, coarse], axis=1), axis=1)

    def of_kind(self, kind: int) -> Reals:
        """Unit directions of the moves of a kind (float64[m, 3])."""
        coarse = self._steps.get(kind, np.empty((3, 0), np.int64)).T / STEPS_OF_DIRECTION
        lengths = np.sqrt((coarse**2).sum(axis=1, keepdims=True))
        return np.asarray(coarse / np.where(lengths > 0.0, lengths, 1.0))


Place = tuple[float, float, float]

JUST_OUTSIDE = 0.0010015  # mm: less is rounding of numbers in the file; no multiple of what files round to


class Bed(NamedTuple):
    """Where a machine can print: its size, where homing puts the axes (mm), and whether X and Y count from its middle
    alone.
    """

    size: Place
    home: Place
    from_middle: bool


def bed_of(machine: Machine) -> Bed | None:
    """The bed of a machine; None where its file does not tell one."""
    size = machine.machine.bed_mm
    if size is None:
        return None
    return Bed(size, machine.machine.home_mm, isinstance(mechanism_of(machine), LinearDelta))


class OffTheBed:
    """Takes a job's moves in file order and counts those that end outside the bed.

    Z counts from the bed up. X and Y count from a corner of the bed or, on a delta, from its middle; a file that stays
    on the bed only if they count from the middle is taken to do so on every machine, since no key tells it.
    """

    def __init__(self, bed: Bed) -> None:
        self._bed = bed
        (width, depth, height), middle = bed.size, (bed.size[0] / 2.0, bed.size[1] / 2.0)
        spaces = [[(-middle[0], -middle[1], 0.0), (*middle, height)]]
        if not bed.from_middle:
            spaces.insert(0, [(0.0, 0.0, 0.0), (width, depth, height)])
        self._spaces = np.array(spaces)
        self._counts = np.zeros((len(spaces), 2), np.int64)  # of each space: moves outside, and the line of the first
        self._most = np.zeros((len(spaces), 3))
        self._place = np.zeros(3)

    def add(self, moves: Moves, events: Events) -> None:
        """Take further moves, and the events among them, numbered from the first of these moves."""
        homing = np.flatnonzero(events.kind == HOMING)
        begin = 0
        for move, axes in zip(events.move[homing].tolist(), events.tool[homing].tolist(), strict=True):
            self._walk(moves, begin, move)
            for axis in range(3):
                if axes & (1 << axis):
                    self._place[axis] = self._bed.home[axis]
            begin = move
        self._walk(moves, begin, moves.kind.size)

    def _walk(self, moves: Moves, begin: int, end: int) -> None:
        if end > begin:
            count_outside(moves, begin, end, self._place, self._spaces, JUST_OUTSIDE, self._counts, self._most)

    @property
    def notice(self) -> Notice | None:
        """What has been found so far; None where every move ends on the bed."""
        fewest = int(self._counts[:, 0].argmin())
        count, line = self._counts[fewest].tolist()
        if count == 0:
            return None
        size = " × ".join(f"{length:g}" for length in self._bed.size)
        most = zip("XYZ", self._most[fewest].tolist(), strict=True)
        far = [f"{quantity_text(one)} mm in {axis}" for axis, one in most if one > JUST_OUTSIDE]
        told = f"move that ends off the bed ({size} mm), by {' and '.join(far)} at most"
        return Notice(line, count, told, "moves", MAY_COST)


def walked(portions: Iterable[Portion], beds: Collection[OffTheBed]) -> Generator[Portion]:
    """The portions of a job, each once all beds have taken its moves: best where these have just been made."""
    for portion in portions:
        for bed in beds:
            bed.add(portion.moves, portion.events)
        yield portion


def off_the_bed(job: Job, bed: Bed) -> Notice | None:
    """What is to be said of a whole job."""
    found = OffTheBed(bed)
    found.add(job.moves, job.events)
    return found.notice
