"""Every cap together: what must hold whatever the job, and the motion itself sampled drive by drive."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.limits import columns as by
from kinematics.limits.combine import ADVANCE_KEY, FROM_THE_JOB
from kinematics.machine import Machine
from kinematics.planner.ceilings import is_unbounded
from kinematics.planner.plan import Plan
from tests.naive.planner_caps import drives_of_move, tie_of
from tests.naive.planner_ceilings import ceilings_of, length_of, rated_ceilings
from tests.naive.planner_motors import places_of
from tests.naive.planner_records import NaiveLimits, NaiveMove
from tests.naive.planner_twin import stretches
from tests.naive.random_caps import as_in_a_file, with_command_rate, with_constant_caps, with_ties
from tests.naive.random_motors import MECHANISMS, with_motors
from tests.naive.random_paths import jobs, limits
from tests.planner.from_naive import Prepared, expressible, machine_from, prepared_from_naive, prepared_under
from tests.properties.test_motors import Sampled

ROUNDING = 1e-9  # relative: what the model promises
SUMMING = 1e-12  # relative: what adding up some hundred times leaves
BETWEEN_INSTANTS = 1e-6  # relative: what differences of rounded places leave
ULPS = 1e-12  # relative
INSTANTS = 40

EXAMPLES = settings(max_examples=6 if numba.config.DISABLE_JIT else 60, deadline=None, derandomize=True, database=None)
SEEDS = st.integers(0, 10**6)
MECHANISM = st.sampled_from(MECHANISMS)


def seconds_of(ready: Prepared) -> float:
    """Total of a plan (s)."""
    return math.fsum(ready.plan().duration)


def constant(drawn: NaiveLimits, seed: int, mechanism: str) -> NaiveLimits:
    """Limits and caps of every kind that are constants of a move."""
    drawn = with_motors(expressible(drawn), seed, mechanism)
    return with_command_rate(with_constant_caps(drawn, seed), seed)


def tied(drawn: NaiveLimits, seed: int, mechanism: str) -> NaiveLimits:
    """The same with drives and pressure advance; not where a motor cannot overcome its friction."""
    drawn = with_ties(constant(drawn, seed, mechanism), seed)
    try:
        prepared_from_naive([NaiveMove(dx=1.0)], drawn)
    except InputError:
        assume(False)
    return drawn


# ---- constant caps ------------------------------------------------------------------------------------------------


@EXAMPLES
@given(jobs(3), limits(), SEEDS, MECHANISM)
def test_one_cap_more_never_saves_time(job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str) -> None:
    """None, one after the other, all of them."""
    job = as_in_a_file(job, seed)
    full = constant(drawn, seed, mechanism)
    caps = full.caps
    some = replace(full, caps=replace(caps, **NO_BUDGETS, moves_per_s=math.inf, bytes_per_s=math.inf, flow_table=()))
    before = seconds_of(prepared_from_naive(job, some))
    for name in (*NO_BUDGETS, "moves_per_s", "bytes_per_s"):
        some = replace(some, caps=replace(some.caps, **{name: getattr(caps, name)}))
        after = seconds_of(prepared_from_naive(job, some))
        assert after >= before * (1.0 - SUMMING), name
        before = after


NO_BUDGETS = {"rounding_budget": math.inf, "ringing_budget": math.inf}


@EXAMPLES
@given(jobs(3), limits(), SEEDS, MECHANISM)
def test_caps_without_end_change_nothing(job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str) -> None:
    """Numbers so large that nothing reaches them, and factors of infinity: to the last digit the plan without."""
    full = constant(drawn, seed, mechanism)
    none = replace(
        full, caps=replace(full.caps, **NO_BUDGETS, moves_per_s=math.inf, bytes_per_s=math.inf, flow_table=())
    )
    plain = prepared_from_naive(job, none).plan().duration.tolist()
    endless = replace(full.caps, rounding_budget=1e9, ringing_budget=1e9, moves_per_s=1e9, bytes_per_s=1e9)
    endless = replace(endless, flow_table=())
    assert prepared_from_naive(job, replace(full, caps=endless)).plan().duration.tolist() == plain
    keys = (
        "quality.rounding_budget_mm",
        "quality.ringing_budget_mm",
        "controller.moves_per_s",
        "controller.bytes_per_s",
    )
    lifted = prepared_from_naive(
        job, replace(full, caps=replace(full.caps, flow_table=())), dict.fromkeys(keys, math.inf)
    )
    assert lifted.plan().duration.tolist() == plain


@EXAMPLES
@given(jobs(), limits(), SEEDS, MECHANISM)
def test_causes_sum_to_the_total_with_every_cap(
    job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str
) -> None:
    """Each second under one cause and in its move's class; ramps of a move whose acceleration falls under several."""
    ready = prepared_from_naive(as_in_a_file(job, seed), tied(drawn, seed, mechanism))
    found = ready.plan()
    assert found.seconds.shape == (len(ready.classes.table), by.CAUSES)
    assert (found.seconds >= 0.0).all()
    assert found.seconds.sum() == pytest.approx(math.fsum(found.duration), rel=ROUNDING)
    expected = np.zeros_like(found.seconds)
    np.add.at(expected, (ready.classes.of_move, found.cruise_cause), found.cruising)
    np.add.at(expected, (ready.classes.of_move, found.ramp_cause), found.rising + found.falling)
    shared = [*range(by.DRIVE_1, by.ADVANCE + 1)]
    ramps = [*shared, *range(by.PATH_ACCELERATION, by.CAUSES)]
    others = [cause for cause in range(by.CAUSES) if cause not in ramps]
    assert found.seconds[:, others] == pytest.approx(expected[:, others], rel=SUMMING)
    assert found.seconds[:, ramps].sum(axis=1) == pytest.approx(expected[:, ramps].sum(axis=1), rel=ROUNDING)
    if not (ready.ties.curves.shape[0] or ready.limits.advance[:, 1].any()):
        assert found.seconds == pytest.approx(expected, rel=SUMMING)


