"""Moves of one block of a job planned under several machines, of which sums are kept.

A block ends where motion rests. Where no rest comes for long it ends at a node whose speed nothing behind the block can
change, and the moves of some way before that node are planned once more with the next block.

Why that is exact: with G(i, k) = Σ 2 a L of the moves between two nodes and c_j the squared ceiling of a node, both
passes together give v_i² = min over j of (c_j + G(i, j)). To end a block at node e adds c_e = 0: no speed with
v_i² < G(i, e) hangs on it, nor any before it. To begin one at rest at node b changes no speed with v_i² < G(b, i), nor
any after it. Ceilings of nodes depend on the path around them; those whose surroundings are not in the block are left
out of account: they would have to be passed at 0 and still hold nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.gcode.moves import FILAMENT, Moves
from kinematics.planner.features import CornerSettings, FeatureRoom, Features, make_features
from kinematics.planner.layers import sums_by_layer
from kinematics.planner.path_sums import PATH_SUMS, add_path
from kinematics.planner.plan import LANES, Plan, Room, make_room, plan
from kinematics.planner.ties import NO_TIES
from kinematics.planner.unbounded import is_unbounded

Reals = NDArray[np.float64]

MARGIN = 1e-9  # share of a squared speed by which it must stay below what would hold it, for rounding
TAIL = 1024  # moves at the end of a block that are looked through before those before them


def _joined(columns: Iterable[Any], others: Iterable[Any]) -> list[Any]:
    return [np.concatenate(both) for both in zip(columns, others, strict=True)]


class Block(NamedTuple):
    """Moves of a job, in file order; the first `kept` of them have been summed already and only lead up to the rest.

    `classes` the class of every move, one array for each way of classing.
    """

    moves: Moves
    classes: tuple[NDArray[np.uint16], ...]
    kept: int

    def part(self, begin: int, end: int, kept: int) -> Block:
        """The moves from `begin` to `end`."""
        moves = Moves._make(column[begin:end] for column in self.moves)
        return Block(moves, tuple(column[begin:end] for column in self.classes), kept)

    def followed_by(self, other: Block) -> Block:
        """This block and the next as one."""
        moves = Moves._make(_joined(self.moves, other.moves))
        return Block(moves, tuple(_joined(self.classes, other.classes)), self.kept)

    @property
    def size(self) -> int:
        """Number of moves."""
        return int(self.moves.kind.size)


class Terms(NamedTuple):
    """Under what a block is planned: which of its ways of classing, the limits of those classes, and so on.

    `limits` float64[classes, LIMITS]; `sums_path` whether lengths and peaks are asked for; `total_only` whether nobody
    asks for causes; `in_place` the limits that hold where none is lifted (None: none is), under which a block is
    planned that the others leave unbounded.
    """

    way: int
    corners: CornerSettings
    limits: Reals
    lookahead: int | None
    sums_path: bool
    total_only: bool
    in_place: Reals | None = None

    def plans_as(self, other: Terms) -> bool:
        """Whether plans under both are the same, and what they leave without a ceiling."""
        same = (self.way, self.corners, self.lookahead) == (other.way, other.corners, other.lookahead)
        if not same or not np.array_equal(self.limits, other.limits):
            return False
        if self.in_place is None or other.in_place is None:
            return self.in_place is other.in_place
        return np.array_equal(self.in_place, other.in_place)


class BlockSums(NamedTuple):
    """What is kept of a block under one machine.

    `seconds` float64[classes, CAUSES]; `motion` (s); `layer`, `layer_seconds`, `layer_moves` of the layers that occur;
    `passed` time from the block's first kept move to each move that was asked for (s); `path` as `planner.path_sums`,
    with the line of the fastest flow; `unbounded` whether a lifted limit leaves some move without a ceiling.
    """

    seconds: Reals
    motion: float
    layer: NDArray[np.int32]
    layer_seconds: Reals
    layer_moves: NDArray[np.int64]
    passed: Reals
    path: Reals
    line: int
    unbounded: bool


class Cut(NamedTuple):
    """A block that was planned up to the node `end`; the next one begins at the node `begin` before it."""

    end: int
    begin: int
    sums: list[BlockSums]


class _Rooms(threading.local):
    """Arrays for plans, kept from block to block by every thread."""

    def __init__(self) -> None:
        self.rooms: list[Room] = []
        self.features: list[FeatureRoom] = []
        self.batch_room = FeatureRoom()

    def feature_room(self, number: int) -> FeatureRoom:
        """Room for features, likewise."""
        while number >= len(self.features):
            self.features.append(FeatureRoom())
        return self.features[number]

    def room(self, number: int, moves: int, classes: int) -> Room:
        """Room for a plan of so many moves; of equal numbers the later plan is written over the earlier."""
        while number >= len(self.rooms):
            self.rooms.append(make_room(0, 1))
        if self.rooms[number].speeds.size <= moves:
            self.rooms[number] = make_room(moves + moves // 4, 1)
        speeds, result, _ = self.rooms[number]
        columns = [column[:moves] for column in result[:-1]]
        seconds = np.empty((classes, by.CAUSES))
        return Room(speeds[: moves + 1], Plan._make([*columns, seconds]), np.empty((LANES, classes, by.CAUSES)))


_ROOMS = _Rooms()


def last_rest(block: Block) -> int:
    """The last node behind the kept moves, but the block's end, at which motion rests; 0 where there is none."""
    kind, stop = block.moves.kind, block.moves.stop
    size = TAIL
    end = block.size
    while end > block.kept:
        begin = max(block.kept, end - size)
        before = np.flatnonzero((kind[begin:end] == FILAMENT) | (stop[begin:end] != 0))
        if before.size and begin + int(before[-1]) > block.kept:
            return begin + int(before[-1])
        end, size = begin, 8 * size
    return 0


