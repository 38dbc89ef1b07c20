"""Random jobs and limits for the planner and its twin, seeded, with zeros, infinities and awkward geometry.

`random_job(seed)` and `random_limits(seed)` repeat for a seed; `jobs()` and `limits()` are hypothesis strategies over
the same pieces, which shrink to few pieces and small seeds; `to_moves` makes the planner's arrays of a job.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from random import Random

import numpy as np
from hypothesis import strategies as st

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL, Moves

from .planner_records import NaiveLimits, NaiveMove
from .planner_twin import NO_LENGTH, THRESHOLDS, Thresholds, plan_naively
from .turns import Vector

KIND_CODES = {"print": PRINT, "travel": TRAVEL, "filament": FILAMENT}


# ---- shapes: displacements of successive moves (mm) -------------------------------------------------------------


def steps_between(places: Sequence[Vector], decimals: int | None = None) -> list[Vector]:
    """Displacements from place to place, the places rounded first if decimals are given; none without length."""
    if decimals is not None:
        places = [(round(x, decimals), round(y, decimals), round(z, decimals)) for x, y, z in places]
    steps = [(b[0] - a[0], b[1] - a[1], b[2] - a[2]) for a, b in pairwise(places)]
    return [step for step in steps if math.hypot(*step) >= 10.0 * NO_LENGTH]


def circle(
    radius: float, chords: int, sweep: float = math.tau, start: float = 0.0, climb: float = 0.0, at: Vector = (0, 0, 0)
) -> list[Vector]:
    """Places on a circle or helix in equal chords; `at` its centre, `climb` its rise over the whole sweep (mm)."""
    return [
        (
            at[0] + radius * math.cos(start + sweep * i / chords),
            at[1] + radius * math.sin(start + sweep * i / chords),
            at[2] + climb * i / chords,
        )
        for i in range(chords + 1)
    ]


def straight(direction: Vector, length: float, pieces: int, at: Vector = (0, 0, 0)) -> list[Vector]:
    """Places on a straight line in equal pieces; `direction` need not be one long."""
    step = length / math.hypot(*direction) / pieces
    x, y, z = direction
    return [(at[0] + x * step * i, at[1] + y * step * i, at[2] + z * step * i) for i in range(pieces + 1)]


def random_direction(rng: Random) -> Vector:
    """A direction along an axis, in the plane or anywhere in space."""
    choice = rng.randrange(6)
    if choice == 0:
        return rng.choice([(1.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)])
    angle = rng.uniform(0.0, math.tau)
    if choice == 1:
        return (math.cos(angle), math.sin(angle), rng.uniform(-1.0, 1.0))
    return (math.cos(angle), math.sin(angle), 0.0)


def random_place(rng: Random) -> Vector:
    """Somewhere on a bed."""
    return (rng.uniform(0.0, 200.0), rng.uniform(0.0, 200.0), rng.uniform(0.0, 50.0))


def log_uniform(rng: Random, low: float, high: float) -> float:
    """A number whose logarithm is evenly spread."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def polyline(rng: Random) -> list[Vector]:
    """Unrelated directions, lengths over four decades."""
    steps = []
    for _ in range(rng.randint(1, 12)):
        direction, length = random_direction(rng), log_uniform(rng, 0.01, 80.0)
        size = math.hypot(*direction)
        steps.append((direction[0] * length / size, direction[1] * length / size, direction[2] * length / size))
    return steps


def wandering(rng: Random) -> list[Vector]:
    """A path that turns by little angles, from less than a run's threshold to a curve."""
    angle = rng.uniform(0.0, math.tau)
    steps = []
    for _ in range(rng.randint(2, 25)):
        angle += rng.choice([-1.0, 1.0]) * log_uniform(rng, 1e-8, 1.0)
        length = log_uniform(rng, 0.01, 3.0)
        steps.append((length * math.cos(angle), length * math.sin(angle), 0.0))
    return steps


def exact_circle(rng: Random) -> list[Vector]:
    """A finely cut circle or part of one at full digits."""
    radius = log_uniform(rng, 0.05, 40.0)
    sweep = rng.choice([-1.0, 1.0]) * rng.choice([math.tau, rng.uniform(0.1, math.tau)])
    return steps_between(circle(radius, rng.randint(4, 80), sweep, rng.uniform(0.0, math.tau)))


