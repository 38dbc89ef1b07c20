"""The geometry of corners: runs, turns, and the circle through a corner and its surroundings.

The corner speed itself depends on limits and is taken in `ceilings`; here stands what depends on the path alone.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_leaf, compiled_part

Reals = NDArray[np.float64]

SAME_DIRECTION = 1e-6  # rad: moves that turn by less are one run
WINDOW_SLACK = 1.0005e-6  # mm: 1e-6, and a hair more, so that nothing hangs on the last digit where files round to that
NO_CHORD = 1e-9  # mm: a path that came back to its corner has no direction there, only rounding
# Squared cosine of the widest turn of the curve rule; not 90°, since right angles must not hang on the last digit.
LEAST_ALONG = math.cos(1.55) ** 2
# Squared tangent of the turn up to which chords of the curve rule may be straight: places rounded to 0.001 mm, each off
# by 0.0007 mm at most, turn those of 0.25 mm by 0.0113 rad.
BY_ROUNDING = math.tan(0.012) ** 2
SHARPEST = 1e300  # stands for infinity, so that no product is 0·∞

SHARPNESS, CURVATURE, CORNER_X, CORNER_Y, CORNER_Z, CHANGE, RATIO_CHANGE, TURN_X, TURN_Y, TURN_Z = range(10)
Before = tuple[float, float, float, float]
NOTHING_BEFORE: Before = (0.0, 0.0, 0.0, 0.0)
BLOCK = 1024  # moves at a time: what one block touches stays in the fast caches
CORNER_ROWS = 7  # of a job in which nothing hangs on how much each axis changes at a corner; else all ten


@compiled_leaf
def place_behind(travelled: Reals, corner: int, first: int, distance: float) -> int:
    """The last place at `distance` (mm of path) or more before the corner, or the first one."""
    mark = travelled[corner] - (distance - WINDOW_SLACK)
    for j in range(corner - 1, max(first, corner - 9) - 1, -1):
        if travelled[j] <= mark:
            return j
    low, high = first, max(first, corner - 9)  # travelled[high] > mark, or high == first
    while high - low > 1:
        middle = (low + high) // 2
        if travelled[middle] <= mark:
            low = middle
        else:
            high = middle
    return low


@compiled_leaf
def place_ahead(travelled: Reals, corner: int, last: int, distance: float) -> int:
    """The first place at `distance` (mm of path) or more after the corner, or the last one."""
    mark = travelled[corner] + (distance - WINDOW_SLACK)
    for j in range(corner + 1, min(last, corner + 9) + 1):
        if travelled[j] >= mark:
            return j
    low, high = min(last, corner + 9), last  # travelled[low] < mark, or low == last
    while high - low > 1:
        middle = (low + high) // 2
        if travelled[middle] >= mark:
            high = middle
        else:
            low = middle
    return high


@compiled_leaf
def lies_far(places: Reals, corner: int, end: int, near: int, distance: float) -> bool:
    """Whether the end of a run lies more than two distances of path from a corner, and its other end, `near`, does not
    lie at the corner.
    """
    return bool(near != corner and abs(places[0, end] - places[0, corner]) > 2.0 * distance + WINDOW_SLACK)


@compiled_leaf
def chord_to(places: Reals, corner: int, end: int) -> tuple[float, float, float]:
    """The chord (mm) from a corner to the end of a run."""
    return places[1, end] - places[1, corner], places[2, end] - places[2, corner], places[3, end] - places[3, corner]


@compiled_leaf
def cut_chord(places: Reals, corner: int, end: int, near: int, distance: float) -> tuple[float, float, float]:
    """The chord (mm) from a corner to the place in a run that is exactly `distance` of path away; `near` the run's end
    on this side.
    """
    way, passed = abs(places[0, end] - places[0, corner]), abs(places[0, near] - places[0, corner])
    left = (way - distance) / (way - passed)  # share of the run from the place to its end
    x, y, z = chord_to(places, corner, end)
    x -= left * (places[1, end] - places[1, near])
    y -= left * (places[2, end] - places[2, near])
    z -= left * (places[3, end] - places[3, near])
    return x, y, z


@compiled_leaf
def curvature_at(places: Reals, corner: int, first: int, last: int, window: float) -> float:
    """Curvature (1/mm) of the circle through a corner and a place on either side of it; 0 where the rule is silent.

    `places` float64[4, m]: path travelled, x, y, z at the ends of runs since the last stop. The places are ends of runs
    at `window` (mm) of path or more; where such an end is not the neighbour's own and lies more than two windows away,
    the place exactly one window away: from the far end of a long straight a small fillet before it is not seen. Places
    so cut are not taken where the chords to them turn by no more than rounded coordinates can cause: a straight in
    rounded pieces is no curve. Where chords turn by more than 1.55 rad the window is halved until they do not, or the
    neighbours are reached. κ = 2·sin ψ/|P_ahead − P_behind| (three points on a circle, law of sines), and with a, b the
    chords sin ψ = |a × b|/(|a| |b|): one root and one division.
    """
    travelled = places[0]
    distance = window
    while True:
        behind = place_behind(travelled, corner, first, distance)
        ahead = place_ahead(travelled, corner, last, distance)
        ax, ay, az = chord_to(places, corner, behind)
        bx, by, bz = chord_to(places, corner, ahead)
        a = ax * ax + ay * ay + az * az
        b = bx * bx + by * by + bz * bz
        along = -(ax * bx + ay * by + az * bz)  # the first chord goes back along the path
        cut_behind = lies_far(places, corner, behind, behind + 1, distance)
        cut_ahead = lies_far(places, corner, ahead, ahead - 1, distance)
        if cut_behind or cut_ahead:
            cx, cy, cz = cut_chord(places, corner, behind, behind + 1, distance) if cut_behind else (ax, ay, az)
            dx, dy, dz = cut_chord(places, corner, ahead, ahead - 1, distance) if cut_ahead else (bx, by, bz)
            nx, ny, nz = cy * dz - cz * dy, cz * dx - cx * dz, cx * dy - cy * dx
            on = -(cx * dx + cy * dy + cz * dz)
            if on <= 0.0 or nx * nx + ny * ny + nz * nz > BY_ROUNDING * (on * on):
                ax, ay, az, bx, by, bz, along = cx, cy, cz, dx, dy, dz, on
                a = ax * ax + ay * ay + az * az
                b = bx * bx + by * by + bz * bz
        if a >= NO_CHORD * NO_CHORD and b >= NO_CHORD * NO_CHORD:
            if along > 0.0 and along * along >= LEAST_ALONG * (a * b):
                nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
                cx, cy, cz = bx - ax, by - ay, bz - az
                across = nx * nx + ny * ny + nz * nz
                return 2.0 * math.sqrt(across / (a * b * (cx * cx + cy * cy + cz * cz)))
        if behind == corner - 1 and ahead == corner + 1:
            return 0.0
        distance *= 0.5


@compiled_leaf
def change_between(units: Reals, before: int, after: int) -> float:
    """Length of the change of direction between two moves, 2·sin(half the turn)."""
    wx = units[0, after] - units[0, before]
    wy = units[1, after] - units[1, before]
    wz = units[2, after] - units[2, before]
    return math.sqrt(wx * wx + wy * wy + wz * wz)


@compiled_part
def changes(x: Reals, y: Reals, z: Reals, begin: int, end: int, change: Reals) -> None:
    """Write the length of the change of direction at the nodes from `begin` to `end`; unsigned places as in `ceilings`.

    This and the next three loops take each move for a run of its own, so that several go at a time.
    """
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        wx, wy, wz = x[i] - x[i - np.uint64(1)], y[i] - y[i - np.uint64(1)], z[i] - z[i - np.uint64(1)]
        change[i] = math.sqrt(wx * wx + wy * wy + wz * wz)


@compiled_part
def normals(unit: Reals, change: Reals, begin: int, end: int, signed: bool, corner: Reals) -> None:
    """Write one axis's share of the direction in which each corner accelerates."""
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        value = (unit[i] - unit[i - np.uint64(1)]) / change[i]
        corner[i] = value if signed else abs(value)


