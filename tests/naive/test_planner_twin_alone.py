"""The planner's twin by itself, against closed forms: profiles, corners, curves, lookahead, causes, and what must hold.

Where a source stands beside a check as "from memory", its text was not at hand when the check was written.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from .planner_twin import (
    NaiveLimits,
    NaiveMove,
    ceilings_of,
    corner_squares,
    plan_naively,
    ramps_of,
    total_s,
)
from .random_paths import (
    circle,
    steps_between,
    straight,
)
from .turns import Vector, circle_radius, deviation_radius, turn_between

ROUNDING = 1e-9  # relative: what float64 leaves
A_THOUSAND = NaiveLimits(print_acceleration=1000.0, travel_acceleration=1000.0, junction_deviation=0.05)


def travel(steps: list[Vector], speed: float = 100.0) -> list[NaiveMove]:
    """Travel moves along the steps at one commanded speed (mm/s)."""
    return [NaiveMove(x, y, z, 0.0, speed, "travel") for x, y, z in steps]


# ---- profiles of one move ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "v_in", "v_out", "v", "a", "seconds"),
    [
        (100.0, 0.0, 0.0, 100.0, 1000.0, 1.1),  # d/v + v/a
        (5.0, 0.0, 0.0, 100.0, 1000.0, 0.1414213562),  # triangle
        (10.0, 0.0, 0.0, 100.0, 1000.0, 0.2),  # its limit case
        (4.0, 20.0, 60.0, 200.0, 1000.0, 0.0749193338),
        (1.6, 20.0, 60.0, 200.0, 1000.0, 0.04),  # just feasible, one ramp
        (50.0, 0.0, 10.986841, 100.0, 1000.0, 0.5896167123),
        (30.0, 5.0, 2.0, 10.0, 10.0, 3.445),  # Biagiotti and Melchiorri 2008, sec. 3.2 (from memory)
        (1.0, 0.0, 0.0, 1.0, 2.0, 1.5),  # Lynch and Park 2017, 9.2.2.2 (from memory): (a + v²)/(va)
        (1.0, 0.0, 0.0, 3.0, 4.0, 1.0),  # the same: 2/√a
    ],
)
def test_ramps_take_the_textbook_time(
    length: float, v_in: float, v_out: float, v: float, a: float, seconds: float
) -> None:
    """Trapezoid with entry and exit speed: Biagiotti, Melchiorri, Trajectory Planning, 2008, sec. 3.2 (from memory)."""
    ramps = ramps_of(length, v_in, v_out, v, a)
    assert ramps.rise_s + ramps.cruise_s + ramps.fall_s == pytest.approx(seconds, rel=1e-9)


def test_triangle_peaks_at_the_root_of_its_length() -> None:
    """v_p² = a·d + (v_0² + v_1²)/2."""
    assert ramps_of(5.0, 0.0, 0.0, 100.0, 1000.0).v_peak == pytest.approx(70.710678118654755, rel=ROUNDING)
    assert ramps_of(4.0, 20.0, 60.0, 200.0, 1000.0).v_peak == pytest.approx(math.sqrt(6000.0), rel=ROUNDING)


def test_a_move_without_any_ceiling_is_refused() -> None:
    """Neither speed nor acceleration: no duration; infinite acceleration alone gives length over speed."""
    with pytest.raises(ValueError, match="unbounded"):
        ramps_of(5.0, 0.0, 0.0, math.inf, math.inf)
    assert ramps_of(5.0, 0.0, 0.0, 100.0, math.inf).cruise_s == 0.05


# ---- whole paths ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("steps", "seconds"),
    [
        ([(20.0, 0.0, 0.0), (0.0, 0.5, 0.0), (20.0, 0.0, 0.0)], 0.6070878737),
        ([(50.0, 0.0, 0.0), (0.0, 50.0, 0.0)], 1.1792334244),
        ([(0.2, 0.0, 0.0)] * 50, 0.2),
        ([(100.0, 0.0, 0.0)], 1.1),
        ([(5.0, 0.0, 0.0)], 0.1414213562),
    ],
)
def test_polylines_take_their_closed_form_time(steps: list[Vector], seconds: float) -> None:
    """Trapezoids joined at the corner speeds of Kunz and Stilman 2012 (own closed forms); a 1000, v 100, δ 0.05."""
    plan = plan_naively(travel(steps), A_THOUSAND)
    length = math.fsum(math.hypot(*step) for step in steps)
    assert total_s(plan) == pytest.approx(seconds, rel=1e-9, abs=1e-10)
    assert length / 100.0 <= total_s(plan)
    assert total_s(plan) >= ramps_of(length, 0.0, 0.0, 100.0, 1000.0).cruise_s


def test_a_diagonal_uses_both_axes() -> None:
    """100 mm at 45° under limits of each axis: d/(v·√2) + v/a (closed form; a time-optimal solver gives the same)."""
    both = replace(
        A_THOUSAND,
        travel_acceleration=1e9,
        axis_speed=(100.0, 100.0, math.inf),
        axis_acceleration=(1000.0, 1000.0, math.inf),
    )
    side = 100.0 / math.sqrt(2.0)
    plan = plan_naively(travel([(side, side, 0.0)], math.inf), both)
    assert total_s(plan) == pytest.approx(0.8071067811865475, rel=ROUNDING)
    assert (plan[0].cruise_cause, plan[0].ramp_cause) == ("x speed", "x acceleration")


# ---- corners ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("interior", "speed"),
    [
        (10, 2.185), (20, 3.241), (30, 4.179), (40, 5.098), (50, 6.050), (60, 7.071), (70, 8.201), (80, 9.485),
        (90, 10.987), (100, 12.795), (110, 15.049), (120, 17.978), (130, 21.992), (140, 27.912), (150, 37.648),
        (160, 56.931), (170, 114.410), (179, 1145.9),
    ],
)  # fmt: skip
def test_junction_deviation_by_interior_angle(interior: int, speed: float) -> None:
    """T. Kunz, M. Stilman, RSS VIII 2012: circle tangent to both edges at δ from the corner, v² = a·r.

    The table: a = 1000, δ = 0.05, found by root search from that definition. Planned at a = 10⁷ over 5 m, so that the
    corner alone holds the speed, which scales with the root of a.
    """
    turned = math.pi - math.radians(interior)
    steps = [(5000.0, 0.0, 0.0), (5000.0 * math.cos(turned), 5000.0 * math.sin(turned), 0.0)]
    fast = replace(A_THOUSAND, travel_acceleration=1e7)
    node = plan_naively(travel(steps, math.inf), fast)[0].v_out / math.sqrt(1e4)
    assert node == pytest.approx(speed, rel=5e-5, abs=6e-4)
    s = math.sin(math.radians(interior) / 2.0)
    assert node == pytest.approx(math.sqrt(1000.0 * 0.05 * s / (1.0 - s)), rel=1e-9)


def test_corner_at_sixty_degrees_and_straight_back() -> None:
    """θ = 60° gives v = √(aδ) exactly; θ = 0 gives rest; the deviation does not matter there."""
    assert deviation_radius(turn_between((1.0, 0.0, 0.0), (-0.5, math.sqrt(0.75), 0.0)), 0.05) == pytest.approx(0.05)
    there_and_back = plan_naively(travel([(0.3, 0.7, 0.1), (-0.3, -0.7, -0.1)]), A_THOUSAND)
    assert there_and_back[0].v_out == 0.0
    assert deviation_radius(turn_between((0.3, 0.7, 0.1), (-0.3, -0.7, -0.1)), math.inf) == 0.0


def test_axis_steps_at_a_right_angle() -> None:
    """Each axis jumps by v, so v = ΔV; that is a deviation of (√2 − 1)·ΔV²/a (own derivation)."""
    stepping = replace(A_THOUSAND, corner_rule="axis steps", speed_step=(8.0, 8.0, math.inf))
    path = travel([(50.0, 0.0, 0.0), (0.0, 50.0, 0.0)])
    assert plan_naively(path, stepping)[0].v_out == pytest.approx(8.0, rel=ROUNDING)
    alike = replace(A_THOUSAND, junction_deviation=0.0265097)
    assert plan_naively(path, alike)[0].v_out == pytest.approx(8.0, rel=1e-6)
    back = plan_naively(travel([(50.0, 0.0, 0.0), (-50.0, 0.0, 0.0)]), stepping)
    assert back[0].v_out == pytest.approx(4.0, rel=ROUNDING)


def test_corner_accelerates_along_the_difference_of_directions() -> None:
    """A right angle from +x to +y accelerates along (−1, 1)/√2: an axis with A allows A·√2 there."""
    weak_x = replace(A_THOUSAND, axis_acceleration=(500.0, math.inf, math.inf))
    radius = 0.05 * math.sqrt(0.5) / (1.0 - math.sqrt(0.5))
    corner = plan_naively(travel([(0.0, 50.0, 0.0), (50.0, 0.0, 0.0)]), weak_x)[0].v_out
    assert corner == pytest.approx(math.sqrt(500.0 * radius), rel=ROUNDING)  # the later move's own acceleration
    diagonal = travel([(40.0, 30.0, 0.0), (40.0, -30.0, 0.0)])  # accelerates along −y alone
    weak_y = replace(A_THOUSAND, axis_acceleration=(math.inf, 300.0, math.inf))
    assert plan_naively(diagonal, weak_y)[0].a == pytest.approx(500.0)
    s = 0.8  # cos(φ/2) for directions (4, ±3)/5
    assert plan_naively(diagonal, weak_y)[0].v_out == pytest.approx(
        math.sqrt(300.0 * 0.05 * s / (1.0 - s)), rel=ROUNDING
    )


def test_facetted_arc_runs_as_its_sagitta_says() -> None:
    """Chord s, radius R, sagitta e = s²/(8R): v ≈ √(a·R·δ/e), at e = δ the true √(aR) = 141.42 (own derivation)."""
    chord = math.sqrt(8.0)  # of R = 20: e = δ
    turned = 2.0 * math.asin(chord / 40.0)
    turn = turn_between((1.0, 0.0, 0.0), (math.cos(turned), math.sin(turned), 0.0))
    assert math.sqrt(1000.0 * deviation_radius(turn, 0.05)) == pytest.approx(141.16, abs=0.01)


def test_a_short_chamfer_is_the_corner_it_cuts() -> None:
    """45° twice over 0.04 mm holds both ends to 90°; over 0.06 mm it does not."""
    right_angle = math.sqrt(1000.0 * 0.05 * math.sqrt(0.5) / (1.0 - math.sqrt(0.5)))
    without_curves = replace(A_THOUSAND, curve_rule=False)

    def corner_speeds(size: float) -> tuple[float, float]:
        step = size / math.sqrt(2.0)
        path = travel([(50.0, 0.0, 0.0), (step, step, 0.0), (0.0, 50.0, 0.0)])
        plan = plan_naively(path, without_curves)
        return plan[0].v_out, plan[1].v_out

    assert corner_speeds(0.04) == pytest.approx((right_angle, right_angle), rel=ROUNDING)
    own_turn = math.sqrt(1000.0 * 0.05 * math.cos(math.pi / 8.0) / (1.0 - math.cos(math.pi / 8.0)))
    assert corner_speeds(0.06) == pytest.approx((own_turn, own_turn), rel=ROUNDING)


def test_a_short_run_beside_a_stop_keeps_its_own_turn() -> None:
    """Nothing lies behind the last run of a stretch."""
    step = 0.04 / math.sqrt(2.0)
    path = travel([(50.0, 0.0, 0.0), (step, step, 0.0), (0.0, 50.0, 0.0)])
    path[2] = replace(path[2], stop_before=True)
    squares = corner_squares(range(2), path, [ceilings_of(move, A_THOUSAND) for move in path], A_THOUSAND)
    s = math.cos(math.pi / 8.0)
    assert squares[1] == pytest.approx(1000.0 * 0.05 * s / (1.0 - s), rel=ROUNDING)


def test_extruder_step_counts_signed_ratios_and_inside_a_run() -> None:
    """v·|r' − r| = ΔV_e, also where the direction does not change."""
    path = [
        NaiveMove(dx=50.0, de=2.0, speed=100.0),
        NaiveMove(dx=50.0, de=1.0, speed=100.0),
        NaiveMove(dx=50.0, de=-1.0, speed=100.0, kind="travel"),
    ]
    plan = plan_naively(path, replace(A_THOUSAND, extruder_step=0.2))
    assert plan[0].v_out == pytest.approx(10.0, rel=ROUNDING)
    assert plan[1].v_out == pytest.approx(5.0, rel=ROUNDING)