def rounded_circle(rng: Random) -> list[Vector]:
    """The same, somewhere on the bed, at coordinates rounded as a file writes them."""
    radius = log_uniform(rng, 0.05, 20.0)
    places = circle(radius, rng.randint(8, 80), start=rng.uniform(0.0, math.tau), at=random_place(rng))
    return steps_between(places, rng.choice([2, 3, 3, 4]))


def cut_straight(rng: Random) -> list[Vector]:
    """A straight line in pieces at full digits."""
    return steps_between(straight(random_direction(rng), log_uniform(rng, 0.1, 100.0), rng.randint(2, 40)))


def unevenly_cut_straight(rng: Random) -> list[Vector]:
    """A straight line in pieces of very different lengths, exactly in one direction."""
    direction = random_direction(rng)
    pieces = [log_uniform(rng, 1e-4, 20.0) for _ in range(rng.randint(2, 12))]
    return [(direction[0] * piece, direction[1] * piece, direction[2] * piece) for piece in pieces]


def rounded_straight(rng: Random) -> list[Vector]:
    """A straight line in short pieces at rounded coordinates."""
    pieces = rng.randint(2, 60)
    places = straight(random_direction(rng), pieces * rng.uniform(0.05, 0.5), pieces, random_place(rng))
    return steps_between(places, 3)


def reversal(rng: Random) -> list[Vector]:
    """There, back, and perhaps there again over the same line."""
    x, y, z = (component * log_uniform(rng, 0.05, 40.0) for component in random_direction(rng))
    return [(x, y, z), (-x, -y, -z), (x / 2.0, y / 2.0, z / 2.0)][: rng.randint(2, 3)]


def zigzag(rng: Random) -> list[Vector]:
    """Infill: long lines joined by steps, from far under a short run to wider than a window."""
    line, step, lean = log_uniform(rng, 0.5, 30.0), log_uniform(rng, 0.01, 1.0), rng.uniform(-0.3, 0.3)
    angle = rng.choice([0.0, rng.uniform(0.0, math.tau)])
    across, along = (math.cos(angle), math.sin(angle)), (-math.sin(angle + lean), math.cos(angle + lean))
    steps: list[Vector] = []
    for i in range(rng.randint(2, 10)):
        sign = 1.0 if i % 2 == 0 else -1.0
        steps.append((sign * line * across[0], sign * line * across[1], 0.0))
        steps.append((step * along[0], step * along[1], 0.0))
    return steps


def chamfered(rng: Random) -> list[Vector]:
    """Corners with short chamfers, singly and several in a row."""
    angle = rng.uniform(0.0, math.tau)
    steps = []
    for _ in range(rng.randint(2, 5)):
        steps.append((5.0 * rng.random() * math.cos(angle) + 0.1, 5.0 * rng.random() * math.sin(angle), 0.0))
        for _ in range(rng.randint(1, 3)):
            angle += rng.uniform(-1.2, 1.2)
            short = log_uniform(rng, 0.005, 0.1)
            steps.append((short * math.cos(angle), short * math.sin(angle), 0.0))
        angle += rng.uniform(-1.2, 1.2)
    return steps


def tiny_moves(rng: Random) -> list[Vector]:
    """Moves down to 1e-6 mm, alone and between longer ones."""
    steps = []
    for _ in range(rng.randint(1, 10)):
        x, y, z = random_direction(rng)
        size = math.hypot(x, y, z) / log_uniform(rng, 1e-6, 0.1 if rng.random() < 0.8 else 10.0)
        steps.append((x / size, y / size, z / size))
    return steps


def spiral(rng: Random) -> list[Vector]:
    """A helix that climbs while it turns, or a flat spiral that widens."""
    chords = rng.randint(12, 90)
    turns = rng.uniform(0.5, 3.0)
    if rng.random() < 0.5:
        return steps_between(circle(log_uniform(rng, 0.3, 25.0), chords, turns * math.tau, climb=0.2 * turns))
    pitch = rng.uniform(0.1, 1.0)
    angles = [turns * math.tau * i / chords for i in range(chords + 1)]
    return steps_between([(pitch * a * math.cos(a), pitch * a * math.sin(a), 0.0) for a in angles])


def climb(rng: Random) -> list[Vector]:
    """Along z alone, as between layers."""
    return [(0.0, 0.0, rng.choice([0.2, 1.0, -0.4, rng.uniform(0.05, 5.0)]))]


