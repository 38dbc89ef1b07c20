"""Times as functions of the parameters, held against the planner; and their slopes, against differences."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from kinematics.gcode.chunks import JobFile
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, time_job
from kinematics.machine import Machine, load_machine
from kinematics.measured.parameters import (
    FITTED_COMMANDS,
    FITTED_CORNER,
    FITTED_PRINT,
    NODES,
    NODES_CLOSE,
    Box,
    Responses,
    grid_of,
    parameters_of,
    settings_at,
    surface_of,
    whole_box,
)
from tests.jobs.conftest import bench
from tests.measured.fitted_machines import SAMPLES

JOB = SAMPLES / "test_cube.gcode"
OVER_ALL = 0.04  # share of the time by which a first look may be off
CLOSE_BY = 0.006
NEAR = np.array([-0.3, 0.2, 0.4, 0.0004, 60.0, 0.3, 0.05])


@cache
def job() -> PreparedJob:
    """A cube, read once."""
    return PreparedJob(str(JOB))


def responses(machine: Machine, box: Box, nodes: int, from_start: bool = True) -> Responses:
    """The cube on a machine over a box."""
    surface = surface_of(job(), grid_of(machine, box, nodes))
    return Responses(parameters_of(machine), box, [surface], [0], [from_start])


def planned(machine: Machine, place: np.ndarray) -> float:
    """Its time at a place, by the planner."""
    return float(job().totals([Ask(machine.with_settings(settings_at(parameters_of(machine), place)))])[0])


def boxed(middle: np.ndarray) -> Box:
    """A box about a place."""
    reach = np.array([0.4, 0.4, 0.4, 0.0004, 60.0, 0.3, 0.05])
    return Box(middle - reach, middle + reach)


@pytest.mark.parametrize("name", ["middling", "gentle"])
def test_times_are_those_of_the_planner(name: str) -> None:
    machine = load_machine(name)
    parameters = parameters_of(machine)
    wide, close = responses(machine, whole_box(parameters), NODES), responses(machine, boxed(NEAR), NODES_CLOSE)
    chance = np.random.default_rng(3)
    for _ in range(25):
        steps = chance.uniform(-1.0, 1.0, 7)
        place = np.array([1.2, 1.2, 1.4, 0.001, 90.0, 0.5, 0.1]) * steps
        place[3:] = np.abs(place[3:])
        assert wide.seconds(place)[0][0] == pytest.approx(planned(machine, place), rel=OVER_ALL)
        place = NEAR + np.array([0.3, 0.3, 0.3, 0.0003, 50.0, 0.2, 0.04]) * steps
        assert close.seconds(place)[0][0] == pytest.approx(planned(machine, place), rel=CLOSE_BY)


def test_slopes_are_those_of_small_differences() -> None:
    found = responses(load_machine("middling"), boxed(NEAR), NODES_CLOSE)
    _, jacobian = found.seconds(NEAR)
    for k, step in enumerate([1e-4, 1e-4, 1e-4, 1e-8, 1e-3, 1e-4, 1e-5]):
        ahead, behind = NEAR.copy(), NEAR.copy()
        ahead[k] += step
        behind[k] -= step
        slope = (found.seconds(ahead)[0][0] - found.seconds(behind)[0][0]) / (2.0 * step)
        assert jacobian[0, k] == pytest.approx(slope, rel=1e-4, abs=1e-6)


def test_overheads_count_starts_layers_and_retractions() -> None:
    machine = load_machine("middling")
    _, jacobian = responses(machine, whole_box(parameters_of(machine)), NODES_CLOSE).seconds(np.zeros(7))
    facts = job().read(machine).facts
    assert jacobian[0, 4:].tolist() == [1.0, facts.layers, facts.retractions]
    assert facts.layers == 100
    assert facts.retractions > 100


def test_a_clock_that_runs_from_the_first_move_leaves_out_what_is_before() -> None:
    machine = load_machine("middling")
    box = whole_box(parameters_of(machine))
    whole, moving = (responses(machine, box, NODES_CLOSE, start).seconds(NEAR)[0][0] for start in (True, False))
    stops = time_job(job(), machine).stops
    assert whole - moving == pytest.approx(stops.before_moves + NEAR[4])
    assert stops.before_moves == pytest.approx(25.0 + 100.0)  # homing; the bed from 20 to 60 °C at 0.4 °C/s


def test_parameters_hold_what_the_machine_file_says() -> None:
    machine = bench(
        **{
            "motion.by_label.outer.print_acceleration_mm_s2": 400.0,
            "controller.moves_per_s": 500.0,
            "stops.startup_s": 30.0,
        }
    )
    named = {one.name: one for one in parameters_of(machine)}
    assert named[FITTED_PRINT].settings(math.log(0.5)) == {
        "motion.print_acceleration_mm_s2": pytest.approx(500.0),
        "motion.by_label.outer.print_acceleration_mm_s2": pytest.approx(200.0),
    }
    assert named[FITTED_COMMANDS].base == 0.002
    assert named[FITTED_COMMANDS].value(0.001) == pytest.approx(1000.0)
    assert named[FITTED_COMMANDS].value(0.0) is None
    assert named["start-up"].base == 30.0


def test_speed_steps_are_turned_together_where_they_rule_corners() -> None:
    machine = bench(**{"motion.speed_step_mm_s": {"x": 8.0, "y": 6.0}})
    (corner,) = (one for one in parameters_of(machine) if one.name == FITTED_CORNER)
    assert corner.settings(math.log(2.0)) == {
        "motion.speed_step_mm_s.x": pytest.approx(16.0),
        "motion.speed_step_mm_s.y": pytest.approx(12.0),
    }
    found = responses(machine, whole_box(parameters_of(machine)), NODES)
    place = np.array([0.0, 0.0, -1.0, 0.0, 0.0, 0.0, 0.0])
    assert found.seconds(place)[0][0] == pytest.approx(planned(machine, place), rel=OVER_ALL)
    assert planned(machine, place) > planned(machine, 0.0 * place)


def test_jobs_in_blocks_answer_as_those_that_are_kept() -> None:
    machine = load_machine("middling")
    grid = grid_of(machine, boxed(NEAR), 3)
    kept = surface_of(job(), grid)
    in_blocks = surface_of(BlockwiseJob(JobFile(str(JOB)), chunk=20_000), grid)
    assert in_blocks.coefficients == pytest.approx(kept.coefficients, abs=1e-9)
    assert in_blocks.slowed == pytest.approx(kept.slowed, abs=1e-9)
    assert (in_blocks.before, in_blocks.facts.layers, in_blocks.facts.retractions) == (
        pytest.approx(kept.before),
        kept.facts.layers,
        kept.facts.retractions,
    )
