"""The first run ever: reader and planner are compiled side by side, one process each."""

from __future__ import annotations

import functools
import sys

import numpy as np

from kinematics import compiled

TINY_JOB = b"G1 X1 Y1 F600\nG1 X9 E1\nG1 Y9 E1\n"


def compile_planner() -> None:
    """Plan two moves, so that the planner's kernels are compiled and kept."""
    from kinematics.gcode.moves import Moves
    from kinematics.limits.classes import classify
    from kinematics.limits.combine import limits_of
    from kinematics.machine import Machine
    from kinematics.planner.features import CornerSettings, make_features
    from kinematics.planner.plan import plan

    two = np.ones(2)
    moves = Moves(
        two,
        np.array([0.0, 1.0]),
        np.zeros(2),
        two,
        10.0 * two,
        np.zeros(2, np.int8),
        np.ones(2, np.int32),
        np.ones(2, np.int32),
        np.zeros(2, np.uint8),
    )
    classes = classify(moves, 0)
    limits = limits_of(Machine(), classes.table)
    plan(make_features(moves, classes.of_move, CornerSettings()), limits.values)


@functools.cache
def compile_kernels() -> None:
    """Compile everything that a first run needs, on both cores, once; nothing to do where that is kept already."""
    if compiled.CACHE_WAS_WARM or compiled.CACHE_FOLDER is None:
        return
    import subprocess

    command = f"import gc; gc.disable(); from {__name__} import compile_planner; compile_planner()"
    with subprocess.Popen(
        [sys.executable, "-c", command], stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL
    ) as beside:
        from kinematics.gcode.reader import read_gcode

        read_gcode(TINY_JOB)
        beside.wait()  # should it have failed, the planner is compiled here, later
