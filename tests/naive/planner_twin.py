"""A slow, obvious twin of the planner, by another method: plain floats, one move at a time, nothing clever.

Where the planner sweeps recurrences, this twin takes a lower envelope over all corners; where the planner works with
differences of unit vectors, this twin measures angles from exact cross products; a circle through three places is the
circumscribed circle of a triangle; a duration is two ramps and a cruise, each solved from its distance.

Units: mm, s, mm/s, mm/s², mm³/s, radians. Infinity means "no limit".
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from .falling_twin import NaiveTie, corner_speed, end_of_speed, is_tied, parts_of, reached_from
from .planner_caps import (
    pulls_of,
    quality_accelerations,
    quality_corner_speed,
    rounded_corner_speed,
    tie_of,
)
from .planner_ceilings import NO_LENGTH, Ceilings, ceilings_of, length_of, rated_ceilings
from .planner_motors import motor_shares, places_of
from .planner_records import NaiveLimits, NaiveMove
from .turns import Turn, Vector, circle_radius, deviation_radius, over, scaled, sum_of, turn_between, unit

BELOW_CEILING = 1e-12  # relative: a peak this much under the ceiling is held by something else


class Thresholds(NamedTuple):
    """Where a rule changes its mind; a test may move them a little to see whether a job lies on the edge."""

    same_direction: float = 1e-6  # rad: moves that turn by less are one run
    place_slack: float = 1e-6  # mm: a place of the curve rule may lie this much nearer than the window
    sharpest_curve: float = 1.55  # rad: chords that turn by more are no curve
    straight_within_rounding: float = 0.012  # rad: chords to places cut from runs that turn by no more are taken whole
    turn_leads: Vector = (0.0, 0.0, 0.0)  # rad: of a corner's own turn, that across the run before, the run behind


THRESHOLDS = Thresholds()


@dataclass(frozen=True)
class NaivePlanned:
    """One move as planned; every ceiling that was considered is kept, so that near ties of a cause can be told."""

    v_in: float
    v_peak: float
    v_out: float
    a: float
    v_ceiling: float
    rise_s: float
    cruise_s: float
    fall_s: float
    t_s: float
    cruise_cause: str
    ramp_cause: str
    length: float
    speed_ceilings: Mapping[str, float]
    acceleration_ceilings: Mapping[str, float]


# ---- the path cut at stops, and into runs -----------------------------------------------------------------------


def stretches(moves: Sequence[NaiveMove]) -> list[range]:
    """The moves between one rest and the next, as ranges of indices; a filament move is a stretch of its own."""
    rests = [0]
    for i in range(1, len(moves)):
        beside_filament = "filament" in (moves[i - 1].kind, moves[i].kind)
        if moves[i].stop_before or beside_filament:
            rests.append(i)
    rests.append(len(moves))
    return [range(first, end) for first, end in pairwise(rests) if end > first]


def runs_of(stretch: range, moves: Sequence[NaiveMove], same_direction: float) -> list[range]:
    """A stretch cut wherever two successive moves differ in direction by `same_direction` (rad) or more."""
    corners = [
        i for i in stretch[1:] if turn_between(moves[i - 1].displacement, moves[i].displacement).angle >= same_direction
    ]
    return [range(first, end) for first, end in pairwise([stretch.start, *corners, stretch.stop])]


# ---- speed through a corner -------------------------------------------------------------------------------------


def governing_turn(
    corner: int, runs: Sequence[range], moves: Sequence[NaiveMove], short_run: float, leads: Vector
) -> Turn:
    """The largest turn that counts at a corner between runs `corner − 1` and `corner`.

    Beside its own turn: across a short run before it, and across a short run behind it.
    """

    def turn(earlier: int, later: int) -> Turn:
        return turn_between(moves[runs[earlier][-1]].displacement, moves[runs[later][0]].displacement)

    def is_short(run: int) -> bool:
        return math.fsum(length_of(moves[i]) for i in runs[run]) < short_run

    candidates = [(turn(corner - 1, corner), leads[0])]
    if is_short(corner - 1) and corner >= 2:
        candidates.append((turn(corner - 2, corner), leads[1]))
    if is_short(corner) and corner + 1 < len(runs):
        candidates.append((turn(corner - 1, corner + 1), leads[2]))
    return max(candidates, key=lambda candidate: candidate[0].angle + candidate[1])[0]  # the first of equals


def window_chord(
    vectors: Sequence[Vector], lengths: Sequence[float], distance: float, thresholds: Thresholds = THRESHOLDS
) -> Vector:
    """The sum of the displacements of some runs, nearest first, that reach from a corner to a place of the curve rule.

    Of several that together are longer than two distances the last is cut where the path is just one distance long.
    """
    if len(vectors) == 1 or math.fsum(lengths) <= 2.0 * distance + thresholds.place_slack:
        return sum_of(vectors)
    *whole, cut = vectors
    return sum_of([*whole, scaled(cut, (distance - math.fsum(lengths[:-1])) / lengths[-1])])


def curve_radius(
    corner: int,
    run_vectors: Sequence[Vector],
    run_lengths: Sequence[float],
    window: float,
    thresholds: Thresholds = THRESHOLDS,
) -> float:
    """Radius of the circle through a corner and a place on each side (mm); infinite where the rule is silent.

    `run_vectors`, `run_lengths`: the runs of one stretch; the corner is the start of run `corner`. The places are ends
    of runs at the window's distance along the path, or at just that distance (`window_chord`); the distance is halved
    while the chords turn too sharply.
    """
    distance = window
    while True:
        behind = corner - 1
        while behind > 0 and math.fsum(run_lengths[behind:corner]) < distance - thresholds.place_slack:
            behind -= 1
        ahead = corner + 1
        while ahead < len(run_vectors) and math.fsum(run_lengths[corner:ahead]) < distance - thresholds.place_slack:
            ahead += 1
        runs = slice(behind, corner), slice(corner, ahead)
        to_corner = window_chord(run_vectors[runs[0]][::-1], run_lengths[runs[0]][::-1], distance, thresholds)
        from_corner = window_chord(run_vectors[runs[1]], run_lengths[runs[1]], distance, thresholds)
        drawn = min(math.hypot(*to_corner), math.hypot(*from_corner)) >= NO_LENGTH
        if drawn and turn_between(to_corner, from_corner).angle <= thresholds.straight_within_rounding:
            to_corner, from_corner = sum_of(run_vectors[runs[0]]), sum_of(run_vectors[runs[1]])
        if drawn and turn_between(to_corner, from_corner).angle <= thresholds.sharpest_curve:
            return circle_radius(to_corner, from_corner)
        if behind == corner - 1 and ahead == corner + 1:
            return math.inf
        distance /= 2.0


def rest_square(
    stretch: range, leaving: bool, moves: Sequence[NaiveMove], ceilings: Sequence[Ceilings], limits: NaiveLimits
) -> float:
    """The most that v² may be where a stretch leaves rest or reaches it: its own step; 0 where none bounds it.

    Budgets judge the step as they do a corner between rest and the move's direction.
    """
    i = stretch[0] if leaving else stretch[-1]
    move, most = moves[i], ceilings[i]
    shares = [abs(step / most.length) for step in (*move.displacement, move.de)]
    steps: list[float] = [*limits.speed_step, limits.extruder_step]
    if move.kind == "filament":
        steps, shares = [limits.extruder_step], [1.0]
    elif limits.corner_rule != "axis steps":
        return 0.0
    speed = min(over(step, share) for step, share in zip(steps, shares, strict=True))
    if speed == math.inf:
        return 0.0
    if move.kind != "filament":
        speed = min(speed, quality_corner_speed((0.0, 0.0, 0.0), unit(move.displacement), most.a, most.a, limits.caps))
        if limits.caps.filters and limits.caps.rounding_budget < math.inf:
            path = [moves[k].displacement for k in stretch]
            sides = ([], path) if leaving else (path[::-1], [])
            speed = min(speed, rounded_corner_speed(*sides, limits.caps, most.v))
    return min(speed, most.v) ** 2


def corner_squares(
    stretch: range,
    moves: Sequence[NaiveMove],
    ceilings: Sequence[Ceilings],
    limits: NaiveLimits,
    thresholds: Thresholds = THRESHOLDS,
    places: Sequence[Vector] | None = None,
    ties: Mapping[int, NaiveTie] | None = None,
) -> list[float]:
    """The most that v² may be at every node of a stretch, from the node's own rules alone (first and last: rest).

    `ties` of the moves whose acceleration falls with speed.
    """
    first = rest_square(stretch, True, moves, ceilings, limits)
    last = rest_square(stretch, False, moves, ceilings, limits)
    # A run of just this length must not be short at one place of the bed and long at another.
    shortest = limits.short_run - thresholds.place_slack
    squares = [math.inf] * (len(stretch) + 1)
    squares[0], squares[-1] = first, last

    def lower(node: int, square: float) -> None:
        squares[node - stretch.start] = min(squares[node - stretch.start], square)

    for node in stretch[1:]:
        earlier, later = moves[node - 1], moves[node]
        lower(node, min(ceilings[node - 1].v, ceilings[node].v) ** 2)
        ratio_step = abs(later.de / ceilings[node].length - earlier.de / ceilings[node - 1].length)
        lower(node, over(limits.extruder_step, ratio_step) ** 2)

    if moves[stretch.start].kind != "filament":
        runs = runs_of(stretch, moves, thresholds.same_direction)
        places = places_of(moves, limits) if places is None else places
        run_vectors = [sum_of([moves[i].displacement for i in run]) for run in runs]
        run_lengths = [math.fsum(ceilings[i].length for i in run) for run in runs]
        for corner in range(1, len(runs)):
            node = runs[corner].start
            if limits.corner_rule == "junction deviation":
                turn = governing_turn(corner, runs, moves, shortest, thresholds.turn_leads)
            else:
                turn = turn_between(moves[node - 1].displacement, moves[node].displacement)
            acceleration = min(ceilings[node - 1].a, ceilings[node].a)
            if limits.caps.filters and limits.caps.rounding_budget < math.inf:
                fastest = min(ceilings[node - 1].v, ceilings[node].v)
                behind = [moves[i].displacement for i in reversed(stretch) if i < node]
                ahead = [moves[i].displacement for i in stretch if i >= node]
                lower(node, rounded_corner_speed(behind, ahead, limits.caps, fastest) ** 2)
            directions = unit(moves[node - 1].displacement), unit(moves[node].displacement)
            ramps = ceilings[node - 1].a, ceilings[node].a
            lower(node, quality_corner_speed(*directions, *ramps, limits.caps) ** 2)
            for most, share in zip(limits.axis_acceleration, turn.normal, strict=True):
                acceleration = min(acceleration, over(most, abs(share)))
            for most in quality_accelerations(turn.normal[:2], limits.caps).values():
                acceleration = min(acceleration, most)
            for motor, share in motor_shares(turn.normal, limits, places[node]).items():
                acceleration = min(acceleration, over(limits.motor_acceleration.get(motor, math.inf), abs(share)))
            tightest = math.inf
            if limits.corner_rule == "junction deviation":
                radius = tightest = deviation_radius(turn, limits.junction_deviation)
                lower(node, acceleration * radius if radius > 0.0 else 0.0)
            else:
                for step, change in zip(limits.speed_step, turn.change, strict=True):
                    lower(node, over(step, abs(change)) ** 2)
            if limits.curve_rule:
                radius = curve_radius(corner, run_vectors, run_lengths, limits.curve_window, thresholds)
                lower(node, acceleration * radius)
                tightest = min(tightest, radius)
            for i in (node - 1, node):
                if ties is not None and i in ties and tightest < math.inf:
                    top = math.sqrt(squares[node - stretch.start])
                    lower(node, corner_speed(ties[i], tightest, top) ** 2)

    if limits.lookahead is not None and not ties:
        for node in range(stretch.start, stretch.stop - limits.lookahead):  # nearer to it, rest is seen
            seen = range(node, node + limits.lookahead)
            lower(node, math.fsum(2.0 * ceilings[i].a * ceilings[i].length for i in seen))
    return squares


# ---- looking ahead ----------------------------------------------------------------------------------------------


def largest_squares(caps: Sequence[float], gains: Sequence[float]) -> list[float]:
    """The largest v² at every node that respect their caps and |v²[k+1] − v²[k]| <= gains[k].

    Closed form, a lower envelope: v²[i] = the least over all nodes j of caps[j] + the gains between i and j. Walking
    away from i may end where the gains alone exceed the least found.
    """
    squares = []
    for i, cap in enumerate(caps):
        least = cap
        gained = 0.0
        for j in range(i + 1, len(caps)):
            gained += gains[j - 1]
            if gained >= least:
                break
            least = min(least, caps[j] + gained)
        gained = 0.0
        for j in range(i - 1, -1, -1):
            gained += gains[j]
            if gained >= least:
                break
            least = min(least, caps[j] + gained)
        squares.append(least)
    return squares


# ---- duration of one move ---------------------------------------------------------------------------------------


class Ramps(NamedTuple):
    """Peak speed (mm/s) and the seconds of rising, cruising and falling."""

    v_peak: float
    rise_s: float
    cruise_s: float
    fall_s: float


def ramps_of(length: float, v_in: float, v_out: float, v_ceiling: float, a: float) -> Ramps:
    """The fastest profile over a length: how far each ramp reaches, then how long it takes at its mean speed.

    Trapezoid where the ceiling is reached, else the triangle, whose rise ends where rising from v_in and falling to
    v_out give the same speed. ValueError where neither speed nor acceleration has any ceiling.
    """
    if math.isinf(a):
        if math.isinf(v_ceiling):
            raise ValueError("unbounded: a move with neither a ceiling of speed nor one of acceleration")
        return Ramps(v_ceiling, 0.0, length / v_ceiling, 0.0)
    rise = max(0.0, (v_ceiling**2 - v_in**2) / (2.0 * a))
    fall = max(0.0, (v_ceiling**2 - v_out**2) / (2.0 * a))
    if rise + fall <= length:
        v_peak, cruise = v_ceiling, length - rise - fall
    else:
        rise = min(length, max(0.0, (length + (v_out**2 - v_in**2) / (2.0 * a)) / 2.0))
        fall, cruise = length - rise, 0.0
        v_peak = max(v_in, v_out, math.sqrt(v_in**2 + 2.0 * a * rise))
    return Ramps(v_peak, 2.0 * rise / (v_in + v_peak), cruise / v_peak, 2.0 * fall / (v_out + v_peak))


# ---- everything -------------------------------------------------------------------------------------------------


def first_least(ceilings: Mapping[str, float]) -> str:
    """The name of the least ceiling; the first of equals."""
    return min(ceilings, key=lambda name: ceilings[name])


def ties_of(
    stretch: range,
    moves: Sequence[NaiveMove],
    ceilings: Sequence[Ceilings],
    limits: NaiveLimits,
    places: Sequence[Vector],
    thresholds: Thresholds,
) -> dict[int, NaiveTie]:
    """What ties speed and acceleration of a stretch's moves, of those that may not take both of their ceilings."""
    if not limits.caps.motors and limits.caps.pressure_advance == 0.0:
        return {}
    of_filament = moves[stretch.start].kind == "filament"
    runs = [stretch] if of_filament else runs_of(stretch, moves, thresholds.same_direction)
    run_vectors = [sum_of([moves[i].displacement for i in run]) for run in runs]
    run_lengths = [math.fsum(ceilings[i].length for i in run) for run in runs]
    bends: list[float] = [0.0] * (len(runs) + 1)
    normals: list[Vector] = [(0.0, 0.0, 0.0)] * (len(runs) + 1)
    for corner in range(1, len(runs) if limits.curve_rule else 0):
        radius = curve_radius(corner, run_vectors, run_lengths, limits.curve_window, thresholds)
        node = runs[corner].start
        bends[corner] = 1.0 / radius if radius > 0.0 else math.inf
        normals[corner] = turn_between(moves[node - 1].displacement, moves[node].displacement).normal
    found = {}
    for number, run in enumerate(runs):
        pulls = pulls_of(normals[number : number + 2], min(bends[number : number + 2]), limits)
        for i in run:
            most = ceilings[i]
            tie = tie_of(moves[i], most.length, most.v, most.a, limits, places[i], pulls)
            if is_tied(tie):
                found[i] = tie
    return found


