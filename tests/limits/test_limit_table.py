"""Limits of one machine after another, changed column by column, against limits made from nothing."""

from __future__ import annotations

import gc
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.limits import columns as by
from kinematics.limits.class_limits import AS_CAP, FILE_LIMIT_MODES, HONOUR, Terms
from kinematics.limits.classes import MoveClass
from kinematics.limits.combine import MOST_KEPT, PARTS_OF_LIMITS, Limits, LimitTable, Part, limits_of
from kinematics.machine import Machine
from kinematics.machine.keys import THE_JOB, THE_PATH
from kinematics.machine.names import all_keys
from tests.machine.test_machine import VALUES

STATED = {"motion.print_acceleration_mm_s2": 700.0, "motion.speed_step_mm_s.x": 9.0, "axes.x.max_speed_mm_s": 50.0}
TABLE = tuple(
    MoveClass(kind, first, label, stated, nozzle)
    for kind in (PRINT, TRAVEL, FILAMENT)
    for first, label, stated, nozzle in ((False, "outer", {}, None), (True, "", STATED, 210.0))
)
OTHERS: dict[str, Any] = {
    "motion.by_label.outer.feed_override": 1.4,
    "motion.by_label.outer.speed_cap_mm_s": 40.0,
    "motion.by_label.outer.print_acceleration_mm_s2": 90.0,
    "motors.e.max_speed_mm_s": 20.0,
    "motors.x.max_acceleration_mm_s2": 800.0,
    "hotend.max_flow_mm3_s": [[200, 4.0], [220, 9.0]],
    "motors.y.torque_nm": [[0.0, 0.4], [600.0, 0.1]],
}
# What a key cannot do without: a filter its frequency, a covariance its keys, a curve of torque what a turn moves.
BESIDE: dict[str, dict[str, Any]] = {
    "vibration.x.filter": {"vibration.x.filter_frequency_hz": 48.0},
    "vibration.y.filter": {"vibration.y.filter_frequency_hz": 48.0},
    "motors.y.torque_nm": {"motors.y.mm_per_rev": 40.0},
    "checked.covariance": {"checked.keys": VALUES["checked.keys"]},
}
CHANGES = [
    {key: value} | BESIDE.get(key, {})
    for key, value in (*VALUES.items(), *OTHERS.items())
    if not key.startswith(("machine.delta", "machine.mechanism"))
]


def taken_out(change: dict[str, Any]) -> dict[str, None]:
    """The keys of a change, and those that cannot do without one of them, left out."""
    hanging = (key for key, needed in BESIDE.items() if not needed.keys().isdisjoint(change))
    return dict.fromkeys((*change, *hanging))


def assert_same(found: Limits, expected: Limits) -> None:
    """Two sets of limits say the same, and for the same reasons."""
    np.testing.assert_array_equal(found.values, expected.values)
    np.testing.assert_array_equal(found.advance, expected.advance)
    assert found.origins == expected.origins
    assert found.keys == expected.keys
    assert (found.lookahead, found.motors, found.ties) == (expected.lookahead, expected.motors, expected.ties)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: next(iter(change)))
@pytest.mark.parametrize("mode", FILE_LIMIT_MODES)
def test_every_key_changes_what_the_table_says_that_it_lifts(change: dict[str, Any], mode: str) -> None:
    table = LimitTable(TABLE, mode)
    machine = Machine()
    table.of(machine)
    changed = machine.with_settings(change)
    assert_same(table.of(changed), limits_of(changed, TABLE, mode))
    assert_same(table.of(machine), limits_of(machine, TABLE, mode))  # and back again
    both, _ = table.of_many([machine, changed])
    np.testing.assert_array_equal(both, [limits_of(one, TABLE, mode).values for one in (machine, changed)])


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(CHANGES), st.booleans()), max_size=8), st.sampled_from([HONOUR, AS_CAP]))
def test_any_machines_one_after_another(changes: list[tuple[dict[str, Any], bool]], mode: str) -> None:
    table = LimitTable(TABLE, mode)
    machine = Machine()
    for change, is_left_out in changes:
        machine = machine.with_settings(taken_out(change) if is_left_out else change)
        varied = frozenset(change)
        assert_same(table.of(machine), limits_of(machine, TABLE, mode))
        assert_same(table.of(machine, varied), limits_of(machine, TABLE, mode, varied))


