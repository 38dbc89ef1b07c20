"""Random caps for the planner and its twin, seeded: vibration, command rate, flow by temperature, drives, advance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from random import Random

from .planner_records import NaiveCaps, NaiveLimits, NaiveMotor, NaiveMove
from .random_motors import MOTORS_OF
from .random_paths import log_uniform


def with_constant_caps(limits: NaiveLimits, seed: int) -> NaiveLimits:
    """The limits with caps that are constants of a move; each is left out now and then."""
    rng = Random(f"caps {seed}")
    filters, modes = {}, {}
    for axis in "xy":
        frequency, damping = rng.uniform(20.0, 80.0), rng.choice([0.0, rng.uniform(0.0, 0.2)])
        if rng.random() < 0.7:
            filters[axis] = (rng.randint(1, 4), frequency, damping)
        if rng.random() < 0.7:
            modes[axis] = tuple((log_uniform(rng, 15.0, 90.0), rng.uniform(0.0, 0.3)) for _ in range(rng.randint(1, 2)))

    def perhaps(low: float, high: float) -> float:
        return float("inf") if rng.random() < 0.3 else log_uniform(rng, low, high)

    rows = sorted((rng.uniform(180.0, 260.0), log_uniform(rng, 0.5, 30.0)) for _ in range(rng.randint(2, 4)))
    caps = replace(
        limits.caps,
        filters=filters,
        modes=modes,
        rounding_budget=perhaps(0.002, 0.5),
        rounding_split=rng.choice([0.5, rng.uniform(0.1, 0.9)]),
        ringing_budget=perhaps(0.002, 0.5),
        flow_table=tuple(rows) if rng.random() < 0.5 else (),
    )
    return replace(limits, caps=caps)


def with_command_rate(limits: NaiveLimits, seed: int) -> NaiveLimits:
    """The limits with a controller that takes in so many moves or bytes a second."""
    rng = Random(f"rate {seed}")
    moves, size = log_uniform(rng, 5.0, 2000.0), log_uniform(rng, 100.0, 50000.0)
    caps = replace(
        limits.caps,
        moves_per_s=moves if rng.random() < 0.7 else float("inf"),
        bytes_per_s=size if rng.random() < 0.7 else float("inf"),
    )
    return replace(limits, caps=caps)


def random_motor(rng: Random, of_extruder: bool) -> NaiveMotor:
    """A motor whose torque falls with speed, to nothing at times."""
    speeds = sorted(log_uniform(rng, 20.0, 1500.0) for _ in range(rng.randint(1, 3)))
    first = rng.choice([0.0, speeds[0] / 2.0])
    torques = sorted((log_uniform(rng, 0.005, 0.3) for _ in range(len(speeds) + 1)), reverse=True)
    torques[-1] = 0.0 if rng.random() < 0.2 else torques[-1]
    points = tuple(zip([first, *speeds], torques, strict=True))
    mm_per_rev = rng.uniform(2.0, 8.0) if of_extruder else rng.uniform(20.0, 60.0)
    return NaiveMotor(points, mm_per_rev, rng.choice([0.0, rng.uniform(1e-6, 1e-5)]), rng.uniform(0.3, 1.0))


def with_ties(limits: NaiveLimits, seed: int) -> NaiveLimits:
    """The limits with torque curves of some of the mechanism's motors, and pressure advance now and then."""
    rng = Random(f"ties {limits.mechanism} {seed}")
    names = [name for name in MOTORS_OF[limits.mechanism].split() if rng.random() < 0.6]
    masses = (rng.uniform(0.1, 3.0), rng.uniform(0.1, 3.0), rng.uniform(0.2, 5.0), rng.uniform(0.0, 0.1))
    caps: NaiveCaps = replace(
        limits.caps,
        pressure_advance=rng.choice([0.0, log_uniform(rng, 0.005, 0.3)]),
        motors={name: random_motor(rng, name == "e") for name in names},
        masses=masses,
        frictions=(rng.uniform(0.0, 0.2), rng.uniform(0.0, 0.2), rng.uniform(0.0, 0.2), rng.uniform(0.0, 0.2)),
    )
    return replace(limits, caps=caps)


def as_in_a_file(job: Sequence[NaiveMove], seed: int) -> list[NaiveMove]:
    """The moves at nozzle temperatures that change now and then, each with so many bytes of a file."""
    rng = Random(f"file {seed}")
    nozzle: float | None = None
    found = []
    for move in job:
        if rng.random() < 0.1:
            nozzle = float(rng.randint(170, 270))
        found.append(replace(move, nozzle=nozzle, size=float(rng.randint(5, 60))))
    return found
