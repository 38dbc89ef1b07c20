"""Classes and limits of one move by counting, and limits by hand: blocks, lifted steps, filters of one's own."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.file_limits import Conditions
from kinematics.gcode.labels import Labels
from kinematics.gcode.moves import PRINT, TRAVEL, Moves
from kinematics.limits import columns as by
from kinematics.limits.classes import Classing, MoveClass, Way, classify
from kinematics.limits.combine import EVERY_KIND, limits_of
from kinematics.limits.vibration import filter_made, filters_of
from kinematics.machine import Machine
from kinematics.planner.ceilings import paces_at_rest
from kinematics.planner.filtered import filtered_by
from tests.naive.planner_records import NaiveMove
from tests.naive.random_paths import to_moves

STATED: tuple[Mapping[str, float], ...] = ({}, {"a": 1.0}, {"a": 1.0, "b": 2.0}, {"a": 3.0})
NAMES = ("", "wall", "lid")


def drawn_moves(rng: np.random.Generator, size: int) -> Moves:
    """Moves of any kind in layers 1 to 4."""
    kinds = rng.choice(["print", "travel", "filament"], size)
    layers = np.sort(rng.integers(1, 5, size)).tolist()
    return to_moves(
        [
            NaiveMove(dx=float(kind != "filament"), de=float(kind != "travel"), speed=9.0, kind=kind, layer=layer)
            for kind, layer in zip(kinds, layers, strict=True)
        ]
    )


@pytest.mark.parametrize("way", [Way(0, True, True), Way(2, False, True), Way(3, True, False), Way(1, True, True)])
def test_moves_of_blocks_are_told_apart_as_those_of_the_whole(way: Way) -> None:
    """Each class by looking its moves up one by one; blocks number theirs as they come, their order is the whole's."""
    rng = np.random.default_rng(way.first_layers)
    moves = drawn_moves(rng, 120)
    stated, label = rng.integers(0, len(STATED), 120).astype(np.int32), rng.integers(0, 3, 120).astype(np.int32)
    classing, found = Classing(way), []
    for begin in range(0, 120, 15):
        part = slice(begin, begin + 15)
        conditions = Conditions(stated[part], STATED)
        labels = Labels(label[part], NAMES, True, None)
        found += classing.numbers(Moves._make(column[part] for column in moves), True, conditions, labels).tolist()
    expected = [
        MoveClass(
            int(moves.kind[i]),
            bool(moves.layer[i] <= way.first_layers),
            NAMES[label[i]] if way.labelled else "",
            STATED[stated[i]] if way.stated else {},
        )
        for i in range(120)
    ]
    assert [classing.table[number] for number in found] == expected
    assert len(classing.table) == len({repr(one) for one in expected})
    whole = classify(
        moves,
        way.first_layers,
        Conditions(stated, STATED) if way.stated else None,
        Labels(label, NAMES, True, None) if way.labelled else None,
    )
    assert [classing.table[number] for number in classing.order()] == list(whole.table)
    assert [whole.table[number] for number in whole.of_move] == expected


def test_without_layers_no_first_ones_are_kept_apart() -> None:
    moves = drawn_moves(np.random.default_rng(5), 30)
    classing = Classing(Way(2, True, True))
    classing.numbers(moves, False, None, None)
    assert not any(member.first_layers for member in classing.table)
    assert 1 < len(classing.table) <= 3


def test_a_step_that_is_lifted_still_stands_for_steps() -> None:
    """Steps of 8 mm/s on x, 5 on y; x lifted binds nothing, but rest is left and reached with steps as before."""
    machine = Machine().with_settings({"motion.speed_step_mm_s": {"x": 8.0, "y": 5.0}}, "test")
    values = limits_of(machine, EVERY_KIND).values
    lifted = limits_of(machine, EVERY_KIND, scaled={"motion.speed_step_mm_s.x": math.inf}).values
    assert values[0, [by.X_STEP, by.Y_STEP, by.Z_STEP]].tolist() == [8.0, 5.0, math.inf]
    assert 1e6 < lifted[0, by.X_STEP] < math.inf
    assert lifted[0, [by.Y_STEP, by.Z_STEP]].tolist() == [5.0, math.inf]
    assert paces_at_rest(values)[0, :2] == pytest.approx([1 / 8.0, 1 / 5.0])
    assert paces_at_rest(lifted)[0, :2] == pytest.approx([0.0, 1 / 5.0], abs=1e-6)


# Motor by motor: what must be known of it and of the axis that it moves.
KNOWN = {"torque_nm": [[0.0, 0.4], [600.0, 0.1]], "mm_per_rev": 40.0, "rotor_inertia_kg_m2": 0.0}
KNOWN |= {"usable_torque_share": 1.0}


