"""Motors that move several axes: what must hold whatever the job, and the motion itself sampled motor by motor."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numba
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.gcode.cutting import cut_moves, pieces_of
from kinematics.gcode.moves import FILAMENT
from kinematics.machine.mechanisms import LinearDelta, mechanism_of
from kinematics.planner.plan import Plan
from tests.naive.planner_motors import places_of
from tests.naive.planner_records import UNLIMITED, NaiveLimits, NaiveMove
from tests.naive.random_motors import MECHANISMS, MOTORS_OF, with_motors
from tests.naive.random_paths import jobs, limits, random_job, random_limits, to_moves
from tests.naive.turns import sum_of
from tests.planner.from_naive import expressible, machine_from, planned, planned_from_naive
from tests.properties.test_planner_properties import assert_same, seconds_of

Reals = NDArray[np.float64]

ROUNDING = 1e-9  # relative
SUMMING = 1e-12  # relative: what adding up some hundred times leaves
INSTANTS = 60  # of each move
LAST_DIGITS = 1e-15  # relative, of a place
BETWEEN_INSTANTS = 1e-6  # relative: what differences of rounded places leave

EXAMPLES = settings(max_examples=8 if numba.config.DISABLE_JIT else 60, deadline=None, derandomize=True, database=None)
SEEDS = st.integers(0, 10**6)

FREE = NaiveLimits(print_acceleration=1e6, travel_acceleration=1e6)
BELTS = replace(
    FREE,
    mechanism="crossed-belt",
    motor_speed={"a": 100.0, "b": 100.0},
    motor_acceleration={"a": 3000.0, "b": 3000.0},
)
CARRIAGES = replace(
    FREE,
    mechanism="linear-delta",
    motor_speed=dict.fromkeys(("t1", "t2", "t3"), 100.0),
    motor_acceleration=dict.fromkeys(("t1", "t2", "t3"), 3000.0),
)


def travel(degrees: float, length: float = 60.0) -> NaiveMove:
    """A straight travel in the plane."""
    angle = math.radians(degrees)
    return NaiveMove(length * math.cos(angle), length * math.sin(angle), kind="travel")


# ---- by hand ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("degrees", "share"), [(0, 1.0), (45, math.sqrt(0.5)), (90, 1.0), (135, math.sqrt(0.5))])
def test_a_crossed_belt_is_slowest_on_the_diagonals(degrees: float, share: float) -> None:
    """1 : 0.7071 : 1 of the belts' own limits: on a diagonal one motor alone does all, √2 as far as the tool."""
    plan = planned_from_naive([travel(degrees)], BELTS)
    assert plan.speed_peak[0] == pytest.approx(100.0 * share, rel=ROUNDING)
    assert plan.acceleration[0] == pytest.approx(3000.0 * share, rel=ROUNDING)


def test_on_a_diagonal_each_axis_has_half_of_a_belts_limit() -> None:
    """Belts of 100 mm/s are axes of 50 mm/s at 45°, by hand; along an axis they are an axis of 100."""
    as_axes = replace(FREE, axis_speed=(50.0, 50.0, math.inf), axis_acceleration=(1500.0, 1500.0, math.inf))
    assert seconds_of([travel(45)], BELTS) == pytest.approx(seconds_of([travel(45)], as_axes), rel=ROUNDING)
    as_axes = replace(FREE, axis_speed=(100.0, 100.0, math.inf), axis_acceleration=(3000.0, 3000.0, math.inf))
    assert seconds_of([travel(0)], BELTS) == pytest.approx(seconds_of([travel(0)], as_axes), rel=ROUNDING)


@pytest.mark.parametrize(("into", "share"), [(90.0, math.sqrt(2.0)), (-90.0, math.sqrt(2.0)), (180.0, 1.0)])
def test_a_corner_of_a_crossed_belt_is_held_by_the_motor_that_turns(into: float, share: float) -> None:
    """From +x to ±y the tool accelerates along a diagonal, one motor √2 as much; belts of 100 mm/s² hold v² = a·δ·…

    Junction deviation by hand: s = cos 45°, v² = a·δ·s/(1 − s), a = 100/√2 (T. Kunz, M. Stilman, RSS VIII, 2012).
    """
    belts = replace(BELTS, motor_acceleration={"a": 100.0, "b": 100.0}, curve_rule=False, motor_speed={})
    plan = planned_from_naive([travel(0.0, 500.0), travel(into, 500.0)], belts)
    s = math.cos(math.radians(abs(into)) / 2.0)
    expected = math.sqrt(100.0 / share * 0.05 * s / (1.0 - s)) if into != 180.0 else 0.0
    assert plan.speed_out[0] == pytest.approx(expected, rel=ROUNDING, abs=1e-6)


