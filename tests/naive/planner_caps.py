"""Caps for the slow twin: rounding and ringing, what a controller takes in, what melts, what motors pull.

Sums over impulses, phasors one by one, windows added up anew, forces from solved equations of virtual work.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from .falling_twin import NaiveDrive, NaiveTie
from .planner_motors import EXTRUDER, NO_PLACE, motor_shares
from .planner_records import NaiveCaps, NaiveLimits, NaiveMotor, NaiveMove
from .turns import Vector, over, scaled, sum_of, turn_between, unit

AXES = "xy"
UNITS: tuple[Vector, Vector, Vector] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
STANDS_STILL = 1e-9  # share of a direction


# ---- vibration --------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1000)
def impulses_of(count: int, frequency: float, damping: float) -> tuple[tuple[float, float], ...]:
    """Amplitudes and times (s) of one impulse, ZV, ZVD or ZVDD: binomials of K, half a damped period apart.

    K = e^(−ζπ/√(1 − ζ²)) (N. Singer, W. Seering, Preshaping Command Inputs to Reduce System Vibration, 1990).
    """
    root = math.sqrt(1.0 - damping**2)
    k, half_period = math.exp(-damping * math.pi / root), 0.5 / (frequency * root)
    shares = [math.comb(count - 1, i) * k**i for i in range(count)]
    return tuple((share / math.fsum(shares), i * half_period) for i, share in enumerate(shares))


def left_ringing(impulses: Sequence[tuple[float, float]], frequency: float, damping: float) -> float:
    """What impulses leave of a true mode, relative to one impulse: each one's own swing at the time of the last."""
    omega = math.tau * frequency
    turning = complex(-damping * omega, omega * math.sqrt(1.0 - damping**2))
    last = impulses[-1][1]
    return abs(sum(amplitude * cmath.exp(turning * (last - time)) for amplitude, time in impulses))


class Quality(NamedTuple):
    """What one axis may take: acceleration and sudden change of speed for ringing; σ² of its filter (s²)."""

    ringing: float = math.inf
    step: float = math.inf
    variance: float = 0.0


def quality_of(caps: NaiveCaps, axis: str) -> Quality:
    """What one axis may take within both budgets."""
    impulses = impulses_of(*caps.filters.get(axis, (1, 1.0, 0.0)))
    mean = math.fsum(amplitude * time for amplitude, time in impulses)
    variance = math.fsum(amplitude * (time - mean) ** 2 for amplitude, time in impulses)
    swings = [(left_ringing(impulses, *mode), math.tau * mode[0]) for mode in caps.modes.get(axis, ())]
    return Quality(
        over(caps.ringing_budget, 2.0 * math.fsum(left / omega**2 for left, omega in swings)),
        over(caps.ringing_budget, math.fsum(left / omega for left, omega in swings)),
        variance,
    )


def quality_accelerations(shares: Sequence[float], caps: NaiveCaps) -> dict[str, float]:
    """Ceilings of acceleration in a direction with these shares of x and y, by cause."""
    found: dict[str, float] = {}
    if not caps.filters and not caps.modes:
        return found
    for axis, share in zip(AXES, shares, strict=False):
        found[f"{axis} ringing"] = over(quality_of(caps, axis).ringing, abs(share))
    return found


def own_lead(shares: Sequence[float], caps: NaiveCaps) -> float:
    """How far the filters' output runs ahead of a ramp in a direction, for a given acceleration (s²)."""
    return math.hypot(*(share * quality_of(caps, axis).variance for axis, share in zip(AXES, shares, strict=False)))


def leads_beside(directions: Sequence[Vector], lengths: Sequence[float], caps: NaiveCaps) -> list[float]:
    """The leads of the moves between two stops, each seen from every other; only where the filters differ.

    A run counts as the lesser of what lies on both sides, in full up to four budgets of path from its far end and
    beyond by 1/distance, where that is more than its own and than a sixteenth of the largest.
    """
    leads = [own_lead(one[:2], caps) for one in directions]
    spread = [quality_of(caps, axis).variance for axis in AXES[:2]]
    if spread[0] == spread[1]:
        return leads
    near, least = 4.0 * (1.0 - caps.rounding_split) * caps.rounding_budget / 0.5, max(spread) / 16.0
    places = [math.fsum(lengths[:i]) for i in range(len(lengths) + 1)]
    run = [0] * len(lengths)
    for i in range(1, len(lengths)):
        run[i] = run[i - 1] + (turn_between(directions[i - 1], directions[i]).angle > 1e-6)
    found = []
    for i, own in enumerate(leads):
        mine = [k for k in range(len(leads)) if run[k] == run[i]]
        begin, end = places[mine[0]], places[mine[-1] + 1]
        before = [leads[k] * min(1.0, near / (end - places[k + 1])) for k in range(mine[0])]
        behind = [leads[k] * min(1.0, near / (places[k] - begin)) for k in range(mine[-1] + 1, len(leads))]
        lesser = min(max(before, default=0.0), max(behind, default=0.0))
        found.append(lesser if lesser > max(own, least) else own)
    return found