@pytest.mark.parametrize("driven", ["", "x", "xy", "xyz", "xyze", "xz", "ze"])
def test_the_drives_in_force_are_as_many_as_are_known(driven: str) -> None:
    """Numbered in the order of the motors, of speed and of ramps; pressure advance beside them, and no other.

    What is constant stands before: speeds of the axes whose torque curves end, the extruder's, and the machine's own.
    """
    settings: dict[str, object] = {"axes.e.max_speed_mm_s": 20.0}
    for axis in driven:
        settings |= {f"motors.{axis}.{key}": value for key, value in KNOWN.items()}
        settings |= {f"axes.{axis}.moving_mass_kg": 0.5, f"axes.{axis}.friction_n": 1.0}
    machine, numbers = Machine().with_settings(settings, "test"), [by.DRIVE_1, by.DRIVE_2, by.DRIVE_3, by.DRIVE_4]
    constant = ["pace", *driven.replace("e", ""), "ratio", "", "sharpness", "curvature"]
    for advance in (0.0, 0.05):
        limits = limits_of(machine.with_settings({"filament.pressure_advance_s": advance}, "test"), EVERY_KIND)
        told = list(limits.in_force())
        falling = [*numbers[: len(driven)], *[by.ADVANCE][: advance > 0.0]]
        for bounds in (by.OF_SPEED, by.OF_RAMP):
            found = [one.cause for one in told if one.hangs_on == by.ON_OWN_SPEED and one.bounds == bounds]
            assert found == falling
        assert [one.feature for one in told if one.hangs_on != by.ON_OWN_SPEED] == constant
        assert limits.need_every_move is (len(falling) > 0)
        assert limits.sight(by.Surroundings(0.25, None)).ahead == (math.inf if falling else 0.25)


@pytest.mark.parametrize("filament", [True, False])
def test_where_junction_deviation_rules_rest_is_left_with_steps_of_the_filament_alone(filament: bool) -> None:
    settings = {"motion.junction_deviation_mm": 0.05} | ({"motion.extruder_step_mm_s": 4.0} if filament else {})
    paces = paces_at_rest(limits_of(Machine().with_settings(settings, "test"), EVERY_KIND).values)
    assert paces.shape == ((3, 4) if filament else (0, 4))
    if filament:
        assert paces[:, 3] == pytest.approx([0.25] * 3)
        assert (paces[:, :3] > 1e6).all()  # no step at all


def test_prints_travels_and_filament_have_their_own_acceleration() -> None:
    settings = {
        "motion.print_acceleration_mm_s2": 700.0,
        "motion.travel_acceleration_mm_s2": 900.0,
        "retraction.acceleration_mm_s2": 300.0,
        "motion.speed_cap_mm_s": 80.0,
    }
    values = limits_of(Machine().with_settings(settings, "test"), EVERY_KIND).values
    assert values[:, by.PATH_RAMP].tolist() == [700.0, 900.0, 300.0]
    assert values[:, by.CAP].tolist() == [80.0, 80.0, math.inf]


def test_a_filter_of_ones_own_is_made_of_its_impulses() -> None:
    told = Machine().with_settings(
        {"vibration.x.filter": "own", "vibration.x.filter_impulses": [[0.0, 0.75], [0.012, 0.25]]}, "test"
    )
    found = filter_made(told.vibration.x, "x")
    assert found.times == (0.0, 0.012)
    assert found.amplitudes == pytest.approx((0.75, 0.25))
    assert filters_of(told) == (found, None)
    without = Machine().with_settings({"vibration.y.filter": "own"}, "test")
    with pytest.raises(InputError, match=r"vibration\.y\.filter_impulses"):
        filter_made(without.vibration.y, "y")


def test_what_a_filtered_path_hangs_on_by_hand() -> None:
    """ZV, 40 Hz, undamped: two impulses 12.5 ms apart, 6.25 ms from their mean: 1.6 mm at 256 mm/s.

    √(90² + 120² + 20²) = 151.3 mm/s, below 256; of 60 mm/s the next power of two is 64. Filters that differ are looked
    at as far as 4 budgets of path times 16; σ² = 6.25² ms², times 4 at half the frequency.
    """
    zv = {f"vibration.{axis}.filter": "ZV" for axis in "xy"}
    zv |= {f"vibration.{axis}.filter_frequency_hz": 40.0 for axis in "xy"} | {"quality.rounding_budget_mm": 0.1}
    speeds = {f"axes.{axis}.max_speed_mm_s": most for axis, most in zip("xyz", (90.0, 120.0, 20.0), strict=True)}
    machine = Machine().with_settings(zv | speeds, "test")
    values = limits_of(machine, (MoveClass(PRINT, False), MoveClass(TRAVEL, False))).values
    found = filtered_by(machine, values)
    assert found is not None
    assert (found.fastest, found.corners, found.budget) == (256.0, 0.05, 0.1)
    assert found.variances == pytest.approx([6.25e-3**2] * 2)
    assert not found.differ
    assert found.reach == pytest.approx(256.0 * 6.25e-3)
    capped = filtered_by(machine.with_settings({"motion.speed_cap_mm_s": 60.0}), np.minimum(values, 60.0))
    assert capped is not None
    assert capped.fastest == 64.0
    uneven = machine.with_settings({"vibration.y.filter_frequency_hz": 20.0})
    found = filtered_by(uneven, limits_of(uneven, (MoveClass(PRINT, False),)).values)
    assert found is not None
    assert found.variances == pytest.approx([6.25e-3**2, 12.5e-3**2])
    assert found.differ
    assert found.reach == pytest.approx(6.4)  # 256·12.5e-3 = 3.2 mm under the filters, 4·16·0.1 along the ramps
    assert filtered_by(Machine(), values) is None