def test_straight_up_a_delta_is_its_carriages() -> None:
    """u = (0, 0, 1): every j is 1 and nothing bends, but a fifth of the acceleration is still kept for bending."""
    plan = planned_from_naive([NaiveMove(dz=40.0, kind="travel")], CARRIAGES)
    assert plan.speed_peak[0] == pytest.approx(100.0, rel=ROUNDING)
    assert plan.acceleration[0] == pytest.approx(0.8 * 3000.0, rel=ROUNDING)


# ---- whatever the job -------------------------------------------------------------------------------------------


@EXAMPLES
@given(jobs(3), limits(), SEEDS, st.sampled_from(MECHANISMS))
def test_a_motors_limit_more_never_saves_time(
    job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str
) -> None:
    """None, one after the other, all of them."""
    drawn = with_motors(expressible(drawn), seed, mechanism)
    before = seconds_of(job, replace(drawn, motor_speed={}, motor_acceleration={}))
    some = replace(drawn, motor_speed={}, motor_acceleration={})
    for name in MOTORS_OF[mechanism].split():
        for told in ("motor_speed", "motor_acceleration"):
            some = replace(some, **{told: getattr(some, told) | {name: getattr(drawn, told).get(name, 30.0)}})
            after = seconds_of(job, some)
            assert after >= before * (1.0 - SUMMING), f"{told} of {name}"
            before = after


@EXAMPLES
@given(jobs(), limits(), SEEDS, st.sampled_from(MECHANISMS))
def test_motors_without_end_change_nothing(job: list[NaiveMove], drawn: NaiveLimits, seed: int, mechanism: str) -> None:
    """To the last digit: the same numbers with motors of a thousand kilometres a second as with none."""
    drawn = expressible(drawn)
    told = dict.fromkeys(MOTORS_OF[mechanism].split(), 1e9)
    endless = replace(with_motors(drawn, seed, mechanism), motor_speed=told, motor_acceleration=told)
    # Near the end of its reach an arm stands steeply and its carriage flies.
    endless = replace(endless, arm=1e6, tower_radius=5e5)
    assert planned_from_naive(job, endless).duration.tolist() == planned_from_naive(job, drawn).duration.tolist()


@EXAMPLES
@given(jobs(), limits(), SEEDS)
def test_a_third_of_a_turn_changes_nothing_on_a_delta(job: list[NaiveMove], drawn: NaiveLimits, seed: int) -> None:
    """About the middle, carriages alike and towers at thirds; nothing else is told of single axes."""
    drawn = replace(drawn, axis_speed=UNLIMITED, axis_acceleration=UNLIMITED, corner_rule="junction deviation")
    delta = with_motors(expressible(drawn), seed, "linear-delta")
    delta = replace(
        delta,
        tower_angles=(210.0, 330.0, 90.0),
        motor_speed=dict.fromkeys(("t1", "t2", "t3"), delta.motor_speed.get("t1", 70.0)),
        motor_acceleration=dict.fromkeys(("t1", "t2", "t3"), delta.motor_acceleration.get("t2", 900.0)),
    )
    c, s = math.cos(math.tau / 3.0), math.sin(math.tau / 3.0)

    def turned(x: float, y: float) -> tuple[float, float]:
        return x * c - y * s, x * s + y * c

    turned_job = [replace(move, dx=turned(move.dx, move.dy)[0], dy=turned(move.dx, move.dy)[1]) for move in job]
    there = replace(delta, start=(*turned(*delta.start[:2]), delta.start[2]))
    assert_same(seconds_of(job, delta), seconds_of(turned_job, there), job, delta)


