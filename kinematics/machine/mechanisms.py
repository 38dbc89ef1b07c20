"""Mechanisms: which motors a printer has, and how each of them moves with the tool.

A motor is counted in mm of what it moves (belt, carriage, slide), as the limits of [motors.…] are. Directions are unit
vectors u of the tool, float64[3, n] or [3]; places are tool places in the machine's frame (mm), likewise. Numbers are
looked at only where a job is planned, so that a machine can be shown without the libraries for them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from kinematics.machine.keys import Keys

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]

EXTRUDER = "e"  # the motor that every mechanism has beside its own


@dataclass(frozen=True)
class Cartesian:
    """One motor an axis."""

    words: ClassVar[str] = "a cartesian machine"
    motors: ClassVar[tuple[str, ...]] = ("x", "y", "z")
    coupled: ClassVar[tuple[str, ...]] = ()

    def positions(self, place: Reals) -> Reals:
        """Where the motors stand (mm) for a tool place: its coordinates."""
        return place

    def motor_speeds(self, direction: Reals, place: Reals) -> Reals:
        """Speed of each motor at unit tool speed, j = u."""
        return direction


@dataclass(frozen=True)
class CrossedBelt:
    """Two motors that move X and Y together, and one that moves Z.

    A = x + y, B = x − y (the belt matrix [[1, 1], [1, −1]]; E. Ida, F. Nanetti, G. Mottola, Machines 10:542, 2022,
    abstract read, for the kind of drive). The belts' stretch is not modelled.
    """

    words: ClassVar[str] = "a crossed belt"
    motors: ClassVar[tuple[str, ...]] = ("a", "b", "z")
    coupled: ClassVar[tuple[str, ...]] = ("a", "b")

    def positions(self, place: Reals) -> Reals:
        """Where the motors stand (mm) for a tool place: x + y, x − y, z."""
        import numpy as np

        x, y, z = place
        return np.stack([x + y, x - y, z])

    def motor_speeds(self, direction: Reals, place: Reals) -> Reals:
        """Speed of each motor at unit tool speed, j = (u_x + u_y, u_x − u_y, u_z), the same everywhere."""
        return self.positions(direction)


@dataclass(frozen=True)
class LinearDelta:
    """Three carriages on upright towers, each joined to the tool by arms of one length.

    `arm` L length of the arms, `radius` distance of the towers from the middle, joints' offsets subtracted (mm);
    `angles` where the towers stand (rad, from +x). A carriage stands h = √(L² − (x − X)² − (y − Y)²) above the tool
    (Pythagoras on the arm; R. L. Williams II, The Delta Parallel Robot: Kinematics Solutions, Ohio University, 2015,
    abstract read, for the kind of machine). Towers out of square and arms of different lengths are not modelled.
    """

    arm: float
    radius: float
    angles: tuple[float, float, float]

    words: ClassVar[str] = "a linear delta"
    motors: ClassVar[tuple[str, ...]] = ("t1", "t2", "t3")
    coupled: ClassVar[tuple[str, ...]] = ("t1", "t2", "t3")

    @property
    def towers(self) -> tuple[tuple[float, float], ...]:
        """Where the towers stand (X, Y in mm)."""
        return tuple((self.radius * math.cos(angle), self.radius * math.sin(angle)) for angle in self.angles)

    def arm_heights(self, place: Reals) -> Reals:
        """How far each carriage stands above the tool (mm); NaN where its arm does not reach the place."""
        import numpy as np

        x, y, _ = place
        squares = np.stack([self.arm**2 - (x - tower_x) ** 2 - (y - tower_y) ** 2 for tower_x, tower_y in self.towers])
        heights: Reals = np.sqrt(np.where(squares > 0.0, squares, np.nan))
        return heights

    def reaches(self, place: Reals) -> NDArray[np.bool_]:
        """Whether all three arms reach a place; the straight way between two such places is reached as well."""
        import numpy as np

        return np.asarray(np.isfinite(self.arm_heights(place)).all(axis=0))

    def positions(self, place: Reals) -> Reals:
        """Where the carriages stand (mm) for a tool place: z + h."""
        heights = self.arm_heights(place)
        heights += place[2]
        return heights

    def motor_speeds(self, direction: Reals, place: Reals) -> Reals:
        """Speed of each carriage at unit tool speed, j = u_z − ((x − X)·u_x + (y − Y)·u_y)/h; NaN out of reach."""
        import numpy as np

        x, y, _ = place
        along = [(x - tower_x) * direction[0] + (y - tower_y) * direction[1] for tower_x, tower_y in self.towers]
        speeds: Reals = direction[2] - np.stack(along) / self.arm_heights(place)
        return speeds


Mechanism = Cartesian | CrossedBelt | LinearDelta
MECHANISMS: dict[str, type[Mechanism]] = {
    "cartesian": Cartesian,
    "crossed-belt": CrossedBelt,
    "linear-delta": LinearDelta,
}  # by the name in the machine file


def mechanism_of(machine: Keys) -> Mechanism:
    """The mechanism of a machine."""
    named = machine.machine.mechanism
    if named == "crossed-belt":
        return CrossedBelt()
    delta = machine.machine.delta
    if named == "linear-delta" and delta is not None:
        first, second, third = (math.radians(angle) for angle in delta.tower_angles_deg)
        return LinearDelta(delta.arm_mm, delta.tower_radius_mm, (first, second, third))
    return Cartesian()


def has_coupled_limits(machine: Keys) -> bool:
    """Whether anything is told of a motor that moves several axes at once, or one of them unevenly."""
    return any(name in machine.motors for name in mechanism_of(machine).coupled)