@compiled_leaf
def sharpness_of(sine: float, cosine: float) -> float:
    """(1 − s)/s of a corner from sine and cosine of half its turn, without cancellation."""
    cosine = max(cosine, 1.0 / SHARPEST)  # an exact reversal
    return min(SHARPEST, sine * sine / (cosine * (1.0 + cosine)))


@compiled_part
def sharpnesses(x: Reals, y: Reals, z: Reals, change: Reals, begin: int, end: int, sharpness: Reals) -> None:
    """Write the sharpness of each corner."""
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        sx, sy, sz = x[i] + x[i - np.uint64(1)], y[i] + y[i - np.uint64(1)], z[i] + z[i - np.uint64(1)]
        sharpness[i] = sharpness_of(0.5 * change[i], 0.5 * math.sqrt(sx * sx + sy * sy + sz * sz))


@compiled_part
def curvatures(x: Reals, y: Reals, z: Reals, length: Reals, begin: int, end: int, curvature: Reals) -> None:
    """Write the curvature of the circle through each node and the two beside it, as `curvature_at` has it.

    With the sides l, l' along the directions u, u' the chord between their far ends is |l u + l' u'|, and
    sin ψ = |u × u'|.
    """
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        before = i - np.uint64(1)
        ux, uy, uz, wx, wy, wz = x[before], y[before], z[before], x[i], y[i], z[i]
        nx, ny, nz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        one, other = length[before], length[i]
        cx, cy, cz = one * ux + other * wx, one * uy + other * wy, one * uz + other * wz
        along, across = ux * wx + uy * wy + uz * wz, nx * nx + ny * ny + nz * nz
        turns = (along > 0.0) & (along * along >= LEAST_ALONG)
        chord = max(cx * cx + cy * cy + cz * cz, NO_CHORD * NO_CHORD)
        curvature[i] = 2.0 * math.sqrt(across / chord) if turns else 0.0


