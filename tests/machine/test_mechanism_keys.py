"""[machine.delta] and [motors.…]: which go together, where they stand, and what is said where they do not fit."""

from __future__ import annotations

import json
from typing import Any

import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine, load_machine
from kinematics.machine.mechanisms import Cartesian, CrossedBelt, LinearDelta, has_coupled_limits, mechanism_of

DELTA = """\
[machine]
mechanism = "linear-delta"
[machine.delta]
arm_mm = 250
tower_radius_mm = 125
[motors.t2]
max_speed_mm_s = 300
[motors.e]
max_acceleration_mm_s2 = 2000
"""


def errors_of(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    return [str(finding) for finding in caught.value.findings]


def test_a_delta_and_its_motors_are_read_with_their_lines() -> None:
    machine = Machine.from_toml_text(DELTA, "bench.toml")
    shown = {row.key: (row.value, row.origin) for row in machine.effective() if row.origin.startswith("bench.toml:")}
    assert shown == {
        "machine.mechanism": ("linear-delta", "bench.toml:2"),
        "machine.delta.arm_mm": (250.0, "bench.toml:4"),
        "machine.delta.tower_radius_mm": (125.0, "bench.toml:5"),
        "motors.t2.max_speed_mm_s": (300.0, "bench.toml:7"),
        "motors.e.max_acceleration_mm_s2": (2000.0, "bench.toml:9"),
    }
    assert machine.value_of("machine.delta.tower_angles_deg") == [210.0, 330.0, 90.0]
    assert machine.origin_of("machine.delta.tower_angles_deg") == "default"
    assert machine.value_of("motors.t1.max_speed_mm_s") is None
    assert Machine(**json.loads(json.dumps(machine.as_dict()))) == machine
    assert "motors.t2 300 mm/s" in repr(machine)
    assert machine.check() == []


def test_the_mechanism_of_a_machine() -> None:
    assert mechanism_of(Machine()) == Cartesian()
    assert mechanism_of(Machine().with_settings({"machine.mechanism": "crossed-belt"})) == CrossedBelt()
    delta = mechanism_of(Machine.from_toml_text(DELTA, "bench.toml"))
    assert isinstance(delta, LinearDelta)
    assert (delta.arm, delta.radius) == (250.0, 125.0)


MISTAKES = [
    ('[machine]\nmechanism = "linear-delta"',
     'bench.toml:2: machine.mechanism = "linear-delta" without [machine.delta];'
     " allowed: beside [machine.delta] with arm_mm and tower_radius_mm"),
    ("[machine]\nname = 'A'\n[machine.delta]\narm_mm = 250\ntower_radius_mm = 125",
     'bench.toml:3: [machine.delta] is given for a cartesian machine;'
     ' allowed: only beside machine.mechanism = "linear-delta"'),
    ("[machine]\nmechanism = 'crossed-belt'\ndelta = { arm_mm = 250, tower_radius_mm = 125 }",
     'bench.toml:3: [machine.delta] is given for a crossed belt; allowed: only beside'
     ' machine.mechanism = "linear-delta"'),
    ("[machine]\nmechanism = 'linear-delta'\n[machine.delta]\ntower_radius_mm = 125\narm_mm = 125",
     "bench.toml:5: machine.delta.arm_mm = 125 does not reach the middle, 125 mm from every tower;"
     " allowed: more than machine.delta.tower_radius_mm"),
    ("[machine]\nmechanism = 'linear-delta'\n[machine.delta]\ntower_radius_mm = 125\narm_mm = 250\n"
     "tower_angles_deg = [30, 150, 390]",
     "bench.toml:6: machine.delta.tower_angles_deg = [30, 150, 390] puts two towers at one place;"
     " allowed: three different angles"),
    ("[machine]\nmechanism = 'linear-delta'\n[machine.delta]\ntower_radius_mm = 125\narm_mm = 250\n"
     "tower_angles_deg = [30, 150]",
     "bench.toml:6: machine.delta.tower_angles_deg = [30, 150];"
     " allowed: three angles in degrees, one a tower"),
    ("[machine]\nmechanism = 'linear-delta'\n[machine.delta]\ntower_radius_mm = 125",
     "bench.toml:3: machine.delta.arm_mm is missing; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[machine]\nmechanism = 'linear-delta'\n[machine.delta]\ntower_radius_mm = 125\narm_mm = 0",
     "bench.toml:5: machine.delta.arm_mm = 0; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[machine]\nmechanism = 'linear-delta'\ndelta = 5",
     "bench.toml:3: machine.delta = 5; allowed: a table with arm_mm and tower_radius_mm"),
    ("[machine]\nmechanism = 'linear-delta'\n[machine.delta]\ntower_radius = 125\narm_mm = 250",
     "bench.toml:4: unknown key machine.delta.tower_radius (did you mean 'tower_radius_mm'?)"),
    ("[motors.a]\nmax_speed_mm_s = 300",
     "bench.toml:1: motors.a is no motor of a cartesian machine; allowed: x, y, z, e"),
    ("[machine]\nmechanism = 'crossed-belt'\n[motors.a]\nmax_speed_mm_s = 300\n[motors.x]\nmax_speed_mm_s = 300",
     "bench.toml:5: motors.x is no motor of a crossed belt; allowed: a, b, z, e"),
    ("[motors.x]\nmax_speed = 300",
     "bench.toml:2: unknown key motors.x.max_speed (did you mean 'max_speed_mm_s'?)"),
    ("[motors.x]\nmax_speed_mm_s = 0",
     "bench.toml:2: motors.x.max_speed_mm_s = 0; allowed: a number above 0 (1e-9 to 1e9)"
     " (leave the key out for no limit)"),
    ("[motors]\nx = 4",
     "bench.toml:2: motors.x = 4; allowed: a table [motors.NAME] with max_speed_mm_s, max_acceleration_mm_s2,"
     " torque_nm, mm_per_rev, rotor_inertia_kg_m2, usable_torque_share"),
    ("motors = 4", "bench.toml:1: motors = 4; allowed: a table a motor, [motors.NAME]"),
    ("machine = 4",
     "bench.toml:1: machine = 4; allowed: a table [machine] with name, mechanism, bed_mm, home_mm, keep_out_mm, delta"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), MISTAKES, ids=[expected[12:60] for _, expected in MISTAKES])
def test_one_mistake_gives_one_sentence(text: str, expected: str) -> None:
    assert errors_of(text) == [expected]


def test_what_goes_wrong_between_keys_is_told_beside_what_is_wrong_by_itself() -> None:
    text = "[machine]\nmechanism = 'linear-delta'\n[motors.x]\nmax_speed_mm_s = -3\n[hotend]\nnozzle_mm = 0"
    assert [error.split(":")[1] for error in errors_of(text)] == ["2", "3", "4", "6"]
    # What hangs on a mechanism that is none is not judged.
    (error,) = errors_of("[machine]\nmechanism = 'delta'\n[motors.q]\nmax_speed_mm_s = 3")
    assert error.startswith('bench.toml:2: machine.mechanism = "delta"')


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"machine.mechanism": "linear-delta"}, 'machine.mechanism = "linear-delta" without [machine.delta]'),
        ({"motors.a.max_speed_mm_s": 3}, "motors.a is no motor of a cartesian machine; allowed: x, y, z, e"),
        ({"machine.delta": {"arm_mm": 250, "tower_radius_mm": 125}}, "[machine.delta] is given for a cartesian"),
    ],
)
def test_settings_are_judged_alike(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as caught:
        Machine().with_settings(settings, "--set")
    (finding,) = caught.value.findings
    assert str(finding).startswith(f"--set: {words}")


def test_settings_turn_one_mechanism_into_another() -> None:
    delta = {"machine.mechanism": "linear-delta", "machine.delta": {"arm_mm": 250, "tower_radius_mm": 125}}
    machine = Machine().with_settings(delta).with_settings({"machine.delta.arm_mm": 260, "motors.t1.max_speed_mm_s": 9})
    assert machine.value_of("machine.delta.arm_mm") == 260.0
    assert machine.value_of("machine.delta.tower_radius_mm") == 125.0
    assert machine.value_of("motors.t1.max_speed_mm_s") == 9.0
    back = machine.with_settings(
        {"machine.mechanism": "cartesian", "machine.delta": None, "motors.t1.max_speed_mm_s": None}
    )
    assert back == Machine()
    loaded = load_machine("gentle", ["machine.mechanism=crossed-belt", "motors.b.max_speed_mm_s=90"])
    assert loaded.origin_of("motors.b.max_speed_mm_s") == "--set"


def test_limits_of_motors_are_missed_where_an_axis_does_not_say_the_same() -> None:
    assert not any(key.startswith("motors") for key in Machine().limits_not_given())
    belts = Machine().with_settings({"machine.mechanism": "crossed-belt", "motors.b.max_speed_mm_s": 9})
    assert [key for key in belts.limits_not_given() if key.startswith("motors")] == [
        "motors.a.max_speed_mm_s",
        "motors.a.max_acceleration_mm_s2",
        "motors.b.max_acceleration_mm_s2",
    ]


def test_only_motors_that_move_several_axes_are_coupled() -> None:
    belts = Machine().with_settings({"machine.mechanism": "crossed-belt", "motors.z.max_speed_mm_s": 9})
    assert not has_coupled_limits(belts)
    assert has_coupled_limits(belts.with_settings({"motors.a.max_acceleration_mm_s2": 9}))
    assert not has_coupled_limits(Machine().with_settings({"motors.x.max_speed_mm_s": 9}))


def test_doubts() -> None:
    (doubt,) = Machine().with_settings({"motion.delta_piece_mm": 5}).check()
    assert doubt == "motion.delta_piece_mm is given for a machine that is no linear delta: it has no effect."
    (doubt,) = Machine().with_settings({"motors.x.max_speed_mm_s": 9000}).check()
    assert doubt == "motors.x.max_speed_mm_s = 9000 is above 1500: is it in mm/s, not mm/min?"
