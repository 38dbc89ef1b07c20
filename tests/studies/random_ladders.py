"""Ladders of random jobs on random machines: what must hold of every one, looked up by planning again.

`python -m tests.studies.random_ladders 200 [SEED]` does it for so many of them; exit status 1 where anything is amiss.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from itertools import combinations
from random import Random
from typing import Any

from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine
from kinematics.studies.ladder import Ladder, Rung, ladder_of
from kinematics.studies.reach import LadderAsk
from tests.jobs.conftest import job_of

SAME = 1e-9  # relative, of times
FEW = 0.01  # of the time: a saving below it is no ladder
TORQUE = [[0, 0.4], [300, 0.36], [900, 0.2]]


def log_uniform(rng: Random, low: float, high: float) -> float:
    """A number of which the logarithm is evenly spread."""
    return float(f"{math.exp(rng.uniform(math.log(low), math.log(high))):.3g}")


def random_job(rng: Random) -> str:
    """Layers of outlines, zigzags and curves with travels between, as the text of a file."""
    lines = ["M83", "G28"]
    feed, travel = log_uniform(rng, 900.0, 9000.0), log_uniform(rng, 3000.0, 15000.0)
    bead = log_uniform(rng, 0.01, 0.08)
    for layer in range(rng.randint(1, 5)):
        lines.append(f"G0 Z{0.2 * (layer + 1):.2f} F600")
        for _ in range(rng.randint(1, 3)):
            x, y = rng.uniform(20.0, 60.0), rng.uniform(20.0, 60.0)
            lines += [f"G0 X{x:.3f} Y{y:.3f} F{travel:g}", "G1 E0.8 F1800" if rng.random() < 0.5 else "G4 P20"]
            shape, size = rng.choice(["outline", "zigzag", "curve"]), rng.uniform(3.0, 40.0)
            points: list[tuple[float, float]] = []
            if shape == "outline":
                points = [(size, 0.0), (size, size), (0.0, size), (0.0, 0.0)]
            elif shape == "zigzag":
                points = [(size * (i % 2), 0.45 * i) for i in range(1, rng.randint(8, 40))]
            else:
                turns = rng.randint(20, 80)
                angles = [math.tau * i / turns for i in range(turns + 1)]
                points = [(size / 2.0 * math.cos(one), size / 2.0 * math.sin(one)) for one in angles]
            before = (0.0, 0.0)
            for dx, dy in points:
                length = math.hypot(dx - before[0], dy - before[1])
                lines.append(f"G1 X{x + dx:.3f} Y{y + dy:.3f} E{bead * length:.5f} F{feed:g}")
                before = dx, dy
    return "\n".join(lines) + "\n"


def random_machine(rng: Random) -> Machine:
    """A machine of any mechanism; limits, caps and parts are left out now and then."""
    settings: dict[str, Any] = {
        "motion.print_acceleration_mm_s2": log_uniform(rng, 200.0, 8000.0),
        "motion.travel_acceleration_mm_s2": log_uniform(rng, 200.0, 8000.0),
        "retraction.acceleration_mm_s2": log_uniform(rng, 300.0, 4000.0),
    }

    def perhaps(chance: float, key: str, value: Any) -> None:
        if rng.random() < chance:
            settings[key] = value

    for axis in "xyz":
        perhaps(0.7, f"axes.{axis}.max_acceleration_mm_s2", log_uniform(rng, 200.0, 9000.0))
        perhaps(0.7, f"axes.{axis}.max_speed_mm_s", log_uniform(rng, 30.0, 400.0))
    perhaps(0.5, "axes.e.max_speed_mm_s", log_uniform(rng, 5.0, 60.0))
    perhaps(0.4, "axes.e.max_acceleration_mm_s2", log_uniform(rng, 300.0, 5000.0))
    perhaps(0.7, "hotend.max_flow_mm3_s", log_uniform(rng, 3.0, 30.0))
    perhaps(0.4, "cooling.shortest_layer_s", rng.uniform(1.0, 12.0))
    perhaps(0.4, "motion.lookahead_moves", rng.randint(2, 40))
    perhaps(0.3, "motion.speed_cap_mm_s", log_uniform(rng, 40.0, 300.0))
    perhaps(0.3, "motion.extruder_step_mm_s", log_uniform(rng, 1.0, 20.0))
    perhaps(0.2, "controller.moves_per_s", log_uniform(rng, 40.0, 2000.0))
    if rng.random() < 0.4:
        settings["motion.speed_step_mm_s"] = {axis: log_uniform(rng, 1.0, 20.0) for axis in "xy"}
    else:
        settings["motion.junction_deviation_mm"] = log_uniform(rng, 0.005, 0.15)
    mechanism = rng.choice(["cartesian", "cartesian", "crossed-belt", "linear-delta"])
    settings["machine.mechanism"] = mechanism
    motors = {"cartesian": "xy", "crossed-belt": "ab", "linear-delta": ("t1", "t2", "t3")}[mechanism]
    if mechanism == "linear-delta":
        settings |= {"machine.delta.arm_mm": 250.0, "machine.delta.tower_radius_mm": 125.0}
    if rng.random() < 0.5:
        acceleration, speed = log_uniform(rng, 500.0, 9000.0), log_uniform(rng, 60.0, 400.0)
        for name in motors:
            settings[f"motors.{name}.max_acceleration_mm_s2"] = acceleration
            settings[f"motors.{name}.max_speed_mm_s"] = speed
    if rng.random() < 0.25:
        for name in motors:
            settings[f"motors.{name}.torque_nm"] = TORQUE
            settings[f"motors.{name}.mm_per_rev"] = 40.0
        for axis in "xyz":
            settings[f"axes.{axis}.moving_mass_kg"] = rng.uniform(0.3, 1.5)
    return Machine().with_settings(settings)


def total_under(jobs: WeightedJobs, machine: Machine, settings: dict[str, Any]) -> float:
    """The time of all jobs under settings (s), each planned singly."""
    varied = machine.changed(settings, "settings") if settings else (machine, frozenset[str]())
    weights = jobs.weights.tolist()
    return math.fsum(weight * time_job(job, *varied).total for job, weight in zip(jobs.prepared, weights, strict=True))


def merged(rungs: Sequence[Rung]) -> dict[str, Any]:
    """The settings of several rungs, later ones laid over earlier ones."""
    found: dict[str, Any] = {}
    for rung in rungs:
        found |= rung.settings
    return found


def stands_alone(chosen: Sequence[int], rungs: Sequence[Rung]) -> bool:
    """Whether no rung goes on from where another one ends that is not chosen."""
    keys = [set(rung.settings) for rung in rungs]
    return all(first in chosen for one in chosen for first in range(one) if keys[first] & keys[one])


def what_is_amiss(found: Ladder, jobs: WeightedJobs, all_orders: bool = True) -> list[str]:
    """What does not hold of a ladder, in words; every time is planned anew."""
    machine, rungs, amiss = found.machine, found.rungs, []
    total = found.total_s
    if not math.isclose(total, total_under(jobs, machine, {}), rel_tol=SAME):
        amiss.append("the first time is not that of an estimate")
    for place, rung in enumerate(rungs):
        planned = total_under(jobs, machine, merged(rungs[: place + 1]))
        if not math.isclose(rung.total_s, planned, rel_tol=SAME):
            amiss.append(f"rung {place + 1} says {rung.total_s}, an estimate {planned}")
    small = 0.0 if found.small is None else found.small.saved_s
    if not math.isclose(total - math.fsum(rung.saved_s for rung in rungs) - small, found.end_s, rel_tol=SAME):
        amiss.append("what is saved does not sum to first minus last")
    whole = {key: value for one in found.may_rise for key, value in one.settings(one.reach).items()}
    saving = total - total_under(jobs, machine, whole)
    if not math.isclose(total - saving, found.reach_s, rel_tol=SAME):
        amiss.append("everything at its reach is not what an estimate says")
    if saving < FEW * total:
        if rungs:
            amiss.append("rungs, with nothing to save")
        return amiss
    if total - found.end_s < 0.95 * saving - SAME * total:
        amiss.append(f"the end saves {(total - found.end_s) / saving:.4f} of what there is")
    if total - (rungs[-1].total_s if rungs else total) < 0.8 * saving - SAME * total:
        amiss.append("the rungs alone save less than 80 % of what there is")
    if all_orders and len(rungs) <= 8:
        half = total - 0.5 * (total - rungs[-1].total_s)
        soonest = next(place for place, rung in enumerate(rungs, 1) if rung.total_s <= half * (1.0 + SAME))
        for size in range(1, soonest):
            for chosen in combinations(range(len(rungs)), size):
                if stands_alone(chosen, rungs):
                    time = total_under(jobs, machine, merged([rungs[one] for one in chosen]))
                    if time <= half * (1.0 - SAME):
                        amiss.append(f"rungs {chosen} reach half of the saving sooner")
    return amiss


def seeded(seed: int) -> tuple[WeightedJobs, Machine, LadderAsk]:
    """Jobs, a machine and what is wanted, of a seed."""
    rng = Random(f"ladder {seed}")
    count = 1 if rng.random() < 0.8 else 2
    texts = [random_job(rng) for _ in range(count)]
    weights = [1.0] if count == 1 else [1.0, 3.0]
    jobs = WeightedJobs([PreparedJob(job_of(text)) for text in texts], ["a", "b"][:count], weights)
    return jobs, random_machine(rng), LadderAsk(quality=rng.random() < 0.3)


def main() -> None:
    """Climb so many random ladders, and tell what is amiss."""
    count = int(sys.argv[1])
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    wrong, plans, rungs = 0, 0, 0
    for seed in range(first, first + count):
        jobs, machine, wanted = seeded(seed)
        found = ladder_of(jobs, machine, wanted)
        plans, rungs = max(plans, found.plans), rungs + len(found.rungs)
        for one in what_is_amiss(found, jobs):
            wrong += 1
            print(f"seed {seed}: {one}")
    print(f"{count} ladders with {rungs} rungs, {plans} plans at most: {wrong} amiss")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