def test_another_place_is_another_time_on_a_delta_alone() -> None:
    """The table of test_mechanisms.py: along x carriages allow 2.0 at the middle and 1.03 at (60, 0)."""
    for drawn, alike in ((BELTS, True), (CARRIAGES, False)):
        seconds = [seconds_of([travel(0.0, 2.0)], replace(drawn, start=(x, 0.0, 0.0))) for x in (0.0, 60.0)]
        assert math.isclose(*seconds, rel_tol=ROUNDING) == alike


@EXAMPLES
@given(jobs(3), SEEDS, st.sampled_from([1.0, 5.0, 20.0]))
def test_finer_pieces_never_cost_time_on_a_delta(job: list[NaiveMove], seed: int, longest: float) -> None:
    """Each piece in two: every place of the path may be passed at least as fast. Every later move is in sight."""
    drawn = replace(with_motors(expressible(random_limits(seed)), seed, "linear-delta"), lookahead=None)
    moves, machine = to_moves(job), machine_from(drawn)
    delta = mechanism_of(machine)
    assert isinstance(delta, LinearDelta)
    places = np.array([*places_of(job, drawn), sum_of([drawn.start, *(move.displacement for move in job)])])
    assume(delta.reaches(places.T).all())  # out of reach nothing is limited, and more is known of finer pieces
    counts = pieces_of(moves, longest)
    coarse, fine = (cut_moves(moves, np.where(moves.kind == FILAMENT, 1, n * counts)).moves for n in (1, 2))
    before, after = (math.fsum(planned(cut, machine, drawn.start)[1].duration) for cut in (coarse, fine))
    assert after <= before * (1.0 + ROUNDING)


# ---- the motion itself ------------------------------------------------------------------------------------------


def travelled(plan: Plan, i: int, instants: Reals) -> Reals:
    """How far a move has come (mm) at instants since its start (s): rising, cruising, falling."""
    rise, cruise, fall = plan.rising[i], plan.cruising[i], plan.falling[i]
    a, first, peak = plan.acceleration[i], plan.speed_in[i], plan.speed_peak[i]
    up = np.clip(instants, 0.0, rise)
    level = np.clip(instants - rise, 0.0, cruise)
    down = np.clip(instants - rise - cruise, 0.0, fall)
    return first * up + a * up**2 / 2.0 + peak * (level + down) - a * down**2 / 2.0


class Sampled:
    """Greatest speeds and accelerations of every motor within moves, as shares of their limits, from places alone."""

    def __init__(self, job: Sequence[NaiveMove], drawn: NaiveLimits, plan: Plan) -> None:
        mechanism = mechanism_of(machine_from(drawn))
        names = mechanism.motors
        speeds = np.array([drawn.motor_speed.get(name, math.inf) for name in names])
        ramps = np.array([drawn.motor_acceleration.get(name, math.inf) for name in names])
        self.speed, self.ramp = 0.0, 0.0
        for i, places, step in instants_of(job, drawn, plan):
            with np.errstate(invalid="ignore"):
                motors = np.stack([mechanism.positions(place) for place in places], axis=1)
            known = np.isfinite(motors).all(axis=1)
            rounding = LAST_DIGITS * np.abs(motors[known]).max(initial=0.0)
            speed = np.abs(np.diff(motors[known], axis=1)).max(axis=1, initial=0.0) - rounding
            ramp = np.abs(np.diff(motors[known], 2, axis=1)).max(axis=1, initial=0.0) - 4.0 * rounding
            self.speed = max(self.speed, float((speed / step / speeds[known]).max(initial=0.0)))
            self.ramp = max(self.ramp, float((ramp / step**2 / ramps[known]).max(initial=0.0)))
            assert plan.duration[i] > 0.0


def instants_of(job: Sequence[NaiveMove], drawn: NaiveLimits, plan: Plan) -> Iterator[tuple[int, list[Reals], float]]:
    """Every move of a path with places at even instants, and the time between them (s)."""
    start = np.array(drawn.start)
    for i, move in enumerate(job):
        if move.kind == "filament":
            continue
        steps = np.array(move.displacement)
        instants, step = np.linspace(0.0, plan.duration[i], INSTANTS, retstep=True)
        shares = travelled(plan, i, instants) / math.hypot(*move.displacement)
        yield i, [start + share * steps for share in shares], float(step)
        start = start + steps