def test_a_candidate_makes_only_its_own_part_anew_and_each_value_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []

    def counting(name: str, part: Part) -> Part:
        return part._replace(make=lambda row: (made.append(name), part.make(row))[1])

    monkeypatch.setattr(
        "kinematics.limits.combine.PARTS_OF_LIMITS",
        {name: counting(name, one) for name, one in PARTS_OF_LIMITS.items()},
    )
    table = LimitTable(TABLE)
    machine = Machine()
    first = table.of(machine)
    assert_same(table.of(machine.with_settings({"machine.name": "other"})), first)
    assert made == [name for name in PARTS_OF_LIMITS for _ in TABLE]
    made.clear()
    several = [
        machine.with_settings({"acceleration": acceleration, "speed": speed})
        for acceleration in (900.0, 700.0)
        for speed in (2.0, 3.0)
    ]
    table.of_many(several[:3])
    table.of_many(several)
    table.of(several[0])
    assert sorted(made) == sorted([THE_PATH, THE_PATH, THE_JOB, THE_JOB] * len(TABLE))
    made.clear()
    for _ in range(2):  # of a machine by itself nothing is kept
        table.of(machine.with_settings({"acceleration": 500.0}))
    assert made == [THE_PATH] * 2 * len(TABLE)


def terms_held() -> int:
    gc.collect()
    return sum(isinstance(one, Terms) for one in gc.get_objects())


def test_no_more_is_kept_than_a_few_knobs_have_values() -> None:
    """Neither of what is asked for one by one nor of many; the machine's own parts among the oldest, made anew."""
    table, machine, before = LimitTable(TABLE), Machine(), terms_held()
    several = [machine.with_settings({"acceleration": 100.0 + value}) for value in range(3 * MOST_KEPT)]
    for begin in range(0, len(several), 50):
        values, _ = table.of_many(several[begin : begin + 50])
        assert_same(table.of(several[begin]), limits_of(several[begin], TABLE))
        assert values[0, :, by.PATH_RAMP].tolist() == limits_of(several[begin], TABLE).values[:, by.PATH_RAMP].tolist()
    assert 0 < terms_held() - before < (MOST_KEPT + 100) * len(TABLE)


@settings(deadline=None)
@given(
    st.lists(st.lists(st.sampled_from(CHANGES), max_size=3), min_size=1, max_size=6), st.sampled_from([HONOUR, AS_CAP])
)
def test_many_machines_at_once(changes: list[list[dict[str, Any]]], mode: str) -> None:
    base, machines = Machine(), []
    varied = frozenset({"motion.print_acceleration_mm_s2", "motion.junction_deviation_mm"})
    for settings_of_one in changes:
        machine = base
        for change in settings_of_one:
            machine = machine.with_settings(change)
        machines.append(machine)
    values, ties = LimitTable(TABLE, mode).of_many(machines, varied)
    for machine, found, tied in zip(machines, values, ties, strict=True):
        expected = limits_of(machine, TABLE, mode, varied)
        np.testing.assert_array_equal(found, expected.values)
        assert (tied or expected.drives is not None) == expected.ties


def test_every_key_of_the_machine_is_tried() -> None:
    tried = {key for change in CHANGES for key in change}
    assert {key.name for key in all_keys()} - tried == {
        "machine.mechanism",
        "machine.delta.arm_mm",
        "machine.delta.tower_radius_mm",
        "machine.delta.tower_angles_deg",
    }