# ---- factors ------------------------------------------------------------------------------------------------------


def scaled_setting(machine: Machine, key: str, factor: float) -> Any:
    """A key's value times a factor: of a table the last column, of pressure advance the inverse."""
    value = machine.value_of(key)
    if isinstance(value, (list, tuple)):
        return [[*row[:-1], row[-1] * factor] for row in value]
    return value / factor if key == ADVANCE_KEY else value * factor


@EXAMPLES
@given(jobs(2), limits(), SEEDS, MECHANISM, st.sampled_from([1.01, 0.9, 1.5]))
def test_a_factor_on_a_key_is_that_keys_value_changed(
    job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str, factor: float
) -> None:
    """Every key that has a say; and a factor of one changes nothing, to the last digit."""
    job = as_in_a_file(job, seed)
    drawn = tied(drawn, seed, mechanism)
    machine = machine_from(drawn)
    plain = prepared_from_naive(job, drawn)
    for key in sorted(plain.limits.keys - {FROM_THE_JOB}):
        assert seconds_of(prepared_from_naive(job, drawn, {key: 1.0})) == seconds_of(plain)
        changed = machine.with_settings({key: scaled_setting(machine, key, factor)}, "changed")
        try:
            expected = seconds_of(prepared_under(job, changed, drawn))
        except InputError:  # too little torque
            continue
        assert seconds_of(prepared_from_naive(job, drawn, {key: factor})) == pytest.approx(expected, rel=ROUNDING), key