# ---- curves -----------------------------------------------------------------------------------------------------


def test_circle_through_three_places() -> None:
    """The 3-4-5 triangle: R = 5/2, for a right angle at the corner as for the others; a straight line has none."""
    assert circle_radius((3.0, 0.0, 0.0), (0.0, 4.0, 0.0)) == pytest.approx(2.5)
    assert circle_radius((0.0, 4.0, 0.0), (3.0, -4.0, 0.0)) == pytest.approx(2.5)
    assert circle_radius((3.0, 1.0, 0.0), (6.0, 2.0, 0.0)) == math.inf


@pytest.mark.parametrize("radius", [1.0, 5.0, 20.0])
@pytest.mark.parametrize("share", [1.0, 0.25, 0.05])
def test_a_cut_circle_runs_at_its_centripetal_limit(radius: float, share: float) -> None:
    """v² = a·R within 5 %, however finely cut, for chords c with c² <= 8Rδ and c <= R/5 (physics of a circle)."""
    chord = share * min(radius / 5.0, math.sqrt(8.0 * radius * 0.05))
    chords = math.ceil(math.tau / (2.0 * math.asin(chord / (2.0 * radius))))
    rounds = steps_between(circle(radius, chords)) * 3
    plan = plan_naively(travel(rounds, 1000.0), A_THOUSAND)
    middle = len(plan) // 2
    assert plan[middle].v_out == pytest.approx(math.sqrt(1000.0 * radius), rel=0.05)


