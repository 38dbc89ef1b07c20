"""What a job asks for before any limit: the flow that its commanded speeds want, and the directions it goes in.

Both are sums over its moves, so that a job in blocks tells them as one that is kept does.
"""

from __future__ import annotations

from typing import Generic, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import FILAMENT, PRINT, Moves
from kinematics.limits.classes import MoveClass
from kinematics.limits.flow import filament_area, hangs_on_temperature
from kinematics.machine import Machine

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
