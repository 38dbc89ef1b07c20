"""Machine to limits: every key in the right class and the right column, with the key that it came from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.limits import columns as by
from kinematics.limits.classes import KIND_COUNT, MoveClass, classify, is_path
from kinematics.limits.combine import FROM_THE_JOB, Limits, limits_of
from kinematics.limits.flow import filament_area, filament_speed_by_flow
from kinematics.machine import Machine
from tests.naive.planner_twin import NaiveMove
from tests.naive.random_paths import to_moves

ROUNDING = 1e-12  # relative
FIRST = KIND_COUNT  # classes of the first layers follow those of the others
EVERY = (PRINT, TRAVEL, FILAMENT, FIRST + PRINT, FIRST + TRAVEL, FIRST + FILAMENT)
PRINTING = (PRINT, FIRST + PRINT)
TRAVELLING = (TRAVEL, FIRST + TRAVEL)
ALONE = (FILAMENT, FIRST + FILAMENT)
ON_A_PATH = (*PRINTING, *TRAVELLING)

TABLE = tuple(MoveClass(kind, first) for first in (False, True) for kind in (PRINT, TRAVEL, FILAMENT))


def limits_under(**keys: Any) -> Limits:
    """The limits of a machine with nothing given but these keys, `__` for a dot."""
    settings = {key.replace("__", "."): value for key, value in keys.items()}
    return limits_of(Machine().with_settings(settings, "test"), TABLE)


# ---- classes ----------------------------------------------------------------------------------------------------


def test_classes_are_kinds_and_first_layers() -> None:
    """What is travelled before the first layer (layer 0) belongs to the first layers."""
    job = [
        NaiveMove(dx=1.0, kind="travel", layer=0),
        NaiveMove(dx=1.0, de=0.1, layer=1),
        NaiveMove(de=-1.0, kind="filament", layer=2),
        NaiveMove(dx=1.0, kind="travel", layer=2),
        NaiveMove(dx=1.0, de=0.1, layer=3),
    ]
    classes = classify(to_moves(job), 2)
    assert all(member in TABLE for member in classes.table)
    assert classes.of_move.dtype == np.uint16
    shared = [(member.kind, member.first_layers) for member in (classes.table[row] for row in classes.of_move)]
    assert shared == [(TRAVEL, True), (PRINT, True), (FILAMENT, True), (TRAVEL, True), (PRINT, False)]
    assert [classes.table[row].kind for row in classes.of_move] == [TRAVEL, PRINT, FILAMENT, TRAVEL, PRINT]


def test_without_first_layers_classes_are_the_kinds_that_occur() -> None:
    """Layer 0 is then like any other; the moves themselves stay as they are."""
    moves = to_moves([NaiveMove(dx=1.0, kind="travel", layer=0), NaiveMove(dx=1.0, de=0.1, layer=1)])
    classes = classify(moves, 0)
    assert classes.table == (TABLE[PRINT], TABLE[TRAVEL])
    assert classes.of_move.tolist() == [TRAVEL, PRINT]
    classify(moves, 5)
    assert moves.kind.tolist() == [TRAVEL, PRINT]


def test_only_filament_moves_have_no_path() -> None:
    """First layers or not."""
    assert [is_path(member) for member in TABLE] == [True, True, False] * 2


# ---- every key by itself ----------------------------------------------------------------------------------------

PLAIN = [
    ("axes.x.max_speed_mm_s", 11.0, by.X_MOST, EVERY),
    ("axes.y.max_speed_mm_s", 12.0, by.Y_MOST, EVERY),
    ("axes.z.max_speed_mm_s", 13.0, by.Z_MOST, EVERY),
    ("axes.e.max_speed_mm_s", 14.0, by.FILAMENT_MOST, EVERY),
    ("axes.x.max_acceleration_mm_s2", 101.0, by.X_RAMP, EVERY),
    ("axes.y.max_acceleration_mm_s2", 102.0, by.Y_RAMP, EVERY),
    ("axes.z.max_acceleration_mm_s2", 103.0, by.Z_RAMP, EVERY),
    ("axes.e.max_acceleration_mm_s2", 104.0, by.FILAMENT_RAMP, EVERY),
    ("motion.print_acceleration_mm_s2", 201.0, by.PATH_RAMP, PRINTING),
    ("motion.travel_acceleration_mm_s2", 202.0, by.PATH_RAMP, TRAVELLING),
    ("retraction.acceleration_mm_s2", 203.0, by.PATH_RAMP, ALONE),
    ("motion.by_kind.print.print_acceleration_mm_s2", 204.0, by.PATH_RAMP, PRINTING),
    ("motion.by_kind.travel.travel_acceleration_mm_s2", 205.0, by.PATH_RAMP, TRAVELLING),
    ("motion.speed_cap_mm_s", 55.0, by.CAP, ON_A_PATH),
    ("motion.by_kind.print.speed_cap_mm_s", 56.0, by.CAP, PRINTING),
    ("motion.by_kind.travel.speed_cap_mm_s", 57.0, by.CAP, TRAVELLING),
    ("motion.junction_deviation_mm", 0.07, by.DEVIATION, ON_A_PATH),
    ("motion.extruder_step_mm_s", 3.0, by.FILAMENT_STEP, ON_A_PATH),
    ("motion.feed_override", 1.25, by.SPEED_SHARE, EVERY),
    ("motion.by_kind.print.feed_override", 1.5, by.SPEED_SHARE, PRINTING),
    ("motion.by_kind.travel.feed_override", 0.5, by.SPEED_SHARE, TRAVELLING),
    ("motion.by_kind.print.commanded_speed_mm_s", 61.0, by.SPEED_REPLACED, PRINTING),
    ("motion.by_kind.travel.commanded_speed_mm_s", 62.0, by.SPEED_REPLACED, TRAVELLING),
]


@pytest.mark.parametrize(("key", "value", "column", "rows"), PLAIN, ids=[key for key, *_ in PLAIN])
def test_a_key_lands_in_its_column_and_its_classes_only(
    key: str, value: float, column: int, rows: tuple[int, ...]
) -> None:
    """Its number and its name there; every other number is that of a machine with nothing given."""
    plain = limits_of(Machine(), TABLE)
    given = limits_of(Machine().with_settings({key: value}, "test"), TABLE)
    expected = plain.values.copy()
    expected[list(rows), column] = value
    if column == by.SPEED_REPLACED:
        expected[list(rows), by.SPEED_SHARE] = 0.0  # the file's own no longer counts
    moved = expected != given.values
    if column in (by.DEVIATION, by.FILAMENT_STEP):
        moved[list(ALONE)] = False  # they have no corners, whatever stands there
    assert not moved.any()
    for row in rows:
        assert given.origins[row, column] == key


@pytest.mark.parametrize(("axis", "column"), [("x", by.X_STEP), ("y", by.Y_STEP), ("z", by.Z_STEP)])
def test_steps_of_axes_put_junction_deviation_out_of_force(axis: str, column: int) -> None:
    """The steps that are given stand, the others do not bind, and no deviation does."""
    given = limits_of(Machine().with_settings({"motion.speed_step_mm_s": {axis: 8.0}}, "test"), TABLE)
    columns = [by.DEVIATION, by.X_STEP, by.Y_STEP, by.Z_STEP]
    for row in ON_A_PATH:
        expected = [8.0 if each == column else math.inf for each in columns]
        assert given.values[row, columns].tolist() == expected
        assert given.origins[row, column] == f"motion.speed_step_mm_s.{axis}"


def test_a_machine_with_nothing_given_has_defaults_and_no_other_limit() -> None:
    """600 to print, 800 to travel and to retract, 0.05 at corners; everything else is infinite."""
    limits = limits_of(Machine(), TABLE)
    expected = np.full((len(TABLE), by.LIMITS), math.inf)
    expected[:, by.SPEED_SHARE] = 1.0
    expected[list(PRINTING), by.PATH_RAMP] = 600.0
    expected[list(TRAVELLING), by.PATH_RAMP] = 800.0
    expected[list(ALONE), by.PATH_RAMP] = 800.0
    expected[:, by.DEVIATION] = 0.05
    paths = list(ON_A_PATH)
    assert limits.values[paths].tolist() == expected[paths].tolist()
    assert limits.values[list(ALONE), : by.DEVIATION].tolist() == expected[list(ALONE), : by.DEVIATION].tolist()
    assert limits.lookahead is None
    assert all(limits.origins[row, by.SPEED_SHARE] == FROM_THE_JOB for row in EVERY)


def test_lookahead_goes_along() -> None:
    """It belongs to no class."""
    assert limits_under(motion__lookahead_moves=32).lookahead == 32


# ---- which of several counts ------------------------------------------------------------------------------------

GENERAL_AND_OWN = [
    ("motion.print_acceleration_mm_s2", "motion.by_kind.print.print_acceleration_mm_s2", by.PATH_RAMP, PRINT),
    ("motion.travel_acceleration_mm_s2", "motion.by_kind.travel.travel_acceleration_mm_s2", by.PATH_RAMP, TRAVEL),
    ("motion.speed_cap_mm_s", "motion.by_kind.print.speed_cap_mm_s", by.CAP, PRINT),
    ("motion.speed_cap_mm_s", "motion.by_kind.travel.speed_cap_mm_s", by.CAP, TRAVEL),
    ("motion.feed_override", "motion.by_kind.print.feed_override", by.SPEED_SHARE, PRINT),
    ("motion.feed_override", "motion.by_kind.travel.feed_override", by.SPEED_SHARE, TRAVEL),
]


@pytest.mark.parametrize(("general", "own", "column", "kind"), GENERAL_AND_OWN)
@pytest.mark.parametrize(("most", "its_own"), [(2.0, 3.0), (3.0, 2.0)])
def test_what_is_told_of_a_kind_wins_over_what_is_told_of_all(
    general: str, own: str, column: int, kind: int, most: float, its_own: float
) -> None:
    """Larger or smaller; kinds that are not told of keep the general."""
    limits = limits_of(Machine().with_settings({general: most, own: its_own}, "test"), TABLE)
    assert limits.values[[kind, FIRST + kind], column].tolist() == [its_own, its_own]
    assert limits.origins[kind, column] == own
    other = TRAVEL if kind == PRINT else PRINT
    if "acceleration" not in general:
        assert limits.values[other, column] == most
        assert limits.origins[other, column] == general


def test_a_replaced_speed_is_overridden_too() -> None:
    """Commanded speed 60 at an override of 1.5 is 90, whichever override it is; filament moves are not replaced."""
    for override in ("motion.feed_override", "motion.by_kind.print.feed_override"):
        settings = {"motion.by_kind.print.commanded_speed_mm_s": 60.0, override: 1.5}
        limits = limits_of(Machine().with_settings(settings, "test"), TABLE)
        assert limits.values[PRINT, [by.SPEED_SHARE, by.SPEED_REPLACED]].tolist() == [0.0, 90.0]
        assert math.isinf(limits.values[FILAMENT, by.SPEED_REPLACED])
        assert math.isinf(limits.values[TRAVEL, by.SPEED_REPLACED])


def test_first_layers_keep_the_commanded_speed_where_told() -> None:
    """Neither override nor replaced speed reaches them; their other limits are those of the other layers."""
    settings = {
        "motion.feed_override": 2.0,
        "motion.by_kind.print.commanded_speed_mm_s": 60.0,
        "motion.by_kind.travel.feed_override": 3.0,
        "motion.speed_cap_mm_s": 100.0,
        "motion.first_layers.count": 1,
    }
    machine = Machine().with_settings(settings, "test")
    keeping = limits_of(machine.with_settings({"motion.first_layers.keep_commanded_speed": True}, "test"), TABLE)
    losing = limits_of(machine, TABLE)
    columns = [by.SPEED_SHARE, by.SPEED_REPLACED]
    assert losing.values[FIRST:].tolist() == losing.values[:FIRST].tolist()
    assert keeping.values[:FIRST].tolist() == losing.values[:FIRST].tolist()
    assert keeping.values[FIRST:, columns].tolist() == [[1.0, math.inf]] * KIND_COUNT
    assert keeping.values[FIRST:, by.CAP :].tolist() == losing.values[:FIRST, by.CAP :].tolist()
    assert [keeping.origins[row, by.SPEED_SHARE] for row in (FIRST + PRINT, FIRST + FILAMENT)] == [FROM_THE_JOB] * 2


# ---- the hotend's flow ------------------------------------------------------------------------------------------


def test_flow_is_a_speed_of_the_filament() -> None:
    """12 mm³/s of 1.75 mm filament: 12/2.4053 = 4.989 mm/s (area of a circle)."""
    machine = Machine().with_settings({"hotend.max_flow_mm3_s": 12.0}, "test")
    assert filament_area(machine) == pytest.approx(2.405281875, rel=1e-9)
    assert filament_speed_by_flow(machine) == pytest.approx(12.0 / 2.405281875, rel=1e-9)
    assert filament_speed_by_flow(Machine()) == math.inf


def test_flow_holds_while_printing_only() -> None:
    """Travel moves that draw filament back, and priming, know no flow."""
    limits = limits_under(hotend__max_flow_mm3_s=12.0, filament__diameter_mm=2.0)
    by_flow = pytest.approx(12.0 / math.pi, rel=ROUNDING)
    assert [limits.values[row, by.FILAMENT_MOST] for row in EVERY] == [by_flow, math.inf, math.inf] * 2
    assert [limits.origins[row, by.FILAMENT_MOST] for row in PRINTING] == ["hotend.max_flow_mm3_s"] * 2


@pytest.mark.parametrize("extruder", [1.0, 3.9, 4.1, 100.0])
def test_the_smaller_of_flow_and_extruder_counts_and_is_named(extruder: float) -> None:
    """4 mm/s by flow against the extruder's own; without printing the extruder's alone."""
    limits = limits_under(
        hotend__max_flow_mm3_s=4.0 * math.pi, filament__diameter_mm=2.0, axes__e__max_speed_mm_s=extruder
    )
    for row in PRINTING:
        assert limits.values[row, by.FILAMENT_MOST] == pytest.approx(min(4.0, extruder), rel=ROUNDING)
        held_by = "hotend.max_flow_mm3_s" if extruder > 4.0 else "axes.e.max_speed_mm_s"
        assert limits.origins[row, by.FILAMENT_MOST] == held_by
    for row in (*TRAVELLING, *ALONE):
        assert limits.values[row, by.FILAMENT_MOST] == extruder
        assert limits.origins[row, by.FILAMENT_MOST] == "axes.e.max_speed_mm_s"


# ---- the whole table --------------------------------------------------------------------------------------------


def test_the_table_follows_the_classes_that_are_asked_for() -> None:
    """One row a class, in their order; every finite number has an origin."""
    machine = Machine().with_settings({key: value for key, value, *_ in PLAIN}, "test")
    whole = limits_of(machine, TABLE)
    some = limits_of(machine, (TABLE[4], TABLE[2]))
    assert some.values.tolist() == whole.values[[4, 2]].tolist()
    assert whole.values.shape == (len(TABLE), by.LIMITS)
    assert whole.values.dtype == np.float64
    for row, column in np.argwhere(np.isfinite(whole.values)).tolist():
        origin = whole.origins[row, column]
        assert origin == FROM_THE_JOB or machine.value_of(origin) is not None