def _features(block: Block, terms: Sequence[Terms]) -> list[Features]:
    """The features of a block under each of several terms; what they share is made once.

    They hold until this thread makes the next.
    """
    made: dict[CornerSettings, Features] = {}
    found = []
    for one in terms:
        move_class = block.classes[one.way]
        if one.corners not in made:
            room = _ROOMS.feature_room(len(made))
            made[one.corners] = make_features(block.moves, move_class, one.corners, room=room)
        found.append(made[one.corners]._replace(move_class=move_class))
    return found


def _planned(features: Features, terms: Terms, room: Room) -> tuple[Plan, bool]:
    """The plan of a block, and whether a lifted limit leaves some move unbounded: then with that limit in place."""
    advance = np.zeros((terms.limits.shape[0], 2))
    if terms.in_place is not None and is_unbounded(features, terms.limits, advance, NO_TIES):
        return plan(features, terms.in_place, terms.lookahead, room), True
    return plan(features, terms.limits, terms.lookahead, room), False


def _sums(
    block: Block,
    features: Features,
    found: Plan,
    unbounded: bool,
    terms: Terms,
    end: int,
    asked: NDArray[np.int64],
) -> BlockSums:
    """Sum a plan from the kept moves to `end`; `asked` the moves before which the time is asked for."""
    kept, moves = block.kept, block.moves
    if kept == 0 and end == features.length.size:
        seconds = found.seconds
    else:
        seconds = np.zeros(found.seconds.size)
        row = features.move_class[kept:end].astype(np.int64) * by.CAUSES
        for cause, spent in (
            (found.cruise_cause, found.cruising[kept:end]),
            (found.ramp_cause, found.rising[kept:end] + found.falling[kept:end]),
        ):
            seconds += np.bincount(row + cause[kept:end], weights=spent, minlength=seconds.size)
        seconds = seconds.reshape(found.seconds.shape)
    duration = found.duration[kept:end]
    passed = np.zeros(0)
    if asked.size:
        passed = np.concatenate([[0.0], np.cumsum(duration[: int(asked.max()) - kept])])[asked - kept]
    path, highest = np.zeros(PATH_SUMS), -1
    if terms.sums_path:
        highest = add_path(moves.kind, features.length, features.ratio, found.speed_peak, kept, end, path)
    line = int(moves.line[highest]) if highest >= 0 else -1
    by_layer = sums_by_layer(moves.layer[kept:end], duration)
    return BlockSums(seconds, float(duration.sum()), *by_layer, passed, path, line, unbounded)


def plan_to_rest(block: Block, terms: Sequence[Terms], asked: NDArray[np.int64]) -> list[BlockSums]:
    """Plan a block at whose end motion rests, under each of several terms.

    `asked` the moves, none of the kept, before which the time is asked for.
    """
    features = _features(block, terms)
    sums: dict[int, BlockSums] = {}
    for group in _batches(terms):
        found = _sums_of_batch(block, features[group[0]], [terms[number] for number in group], asked)
        sums.update(zip(group, found, strict=True))
    for number, one in enumerate(terms):
        if number not in sums:
            room = _ROOMS.room(0, block.size, one.limits.shape[0])
            planned = _planned(features[number], one, room)
            sums[number] = _sums(block, features[number], *planned, one, block.size, asked)
    return [sums[number] for number in range(len(terms))]


def _batches(terms: Sequence[Terms]) -> list[list[int]]:
    """The numbers of terms that are timed together: causes and lifted limits ask for plans of their own."""
    alike: dict[tuple[Any, ...], list[int]] = {}
    for number, one in enumerate(terms):
        if one.total_only and not one.sums_path and one.in_place is None:
            alike.setdefault((one.way, one.corners, one.lookahead), []).append(number)
    return [group for group in alike.values() if len(group) > 1]