@compiled_part
def differences(values: Reals, begin: int, end: int, steps: Reals) -> None:
    """Write by how much each value differs from the one before it."""
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        steps[i] = abs(values[i] - values[i - np.uint64(1)])


@compiled_part
def corners_of_moves(units: Reals, length: Reals, signed: bool, corners: Reals) -> None:
    """Write the features of every node, as if each move were a run of its own, none short, and all longer than the
    window of curves.
    """
    n = units.shape[1]
    x, y, z = units[0], units[1], units[2]
    change = corners[CHANGE]
    begin = int(np.int64(1))
    while begin < n:
        end = min(begin + BLOCK, n)
        changes(x, y, z, begin, end, change)
        normals(x, change, begin, end, signed, corners[CORNER_X])
        normals(y, change, begin, end, signed, corners[CORNER_Y])
        normals(z, change, begin, end, signed, corners[CORNER_Z])
        sharpnesses(x, y, z, change, begin, end, corners[SHARPNESS])
        curvatures(x, y, z, length, begin, end, corners[CURVATURE])
        differences(units[3], begin, end, corners[RATIO_CHANGE])
        if corners.shape[0] > TURN_X:
            differences(x, begin, end, corners[TURN_X])
            differences(y, begin, end, corners[TURN_Y])
            differences(z, begin, end, corners[TURN_Z])
        begin = end


@compiled_part
def no_corner(node: int, corners: Reals) -> None:
    """Leave nothing of a node but what belongs to the filament."""
    for row in range(corners.shape[0]):
        if row != RATIO_CHANGE:
            corners[row, node] = 0.0


