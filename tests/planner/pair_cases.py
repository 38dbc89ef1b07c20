"""Random ties between speed and acceleration, and the planner's pair for one of them."""

from __future__ import annotations

import math
import random
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.limits import columns as by
from kinematics.limits.drive import ForceCurve, curve_table
from kinematics.machine import Machine
from kinematics.planner.features import Features
from kinematics.planner.ties import NO_TIES, tie_ceilings, tie_scratch
from tests.naive.pairs_twin import NaiveDrive, NaiveTie
from tests.naive.planner_records import NaiveMove
from tests.naive.random_paths import to_moves
from tests.planner.from_naive import features_of

OWN = 255  # stands for a ceiling of the move's own


class Pair(NamedTuple):
    """Speed (mm/s), acceleration (mm/s²), what holds each: OWN ceiling, a drive's place, or the number of drives."""

    speed: float
    acceleration: float
    holds_speed: int
    holds_acceleration: int


Reals = NDArray[np.float64]
ONE_MOVE = features_of(to_moves([NaiveMove(dx=1.0)]), Machine())


@compiled
def lower_block(features, ties, advance, begin, end, paces, sluggish, causes):  # type: ignore[no-untyped-def]
    """`tie_ceilings` for Python; `causes` uint8[2, n] of cruising and ramping."""
    scratch = tie_scratch(end - begin, ties.curves.shape[0])
    tie_ceilings(features, ties, advance, begin, end, paces, sluggish, (causes[0], causes[1]), scratch)


def tied_features(ratio: Reals, classes: NDArray[np.uint16]) -> Features:
    """Features of which only these are read; one entry a move."""
    return ONE_MOVE._replace(ratio=ratio, move_class=classes)


def holder(code: int, drives: int) -> int:
    """What a cause stands for: OWN ceiling, a drive's place, or the number of drives for the extruder."""
    return OWN if code == OWN else drives if code == by.ADVANCE else code - by.DRIVE_1


def pair_of(tie: NaiveTie) -> Pair:
    """The planner's pair for one move."""
    drives = len(tie.drives)
    curves = curve_table([ForceCurve(np.array(one.speeds), np.array(one.forces)) for one in tie.drives])
    loads = np.array([[[one.mass, one.friction, one.share] for one in tie.drives]]).reshape(1, drives, 3)
    pace, sluggish = np.array([1.0 / tie.fastest]), np.array([1.0 / tie.steepest])
    causes = np.full((2, 1), OWN, np.uint8)
    ties = NO_TIES._replace(run_length=np.array([tie.length]), loads=loads, curves=curves)
    features = tied_features(np.ones(1), np.zeros(1, np.uint16))
    lower_block(features, ties, np.array([[tie.advance, tie.delay]]), 0, 1, pace, sluggish, causes)
    speed = math.inf if pace[0] == 0.0 else float(1.0 / pace[0])
    return Pair(speed, float(1.0 / sluggish[0]), *(holder(int(code), drives) for code in causes[:, 0]))


def random_drive(draw: random.Random) -> NaiveDrive:
    """A motor with a falling curve of any shape: steps, flats, steep and hollow pieces."""
    points = draw.randint(2, 6)
    speeds = [0.0, *sorted(draw.uniform(5.0, 600.0) for _ in range(points - 1))]
    forces = sorted((draw.uniform(0.0, 60.0) for _ in range(points)), reverse=True)
    for i in range(1, points):
        if draw.random() < 0.25:
            forces[i] = forces[i - 1]
    forces[-1] = 0.0 if draw.random() < 0.2 else forces[-1]
    friction = draw.choice([0.0, draw.uniform(0.0, 0.9)]) * forces[0]
    share = draw.choice([0.0, 1.0, math.sqrt(2.0), draw.uniform(0.0, 1.5)])
    return NaiveDrive(tuple(speeds), tuple(forces), draw.uniform(1e-4, 3e-3), friction, share)


def random_tie(seed: int) -> NaiveTie:
    """A move under up to four drives, with pressure advance or without, of any length from a speck to no end."""
    draw = random.Random(seed)
    length = draw.choice([10.0 ** draw.uniform(-4.0, 4.0), 10.0 ** draw.uniform(-2.0, 2.5), math.inf])
    fastest = draw.choice([math.inf, draw.uniform(10.0, 800.0)])
    steepest = 10.0 ** draw.uniform(1.5, 5.0)
    drives = tuple(random_drive(draw) for _ in range(draw.randint(0, 4)))
    if drives and draw.random() < 0.2:
        drives = (*drives[:-1], drives[0])  # both motors of crossed belts along an axis
    delay = draw.choice([0.0, draw.uniform(0.01, 0.2)])
    advance = draw.uniform(20.0, 2000.0) if delay else math.inf
    return NaiveTie(length, fastest, steepest, drives, advance, delay)