def _sums_of_batch(
    block: Block, features: Features, terms: Sequence[Terms], asked: NDArray[np.int64]
) -> list[BlockSums]:
    """The sums of a block under several terms that differ in their limits alone, without causes."""
    from kinematics.planner.batch import batch_features, batch_times  # batches take time to load

    kept, layer = block.kept, block.moves.layer
    begins = np.concatenate([[kept], np.flatnonzero(layer[kept + 1 :] != layer[kept:-1]) + kept + 1])
    # Layers of the block from 1 on, in file order; 0 is what has been summed already.
    number = np.zeros(block.size, np.int32)
    number[begins] = 1
    np.cumsum(number, out=number)
    marks = np.concatenate([[kept], asked])
    limits = [one.limits for one in terms]
    room = _ROOMS.batch_room
    times = batch_times(
        batch_features(features, number, room), limits, terms[0].lookahead, begins.size, marks, workers=1
    )
    moves = np.diff(begins, append=block.size)
    return [
        BlockSums(
            np.zeros((one.limits.shape[0], by.CAUSES)),
            float(times.motion[i] - times.passed[0, i]),
            layer[begins],
            times.layers[1:, i],
            moves,
            times.passed[1:, i] - times.passed[0, i],
            np.zeros(PATH_SUMS),
            -1,
            False,
        )
        for i, one in enumerate(terms)
    ]


def plan_to_cut(block: Block, terms: Sequence[Terms], asked: NDArray[np.int64]) -> Cut | None:
    """Plan a block of which nobody knows how motion goes on after it, as far as that is of no account.

    None where no such place is found: a longer block is needed then. `asked` as in `plan_to_rest`.
    """
    made = _features(block, terms)
    run_ends = np.flatnonzero(made[0].change)
    travelled = np.concatenate([[0.0], np.cumsum(made[0].length)])
    window = max(0.0, *(one.corners.curve_window for one in terms))
    known = _last_known(run_ends, travelled, window)
    size = known + 1
    plans: list[tuple[Features, Plan, bool]] = []
    end = size
    for number, (one, features) in enumerate(zip(terms, made, strict=True)):
        part = Features._make(column[: size + (column is features.rest)] for column in features)
        found, unbounded = _planned(part, one, _ROOMS.room(number, size, one.limits.shape[0]))
        plans.append((part, found, unbounded))
        end = min(end, _last_held(part, found, block.kept))
    if end <= block.kept:
        return None
    begin = min(_first_needed(part, found, end) for part, found, _ in plans)
    leading = run_ends[(run_ends < begin) & (travelled[run_ends] <= travelled[begin] - window)]
    sums = [_sums(block, *planned, one, end, asked[asked < end]) for one, planned in zip(terms, plans, strict=True)]
    return Cut(end, int(leading[-1]) - 1 if leading.size else 0, sums)


def _last_known(run_ends: NDArray[np.int64], travelled: Reals, window: float) -> int:
    """The last node of a block whose ceiling does not hang on the path behind the block.

    The end of the last run is not known, so the last corner in the block may have a short run behind it; and a corner
    needs the end of a run `window` (mm) of path ahead.
    """
    if run_ends.size == 0:
        return travelled.size - 2
    behind = travelled[run_ends[-1]] - travelled[run_ends]
    return int(run_ends[np.flatnonzero((behind < window) | (behind == 0.0))[0]]) - 1


def _last_held(features: Features, found: Plan, kept: int) -> int:
    """The last node behind the kept moves whose speed the end of the block does not hold; 0 where there is none."""
    n = features.length.size
    size = TAIL
    while True:
        begin = max(kept + 1, n - size)
        gains = 2.0 * features.length[begin:] * found.acceleration[begin:]
        to_rest = np.cumsum(gains[::-1])[::-1]
        held = np.flatnonzero(found.speed_in[begin:] ** 2 < (1.0 - MARGIN) * to_rest)
        if held.size:
            return begin + int(held[-1])
        if begin == kept + 1:
            return 0
        size *= 8


def _first_needed(features: Features, found: Plan, node: int) -> int:
    """The last node from which motion, beginning at rest, could reach more than the speed that was found at `node`."""
    square = float(found.speed_in[node]) ** 2
    size = TAIL
    while True:
        begin = max(0, node - size)
        gains = 2.0 * features.length[begin:node] * found.acceleration[begin:node]
        from_rest = np.cumsum(gains[::-1])[::-1]
        enough = np.flatnonzero(from_rest > (1.0 + MARGIN) * square)
        if enough.size:
            return begin + int(enough[-1])
        if begin == 0:
            return 0
        size *= 8
