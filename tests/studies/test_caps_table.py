"""Caps against hand-made numbers: how far each limit may go, what stops it, what is not known, when cooling rules."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine, load_machine
from kinematics.studies.caps import CapRow, Caps, caps_of

# 100 mm there and back along x, then along y, by roads of 0.45 x 0.2 mm; two layers.
JOB = (
    b"M83\nM104 S210\nG1 Z0.2 F600\n"
    + b"G1 X100 E3.74 F6000\nG1 Y100 E3.74\nG1 X0 E3.74\nG1 Y0 E3.74\nG1 Z0.4 F600\n" * 1
    + b"G1 X100 E3.74 F6000\nG1 Y100 E3.74\nG1 X0 E3.74\nG1 Y0 E3.74\n"
)
# ZV at 40 Hz without damping: σ² = T²/16, M = T/4 with T = 25 ms (see tests/published/test_filters.py).
PERIOD = 0.025
TEXT = """\
[axes.x]
max_speed_mm_s = 200
max_acceleration_mm_s2 = 3000
moving_mass_kg = 0.4
friction_n = 2.0
[motors.x]
torque_nm = [[0, 0.4], [1500, 0.1]]
mm_per_rev = 40.0
rotor_inertia_kg_m2 = 0.0
usable_torque_share = 0.5
[motion]
print_acceleration_mm_s2 = 2500
[hotend]
max_flow_mm3_s = 10
[vibration.x]
modes = [{ frequency_hz = 40 }]
filter = "ZV"
[quality]
rounding_budget_mm = 0.1
"""


def machine_of(text: str = TEXT) -> Machine:
    return Machine.from_toml_text(text, "bench.toml")


def row(caps: Caps, limit: str) -> CapRow:
    return next(one for one in caps.rows if one.limit == limit)


def test_rounding_stops_the_x_axis_where_two_budgets_are_spent() -> None:
    found = row(caps_of(machine_of()), "axes.x.max_acceleration_mm_s2")
    assert found.no_further_than == pytest.approx(2 * 0.5 * 0.1 / (PERIOD**2 / 16))
    assert (found.stopped_by, found.asked, found.within_caps) == ("rounding, x axis", 3000.0, False)
    assert found.not_known == ("quality.ringing_budget_mm",)
    assert (
        found.formulas[0]
        == "rounding, x axis: 2qε/σ² = 2·0.5·0.1 mm / 39.06e-6 s² = 2560 mm/s² (ZV at 40 Hz, damping 0)"
    )


def test_a_drive_is_worked_out_at_the_speed_that_is_asked_for() -> None:
    # 200 mm/s are 300 rev/min: 0.34 Nm, half of which at 40 mm a revolution is 2π·0.17/0.04 = 26.70 N.
    text = TEXT.replace('filter = "ZV"', 'filter = "none"').replace("rounding_budget_mm = 0.1", "rounding_split = 0.5")
    found = row(caps_of(machine_of(text)), "axes.x.max_acceleration_mm_s2")
    force = 2 * math.pi * 0.17 / 0.04
    assert found.no_further_than == pytest.approx((force - 2.0) / 0.4 * 1000.0)
    assert found.stopped_by == "drive of motor x"
    assert found.within_caps is None  # nothing is known of ringing, so it is never called allowed
    speed = row(caps_of(machine_of(text)), "axes.x.max_speed_mm_s")
    assert (speed.no_further_than, speed.within_caps) == (pytest.approx(1000.0), True)


def test_the_corner_is_as_sharp_as_its_rounding_allows() -> None:
    found = row(caps_of(machine_of()), "motion.junction_deviation_mm")
    speed = 0.5 * 0.1 / (PERIOD / 8)  # only x carries a filter
    assert found.no_further_than == pytest.approx(speed**2 / (2500 * (1 + math.sqrt(2))))
    assert set(found.not_known) == {"quality.ringing_budget_mm", "vibration.y.filter", "vibration.y.modes"}


def test_nothing_is_known_of_a_machine_without_those_keys() -> None:
    caps = caps_of(Machine())
    assert all(one.no_further_than is None and one.within_caps is None for one in caps.rows)
    assert "vibration.x.filter" in row(caps, "motion.print_acceleration_mm_s2").not_known
    assert "motors.x.torque_nm" in row(caps, "motion.print_acceleration_mm_s2").not_known


def test_a_job_tells_what_it_asks_of_the_hotend_and_what_each_cap_holds() -> None:
    machine = machine_of(TEXT.replace("rounding_budget_mm = 0.1", "rounding_budget_mm = 0.05"))
    caps = caps_of(machine, [PreparedJob(memoryview(JOB))])
    flow = row(caps, "hotend.max_flow_mm3_s")
    assert flow.asked == pytest.approx(100.0 * 3.74 / 100.0 * math.pi * 1.75**2 / 4)
    assert (flow.no_further_than, flow.within_caps) == (10.0, True)
    timing = time_job(PreparedJob(memoryview(JOB)), machine)
    held = timing.by_cause["short lines: rounding"]
    x = row(caps, "axes.x.max_acceleration_mm_s2")
    assert held > 0.0
    assert x.share_of_time == pytest.approx(held / timing.total)


def test_the_least_favourable_direction_of_a_crossed_belt_is_the_diagonal() -> None:
    text = '[machine]\nmechanism = "crossed-belt"\n[motors.a]\nmax_acceleration_mm_s2 = 2000\n'
    text += "[motors.b]\nmax_acceleration_mm_s2 = 2000\n[motion]\nprint_acceleration_mm_s2 = 1800\n"
    straight = b"M83\nG1 X10 E1 F600\nG1 Y10 E1\n"
    along = row(caps_of(machine_of(text), [PreparedJob(memoryview(straight))]), "motion.print_acceleration_mm_s2")
    assert along.in_the_job == pytest.approx(2000.0)
    diagonal = straight + b"G1 X20 Y20 E1\n"
    across = row(caps_of(machine_of(text), [PreparedJob(memoryview(diagonal))]), "motion.print_acceleration_mm_s2")
    assert across.in_the_job == pytest.approx(2000.0 / math.sqrt(2.0), rel=1e-3)
    assert (along.within_caps, across.within_caps) == (None, False)


def test_a_delta_keeps_a_fifth_of_its_carriages_for_steady_speed() -> None:
    text = '[machine]\nmechanism = "linear-delta"\n[machine.delta]\narm_mm = 250\ntower_radius_mm = 125\n'
    text += "".join(f"[motors.t{i}]\nmax_acceleration_mm_s2 = 5000\n" for i in (1, 2, 3))
    text += "[axes.z]\nmax_acceleration_mm_s2 = 4500\n"
    found = row(caps_of(machine_of(text)), "axes.z.max_acceleration_mm_s2")
    assert found.no_further_than == pytest.approx(0.8 * 5000.0)
    assert found.within_caps is False
    assert found.formulas[0] == "motor t1: 0.8·B/|j| = 0.8·5000 mm/s² / 1 = 4000 mm/s²"


def test_cooling_rules_from_where_half_of_the_motion_waits() -> None:
    slow = machine_of(TEXT + "[cooling]\nshortest_layer_s = 4.0\n")
    prepared = [PreparedJob(memoryview(JOB))]
    rule = caps_of(slow, prepared).cooling
    assert rule is not None
    assert (rule.layers, rule.added_s, rule.ruled) == (0, 0.0, 0.0)
    assert rule.by_speed is not None
    assert rule.by_acceleration is None  # the commanded speed holds the layers
    factor = rule.by_speed
    for share, rules in ((0.99, False), (1.01, True)):
        timing = time_job(prepared[0], slow, scaled=(("the job", factor * share),))
        waiting = timing.layers.motion[timing.layers.cooling > 0.0].sum() / timing.layers.motion.sum()
        assert (waiting > 0.5) == rules
    quick = replace_shortest(slow, 60.0)
    ruled = caps_of(quick, prepared).cooling
    assert ruled is not None
    assert (ruled.by_speed, ruled.layers, ruled.all_layers) == (1.0, 2, 2)
    assert caps_of(replace_shortest(slow, 0.0), prepared).cooling is None


def replace_shortest(machine: Machine, seconds: float) -> Machine:
    return machine.with_settings({"cooling.shortest_layer_s": seconds})


def test_it_can_be_had_as_a_table() -> None:
    caps = caps_of(machine_of())
    frame = caps.to_frame()
    assert list(frame["limit"]) == [one.limit for one in caps.rows]
    assert "asks for more" in repr(replace(caps)) or "ask for more" in repr(caps)


def test_sample_machines_are_judged(tmp_path: Path) -> None:
    folder = Path(__file__).resolve().parents[2] / "sample_gcode"
    for file in sorted((folder / "machines").glob("*.toml")):
        caps = caps_of(load_machine(file), [PreparedJob(str(folder / "test_cube.gcode"))])
        assert caps.rows
        assert all(one.share_of_time is None or 0.0 <= one.share_of_time <= 1.0 for one in caps.rows)
