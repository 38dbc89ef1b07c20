"""How many copies of a part stand on a bed, where, and what keeps more of them off it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.job import Extent
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of

Reals = NDArray[np.float64]

SPACING = 8.0  # mm between two copies, unless told (common practice, no source)
SLACK = 0.01  # mm by which a job may seem to stick out of a bed
WRITTEN = 3  # decimals of a place in a job file
MOST_COPIES = 1000  # that anybody would lay out


class Standing(NamedTuple):
    """Where copies stand, in the order in which they are printed: `shifts` float64[most, 2] by how much each is moved
    from where the job has it (mm), row by row and back on the next.

    `size` of a copy and `bed` (x, y, mm); `columns`, `rows` of the grid; `lost` how many more would stand there but for
    `machine.keep_out_mm`.
    """

    shifts: Reals
    size: tuple[float, float]
    bed: tuple[float, float]
    spacing: float
    columns: int
    rows: int
    lost: int

    @property
    def most(self) -> int:
        """How many copies fit."""
        return int(self.shifts.shape[0])

    @property
    def reason(self) -> str:
        """Why no more than that fit, in words."""
        width, depth = self.size
        text = f"{self.most} of {width:.0f} × {depth:.0f} mm fit on a bed of {self.bed[0]:.0f} × {self.bed[1]:.0f} mm"
        if self.lost:
            return f"{text}, {self.spacing:g} mm apart; {self.lost} more would but for machine.keep_out_mm"
        if self.most == 1:
            return f"{text} ({self.spacing:g} mm apart)"
        return f"{text}, {self.columns} × {self.rows}, {self.spacing:g} mm apart"


def standing(name: str, extent: Extent | None, machine: Machine, spacing: float = SPACING) -> Standing:
    """Where as many copies as possible of a job stand in a grid on a machine's bed, `spacing` (mm) apart.

    `extent` the box of what is printed, a priming line too. The bed begins at 0, 0; that of a linear delta is round and
    0, 0 its middle. Of all ways to push the grid against the bed's edges, to its middle, or against a rectangle of
    `machine.keep_out_mm`, the one with most copies is taken, the one in the middle among equals. Copies are not turned.
    Raises InputError where the machine does not tell its bed, nothing is printed, or not even one copy fits.
    """
    bed = machine.machine.bed_mm
    if bed is None:
        found = "how large the bed is stands nowhere, so how many copies fit is not known"
        raise InputError.at(machine.source or "machine", found, "machine.bed_mm = [width, depth, height]")
    if extent is None:
        raise InputError.at(name, "it prints nothing, so there is nothing to copy")
    low, high = np.array(extent[0]), np.array(extent[1])
    size = high - low
    if np.any(np.array([*size[:2], high[2]]) > np.array(bed) + SLACK):
        asked = " × ".join(f"{length:.0f}" for length in (*size[:2], high[2]))
        room = " × ".join(f"{length:.0f}" for length in bed)
        raise InputError.at(name, f"it takes {asked} mm and does not fit on the bed", f"{room} mm (machine.bed_mm)")
    is_round = isinstance(mechanism_of(machine), LinearDelta)
    corner = np.array(bed[:2]) / -2.0 if is_round else np.zeros(2)
    taken = np.array(machine.machine.keep_out_mm or ()).reshape(-1, 4)
    pitch = size[:2] + spacing
    counts = np.floor((np.array(bed[:2]) + SLACK + spacing) / pitch).astype(int)
    counts = np.minimum(np.maximum(counts, 1), MOST_COPIES)
    best: Reals = np.empty((0, 2))
    for start in _grids(corner, np.array(bed[:2]), size[:2], pitch, counts, taken, is_round):
        cells = _cells(start, size[:2], pitch, counts, taken, np.array(bed[:2]) / 2.0 if is_round else None)
        if len(cells) > len(best):
            best = cells
    if not len(best):
        kept = "machine.keep_out_mm leaves" if taken.size else "the round bed has"
        found = f"{kept} no room for it ({size[0]:.0f} × {size[1]:.0f} mm)"
        raise InputError.at(name, found, f"a bed of {bed[0]:.0f} × {bed[1]:.0f} mm")
    whole = int(counts.prod()) if taken.size and not is_round else len(best)
    shifts = np.round(best - low[:2], WRITTEN)[:MOST_COPIES]
    plain = (float(size[0]), float(size[1])), (float(bed[0]), float(bed[1]))
    return Standing(shifts, *plain, spacing, int(counts[0]), int(counts[1]), max(0, whole - len(best)))


def _grids(
    corner: Reals, bed: Reals, size: Reals, pitch: Reals, counts: NDArray[np.int64], taken: Reals, is_round: bool
) -> list[Reals]:
    """Where the first cell of a grid may begin: in the middle, at the edges, and against the rectangles; on a round bed
    also so that one column fewer stands in the middle.
    """
    ways: list[list[float]] = []
    for axis in range(2):
        room = max(0.0, float(bed[axis] - counts[axis] * pitch[axis] + (pitch[axis] - size[axis])))
        starts = [0.5 * room, 0.0, room]
        for one in taken:
            starts += [
                (one[2 + axis] - corner[axis]) % pitch[axis],
                (one[axis] - size[axis] - corner[axis]) % pitch[axis],
            ]
        fewer = [0.5 * (room + float(pitch[axis]))] if is_round else []
        ways.append([corner[axis] + start for start in dict.fromkeys(starts) if start <= room + SLACK])
        ways[-1] += [corner[axis] + start for start in fewer]
    return [np.array([x, y]) for x in ways[0] for y in ways[1]]


def _cells(
    begins: Reals, size: Reals, pitch: Reals, counts: NDArray[np.int64], taken: Reals, radii: Reals | None
) -> Reals:
    """The low corners of the cells of a grid that no rectangle touches and that lie on the bed (float64[n, 2]), row by
    row and back; `radii` of a round bed.
    """
    found = []
    for row in range(counts[1]):
        columns = range(counts[0]) if row % 2 == 0 else range(counts[0] - 1, -1, -1)
        found += [(begins[0] + column * pitch[0], begins[1] + row * pitch[1]) for column in columns]
    low = np.array(found)
    high = low + size
    free = np.ones(len(low), bool)
    for x0, y0, x1, y1 in taken:
        free &= (
            (high[:, 0] <= x0 + SLACK)
            | (low[:, 0] >= x1 - SLACK)
            | (high[:, 1] <= y0 + SLACK)
            | (low[:, 1] >= y1 - SLACK)
        )
    if radii is not None:
        outermost = np.maximum(np.abs(low), np.abs(high)) / radii
        free &= np.hypot(outermost[:, 0], outermost[:, 1]) <= 1.0 + SLACK / math.dist(radii, (0.0, 0.0))
    return low[free]
