"""The sample jobs beside the slow twins: path, filament, seconds of motion, read and planned by another method."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import kinematics
from kinematics.gcode.moves import KIND_NAMES
from tests.naive import reader_twin
from tests.naive.planner_records import NaiveLimits, NaiveMove
from tests.naive.planner_twin import plan_naively, total_s

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
NAMES = ("bracket", "test_cube", "cable_guide_arcs", "tall_pin")
RELATIVE = 1e-9
MACHINE = """\
[axes.x]
max_speed_mm_s = 300
max_acceleration_mm_s2 = 3000
[axes.y]
max_speed_mm_s = 250
max_acceleration_mm_s2 = 900
[axes.z]
max_speed_mm_s = 9
max_acceleration_mm_s2 = 200
[axes.e]
max_speed_mm_s = 40
max_acceleration_mm_s2 = 2500
[motion]
print_acceleration_mm_s2 = 1500
travel_acceleration_mm_s2 = 2000
junction_deviation_mm = 0.04
lookahead_moves = 32
[hotend]
max_flow_mm3_s = 6
[retraction]
acceleration_mm_s2 = 1200
"""
LIMITS = NaiveLimits(
    axis_speed=(300.0, 250.0, 9.0),
    axis_acceleration=(3000.0, 900.0, 200.0),
    extruder_speed=40.0,
    extruder_acceleration=2500.0,
    print_acceleration=1500.0,
    travel_acceleration=2000.0,
    filament_acceleration=1200.0,
    max_flow=6.0,
    junction_deviation=0.04,
    lookahead=32,
)


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_is_read_and_timed_as_the_twins_do(name: str) -> None:
    path = SAMPLES / f"{name}.gcode"
    naive = reader_twin.read(path.read_bytes())
    moves = [NaiveMove(*move[:4], move.speed, KIND_NAMES[move.kind], 1, move.stop) for move in naive.moves]
    lengths = [math.dist((0.0, 0.0, 0.0), move.displacement) for move in moves]
    machine = kinematics.Machine.from_toml_text(MACHINE, "bench.toml")
    job = kinematics.estimate(path, machine).jobs[0]
    assert job.moves == len(moves)
    assert job.path_mm == pytest.approx(math.fsum(lengths), rel=RELATIVE)
    fed, most = 0.0, 0.0
    for move in moves:
        fed += move.de
        most = max(most, fed)
    assert job.filament_mm == pytest.approx(most, rel=RELATIVE)
    assert job.motion_s == pytest.approx(total_s(plan_naively(moves, LIMITS)), rel=RELATIVE)
