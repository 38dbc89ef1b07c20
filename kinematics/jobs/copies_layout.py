"""What a print of several copies of a job is made of: parts that are printed for each copy, and the ways between; how
many copies stand on a bed, where, and what keeps more of them off it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.cutting import start_places
from kinematics.gcode.job import Extent, Job
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL, Moves
from kinematics.jobs.timing import Places, Planned, Reals
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of

BESIDE = 8  # moves of a part that are planned with the way that begins or ends there
LIFT = 5.0  # mm above what is printed on the way to a copy that is printed after another (an assumption)
INTERLEAVED, ONE_AFTER_ANOTHER = "layer by layer", "one after another"


class CopyWay(NamedTuple):
    """How the tool gets from one copy to the next behind a part: `source` the moves of the job that it takes after,
    `rise` what they climb (mm), and the place in `source` of the one that goes the distance.
    """

    source: Places
    rise: Reals
    mark: int


class Layout(NamedTuple):
    """A job's moves, whole ones, and what copies repeat of them.

    `starts` float64[3, n] where each begins (mm); part i is printed for every copy: the moves from `first[i]` to
    `last[i]`, of layer `layer[i]`; between two parts lies what is done once. `ways` one a part. `layers` of the job,
    `how` INTERLEAVED or ONE_AFTER_ANOTHER.
    """

    moves: Moves
    starts: Reals
    first: Places
    last: Places
    layer: Places
    ways: tuple[CopyWay, ...]
    layers: int
    how: str

    @property
    def between(self) -> list[tuple[int, int]]:
        """The moves before the first part, between each and the next, and after the last: first and end of each."""
        return list(zip([0, *(self.last + 1)], [*self.first, self.moves.kind.size], strict=True))


def whole_moves(planned: Planned) -> Moves:
    """The moves of the file, where some are planned in pieces joined again."""
    moves, first = planned.job.moves, planned.first_pieces
    if isinstance(first, slice):
        return moves
    joined = Moves._make(column[first] for column in moves)
    return joined._replace(**{name: np.add.reduceat(getattr(moves, name), first) for name in ("dx", "dy", "dz", "de")})


def layout_of(planned: Planned, how: str = INTERLEAVED) -> Layout:
    """What copies repeat of a job. Raises InputError where they cannot be made layer by layer."""
    job, moves = planned.job, whole_moves(planned)
    starts = start_places(job)
    if not isinstance(planned.first_pieces, slice):
        starts = starts[:, planned.first_pieces]
    prints = np.flatnonzero(moves.kind == PRINT)
    if prints.size == 0:
        raise InputError.at(job.name, "it prints nothing, so there is nothing to copy")
    of_layer = moves.layer[prints]
    turns = np.flatnonzero(of_layer[1:] != of_layer[:-1])
    first, last = prints[np.append(0, turns + 1)], prints[np.append(turns, prints.size - 1)]
    if how == INTERLEAVED:
        _check_layers(job, first, last, moves)
    else:
        first, last = first[:1], last[-1:]
    layer = moves.layer[last].astype(np.int64)
    ways = _ways(moves, starts, prints, first, last, how)
    return Layout(moves, starts, first, last, layer, ways, job.layers, how)


def _check_layers(job: Job, first: Places, last: Places, moves: Moves) -> None:
    """Raise InputError where a job does not leave off printing between its layers."""
    allowed = "--one-after-another, where the head clears parts that are finished"
    if not job.has_layers:
        found = "copies cannot be made layer by layer: it rises and falls while it prints, so it has no layers"
        raise InputError.at(job.name, found, allowed)
    joined = np.flatnonzero(first[1:] - last[:-1] == 1)
    if joined.size:
        line = int(moves.line[first[1:][joined[0]]])
        found = (
            "copies cannot be made layer by layer: from here on it climbs while it prints, one continuous spiral, and "
            "the nozzle never leaves the wall"
        )
        raise InputError.at(f"{job.name}:{line}", found, allowed)


def _ways(moves: Moves, starts: Reals, prints: Places, first: Places, last: Places, how: str) -> tuple[CopyWay, ...]:
    """The way to the next copy behind each part: as the job goes where it draws the filament back within a layer, the
    last time before that; else as it does between layers, without climbing; else as it travels.
    """
    level = (moves.kind == TRAVEL) & ((moves.dx != 0.0) | (moves.dy != 0.0))
    backward = (moves.kind == FILAMENT) & (moves.de < 0.0)
    begins, ends = prints[:-1] + 1, prints[1:]
    dry = _counted(level, begins, ends) & _counted(backward, begins, ends)
    within = dry & (moves.layer[begins - 1] == moves.layer[ends])
    of_gaps = np.flatnonzero(within) if within.any() else np.flatnonzero(dry)
    travels = np.flatnonzero(level)
    found = []
    for end in last.tolist():
        if of_gaps.size:
            gap = of_gaps[max(0, int(np.searchsorted(begins[of_gaps], end, "right")) - 1)]
            source = np.arange(begins[gap], ends[gap])
            if not within.any():
                source = source[(moves.kind[source] == FILAMENT) | level[source]]
        elif travels.size:
            source = travels[max(0, int(np.searchsorted(travels, end, "right")) - 1)][None]
        else:
            source = np.array([end])
        lengths = np.where(level[source], np.hypot(moves.dx[source], moves.dy[source]), -1.0)
        way = CopyWay(source, moves.dz[source].copy(), int(lengths.argmax()))
        found.append(way if how == INTERLEAVED else _over_the_parts(way, moves))
    return tuple(found)


def _counted(mask: NDArray[np.bool_], begins: Places, ends: Places) -> NDArray[np.bool_]:
    """Whether any move between begins and ends is one of the mask."""
    before = np.concatenate([[0], np.cumsum(mask)])
    return np.asarray(before[ends] > before[begins])


def _over_the_parts(way: CopyWay, moves: Moves) -> CopyWay:
    """A way with a climb before it goes the distance; what is left of the way down comes behind it."""
    climbs = np.flatnonzero((moves.kind == TRAVEL) & (moves.dz != 0.0) & (moves.dx == 0.0) & (moves.dy == 0.0))
    climb = int(climbs[0]) if climbs.size else int(way.source[way.mark])
    flat = (moves.kind[way.source] == FILAMENT) | (np.arange(way.source.size) == way.mark)
    mark = int(flat[: way.mark].sum())
    source = np.insert(way.source[flat], [mark, mark + 1], climb)
    rise = np.zeros(source.size)
    rise[mark], rise[mark + 2] = LIFT, -LIFT
    return CopyWay(source, rise, mark + 1)


class Snippets(NamedTuple):
    """Short ways from rest to rest, one behind the other: `source` the moves of the job that they take after, `dx, dy,
    dz` their displacements (mm), `begins` whether a move begins a way, `number` of the part that it leads on from (−1
    before the first), `far` whether it goes the distance, `extra` whether the job itself has no such move there, and
    `beside` whether it belongs to the part before or behind, which the way is entered from or left to at some speed.
    """

    source: Places
    dx: Reals
    dy: Reals
    dz: Reals
    begins: NDArray[np.bool_]
    number: Places
    far: NDArray[np.bool_]
    extra: NDArray[np.bool_]
    beside: NDArray[np.bool_]

    def without_extra(self) -> Snippets:
        """The ways as the job has them."""
        return Snippets._make(column[~self.extra] for column in self)

    def moved(self, entry: Reals, change: Reals, leave: Reals) -> Snippets:
        """The ways with that before the first part, those between parts and the one after the last longer by so much
        (x, y, mm).
        """
        last = int(self.number[-1]) if self.number.size else 0
        shifts = np.select([self.number < 0, self.number < last], [entry[:, None], change[:, None]], leave[:, None])
        return self._replace(dx=self.dx + shifts[0] * self.far, dy=self.dy + shifts[1] * self.far)


class _Piece(NamedTuple):
    """One way of `Snippets`."""

    number: int
    source: Places
    steps: Reals
    mark: int = -1
    extra: slice = slice(0)
    ahead: int = 0
    behind: int = 0


def _put_together(pieces: list[_Piece]) -> Snippets:
    """Ways as one; `ahead` and `behind` how many moves of a piece are beside it."""
    sizes = np.array([piece.source.size for piece in pieces])
    ends = np.cumsum(sizes)
    source = np.concatenate([piece.source for piece in pieces]).astype(np.int64)
    begins, far, extra, beside = np.zeros((4, source.size), bool)
    for piece, end in zip(pieces, ends.tolist(), strict=True):
        if piece.source.size:
            begin = end - piece.source.size
            begins[begin] = True
            extra[begin:end][piece.extra] = True
            beside[begin : begin + piece.ahead] = True
            beside[end - piece.behind : end] = True
            if piece.mark >= 0:
                far[begin + piece.mark] = True
    dx, dy, dz = np.concatenate([piece.steps for piece in pieces], axis=1)
    numbers = np.repeat([piece.number for piece in pieces], sizes)
    return Snippets(source, dx, dy, dz, begins, numbers, far, extra, beside)


def ways_between_copies(layout: Layout, step: Reals) -> Snippets:
    """The way behind every part from one copy to the next, which stands `step` (x, y, mm) from it."""
    moves, pieces = layout.moves, []
    level = layout.how == INTERLEAVED
    for number, way in enumerate(layout.ways):
        steps = np.stack([moves.dx[way.source] * level, moves.dy[way.source] * level, way.rise])
        start, end = layout.first[number], layout.last[number]
        goal = layout.starts[:, start] - layout.starts[:, end] + (*step, 0.0)
        goal -= (moves.dx[end], moves.dy[end], moves.dz[end])
        goal -= steps.sum(axis=1)
        steps[0, way.mark] += goal[0]
        steps[1, way.mark] += goal[1]
        steps[2, way.mark + (not level)] += goal[2]
        pieces.append(_Piece(number, way.source, steps, way.mark))
    return _put_together(pieces)


def ways_between_parts(layout: Layout) -> Snippets:
    """What is done once: before the first part, between each and the next, and after the last.

    The longest travel of each is the one that goes the distance; where there is none between two parts, one as between
    copies is put in.
    """
    moves, pieces = layout.moves, []
    for number, (begin, end) in enumerate(layout.between):
        # What begins or ends a way at some speed is part of the question how long it takes.
        ahead = min(BESIDE, begin - layout.first[number - 1]) if number else 0
        behind = min(BESIDE, layout.last[number] + 1 - end) if number < layout.first.size else 0
        source = np.arange(begin - ahead, end + behind)
        steps = np.stack([moves.dx[source], moves.dy[source], moves.dz[source]])
        lengths = np.where(moves.kind[source] == TRAVEL, np.hypot(steps[0], steps[1]), 0.0)
        lengths[:ahead] = lengths[source.size - behind :] = 0.0
        mark, extra = (int(lengths.argmax()) if lengths.any() else -1), slice(0)
        if mark < 0 and 0 < number < layout.first.size:
            way = layout.ways[number - 1]
            kept = np.flatnonzero((moves.kind[way.source] == FILAMENT) | (np.arange(way.source.size) == way.mark))
            place = source.size - behind
            mark, extra = place + int(np.flatnonzero(kept == way.mark)[0]), slice(place, place + kept.size)
            source = np.insert(source, place, way.source[kept])
            steps = np.insert(steps, [place] * kept.size, 0.0, axis=1)
        pieces.append(_Piece(number - 1, source, steps, mark, extra, int(ahead), int(behind)))
    return _put_together(pieces)


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