@EXAMPLES
@given(jobs(3), limits(), SEEDS, MECHANISM)
def test_lifting_a_constant_limit_never_costs_time(
    job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str
) -> None:
    """Each key that has a say lifted, unless that leaves a move without a ceiling.

    Not an acceleration beside a ringing budget: what harder ramps take of that is not left to corners.
    """
    job = as_in_a_file(job, seed)
    drawn = constant(drawn, seed, mechanism)
    plain = prepared_from_naive(job, drawn)
    rings = drawn.caps.modes and drawn.caps.ringing_budget < math.inf
    for key in sorted(plain.limits.keys):
        if rings and ("acceleration" in key or key == "quality.rounding_budget_mm"):
            continue
        lifted = prepared_from_naive(job, drawn, {key: math.inf})
        if unbounded(lifted):
            continue
        assert seconds_of(lifted) <= seconds_of(plain) * (1.0 + SUMMING), key


def unbounded(ready: Prepared) -> bool:
    """Whether the package calls a job unbounded."""
    return is_unbounded(ready.features, ready.limits.values, ready.limits.advance, ready.ties)


def without(name: str) -> Callable[[NaiveLimits], NaiveLimits]:
    """The twin's limits with one of them lifted."""
    return lambda told: replace(told, **{name: math.inf})


def without_axis(name: str, axis: int) -> Callable[[NaiveLimits], NaiveLimits]:
    """The twin's limits with that of one axis lifted."""

    def lifted(told: NaiveLimits) -> NaiveLimits:
        values = list(getattr(told, name))
        values[axis] = math.inf
        return replace(told, **{name: tuple(values)})

    return lifted


def without_motor(name: str, motor: str) -> Callable[[NaiveLimits], NaiveLimits]:
    """The twin's limits with that of one motor lifted."""
    return lambda told: replace(told, **{name: {k: v for k, v in getattr(told, name).items() if k != motor}})


def without_cap(name: str, value: float = math.inf) -> Callable[[NaiveLimits], NaiveLimits]:
    """The twin's limits with one of its caps lifted."""
    return lambda told: replace(told, caps=replace(told.caps, **{name: value}))


LIFTED = {
    "motion.print_acceleration_mm_s2": without("print_acceleration"),
    "motion.travel_acceleration_mm_s2": without("travel_acceleration"),
    "retraction.acceleration_mm_s2": without("filament_acceleration"),
    "motion.speed_cap_mm_s": without("speed_cap"),
    "axes.e.max_speed_mm_s": without("extruder_speed"),
    "axes.e.max_acceleration_mm_s2": without("extruder_acceleration"),
    **{f"axes.{axis}.max_speed_mm_s": without_axis("axis_speed", i) for i, axis in enumerate("xyz")},
    **{f"axes.{axis}.max_acceleration_mm_s2": without_axis("axis_acceleration", i) for i, axis in enumerate("xyz")},
    **{f"motors.{motor}.max_speed_mm_s": without_motor("motor_speed", motor) for motor in ("a", "t1", "e")},
    **{f"motors.{motor}.max_acceleration_mm_s2": without_motor("motor_acceleration", motor) for motor in ("b", "t2")},
    "quality.rounding_budget_mm": without_cap("rounding_budget"),
    "quality.ringing_budget_mm": without_cap("ringing_budget"),
    "controller.moves_per_s": without_cap("moves_per_s"),
    "controller.bytes_per_s": without_cap("bytes_per_s"),
    ADVANCE_KEY: without_cap("pressure_advance", 0.0),
}


def lacks_a_ceiling(job: Sequence[NaiveMove], told: NaiveLimits) -> bool:
    """Whether the twin knows no ceiling of speed, or none of acceleration, of some move."""
    rated = min(told.caps.moves_per_s, told.caps.bytes_per_s) < math.inf
    places = places_of(job, told)
    ceilings = [ceilings_of(move, told, place) for move, place in zip(job, places, strict=True)]
    for stretch in stretches(job):
        ceilings[stretch.start : stretch.stop] = rated_ceilings(stretch, job, ceilings, told)
    for move, most, place in zip(job, ceilings, places, strict=True):
        tie = tie_of(move, most.length, math.inf, math.inf, told, place, {})
        speed = rated or most.v < math.inf or tie.delay > 0.0 or any(one.share > 0.0 for one in tie.drives)
        ramp = most.a < math.inf or tie.delay > 0.0 or any(one.mass > 0.0 for one in tie.drives)
        if not (speed and ramp):
            return True
    return False