@pytest.mark.parametrize("angle", [0.0, 0.3, 1.0, 2.2])
def test_a_straight_of_rounded_pieces_is_not_slowed(angle: float) -> None:
    """100 mm in pieces of 0.1 mm rounded to 0.001 mm, F² <= a·60 mm: within 0.1 % of the whole."""
    direction = (math.cos(angle), math.sin(angle), 0.0)
    pieces = travel(steps_between(straight(direction, 100.0, 1000, (20.0, 30.0, 0.3)), 3), math.sqrt(60000.0))
    whole = travel([(100.0, 0.0, 0.0)], math.sqrt(60000.0))
    seconds = total_s(plan_naively(whole, A_THOUSAND))
    assert total_s(plan_naively(pieces, A_THOUSAND)) == pytest.approx(seconds, rel=1e-3)


def test_right_angles_are_no_curve() -> None:
    """Chords that turn by 90° leave the curve rule silent however short they are."""
    single = travel([(0.1, 0.0, 0.0), (0.0, 0.1, 0.0)])
    assert plan_naively(single, A_THOUSAND) == plan_naively(single, replace(A_THOUSAND, curve_rule=False))


# ---- looking ahead ----------------------------------------------------------------------------------------------


def test_lookahead_must_be_able_to_stop_within_what_it_sees() -> None:
    """Ten collinear moves of 1 mm: one that sees N of them enters each at most at √(2·a·N·L)."""
    path = travel([(1.0, 0.0, 0.0)] * 10, 1000.0)
    for seen in (1, 2, 3):
        speeds = [p.v_in for p in plan_naively(path, replace(A_THOUSAND, lookahead=seen))]
        expected = [math.sqrt(2000.0 * min(i, seen, 10 - i)) for i in range(10)]
        assert speeds == pytest.approx(expected, rel=ROUNDING)
    assert plan_naively(path, replace(A_THOUSAND, lookahead=10)) == plan_naively(path, A_THOUSAND)


