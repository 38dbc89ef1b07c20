"""The exposure of a job: against a slow twin, scipy's simulation, and sums by hand."""

from __future__ import annotations

import math

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.vibration.exposure import (
    SEGMENTS_A_MOVE,
    AxisMotion,
    Exposure,
    LargestKicks,
    axis_motion,
    exposure,
    kicks_of,
)
from kinematics.vibration.filters import FILTER_NAMES, Filter, filter_named
from kinematics.vibration.residual import residual
from kinematics.vibration.ringing import swing_after_acceleration, swing_after_speed_change
from tests.naive.vibration_twin import naive_kicks, naive_swings, position_of, simulated_swings
from tests.published.drawn_paths import along, plan_of

Reals = NDArray[np.float64]

EXAMPLES = settings(
    max_examples=10 if numba.config.DISABLE_JIT else 100, deadline=None, derandomize=True, database=None
)
SIMULATED = 0.01  # relative
TWIN = 1e-7  # relative: a matrix exponential's digits
DIGITS = 1e-9
TEN_MICROSECONDS = 1e-5


def motion_of(durations: list[float], accelerations: list[float], jumps: list[float]) -> AxisMotion:
    """A motion from plain lists."""
    return AxisMotion(np.array(durations), np.array(accelerations), np.array(jumps))


def irregular(seed: int, segments: int = 40, jumps: float = 6.0) -> AxisMotion:
    """An invented motion whose segments last from 1 ms to 40 ms, some of them at constant speed."""
    random = np.random.default_rng(seed)
    accelerations = random.normal(0.0, 2000.0, segments) * (random.random(segments) < 0.7)
    speed_changes = random.normal(0.0, jumps, segments) * (random.random(segments) < 0.5)
    return AxisMotion(10.0 ** random.uniform(-3.0, -1.4, segments), accelerations, speed_changes)


def left_by_hand(motion: AxisMotion, name: str, design: float, frequency: float, damping: float) -> float:
    """The worst ringing: all pairs of kicks, each kick's own remnant a phasor summed impulse by impulse."""
    found = filter_named(name, design, damping)
    omega, root = 2.0 * math.pi * frequency, math.sqrt(1.0 - damping**2)
    pole = omega * complex(-damping, root)
    begins = np.append(0.0, np.cumsum(motion.duration))
    steps = np.diff(np.concatenate([[0.0], motion.acceleration, [0.0]]))
    jumps = np.append(motion.jump, 0.0)
    # A change of speed leaves Im(e^(λt))/ω_d; a step of acceleration the integral of that.
    kicks = jumps / (omega * root) + steps / (omega * root) / pole
    remnant = sum(a * np.exp(pole * (found.times[-1] - t)) for a, t in zip(found.amplitudes, found.times, strict=True))
    worst = 0.0
    for n, now in enumerate(begins):
        total = np.sum(kicks[: n + 1] * remnant * np.exp(pole * (now - begins[: n + 1])))
        worst = max(worst, root * abs(total))
    return worst


