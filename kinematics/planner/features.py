"""Moves to features, once a job: lengths, directions and corners, everything that no candidate changes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_part
from kinematics.gcode.moves import FILAMENT, Moves
from kinematics.limits.columns import Surroundings
from kinematics.machine.mechanisms import CrossedBelt, LinearDelta
from kinematics.planner.corners import (
    BLOCK,
    CORNER_ROWS,
    CORNER_X,
    CORNER_Z,
    NOTHING_BEFORE,
    TURN_Z,
    Before,
    corner_features,
)

Reals = NDArray[np.float64]


RULE_OFF = -1.0
NOT_ROUNDED = np.empty(0)


class CornerSettings(NamedTuple):
    """What the geometry of corners depends on.

    `curve_window` path on either side of a corner through which the circle of the curve rule goes (mm; 0: through the
    neighbours, RULE_OFF: no curve rule); `short_run` length below which a run takes its neighbours' turn too (mm; 0
    with axis steps); `turns` whether anything hangs on how much each axis changes at a corner.
    """

    curve_window: float = 0.25
    short_run: float = 0.05
    turns: bool = True

    def around(self, lookahead: int | None, under_filter: float = math.inf) -> Surroundings:
        """What the sight of ceilings depends on, with as many moves as the controller sees and so much path (mm) under
        a vibration filter.
        """
        return Surroundings(max(0.0, self.curve_window), lookahead, under_filter, self.short_run)


class Features(NamedTuple):
    """One entry a move; node i is the start of move i, and all fields of corners belong to it.

    `length` (mm); `x, y, z` share of the direction on each axis (0 to 1); `ratio` filament a path length; `pace`
    inverse of the commanded speed (s/mm, 0 where none); `move_class` row of the table of limits; `rest` 1 where motion
    is at rest at the node; `sharpness` (1 − s)/s, s = cos(half the turn) (0 straight on); `curvature` of the curve rule
    (1/mm, 0 none); `corner_x, corner_y, corner_z` share on each axis of the direction in which the corner accelerates;
    `change` length of the change of direction (0 to 2); `ratio_change` step of the signed filament ratio; `turn`
    float64[3, n] change |w_k| of the direction on each axis (no columns where nothing hangs on it).

    Of the motors that move several axes at once (no rows where none of them is limited): `motor`, `motor_corner`,
    `bend` as in `MotorFeatures`. `whole` the number of the file's move that each move is a piece of, empty where
    no move is cut.

    Of vibration filters (empty where no budget holds their rounding): `lead` by how much each move's ramps run ahead
    (s², `vibration.rounding`), `rounded` inverse of the speed at each node within the budget (s/mm, 0 for any;
    `vibration.path_rounding`), where motion rests that with which the move leaves; `reached` that with which each move
    reaches rest.
    """

    length: Reals
    x: Reals
    y: Reals
    z: Reals
    ratio: Reals
    pace: Reals
    move_class: NDArray[np.uint16]
    rest: NDArray[np.uint8]
    sharpness: Reals
    curvature: Reals
    corner_x: Reals
    corner_y: Reals
    corner_z: Reals
    change: Reals
    ratio_change: Reals
    turn: Reals
    motor: Reals
    motor_corner: Reals
    bend: Reals
    whole: NDArray[np.int64]
    lead: Reals = NOT_ROUNDED
    rounded: Reals = NOT_ROUNDED
    reached: Reals = NOT_ROUNDED


class Drive(NamedTuple):
    """The mechanism whose coupled motors are limited, and where each move starts (float64[3, n], mm).

    A crossed belt is the same everywhere and needs no places.
    """

    mechanism: CrossedBelt | LinearDelta
    starts: Reals


class MotorFeatures(NamedTuple):
    """`motor` |j_k| of every move, `motor_corner` |(J·n)_k| of every corner (float64[motors, n]); `bend` the
    acceleration of each motor at unit tool speed (1/mm), no row where motors are at rest then.
    """

    motor: Reals
    motor_corner: Reals
    bend: Reals


NO_MOTORS = MotorFeatures(np.empty((0, 0)), np.empty((0, 0)), np.empty((0, 0)))


def motor_features(drive: Drive, units: Reals, steps: Reals, normals: Reals) -> MotorFeatures:
    """The part of the coupled motors in moves and corners.

    `units` (3, n) directions of moves, `steps` (3, n) their displacements (mm), `normals` (3, n) the signed direction
    in which the corner at each move's start accelerates (zero where there is none). On a crossed belt j = J·u. On a
    delta, whose j falls all along a straight move, dj/ds = −c_k, |j_k| is largest at an end: the worse one is taken;
    c_k = (|u_xy|² + (j_k − u_z)²)/h_k (differentiating z + √(L² − …) twice), the worse end of each factor. Where an arm
    does not reach an end of a move, nothing is known of its carriage and all of its numbers are 0.
    """
    mechanism = drive.mechanism
    if isinstance(mechanism, CrossedBelt):
        rows = len(mechanism.coupled)
        motor = np.abs(mechanism.motor_speeds(units, drive.starts)[:rows])
        return MotorFeatures(motor, np.abs(mechanism.motor_speeds(normals, drive.starts)[:rows]), NO_MOTORS.bend)
    starts = drive.starts
    ends = starts + steps
    first, last = mechanism.motor_speeds(units, starts), mechanism.motor_speeds(units, ends)
    motor = np.maximum(np.abs(first), np.abs(last))
    heights = np.minimum(mechanism.arm_heights(starts), mechanism.arm_heights(ends))
    leaning = np.maximum((first - units[2]) ** 2, (last - units[2]) ** 2)
    bend = (units[0] ** 2 + units[1] ** 2 + leaning) / heights
    motor_corner = np.abs(mechanism.motor_speeds(normals, starts))
    for found in (motor, motor_corner, bend):
        found[np.isnan(found)] = 0.0
    return MotorFeatures(motor, motor_corner, bend)


NOT_CUT = np.empty(0, np.int64)
NO_TURNS = np.empty((3, 0))


@compiled_part
def lengths(x: Reals, y: Reals, z: Reals, begin: int, end: int, length: Reals) -> None:
    """Write the lengths of moves; places are unsigned, as in `ceilings`, so that several moves go at a time."""
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        length[i] = math.sqrt(x[i] * x[i] + y[i] * y[i] + z[i] * z[i])


@compiled_part
def shares(along: Reals, length: Reals, begin: int, end: int, unit: Reals, share: Reals) -> None:
    """Write displacement over length, with its sign and without; 0 where there is no length."""
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        value = along[i] / length[i] if length[i] > 0.0 else 0.0
        unit[i] = value
        share[i] = abs(value)


@compiled
def move_features(
    dx: Reals,
    dy: Reals,
    dz: Reals,
    de: Reals,
    speed: Reals,
    kind: NDArray[np.int8],
    stop: NDArray[np.uint8],
    numbers: Reals,
    units: Reals,
    rest: NDArray[np.uint8],
) -> None:
    """Write length, direction shares, filament ratio and pace of every move, and where motion rests.

    Inputs of length n as in `Moves`; `numbers` float64[6, n] takes length, x, y, z, ratio, pace; `units` float64[4, n]
    the direction and the signed filament ratio; `rest` uint8[n + 1].
    """
    n = dx.size
    length, pace = numbers[0], numbers[5]
    rest[:] = 0
    begin = int(np.int64(0))
    while begin < n:
        end = min(begin + BLOCK, n)
        lengths(dx, dy, dz, begin, end, length)
        shares(dx, length, begin, end, units[0], numbers[1])
        shares(dy, length, begin, end, units[1], numbers[2])
        shares(dz, length, begin, end, units[2], numbers[3])
        shares(de, length, begin, end, units[3], numbers[4])
        for i in range(begin, end):
            pace[i] = 1.0 / speed[i]
        for i in range(begin, end):
            if kind[i] == FILAMENT:
                length[i] = abs(de[i])
                numbers[4, i] = 1.0
                rest[i] = 1
                rest[i + 1] = 1
            elif stop[i]:
                rest[i] = 1
        begin = end
    rest[0] = 1
    rest[n] = 1


class FeatureRoom:
    """Memory for the features of one block after the other: fresh memory costs a good share of making them."""

    def __init__(self) -> None:
        self._numbers = np.empty(0)
        self._rest = np.empty(0, np.uint8)

    def rows(self, *counts: int, n: int) -> tuple[list[Reals], NDArray[np.uint8]]:
        """Arrays float64[count, n], one after the other in memory, and uint8[n + 1]; what was there is written over."""
        size = sum(counts) * n
        if self._numbers.size < size:
            self._numbers = np.empty(size + size // 4)
        if self._rest.size < n + 1:
            self._rest = np.empty(n + n // 4 + 1, np.uint8)
        ends = np.cumsum([0, *counts]) * n
        arrays = [
            self._numbers[begin:end].reshape(count, n)
            for count, begin, end in zip(counts, ends[:-1], ends[1:], strict=True)
        ]
        return arrays, self._rest[: n + 1]


def make_features(
    moves: Moves,
    move_class: NDArray[np.uint16],
    settings: CornerSettings,
    drive: Drive | None = None,
    whole: NDArray[np.int64] = NOT_CUT,
    room: FeatureRoom | None = None,
    before: Before = NOTHING_BEFORE,
) -> Features:
    """The features of a job. `move_class` (n) comes from `limits.classes`; the others as in their classes.

    `before` the part of the first move's run that lies before it.

    `drive` is left out where no motor that moves several axes at once is limited. What is made in a `room` holds until
    the next features are made there.
    """
    n = moves.dx.size
    room = FeatureRoom() if room is None else room
    (numbers, units, corners), rest = room.rows(6, 4, TURN_Z + 1 if settings.turns else CORNER_ROWS, n=n)
    move_features(moves.dx, moves.dy, moves.dz, moves.de, moves.speed, moves.kind, moves.stop, numbers, units, rest)
    corner_features(
        moves.dx,
        moves.dy,
        moves.dz,
        numbers[0],
        units,
        rest,
        settings.curve_window,
        settings.short_run,
        drive is not None,
        before,
        corners,
    )
    motors = NO_MOTORS
    if drive is not None:
        normals = corners[CORNER_X : CORNER_Z + 1]
        motors = motor_features(drive, units[:3], np.stack([moves.dx, moves.dy, moves.dz]), normals)
        np.abs(normals, out=normals)
    length, x, y, z, ratio, pace = numbers
    sharpness, curvature, corner_x, corner_y, corner_z, change, ratio_change = corners[:CORNER_ROWS]
    return Features(
        length,
        x,
        y,
        z,
        ratio,
        pace,
        move_class,
        rest,
        sharpness,
        curvature,
        corner_x,
        corner_y,
        corner_z,
        change,
        ratio_change,
        corners[CORNER_ROWS:] if settings.turns else NO_TURNS,
        *motors,
        whole,
    )
