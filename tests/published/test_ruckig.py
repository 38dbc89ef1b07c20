"""The trapezoid with entry and exit speeds against an independent library for motion without a jerk limit.

L. Berscheid, T. Kröger, Jerk-limited Real-time Trajectory Generation with Arbitrary Target States, Robotics: Science
and Systems XVII, 2021 (from memory): the library `ruckig`, used here with infinite jerk.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.published.drawn_paths import plan_of, travels

ruckig = pytest.importorskip("ruckig")

ACCELERATIONS = 20
CASES = 100  # for each acceleration
AGREEMENT = 1e-9  # relative


def library_time(d: float, v0: float, v1: float, v: float, a: float) -> float:
    """Time-optimal duration (s) by ruckig with infinite jerk."""
    problem = ruckig.InputParameter(1)
    problem.current_velocity, problem.target_velocity = [v0], [v1]
    problem.target_position = [d]
    problem.max_velocity, problem.max_acceleration, problem.max_jerk = [v], [a], [math.inf]
    trajectory = ruckig.Trajectory(1)
    assert ruckig.Ruckig(1).calculate(problem, trajectory) == ruckig.Result.Working
    return float(trajectory.duration)


def test_two_thousand_random_moves_take_the_library_s_time() -> None:
    """Random length, speed, acceleration, entry and exit speeds (some of them 0, some ramps just feasible).

    One job for each acceleration: run-in at v0, the move, run-out at v1, and a rest before the next run-in.
    """
    random = np.random.default_rng(20261125)
    worst = 0.0
    for a in np.exp(random.uniform(math.log(100.0), math.log(20_000.0), ACCELERATIONS)):
        v = np.exp(random.uniform(math.log(5.0), math.log(400.0), CASES))
        v0, v1 = v * random.uniform(0.0, 1.0, (2, CASES))
        v0[random.random(CASES) < 0.1] = 0.0
        v1[random.random(CASES) < 0.1] = 0.0
        shortest = np.abs(v1**2 - v0**2) / (2 * a)
        d = shortest * (1.0 + 1e-9) + np.exp(random.uniform(math.log(1e-3), math.log(200.0), CASES))
        single_ramp = (random.random(CASES) < 0.1) & (shortest > 0.0)
        d[single_ramp] = shortest[single_ramp] * (1.0 + 1e-9)
        steps, speeds, stops, wanted = [], [], [], []
        for case in zip(d, v0, v1, v, strict=True):
            length, enter, leave, most = (float(number) for number in case)
            pieces = [(enter * enter / a, enter), (length, most), (leave * leave / a, leave)]
            pieces = [piece for piece in pieces if piece[1] > 0.0]
            wanted.append(len(steps) + (enter > 0.0))
            stops += [1] + [0] * (len(pieces) - 1)
            steps += [(piece[0], 0.0, 0.0) for piece in pieces]
            speeds += [piece[1] for piece in pieces]
        plan = plan_of(travels(np.array(steps), np.array(speeds), np.array(stops, np.uint8)), float(a))
        np.testing.assert_allclose(plan.speed_in[wanted], v0, rtol=1e-12, atol=0.0)
        np.testing.assert_allclose(plan.speed_out[wanted], v1, rtol=1e-12, atol=0.0)
        library = np.array([library_time(*case, float(a)) for case in zip(d, v0, v1, v, strict=True)])
        worst = max(worst, float(np.max(np.abs(plan.duration[wanted] / library - 1.0))))
    print(f"worst relative gap to ruckig over {ACCELERATIONS * CASES} moves: {worst:.1e}")
    assert worst < AGREEMENT


@pytest.mark.parametrize(("d", "seconds"), [(100.0, 1.1), (5.0, 0.1414213562), (10.0, 0.2)])
def test_library_and_planner_from_rest_to_rest(d: float, seconds: float) -> None:
    """The textbook values once more, by both (a = 1000 mm/s², v = 100 mm/s; computed here)."""
    plan = plan_of(travels(np.array([[d, 0.0, 0.0]]), 100.0), 1000.0)
    assert library_time(d, 0.0, 0.0, 100.0, 1000.0) == pytest.approx(seconds, abs=5e-11)
    assert plan.duration[0] == pytest.approx(seconds, abs=5e-11)