@EXAMPLES
@given(SEEDS, st.sampled_from(MECHANISMS))
def test_no_motor_exceeds_its_limits_within_a_move(seed: int, mechanism: str) -> None:
    """Places along the profile to motors by inverse kinematics, then finite differences: speed and acceleration."""
    job = random_job(seed, pieces=3)
    drawn = with_motors(expressible(random_limits(seed)), seed, mechanism)
    found = Sampled(job, drawn, planned_from_naive(job, drawn))
    assert found.speed <= 1.0 + BETWEEN_INSTANTS
    assert found.ramp <= 1.0 + BETWEEN_INSTANTS


def test_sampling_finds_a_motor_that_is_too_fast() -> None:
    """The same profile under limits that are a tenth lower."""
    for drawn, job in ((BELTS, [travel(30.0)]), (CARRIAGES, [travel(30.0, 10.0)])):
        found = Sampled(job, drawn, planned_from_naive(job, drawn))
        assert 0.9 < found.speed <= 1.0 + BETWEEN_INSTANTS
        assert 0.7 < found.ramp <= 1.0 + BETWEEN_INSTANTS
        lower = replace(drawn, motor_speed={name: 0.5 * most for name, most in drawn.motor_speed.items()})
        assert Sampled(job, lower, planned_from_naive(job, drawn)).speed > 1.0 + BETWEEN_INSTANTS


@pytest.mark.parametrize("degrees", [0.0, 37.0, 90.0, 200.0])
def test_a_whole_straight_in_pieces_stays_within_the_carriages_limits(degrees: float) -> None:
    """120 mm across the bed in pieces of 5 mm, sampled across their ends; and the limits are put to use."""
    angle = math.radians(degrees)
    long = [NaiveMove(5.0 * math.cos(angle), 5.0 * math.sin(angle), kind="travel")] * 24
    drawn = replace(CARRIAGES, start=(-60.0 * math.cos(angle), -60.0 * math.sin(angle), 0.0))
    plan = planned_from_naive(long, drawn)
    ends = np.cumsum(plan.duration)
    instants, step = np.linspace(0.0, ends[-1], 4000, retstep=True)
    number = np.minimum(np.searchsorted(ends, instants), len(long) - 1)
    since = instants - (ends - plan.duration)[number]
    far = np.array([5.0 * i + travelled(plan, int(i), np.array([t]))[0] for i, t in zip(number, since, strict=True)])
    delta = mechanism_of(machine_from(drawn))
    assert isinstance(delta, LinearDelta)
    start = np.array(drawn.start)[:, None]
    carriages = delta.positions(start + far * np.array([[math.cos(angle)], [math.sin(angle)], [0.0]]))
    speed = np.abs(np.diff(carriages, axis=1)).max() / step
    ramp = np.abs(np.diff(carriages, 2, axis=1)).max() / step**2
    assert 99.0 < speed <= 100.0 * (1.0 + BETWEEN_INSTANTS)
    assert 2000.0 < ramp <= 3000.0 * (1.0 + 1e-4)  # second differences of 4,000 instants


def test_the_bend_is_what_a_carriage_accelerates_by_at_steady_speed() -> None:
    """Second differences of a carriage at unit tool speed, at the ends of a short move."""
    rng = np.random.default_rng(7)
    delta = LinearDelta(260.0, 130.0, (math.radians(200.0), math.radians(330.0), math.radians(95.0)))
    for _ in range(20):
        place, u = rng.uniform(-60.0, 60.0, 3), rng.normal(size=3)
        u /= np.linalg.norm(u)
        step = 1e-2
        before, here, after = (delta.positions(place + far * u) for far in (-step, 0.0, step))
        moves = to_moves([NaiveMove(*(1e-9 * u * 10.0), kind="travel")])
        drawn = replace(
            CARRIAGES, arm=260.0, tower_radius=130.0, tower_angles=(200.0, 330.0, 95.0), start=tuple(place.tolist())
        )
        features, _ = planned(moves, machine_from(drawn), drawn.start)
        assert -(after - 2.0 * here + before) / step**2 == pytest.approx(features.bend[:, 0], rel=1e-5)