def with_lookahead(
    stretch: range,
    caps: Sequence[float],
    ceilings: Sequence[Ceilings],
    limits: NaiveLimits,
    ties: Mapping[int, NaiveTie],
) -> list[float]:
    """The caps (v²) of nodes from which motion can come to rest within what the controller sees, under `ties`."""
    found = list(caps)
    window = limits.lookahead
    if window is None:
        return found
    for node in range(len(stretch) - window):
        square = 0.0
        for k in range(node + window - 1, node - 1, -1):
            square = slowed_square(stretch[k], square, caps[k], ceilings, ties)
        found[node] = square
    return found


def slowed_square(i: int, slow: float, cap: float, ceilings: Sequence[Ceilings], ties: Mapping[int, NaiveTie]) -> float:
    """v² at the fast end of a move whose slow end has v² = `slow`; at most `cap`."""
    if i not in ties:
        return min(cap, slow + 2.0 * ceilings[i].a * ceilings[i].length)
    return min(cap, reached_from(ties[i], ceilings[i].v, math.sqrt(slow), ceilings[i].length) ** 2)


def squares_under_ties(
    stretch: range, caps: Sequence[float], ceilings: Sequence[Ceilings], ties: Mapping[int, NaiveTie]
) -> list[float]:
    """The largest v² at every node, move by move backward and forward."""
    squares = list(caps)
    for k in range(len(stretch) - 1, -1, -1):
        squares[k] = slowed_square(stretch[k], squares[k + 1], squares[k], ceilings, ties)
    for k in range(len(stretch)):
        squares[k + 1] = slowed_square(stretch[k], squares[k], squares[k + 1], ceilings, ties)
    return squares


