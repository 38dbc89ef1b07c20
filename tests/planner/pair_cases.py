"""Random ties between speed and acceleration, and the planner's pair for one of them."""

from __future__ import annotations

import math
import random
from typing import NamedTuple

import numpy as np

from kinematics.caps.drive import ForceCurve, curve_table
from kinematics.compiled import compiled
from kinematics.planner.pairs import pair_ceilings
from tests.naive.pairs_twin import NaiveDrive, NaiveTie

OWN = 255  # stands for a ceiling of the move's own


class Pair(NamedTuple):
    """Speed (mm/s), acceleration (mm/s²), what holds each: OWN ceiling, a drive's place, or the number of drives."""

    speed: float
    acceleration: float
    holds_speed: int
    holds_acceleration: int


@compiled
def _ceilings(length, curves, loads, advance, pace, sluggish, causes, tied, lines, pieces):  # type: ignore[no-untyped-def]
    ratio, classes = np.ones(1), np.zeros(1, np.uint16)
    pair_ceilings(
        length,
        ratio,
        classes,
        advance,
        curves,
        loads,
        0,
        1,
        0,
        curves.shape[0],
        pace,
        sluggish,
        causes[0],
        causes[1],
        tied,
        lines,
        pieces,
    )


@compiled
def lower_block(  # type: ignore[no-untyped-def]
    run_length, ratio, classes, curves, loads, advance, begin, end, paces, sluggish, causes, tied, lines, pieces
):
    """`pair_ceilings` for Python; `causes` uint8[2, n] of cruising and ramping, drives from 20 on, the extruder 30."""
    pair_ceilings(
        run_length,
        ratio,
        classes,
        advance,
        curves,
        loads,
        begin,
        end,
        20,
        30,
        paces,
        sluggish,
        causes[0],
        causes[1],
        tied,
        lines,
        pieces,
    )


def pair_of(tie: NaiveTie) -> Pair:
    """The planner's pair for one move."""
    drives = len(tie.drives)
    curves = curve_table([ForceCurve(np.array(one.speeds), np.array(one.forces)) for one in tie.drives])
    loads = np.array([[[one.mass, one.friction, one.share] for one in tie.drives]]).reshape(1, drives, 3)
    pace, sluggish = np.array([1.0 / tie.fastest]), np.array([1.0 / tie.steepest])
    causes = np.full((2, 1), OWN, np.uint8)
    scratch = np.empty(1, np.int64), np.empty((drives + 2, 4)), np.empty(drives, np.int64)
    advance = np.array([[tie.advance, tie.delay]])
    _ceilings(np.array([tie.length]), curves, loads, advance, pace, sluggish, causes, *scratch)
    speed = math.inf if pace[0] == 0.0 else float(1.0 / pace[0])
    return Pair(speed, float(1.0 / sluggish[0]), int(causes[0, 0]), int(causes[1, 0]))


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