@pytest.mark.parametrize("damping", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("name", FILTER_NAMES)
def test_irregular_motion_against_simulation(name: str, damping: float) -> None:
    """Forty segments through each filter, the mode 8 % below what it is designed for."""
    motion = irregular(seed=7)
    found = filter_named(name, 50.0, damping)
    end = float(motion.duration.sum()) + found.times[-1] + 0.01
    times = np.arange(-10, round(end / TEN_MICROSECONDS)) * TEN_MICROSECONDS
    simulated = simulated_swings(motion, found, 46.0, damping, times)
    result = exposure(motion, found, 46.0, damping)
    assert result.swing == pytest.approx(float(simulated.max()), rel=SIMULATED)
    if damping == 0.0:  # the swing stays, so that rounding chooses the instant
        return
    # The worst instant is just after an impulse of the segment told.
    begins = np.append(0.0, np.cumsum(motion.duration))
    assert times[int(simulated.argmax())] == pytest.approx(result.swing_time, abs=3 * TEN_MICROSECONDS)
    since = result.swing_time - begins[result.swing_segment]
    assert min(abs(since - t) for t in found.times) < DIGITS


@pytest.mark.parametrize("name", FILTER_NAMES)
def test_ringing_of_irregular_motion(name: str) -> None:
    """What each kick leaves, summed kick by kick in all pairs."""
    motion = irregular(seed=11)
    result = exposure(motion, filter_named(name, 50.0, 0.08), 44.0, 0.08)
    assert result.ringing == pytest.approx(left_by_hand(motion, name, 50.0, 44.0, 0.08), rel=DIGITS)
    assert result.ringing <= result.swing * (1.0 + DIGITS)
    if name == "none":
        assert result[:3] == result[3:]


@pytest.mark.parametrize("design_damping", [0.0, 0.1])
@pytest.mark.parametrize("name", FILTER_NAMES)
def test_single_kicks_swing_as_told(name: str, design_damping: float) -> None:
    """One step of acceleration, one change of speed: V·a/ω² and V·Δv/ω, to the digits, on and off the design.

    The step at the end of the ramp comes nine seconds later, when nothing is left of the first (e^(−ζωt) = 1e-104).
    """
    found = filter_named(name, 50.0, design_damping)
    for f in (42.5, 50.0, 60.0):
        ramp = exposure(motion_of([9.0], [2500.0], [0.0]), found, f, 0.1)
        step = swing_after_acceleration(found, f, 0.1, 2500.0)
        assert ramp.ringing == pytest.approx(step, rel=DIGITS, abs=1e-15)
        corner = exposure(motion_of([9.0], [0.0], [-30.0]), found, f, 0.1)
        assert corner.ringing == pytest.approx(swing_after_speed_change(found, f, 0.1, 30.0), rel=DIGITS, abs=1e-15)


def test_undamped_trapezoid_from_rest_to_rest() -> None:
    """4a/ω²·|sin(ωt_a/2)·sin(ω(T − t_a)/2)|: four steps of an undamped mode (superposition, by hand)."""
    none, f, a = filter_named("none", 50.0, 0.0), 50.0, 3000.0
    omega = 2.0 * math.pi * f
    # Steps so close that the swing grows from one to the next: the worst is the last.
    for ramp, cruise in ((0.009, 0.001), (0.0095, 0.0005), (0.01, 0.0)):
        motion = motion_of([ramp, cruise, ramp], [a, 0.0, -a], [0.0] * 3)
        by_hand = 4.0 * a / omega**2 * abs(math.sin(0.5 * omega * ramp) * math.sin(0.5 * omega * (ramp + cruise)))
        result = exposure(motion, none, f, 0.0)
        assert result.swing == pytest.approx(by_hand, rel=DIGITS)
        assert result.swing_segment == 2
    whole = exposure(motion_of([0.02, 0.02, 0.02, 1.0], [a, 0.0, -a, 0.0], [0.0] * 4), none, f, 0.0)
    assert whole.swing == pytest.approx(a / omega**2, rel=DIGITS)  # ramps of whole periods leave nothing


def test_kicks_at_resonance_add_up_and_others_cancel() -> None:
    """Equal kicks a period apart of a mode at ζ = 0.05: a geometric sum; half a period apart they nearly cancel."""
    f, damping, jump, count = 40.0, 0.05, 2.0, 30
    omega = 2.0 * math.pi * f
    period = 1.0 / (f * math.sqrt(1.0 - damping**2))
    kept = math.exp(-damping * omega * period)
    none = filter_named("none", f, damping)
    adding = exposure(motion_of([period] * count, [0.0] * count, [jump] * count), none, f, damping)
    assert adding.swing == pytest.approx(jump / omega * (1.0 - kept**count) / (1.0 - kept), rel=DIGITS)
    assert adding.swing_segment == count - 1
    cancelling = exposure(motion_of([0.5 * period] * count, [0.0] * count, [jump] * count), none, f, damping)
    assert cancelling.swing == pytest.approx(jump / omega, rel=DIGITS)
    assert cancelling.swing_segment == 0


def test_what_happens_at_one_instant_is_one_kick() -> None:
    """Segments of no duration, or hardly any, are not looked at in between: the top of a triangle is one step of 2a."""
    none, f = filter_named("none", 50.0, 0.1), 50.0
    top = 2.0 * 1000.0 / (2.0 * math.pi * f) ** 2
    for sliver in (0.0, 1e-13):
        motion = motion_of([2.0, sliver, 2.0, sliver], [1000.0, 0.0, -1000.0, 1e6], [0.0, 70.0, -70.0, 0.0])
        result = exposure(motion, none, f, 0.1)
        assert result.swing == pytest.approx(top, rel=1e-6)
        assert result.swing_segment == 2


def test_largest_kicks_and_their_places() -> None:
    """Segments of no duration belong to the kick under way; its place is the last of them that adds to it."""
    durations = [1.0, 0.0, 1e-13, 1.0, 0.0, 1.0, 2.0]
    motion = motion_of(durations, [500.0, 1e9, 0.0, -600.0, 0.0, 0.0, 300.0], [0.0, 4.0, 3.0, 0.0, -5.0, 0.0, 0.0])
    assert kicks_of(motion) == LargestKicks(1100.0, 3, 7.0, 3)
    ending = kicks_of(motion_of(durations, [0.0] * 5 + [300.0, 800.0], [0.0] * 7))
    assert ending == LargestKicks(800.0, 6, 0.0, 0)
    braked = kicks_of(motion_of([1.0, 0.0, 1.0], [400.0, -500.0, -500.0], [0.0, -7.0, 0.0]))
    assert braked == LargestKicks(900.0, 1, 7.0, 1)


def test_a_filter_may_begin_at_any_time() -> None:
    motion = irregular(seed=5)
    found = filter_named("EI", 50.0, 0.1)
    for shift in (-0.5, 0.3):
        moved = Filter("moved", tuple(t + shift for t in found.times), found.amplitudes)
        one, other = exposure(motion, found, 45.0, 0.1), exposure(motion, moved, 45.0, 0.1)
        assert other.swing == pytest.approx(one.swing, rel=DIGITS)
        assert other.ringing == pytest.approx(one.ringing, rel=DIGITS)
        assert (other.ringing_segment, other.swing_segment) == (one.ringing_segment, one.swing_segment)
        assert other.ringing_time == pytest.approx(one.ringing_time + shift, abs=DIGITS)
        assert other.swing_time == pytest.approx(one.swing_time + shift, abs=DIGITS)


def test_nothing_moves_nothing_swings() -> None:
    empty = motion_of([], [], [])
    still = motion_of([1.0, 2.0], [0.0, 0.0], [0.0, 0.0])
    for motion in (empty, still):
        assert exposure(motion, filter_named("EI", 50.0, 0.1), 50.0, 0.1) == Exposure(0.0, 0, 0.0, 0.0, 0, 0.0)
        assert kicks_of(motion) == LargestKicks(0.0, 0, 0.0, 0)


def test_motions_that_are_none() -> None:
    found = filter_named("ZV", 50.0, 0.1)
    with pytest.raises(InputError, match="2 duration, 1 acceleration, 2 jump"):
        exposure(motion_of([1.0, 1.0], [0.0], [0.0, 0.0]), found, 50.0, 0.1)
    with pytest.raises(InputError, match="negative duration"):
        kicks_of(motion_of([1.0, -1.0], [0.0, 0.0], [0.0, 0.0]))
    with pytest.raises(InputError, match="negative duration"):
        exposure(motion_of([1.0, -1.0], [0.0, 0.0], [0.0, 0.0]), found, 50.0, 0.1)
    with pytest.raises(InputError, match="damping ratio"):
        exposure(motion_of([1.0], [0.0], [0.0]), found, 50.0, 1.0)


segments = st.lists(
    st.tuples(
        st.one_of(st.just(0.0), st.floats(1e-6, 0.1)),
        st.one_of(st.just(0.0), st.floats(-5000.0, 5000.0)),
        st.one_of(st.just(0.0), st.floats(-50.0, 50.0)),
    ),
    min_size=1,
    max_size=25,
)
names = st.sampled_from(FILTER_NAMES)
dampings = st.one_of(st.just(0.0), st.floats(0.0, 0.27))


def as_motion(rows: list[tuple[float, float, float]]) -> AxisMotion:
    """A motion from drawn rows."""
    return motion_of(*(list(column) for column in zip(*rows, strict=True)))


@EXAMPLES
@given(segments, names, st.floats(10.0, 200.0), st.floats(0.7, 1.4), dampings)
def test_as_the_slow_twin(
    rows: list[tuple[float, float, float]], name: str, f: float, offset: float, damping: float
) -> None:
    motion = as_motion(rows)
    found = filter_named(name, f * offset, damping)
    worst = max(naive_swings(motion, found, f, damping))
    result = exposure(motion, found, f, damping)
    omega = 2.0 * math.pi * f
    scale = 1e-12 * (1e-100 + np.abs(motion.jump).sum() / omega + 2.0 * np.abs(motion.acceleration).sum() / omega**2)
    assert result.swing == pytest.approx(worst, rel=TWIN, abs=scale)


@EXAMPLES
@given(segments)
def test_largest_kicks_as_the_slow_twin(rows: list[tuple[float, float, float]]) -> None:
    motion = as_motion(rows)
    kicks = kicks_of(motion)
    assert (kicks.acceleration, kicks.speed) == pytest.approx(naive_kicks(motion), rel=1e-9, abs=1e-9)
    assert 0 <= kicks.acceleration_segment < len(rows)


@EXAMPLES
@given(segments, names, st.floats(10.0, 200.0), dampings, st.floats(0.1, 10.0))
def test_swings_are_linear(
    rows: list[tuple[float, float, float]], name: str, f: float, damping: float, factor: float
) -> None:
    """Twice the motion, twice the swing; mirrored, the same; never more than the kicks one by one, nor less than 0."""
    motion, found = as_motion(rows), filter_named(name, 0.9 * f, damping)
    one = exposure(motion, found, f, damping)
    more = motion._replace(acceleration=-factor * motion.acceleration, jump=-factor * motion.jump)
    other = exposure(more, found, f, damping)
    assert other.swing == pytest.approx(factor * one.swing, rel=1e-9)
    assert other.ringing == pytest.approx(factor * one.ringing, rel=1e-9)
    omega = 2.0 * math.pi * f
    steps = np.abs(np.diff(np.concatenate([[0.0], motion.acceleration, [0.0]])))
    most = steps.sum() / omega**2 + np.abs(motion.jump).sum() / omega
    left = float(residual(found, omega, damping))
    assert one.swing <= most * (1.0 + 1e-9)
    assert one.ringing <= left * most * (1.0 + 1e-9) + 1e-15 * most


@EXAMPLES
@given(segments, names, st.floats(10.0, 200.0), dampings, st.integers(0, 24), st.floats(0.0, 1.0))
def test_cutting_a_segment_changes_nothing(
    rows: list[tuple[float, float, float]], name: str, f: float, damping: float, which: int, share: float
) -> None:
    which %= len(rows)
    duration, acceleration, jump = rows[which]
    cut = [*rows[:which], (share * duration, acceleration, jump), ((1.0 - share) * duration, acceleration, 0.0)]
    found = filter_named(name, f, damping)
    whole, parts = (
        exposure(as_motion(rows), found, f, damping),
        exposure(as_motion(cut + rows[which + 1 :]), found, f, damping),
    )
    assert parts.swing == pytest.approx(whole.swing, rel=1e-9, abs=1e-15)
    assert parts.ringing == pytest.approx(whole.ringing, rel=1e-9, abs=1e-15)


def planned() -> dict[str, Reals]:
    """Three planned moves by hand: along x, up y, then a fall along x without a rise."""
    return {
        "speed_in": np.array([0.0, 10.0, 20.0]),
        "speed_peak": np.array([50.0, 40.0, 20.0]),
        "speed_out": np.array([10.0, 20.0, 0.0]),
        "rising": np.array([0.05, 0.03, 0.0]),
        "cruising": np.array([0.1, 0.0, 0.2]),
        "falling": np.array([0.04, 0.02, 0.01]),
    }


def test_planned_moves_as_segments() -> None:
    x = axis_motion(np.array([1.0, 0.0, -0.6]), **planned())
    assert SEGMENTS_A_MOVE == 4
    np.testing.assert_allclose(x.duration, [0, 0.05, 0.1, 0.04, 0, 0.03, 0.0, 0.02, 0, 0.0, 0.2, 0.01])
    np.testing.assert_allclose(x.acceleration, [0, 1000, 0, -1000, 0, 0, 0, 0, 0, 0, 0, 1200])
    np.testing.assert_allclose(x.jump, [0, 0, 0, 0, -10, 0, 0, 0, 0, -12, 0, 0])
    y = axis_motion(np.array([0.0, 1.0, 0.8]), **planned(), pause=np.array([0.5, 0.25, 0.0]))
    np.testing.assert_allclose(y.duration, [0.5, 0.05, 0.1, 0.04, 0.25, 0.03, 0.0, 0.02, 0, 0.0, 0.2, 0.01])
    np.testing.assert_allclose(y.acceleration, [0, 0, 0, 0, 0, 1000, 0, -1000, 0, 0, 0, -1600])
    np.testing.assert_allclose(y.jump, [0, 0, 0, 0, 0, 10, 0, 0, -20, 16, 0, 0])


def test_ramps_of_no_duration_are_sudden_changes_of_speed() -> None:
    """From rest to 50 mm/s and back at once, then from 20 to 60 at once and in 0.1 s to rest."""
    motion = axis_motion(
        np.array([0.8, 1.0]),
        speed_in=np.array([0.0, 20.0]),
        speed_peak=np.array([50.0, 60.0]),
        speed_out=np.array([0.0, 0.0]),
        rising=np.array([0.0, 0.0]),
        cruising=np.array([1.0, 2.0]),
        falling=np.array([0.0, 0.1]),
    )
    np.testing.assert_allclose(motion.jump, [0, 0, 40, -40, 0, 20, 40, 0])
    np.testing.assert_allclose(motion.acceleration, [0, 0, 0, 0, 0, 0, 0, -600])


def test_planned_moves_arrive_where_their_profile_does() -> None:
    """Each axis's segments, integrated with their jumps, end at Σ u·(area under the move's speed), at rest."""
    plan = planned()
    area = (
        0.5 * (plan["speed_in"] + plan["speed_peak"]) * plan["rising"]
        + plan["speed_peak"] * plan["cruising"]
        + 0.5 * (plan["speed_peak"] + plan["speed_out"]) * plan["falling"]
    )
    for direction in (np.array([1.0, 0.0, -0.6]), np.array([0.0, 1.0, 0.8])):
        motion = axis_motion(direction, **plan)
        position, speed, _ = position_of(motion)
        after = np.array([float(motion.duration.sum()) + 1e-9])
        assert float(position(after)[0]) == pytest.approx(float(direction @ area), rel=DIGITS)
        assert float(speed(after)[0]) == pytest.approx(0.0, abs=1e-9)


def test_a_planned_path_arrives_and_swings_as_simulated() -> None:
    """A wandering path, planned: each axis's segments integrate to its displacement, at rest."""
    random = np.random.default_rng(3)
    places = np.cumsum(random.normal(0.0, 3.0, (60, 2)), axis=0)
    plan = plan_of(along(places, 120.0), 3000.0)
    steps = np.diff(places, axis=0)
    lengths = np.hypot(*steps.T)
    found = filter_named("ZVD", 48.0, 0.07)
    for axis in (0, 1):
        motion = axis_motion(
            steps[:, axis] / lengths,
            plan.speed_in,
            plan.speed_peak,
            plan.speed_out,
            plan.rising,
            plan.cruising,
            plan.falling,
        )
        position, speed, _ = position_of(motion)
        after = np.array([float(motion.duration.sum()) + 1e-9])
        assert float(position(after)[0]) == pytest.approx(float(places[-1, axis] - places[0, axis]), rel=DIGITS)
        assert float(speed(after)[0]) == pytest.approx(0.0, abs=1e-9)
        result = exposure(motion, found, 44.0, 0.07)
        times = np.arange(0, round((after[0] + found.times[-1]) / TEN_MICROSECONDS)) * TEN_MICROSECONDS
        simulated = simulated_swings(motion, found, 44.0, 0.07, times)
        assert result.swing == pytest.approx(float(simulated.max()), rel=SIMULATED)
        assert 0 <= result.ringing_segment < SEGMENTS_A_MOVE * len(steps)