# ---- ceilings and causes ----------------------------------------------------------------------------------------


def test_flow_caps_a_road() -> None:
    """A road of 0.45 by 0.2 mm at 12 mm³/s runs at 133.333 mm/s (rectangle; plane geometry); travel knows no flow."""
    bounded = NaiveLimits(print_acceleration=5000.0, max_flow=12.0)
    feed = 100.0 * 0.09 / bounded.filament_area
    plan = plan_naively([NaiveMove(dx=100.0, de=feed, speed=200.0)], bounded)
    assert plan[0].v_peak == pytest.approx(400.0 / 3.0, rel=ROUNDING)
    assert plan[0].cruise_cause == "flow"
    wiping = plan_naively([NaiveMove(dx=100.0, de=-feed, speed=200.0, kind="travel")], bounded)
    assert (wiping[0].v_peak, wiping[0].cruise_cause) == (200.0, "commanded speed")


def test_override_replacement_and_first_layers() -> None:
    """The replaced or the file's speed times the override of its kind; early layers keep F; no F stays none."""
    told = NaiveLimits(feed_override={"print": 2.0}, replaced_speed={"travel": 70.0}, first_layers_count=1)

    def speed(move: NaiveMove, given_limits: NaiveLimits) -> float:
        return ceilings_of(move, given_limits).speeds["commanded speed"]

    assert speed(NaiveMove(dx=1.0, de=0.1, speed=30.0, layer=1), told) == 60.0
    assert speed(NaiveMove(dx=1.0, speed=30.0, kind="travel"), told) == 70.0
    keeping = replace(told, keep_commanded_speed=True)
    assert speed(NaiveMove(dx=1.0, de=0.1, speed=30.0, layer=1), keeping) == 30.0
    assert speed(NaiveMove(dx=1.0, de=0.1, speed=30.0, layer=2), keeping) == 60.0
    assert speed(NaiveMove(dx=1.0, de=0.1), told) == math.inf