def plan_naively(
    moves: Sequence[NaiveMove], limits: NaiveLimits, thresholds: Thresholds = THRESHOLDS
) -> list[NaivePlanned]:
    """The plan of a whole job, one entry a move; ValueError for a move without length or without any ceiling."""
    places = places_of(moves, limits)
    ceilings = [ceilings_of(move, limits, place) for move, place in zip(moves, places, strict=True)]
    planned: list[NaivePlanned] = []
    for stretch in stretches(moves):
        ceilings[stretch.start : stretch.stop] = rated_ceilings(stretch, moves, ceilings, limits)
        ties = ties_of(stretch, moves, ceilings, limits, places, thresholds)
        for i, tie in ties.items():
            if end_of_speed(tie) < ceilings[i].v:
                ceilings[i] = ceilings[i]._replace(speeds=ceilings[i].speeds | {"tie": end_of_speed(tie)})
        caps = corner_squares(stretch, moves, ceilings, limits, thresholds, places, ties)
        if ties:
            caps = with_lookahead(stretch, caps, ceilings, limits, ties)
            speeds = [math.sqrt(square) for square in squares_under_ties(stretch, caps, ceilings, ties)]
        else:
            gains = [2.0 * ceilings[i].a * ceilings[i].length for i in stretch]
            speeds = [math.sqrt(square) for square in largest_squares(caps, gains)]
        for i, v_in, v_out in zip(stretch, speeds[:-1], speeds[1:], strict=True):
            most = ceilings[i]
            if i in ties:
                ramps = Ramps(*parts_of(ties[i], most.v, v_in, v_out, most.length))
            else:
                ramps = ramps_of(most.length, v_in, v_out, most.v, most.a)
            held_by_corners = ramps.v_peak < most.v * (1.0 - BELOW_CEILING)
            planned.append(
                NaivePlanned(
                    v_in=v_in,
                    v_peak=ramps.v_peak,
                    v_out=v_out,
                    a=most.a,
                    v_ceiling=most.v,
                    rise_s=ramps.rise_s,
                    cruise_s=ramps.cruise_s,
                    fall_s=ramps.fall_s,
                    t_s=ramps.rise_s + ramps.cruise_s + ramps.fall_s,
                    cruise_cause="corner" if held_by_corners else first_least(most.speeds),
                    ramp_cause="tie" if i in ties else first_least(most.accelerations),
                    length=most.length,
                    speed_ceilings=most.speeds,
                    acceleration_ceilings=most.accelerations,
                )
            )
    return planned


def total_s(planned: Sequence[NaivePlanned]) -> float:
    """Seconds of motion of the whole job."""
    return math.fsum(move.t_s for move in planned)