SHAPES: tuple[Callable[[Random], list[Vector]], ...] = (
    polyline,
    wandering,
    exact_circle,
    rounded_circle,
    cut_straight,
    unevenly_cut_straight,
    rounded_straight,
    reversal,
    zigzag,
    chamfered,
    tiny_moves,
    spiral,
    climb,
)


# ---- shapes dressed as moves ------------------------------------------------------------------------------------


def random_speed(rng: Random) -> float:
    """A commanded speed (mm/s), none now and then."""
    return math.inf if rng.random() < 0.12 else rng.choice([20.0, 50.0, 100.0, log_uniform(rng, 1.0, 400.0)])


def dressed(rng: Random, steps: Sequence[Vector], layer: int) -> list[NaiveMove]:
    """Moves of one kind along the steps: even filament or not, one speed or several, at times stops and retractions."""
    printing = rng.random() < 0.75
    ratio = log_uniform(rng, 0.005, 0.2)
    speed = random_speed(rng)
    uneven, many_speeds, interrupted = rng.random() < 0.2, rng.random() < 0.2, rng.random() < 0.25
    wiping = rng.random() < 0.2
    moves = []
    for step in steps:
        length = math.hypot(*step)
        if many_speeds:
            speed = random_speed(rng)
        share = ratio * (rng.uniform(0.5, 2.0) if uneven else 1.0)
        de = share * length if printing else -share * length if wiping else 0.0
        if interrupted and rng.random() < 0.1:
            moves.append(retraction(rng, layer, -1.0))
            moves.append(retraction(rng, layer, 1.0))
        stop_before = interrupted and rng.random() < 0.1
        kind = "print" if printing else "travel"
        moves.append(NaiveMove(step[0], step[1], step[2], de, speed, kind, layer, stop_before))
    return moves


def retraction(rng: Random, layer: int, sign: float) -> NaiveMove:
    """A move of the extruder alone, back (sign −1) or forth (+1)."""
    amount = sign * rng.choice([0.8, log_uniform(rng, 0.001, 5.0)])
    return NaiveMove(de=amount, speed=random_speed(rng), kind="filament", layer=layer, stop_before=rng.random() < 0.05)


def piece(shape: int, seed: int, layer: int) -> list[NaiveMove]:
    """One shape of SHAPES, dressed; `shape` equal to their number gives a retraction by itself."""
    rng = Random(f"{shape} {seed}")
    if shape == len(SHAPES):
        return [retraction(rng, layer, rng.choice([-1.0, 1.0]))]
    return dressed(rng, SHAPES[shape](rng), layer)


def joined(choices: Sequence[tuple[int, int, int]]) -> list[NaiveMove]:
    """The pieces (shape, seed, layers climbed before it) one after the other; never without a move."""
    moves: list[NaiveMove] = []
    layer = 0
    for shape, seed, climbed in choices:
        layer += climbed
        moves += piece(shape, seed, layer)
    return moves or [NaiveMove(dx=1.0, de=0.05, speed=50.0)]


def random_job(seed: int, pieces: int = 5) -> list[NaiveMove]:
    """A mixture of shapes, at most `pieces` of them; the same for the same seed."""
    rng = Random(f"job {seed}")
    many = rng.randint(1, pieces)
    return joined([(rng.randint(0, len(SHAPES)), rng.randrange(10**6), rng.randint(0, 1)) for _ in range(many)])


# ---- limits -----------------------------------------------------------------------------------------------------


