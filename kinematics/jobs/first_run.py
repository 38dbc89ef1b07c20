"""The first run ever: reader and planners are compiled side by side, one process each; features by who is done."""

from __future__ import annotations

import functools
import sys
from typing import TYPE_CHECKING

import numpy as np

from kinematics import compiled

if TYPE_CHECKING:
    from kinematics.gcode.moves import Moves
    from kinematics.limits.classes import Classes
    from kinematics.planner.features import Features

TINY_JOB = b"G1 X1 Y1 F600\nG1 X9 E1\nG1 Y9 E1\n"


def two_moves() -> tuple[Moves, Classes]:
    """Two moves around a corner, with their classes."""
    from kinematics.gcode.moves import Moves
    from kinematics.limits.classes import classify

    one, none = np.ones(2), np.zeros(2)
    whole = np.ones(2, np.int32)
    moves = Moves(
        one, np.array([0.0, 1.0]), none, one, 10.0 * one, np.zeros(2, np.int8), whole, whole, none.astype("u1")
    )
    return moves, classify(moves, 0)


def plain_features(classes: Classes) -> Features:
    """Features of two moves as arrays of the right kinds, so that planning need not wait for the making of features."""
    from kinematics.planner.features import NO_MOTORS, NO_TURNS, NOT_CUT, Features

    one, rest = np.ones(2), np.ones(3, np.uint8)
    return Features(*(one,) * 6, classes.of_move, rest, *(one,) * 7, NO_TURNS, *NO_MOTORS, NOT_CUT)


def compile_planner() -> None:
    """Plan two moves, so that the planner's kernel is compiled and kept."""
    from kinematics.limits.combine import limits_of
    from kinematics.machine import Machine
    from kinematics.planner.plan import plan

    _, classes = two_moves()
    plan(plain_features(classes), limits_of(Machine(), classes.table).values)


def compile_features() -> None:
    """Make features of two moves, so that those kernels are compiled and kept."""
    from kinematics.planner.features import CornerSettings, make_features

    moves, classes = two_moves()
    make_features(moves, classes.of_move, CornerSettings())


def compile_batches() -> None:
    """Time two moves under two limits at once, so that the batch planner's kernel is compiled and kept."""
    from kinematics.limits.combine import limits_of
    from kinematics.machine import Machine
    from kinematics.planner.batch import batch_features, batch_times

    moves, classes = two_moves()
    features = batch_features(plain_features(classes), moves.layer)
    batch_times(features, [limits_of(Machine(), classes.table).values] * 2)


@functools.cache
def compile_kernels() -> None:
    """Compile everything that a first run needs, on both cores, once; nothing to do where that is kept already."""
    if compiled.CACHE_WAS_WARM or compiled.CACHE_FOLDER is None:
        return
    import subprocess

    parts = "first.compile_planner(); first.compile_batches(); first.compile_features()"
    command = f"import gc; gc.disable(); import {__name__} as first; {parts}"
    with subprocess.Popen(
        [sys.executable, "-c", command], stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL
    ) as beside:
        from kinematics.gcode.reader import read_gcode

        read_gcode(TINY_JOB)
        compile_features()  # unless that is done by now: whoever has time first
        beside.wait()  # should it have failed, the planner is compiled here, later
