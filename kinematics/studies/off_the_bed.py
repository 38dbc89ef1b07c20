"""Which moves of a job end outside the bed of a machine: how many, the first one, and how far."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from kinematics.errors import MAY_COST, Notice
from kinematics.gcode.cutting import count_outside
from kinematics.gcode.job import Job
from kinematics.gcode.moves import HOMING, Events, Moves
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of
from kinematics.wording import quantity_text

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


def off_the_bed(job: Job, bed: Bed) -> Notice | None:
    """What is to be said of a whole job."""
    found = OffTheBed(bed)
    found.add(job.moves, job.events)
    return found.notice