def quality_corner_speed(before: Vector, after: Vector, braking: float, speeding: float, caps: NaiveCaps) -> float:
    """The speed through a corner from one direction into another (mm/s), by ringing; (0, 0, 0) is rest.

    The kick of speed may take what the kick of acceleration leaves of the budget: as squares where one undamped mode
    swings, else as they are; at least 2 %.
    """
    least = math.inf
    for axis, u, u_after in zip(AXES, before, after, strict=False):
        quality, modes = quality_of(caps, axis), caps.modes.get(axis, ())
        harder = max(abs(braking * u + speeding * u_after), min(braking, speeding) * abs(u + u_after))
        taken = harder / (2.0 * quality.ringing) if modes else 0.0
        if len(modes) == 1 and modes[0][1] == 0.0:
            left = math.sqrt(max(0.0, 1.0 - taken**2))
        else:
            left = 1.0 - taken
        least = min(least, over(quality.step * max(left, 0.02), abs(u_after - u)))
    return least


def rounded_corner_speed(behind: Sequence[Vector], ahead: Sequence[Vector], caps: NaiveCaps, fastest: float) -> float:
    """The largest speed (mm/s) below which the filtered path keeps to a corner at a steady speed; infinite from
    `fastest` on.

    `behind`, `ahead`: the moves on either side up to the stops, nearest first. The corner itself is the origin. Each
    impulse shows the place on the path where the motion was or will be; between the speeds at which one of them passes
    a corner the distance is convex, so the first such speed that is too fast brackets the answer.
    """
    allowed = 0.97 * (1.0 - caps.rounding_split) * caps.rounding_budget
    taps = []
    for axis, name in enumerate(AXES):
        impulses = impulses_of(*caps.filters.get(name, (1, 1.0, 0.0)))
        mean = math.fsum(amplitude * time for amplitude, time in impulses)
        taps += [(axis, amplitude, time - mean) for amplitude, time in impulses if time != mean]

    def shown(way: float) -> Vector:
        """The place `way` along the path from the corner, backwards where that is less than 0."""
        left, parts = abs(way), []
        for move in ahead if way > 0.0 else behind:
            size = math.hypot(*move)
            share = min(1.0, left / size)
            parts.append(scaled(move, share if way > 0.0 else -share))
            left -= size
            if left <= 0.0:
                break
        return sum_of(parts)

    def off(speed: float) -> float:
        away = [0.0, 0.0]
        for axis, amplitude, lag in taps:
            away[axis] += amplitude * shown(-speed * lag)[axis]
        return math.hypot(*away)

    kinks = {fastest}
    for _, _, lag in taps:
        way = 0.0
        for move in behind if lag > 0.0 else ahead:
            way += math.hypot(*move)
            if way / abs(lag) >= fastest:
                break
            kinks.add(way / abs(lag))
    low = 0.0
    for high in sorted(kinks):
        if off(high) > allowed:
            for _ in range(200):
                middle = 0.5 * (low + high)
                low, high = (low, middle) if off(middle) > allowed else (middle, high)
            return low
        low = high
    return math.inf


# ---- flow and command rate ----------------------------------------------------------------------------------------


def flow_of(move: NaiveMove, limits: NaiveLimits) -> float:
    """The most that melts during a move (mm³/s): between two rows of the table, or that of its nearest end."""
    rows = limits.caps.flow_table
    if not rows:
        return limits.max_flow
    at = rows[0][0] if move.nozzle is None else min(max(move.nozzle, rows[0][0]), rows[-1][0])
    for (low, less), (high, more) in pairwise(rows):
        if low <= at <= high:
            return less + (more - less) * (at - low) / (high - low)
    return rows[0][1]


def command_rates(
    stretch: range, moves: Sequence[NaiveMove], lengths: Sequence[float], limits: NaiveLimits
) -> list[dict[str, float]]:
    """Ceilings of speed by what the controller takes in, of every move of a stretch between stops."""
    window = limits.lookahead or 1
    found = []
    for i in stretch:
        seen = range(i, min(i + window, stretch.stop))
        path, size = math.fsum(lengths[k] for k in seen), math.fsum(moves[k].size for k in seen)
        found.append(
            {
                "command rate: moves": limits.caps.moves_per_s * path / len(seen),
                "command rate: bytes": limits.caps.bytes_per_s * path / size,
            }
        )
    return found


# ---- what ties speed and acceleration ---------------------------------------------------------------------------