def random_limits(seed: int) -> NaiveLimits:
    """Limits with about half of them infinite; every path acceleration is finite, so that every job has a duration."""
    rng = Random(f"limits {seed}")

    def perhaps(low: float, high: float) -> float:
        return math.inf if rng.random() < 0.5 else log_uniform(rng, low, high)

    def per_axis(low: float, high: float) -> Vector:
        if rng.random() < 0.3:
            return (math.inf, math.inf, math.inf)
        return (perhaps(low, high), perhaps(low, high), perhaps(low / 10.0, high / 10.0))

    kinds = ("print", "travel", "filament")
    return NaiveLimits(
        axis_speed=per_axis(20.0, 400.0),
        axis_acceleration=per_axis(100.0, 20000.0),
        extruder_speed=perhaps(0.5, 60.0),
        extruder_acceleration=perhaps(5.0, 5000.0),
        print_acceleration=log_uniform(rng, 50.0, 20000.0),
        travel_acceleration=log_uniform(rng, 50.0, 20000.0),
        filament_acceleration=log_uniform(rng, 50.0, 20000.0),
        max_flow=perhaps(0.5, 40.0),
        speed_cap=perhaps(10.0, 300.0),
        feed_override={kind: log_uniform(rng, 0.3, 3.0) for kind in kinds if rng.random() < 0.4},
        replaced_speed={kind: random_speed(rng) for kind in kinds if rng.random() < 0.4}
        if rng.random() < 0.3
        else None,
        first_layers_count=rng.randint(1, 2),
        keep_commanded_speed=rng.random() < 0.3,
        corner_rule=rng.choice(["junction deviation", "junction deviation", "axis steps"]),
        junction_deviation=rng.choice([0.0, 0.05, 0.05, log_uniform(rng, 1e-4, 1.0)]),
        speed_step=per_axis(0.5, 40.0),
        extruder_step=perhaps(0.05, 10.0),
        curve_rule=rng.random() < 0.7,
        short_run=rng.choice([0.0, 0.05, 0.05, log_uniform(rng, 0.01, 1.0)]),
        curve_window=rng.choice([0.0, 0.25, 0.25, log_uniform(rng, 0.01, 5.0)]),
        lookahead=rng.choice([None, None, 1, 2, rng.randint(3, 40)]),
    )


def mild_limits(seed: int) -> NaiveLimits:
    """Random limits under which splitting and reversing a path change nothing: unlimited lookahead."""
    return replace(random_limits(seed), lookahead=None)


# ---- jobs on the edge -----------------------------------------------------------------------------------------------


def is_delicate(moves: Sequence[NaiveMove], limits: NaiveLimits) -> bool:
    """Whether rounding alone may change a corner's speed, since some angle or distance lies at a rule's threshold.

    Such a job has no single answer to compare to the last digits: moving the thresholds by next to nothing moves it.
    """
    plan = plan_naively(moves, limits)
    for sign in (-1.0, 1.0):
        nudged = Thresholds(
            THRESHOLDS.same_direction * (1.0 + sign * 1e-6),
            THRESHOLDS.place_slack * (1.0 + sign * 1e-4),
            THRESHOLDS.sharpest_curve + sign * 1e-9,
            THRESHOLDS.straight_within_rounding + sign * 1e-9,
            (0.0, sign * 1e-9, sign * 2e-9),
        )
        other = plan_naively(moves, replace(limits, short_run=limits.short_run * (1.0 + sign * 1e-9)), nudged)
        if any(abs(p.v_out - q.v_out) > 1e-9 * (1.0 + p.v_out) for p, q in zip(plan, other, strict=True)):
            return True
    return False


# ---- hypothesis -------------------------------------------------------------------------------------------------


def jobs(pieces: int = 4) -> st.SearchStrategy[list[NaiveMove]]:
    """Jobs of one to `pieces` shapes."""
    choice = st.tuples(st.integers(0, len(SHAPES)), st.integers(0, 10**6), st.integers(0, 1))
    return st.lists(choice, min_size=1, max_size=pieces).map(joined)


def limits(unlimited_lookahead: bool = False) -> st.SearchStrategy[NaiveLimits]:
    """Random limits, on demand with every later move in sight."""
    return st.integers(0, 10**6).map(mild_limits if unlimited_lookahead else random_limits)


# ---- the planner's arrays ---------------------------------------------------------------------------------------


def to_moves(job: Sequence[NaiveMove]) -> Moves:
    """The same moves as the planner takes them; `line` counts from 1."""

    def numbers(values: Sequence[float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array(values, dtype=np.float64)

    return Moves(
        dx=numbers([move.dx for move in job]),
        dy=numbers([move.dy for move in job]),
        dz=numbers([move.dz for move in job]),
        de=numbers([move.de for move in job]),
        speed=numbers([move.speed for move in job]),
        kind=np.array([KIND_CODES[move.kind] for move in job], dtype=np.int8),
        line=np.arange(1, len(job) + 1, dtype=np.int32),
        layer=np.array([move.layer for move in job], dtype=np.int32),
        stop=np.array([move.stop_before for move in job], dtype=np.uint8),
    )