@EXAMPLES
@given(jobs(2), limits(), SEEDS, MECHANISM, st.booleans())
def test_unbounded_is_a_move_without_a_ceiling(
    job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str, ties: bool
) -> None:
    """Exactly where the twin knows no ceiling of speed, or none of acceleration, of some move."""
    job = as_in_a_file(job, seed)
    drawn = replace(drawn, feed_override={}, replaced_speed=None)
    drawn = tied(drawn, seed, mechanism) if ties else constant(drawn, seed, mechanism)
    keys = prepared_from_naive(job, drawn).limits.keys
    for key in sorted(keys & LIFTED.keys()):
        found = unbounded(prepared_from_naive(job, drawn, {key: math.inf}))
        assert found == lacks_a_ceiling(job, LIFTED[key](drawn)), key
    free = [replace(move, speed=math.inf) for move in job]
    if FROM_THE_JOB in keys:
        assert unbounded(prepared_from_naive(job, drawn, {FROM_THE_JOB: math.inf})) == lacks_a_ceiling(free, drawn)


def test_of_unbounded_moves_there_are_both_kinds() -> None:
    """So that the property above is not kept by answering one thing always."""
    job = [NaiveMove(dx=10.0, speed=50.0, kind="travel")]
    for told, key, expected in (
        (NaiveLimits(), "motion.travel_acceleration_mm_s2", True),
        (NaiveLimits(), FROM_THE_JOB, True),
        (NaiveLimits(speed_cap=9.0), FROM_THE_JOB, False),
        (NaiveLimits(axis_acceleration=(9.0, 9.0, 9.0)), "motion.travel_acceleration_mm_s2", False),
    ):
        assert unbounded(prepared_from_naive(job, told, {key: math.inf})) == expected


# ---- the motion itself ----------------------------------------------------------------------------------------------


def speeds_of(found: Plan, i: int) -> tuple[np.ndarray[Any, np.dtype[np.float64]], float]:
    """The speed of a move at many instants, and its acceleration (0 where it neither rises nor falls)."""
    ramps = np.linspace(found.speed_in[i], found.speed_peak[i], INSTANTS)
    falls = np.linspace(found.speed_peak[i], found.speed_out[i], INSTANTS)
    moving = found.rising[i] + found.falling[i] > 0.0
    return np.concatenate([ramps, falls]), float(found.acceleration[i]) if moving else 0.0


@EXAMPLES
@given(jobs(3), limits(), SEEDS, MECHANISM)
def test_motion_stays_within_every_motor_and_every_curve(
    job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str
) -> None:
    """Motors' speeds and accelerations from sampled places; force and friction against the curve at every instant."""
    job = as_in_a_file(job, seed)
    drawn = tied(drawn, seed, mechanism)
    ready = prepared_from_naive(job, drawn)
    found = ready.plan()
    sampled = Sampled(job, drawn, found)
    assert sampled.speed <= 1.0 + BETWEEN_INSTANTS
    assert sampled.ramp <= 1.0 + BETWEEN_INSTANTS
    extruder = min(drawn.extruder_speed, drawn.motor_speed.get("e", math.inf))
    for i, (move, place) in enumerate(zip(job, places_of(job, drawn), strict=True)):
        speeds, a = speeds_of(found, i)
        length = length_of(move)
        for name, drive in drives_of_move(move, length, drawn, place).items():
            motor = drive.share * speeds * (1.0 - ULPS)
            force = np.interp(motor, drive.speeds, drive.forces, right=-math.inf)
            asked = drive.mass * a + drive.friction
            assert (asked <= force + ROUNDING * drive.forces[0]).all(), (i, name)
        if move.kind == "print":
            followed = abs(move.de) / length * (speeds + drawn.caps.pressure_advance * a)
            assert followed.max() <= extruder * (1.0 + ROUNDING), i