def force_points(motor: NaiveMotor) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Speeds (mm/s) and forces (N) of a motor's curve: one revolution does T·2π of work over mm_per_rev."""
    speeds = [revolutions * motor.mm_per_rev / 60.0 for revolutions, _ in motor.torque]
    forces = [motor.usable * torque * math.tau / (motor.mm_per_rev / 1000.0) for _, torque in motor.torque]
    if speeds[0] > 0.0:
        speeds, forces = [0.0, *speeds], [forces[0], *forces]
    return tuple(speeds), tuple(forces)


def seen_mass(motor: NaiveMotor) -> float:
    """A rotor's inertia as a mass (t) that moves along."""
    return motor.inertia * (math.tau / (motor.mm_per_rev / 1000.0)) ** 2 / 1000.0


def end_speeds(limits: NaiveLimits, shares: dict[str, float]) -> dict[str, float]:
    """Ceilings of speed by the ends of torque curves; `shares` the motors' speed at unit tool speed."""
    motors = limits.caps.motors
    return {
        f"motor {name} end": over(force_points(motors[name])[0][-1], abs(share))
        for name, share in shares.items()
        if name in motors
    }


def loads_at(direction: Vector, limits: NaiveLimits, place: Vector) -> dict[str, tuple[float, float, float]]:
    """Mass (t), friction (N) and speed share of every motor that moves the tool; none where an arm is too short.

    Virtual work: the motors' forces F do what the tool's f does, Jᵀ·F = f.
    """
    columns = [motor_shares(axis, limits, place) for axis in UNITS]
    names = list(columns[0])
    if len(names) < 3:
        return {}
    jacobian = np.array([[column[name] for column in columns] for name in names])
    caps, u = limits.caps, np.array(direction)
    moving = np.where(np.abs(u) > STANDS_STILL, np.sign(u), 0.0)
    forces = np.linalg.solve(jacobian.T, np.array(caps.masses[:3]) / 1000.0 * u)
    frictions = np.linalg.solve(jacobian.T, np.array(caps.frictions[:3]) * moving)
    speeds = jacobian @ u
    return {
        name: (
            abs(float(forces[k] + speeds[k] * (seen_mass(caps.motors[name]) if name in caps.motors else 0.0))),
            abs(float(frictions[k])),
            abs(float(speeds[k])),
        )
        for k, name in enumerate(names)
    }


def drives_of_move(move: NaiveMove, length: float, limits: NaiveLimits, place: Vector) -> dict[str, NaiveDrive]:
    """What every motor with a torque curve is asked for by a move, at the worse of its ends."""
    loads: dict[str, tuple[float, float, float]] = {}
    if move.kind != "filament":
        x, y, z = place
        direction = unit(move.displacement)
        ends = [loads_at(direction, limits, one) for one in (place, (x + move.dx, y + move.dy, z + move.dz))]
        for name in ends[0].keys() & ends[1].keys():
            mass, friction, share = (max(pair) for pair in zip(ends[0][name], ends[1][name], strict=True))
            loads[name] = (mass, friction, share)
    caps, ratio = limits.caps, abs(move.de) / length
    if EXTRUDER in caps.motors:
        mass = (caps.masses[3] / 1000.0 + seen_mass(caps.motors[EXTRUDER])) * ratio
        loads[EXTRUDER] = (mass, caps.frictions[3] if ratio > STANDS_STILL else 0.0, ratio)
    return {
        name: NaiveDrive(*force_points(caps.motors[name]), *load) for name, load in loads.items() if name in caps.motors
    }


def pulls_of(normals: Sequence[Vector], curvature: float, limits: NaiveLimits) -> dict[str, float]:
    """What a curve asks of every motor at unit tool speed (t/mm): κ times the mass it feels along the normal.

    `normals` at the two ends of the run, the worse of which counts; a delta has its own share for that.
    """
    if curvature == 0.0 or limits.mechanism == "linear-delta":
        return {}
    felt = [loads_at(normal, limits, NO_PLACE) for normal in normals]
    return {name: curvature * max(one[name][0] for one in felt) for name in felt[0]}


def tie_of(
    move: NaiveMove, length: float, v: float, a: float, limits: NaiveLimits, place: Vector, pulls: dict[str, float]
) -> NaiveTie:
    """Everything under which the acceleration of a move falls with its speed, and its other ceilings v and a."""
    found = drives_of_move(move, length, limits, place) if limits.caps.motors else {}
    drives = tuple(replace(one, pull=pulls.get(name, 0.0)) for name, one in found.items())
    ratio = abs(move.de) / length
    extruder = min(limits.extruder_speed, limits.motor_speed.get(EXTRUDER, math.inf))
    held = move.kind == "print" and limits.caps.pressure_advance > 0.0 and extruder < math.inf and ratio > 0.0
    if held:
        return NaiveTie(v, a, drives, extruder / ratio, limits.caps.pressure_advance)
    return NaiveTie(v, a, drives)
