"""Which moves of a job end outside the bed of a machine: how many, the first one, and how far."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import MAY_COST, Notice
from kinematics.gcode.job import Job
from kinematics.gcode.moves import FILAMENT, HOMING, Events, Moves
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of
from kinematics.wording import quantity_text

Reals = NDArray[np.float64]
Place = tuple[float, float, float]

JUST_OUTSIDE = 0.001  # mm: less is rounding of the file's own numbers


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


class _Frame:
    """Moves that end outside of some space, counted."""

    def __init__(self, low: Place, high: Place) -> None:
        self._low, self._high = np.array(low)[:, None], np.array(high)[:, None]
        self.count = 0
        self.line = 0
        self.most = np.zeros(3)

    def add(self, moves: Moves, ends: Reals) -> None:
        """Count further moves, and where they end (float64[3, n])."""
        outside = np.maximum(self._low - ends, ends - self._high)
        outside[:, moves.kind == FILAMENT] = 0.0
        found = np.flatnonzero((outside > JUST_OUTSIDE).any(axis=0))
        if found.size == 0:
            return
        self.line = self.line or int(moves.line[found[0]])
        self.count += int(found.size)
        self.most = np.maximum(self.most, outside[:, found].max(axis=1))

    def holds(self, low: Reals, high: Reals) -> bool:
        """Whether all places from `low` to `high` lie within."""
        return bool((low >= self._low[:, 0]).all() and (high <= self._high[:, 0]).all())


class OffTheBed:
    """Takes a job's moves in file order and counts those that end outside the bed.

    Z counts from the bed up. X and Y count from a corner of the bed or, on a delta, from its middle; a file that stays
    on the bed only if they count from the middle is taken to do so on every machine, since no key tells it.
    """

    def __init__(self, bed: Bed) -> None:
        self._bed = bed
        (width, depth, height), middle = bed.size, (bed.size[0] / 2.0, bed.size[1] / 2.0)
        self._frames = [_Frame((-middle[0], -middle[1], 0.0), (*middle, height))]
        if not bed.from_middle:
            self._frames.insert(0, _Frame((0.0, 0.0, 0.0), (width, depth, height)))
        self._place: Place = (0.0, 0.0, 0.0)

    def add(self, moves: Moves, events: Events) -> None:
        """Take further moves, and the events among them, numbered from the first of these moves."""
        ends = np.empty((3, moves.kind.size))
        place = list(self._place)
        for axis, steps in enumerate((moves.dx, moves.dy, moves.dz)):
            for begin, end, homed in _legs(events, axis, moves.kind.size):
                place[axis] = self._bed.home[axis] if homed else place[axis]
                if end > begin:
                    np.cumsum(steps[begin:end], out=ends[axis, begin:end])
                    ends[axis, begin:end] += place[axis]
                    place[axis] = float(ends[axis, end - 1])
        self._place = place[0], place[1], place[2]
        if moves.kind.size == 0:
            return
        low, high = ends.min(axis=1), ends.max(axis=1)
        for frame in self._frames:
            if not frame.holds(low, high):
                frame.add(moves, ends)

    @property
    def notice(self) -> Notice | None:
        """What has been found so far; None where every move ends on the bed."""
        frame = min(self._frames, key=lambda one: one.count)
        if frame.count == 0:
            return None
        size = " × ".join(f"{length:g}" for length in self._bed.size)
        most = zip("XYZ", frame.most.tolist(), strict=True)
        far = [f"{quantity_text(one)} mm in {axis}" for axis, one in most if one > JUST_OUTSIDE]
        told = f"move that ends off the bed ({size} mm), by {' and '.join(far)} at most"
        return Notice(frame.line, frame.count, told, "moves", MAY_COST)


def _legs(events: Events, axis: int, moves: int) -> Iterator[tuple[int, int, bool]]:
    """Moves from one homing of an axis to the next, and whether one stands before them."""
    homed = events.move[(events.kind == HOMING) & (events.tool & (1 << axis) != 0)].tolist()
    begins = [0, *homed]
    for number, (begin, end) in enumerate(zip(begins, [*homed, moves], strict=True)):
        yield begin, end, number > 0


def off_the_bed(job: Job, bed: Bed) -> Notice | None:
    """What is to be said of a whole job."""
    found = OffTheBed(bed)
    found.add(job.moves, job.events)
    return found.notice