def test_causes_settle_ties_in_their_order() -> None:
    """Equal ceilings: the first named; a peak under the ceiling belongs to the corners."""
    tied = NaiveLimits(speed_cap=50.0, axis_speed=(50.0, 50.0, math.inf), axis_acceleration=(600.0, 600.0, math.inf))
    plan = plan_naively([NaiveMove(dx=100.0, de=1.0, speed=50.0)], tied)
    assert (plan[0].cruise_cause, plan[0].ramp_cause) == ("commanded speed", "path acceleration")
    plan = plan_naively([NaiveMove(dx=100.0, de=1.0)], tied)
    assert plan[0].cruise_cause == "speed cap"
    assert plan_naively([NaiveMove(dx=0.1, de=0.1, speed=50.0)], tied)[0].cruise_cause == "corner"


def test_filament_moves_rest_at_both_ends_and_know_no_cap() -> None:
    """A retraction stops the pieces beside it; only its F, the extruder and retraction's acceleration count for it."""
    path = [
        NaiveMove(dx=50.0, de=1.0, speed=50.0),
        NaiveMove(de=-4.0, speed=40.0, kind="filament"),
        NaiveMove(dx=50.0, de=1.0, speed=50.0),
    ]
    plan = plan_naively(path, NaiveLimits(speed_cap=10.0, filament_acceleration=800.0, max_flow=0.001))
    assert (plan[0].v_out, plan[1].v_in, plan[1].v_out, plan[2].v_in) == (0.0, 0.0, 0.0, 0.0)
    assert plan[1].t_s == pytest.approx(4.0 / 40.0 + 40.0 / 800.0, rel=ROUNDING)
    capped = plan_naively(path, NaiveLimits(extruder_speed=30.0, extruder_acceleration=100.0))
    assert (capped[1].cruise_cause, capped[1].ramp_cause) == ("corner", "extruder acceleration")
    assert capped[1].t_s == pytest.approx(2.0 * math.sqrt(4.0 / 100.0), rel=ROUNDING)


def test_a_stop_brings_the_tool_to_rest() -> None:
    """A stretch ends before a move with a stop."""
    path = travel([(50.0, 0.0, 0.0), (50.0, 0.0, 0.0)])
    path[1] = replace(path[1], stop_before=True)
    assert total_s(plan_naively(path, A_THOUSAND)) == pytest.approx(2.0 * 0.6, rel=ROUNDING)


def test_a_move_without_length_is_refused() -> None:
    """Such moves vanish before planning."""
    with pytest.raises(ValueError, match="without length"):
        plan_naively([NaiveMove(speed=10.0)], A_THOUSAND)