@compiled
def corner_features(
    dx: Reals,
    dy: Reals,
    dz: Reals,
    length: Reals,
    units: Reals,
    rest: NDArray[np.uint8],
    curve_window: float,
    short_run: float,
    signed: bool,
    before: Before,
    corners: Reals,
) -> None:
    """Write the features of every corner into `corners` (float64[7 or 10, n]), column i for move i's start.

    `dx, dy, dz, length` (n) of the moves, `units` float64[4, n] as in `features.move_features`, `rest` (n + 1) where
    motion is at rest; a negative `curve_window` switches the curve rule off; `signed` keeps the signs of the direction
    in which a corner accelerates; `before` path, x, y, z (mm) from the start of the first move's run to that move,
    where the run began before it. Junction deviation: s = cos(half the turn), sharpness (1 − s)/s = sin²/(s(1 + s));
    T. Kunz, M. Stilman, Time-Optimal Trajectory Generation for Path Following with Bounded Acceleration and Velocity,
    RSS VIII, 2012.
    """
    n = dx.size
    longest = 0
    begin = 0
    for i in range(1, n + 1):
        if rest[i]:
            longest = max(longest, i - begin)
            begin = i
    corners_of_moves(units, length, signed, corners)
    # A run of just this length must not be short at one place of the bed and long at another.
    shortest = short_run - WINDOW_SLACK
    places = np.empty((4, longest + 1))
    nodes = np.empty(longest + 1, np.int64)
    begin = 0
    while begin < n:
        no_corner(begin, corners)
        corners[RATIO_CHANGE, begin] = 0.0
        # ---- one stretch between stops: the ends of its runs
        last = 0
        nodes[0] = begin
        places[:, 0] = 0.0
        travelled, x, y, z = before if begin == 0 else (0.0, 0.0, 0.0, 0.0)
        led = travelled > 0.0
        end = begin
        while True:
            travelled += length[end]
            x += dx[end]
            y += dy[end]
            z += dz[end]
            end += 1
            if not rest[end] and corners[CHANGE, end] < SAME_DIRECTION:
                no_corner(end, corners)
                continue
            last += 1
            nodes[last] = end
            places[0, last] = travelled
            places[1, last], places[2, last], places[3, last] = x, y, z
            if rest[end]:
                break
        # ---- its corners
        for corner in range(1, last):
            node = nodes[corner]
            earlier, after, widest = node - 1, node, corners[CHANGE, node]
            if places[0, corner] - places[0, corner - 1] < shortest and corner > 1:
                other = nodes[corner - 1] - 1
                change = change_between(units, other, node)
                if change > widest:
                    earlier, after, widest = other, node, change
            if places[0, corner + 1] - places[0, corner] < shortest and corner + 1 < last:
                other = nodes[corner + 1]
                change = change_between(units, node - 1, other)
                if change > widest:
                    earlier, after, widest = node - 1, other, change
            if after - earlier > 1:
                ux, uy, uz = units[0, earlier], units[1, earlier], units[2, earlier]
                wx, wy, wz = units[0, after], units[1, after], units[2, after]
                nx, ny, nz = (wx - ux) / widest, (wy - uy) / widest, (wz - uz) / widest
                corners[CORNER_X, node] = nx if signed else abs(nx)
                corners[CORNER_Y, node] = ny if signed else abs(ny)
                corners[CORNER_Z, node] = nz if signed else abs(nz)
                cosine = 0.5 * math.sqrt((ux + wx) ** 2 + (uy + wy) ** 2 + (uz + wz) ** 2)
                corners[SHARPNESS, node] = sharpness_of(0.5 * widest, cosine)
            shorter = min(places[0, corner] - places[0, corner - 1], places[0, corner + 1] - places[0, corner])
            of_two_moves = node - nodes[corner - 1] == 1 and nodes[corner + 1] - node == 1 and not (led and corner == 1)
            if curve_window < 0.0:
                corners[CURVATURE, node] = 0.0
            elif not of_two_moves or shorter < curve_window - WINDOW_SLACK:
                corners[CURVATURE, node] = curvature_at(places, corner, 0, last, curve_window)
        begin = end
