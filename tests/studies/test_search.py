"""The search for a turn: by hand, against root finders of another kind, and against trying every number."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from kinematics.studies.knobs import (
    PARTS,
    Bracket,
    Scale,
    Search,
    answered,
    first_met,
    first_value,
    in_step,
    narrowing,
    put_otherwise,
    spread,
)

CLOSE = 1.0001
RATIOS = Scale(True, CLOSE)


@pytest.mark.parametrize(
    ("values", "met", "found"),
    [
        ([1.0, 2.0, 3.0], [False, False, True], Bracket(2.0, 3.0)),
        ([1.0, 2.0, 3.0], [False, True, False], Bracket(1.0, 2.0)),
        ([1.0, 2.0, 3.0], [True, False, True], Bracket(None, 1.0)),
        ([3.0, 2.0, 1.0], [False, True, True], Bracket(3.0, 2.0)),
        ([1.0, 2.0, 3.0], [False, False, False], Bracket(3.0, None)),
    ],
)
def test_the_first_that_meets_by_hand(values: list[float], met: list[bool], found: Bracket) -> None:
    assert first_met(values, met) == found


@pytest.mark.parametrize(
    ("first", "last", "count", "scale", "values"),
    [
        (1.0, 100.0, 3, RATIOS, [1.0, 10.0, 100.0]),
        (100.0, 1.0, 3, RATIOS, [100.0, 10.0, 1.0]),
        (1.0, 5.0, 3, Scale(False, 0.1), [1.0, 3.0, 5.0]),
        (-5.0, 5.0, 3, Scale(False, 0.1), [-5.0, 0.0, 5.0]),
        (0.0, 2.0, 3, RATIOS, [0.0, 2e-6, 2.0]),
        (2.0, 0.0, 3, RATIOS, [2.0, 2e-6, 0.0]),
        (1.0, 8.0, 9, Scale(True, CLOSE, True), [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0]),
        (7.0, 7.0, 9, RATIOS, [7.0]),
    ],
)
def test_values_over_a_range_by_hand(first: float, last: float, count: int, scale: Scale, values: list[float]) -> None:
    assert spread(first, last, count, scale) == pytest.approx(values)


@seed(20)
@settings(max_examples=200, deadline=None)
@given(
    st.floats(1e-3, 1e3),
    st.floats(1.01, 1e6),
    st.floats(0.0, 1.0),
    st.booleans(),
    st.booleans(),
)
def test_a_smooth_curve_against_a_root_finder(
    low: float, ratio: float, share: float, by_ratio: bool, downwards: bool
) -> None:
    """t = c/x + x^−½ falls all along; where it is a goal Brent's method tells (R. Brent, 1973, chapter 4)."""
    high = low * ratio
    first, last = (high, low) if downwards else (low, high)

    def time(x: float) -> float:
        return (1.0 if downwards else -1.0) * -(3.0 / x + x**-0.5)

    goal = time(last) + share * (time(first) - time(last))
    scale = RATIOS if by_ratio else Scale(False, 1e-6 * (high - low))
    found = first_value(lambda asked: [time(x) <= goal for x in asked], spread(first, last, 12, scale), scale)
    assert found is not None
    assert time(found) <= goal
    root = brentq(lambda x: time(x) - goal, low, high, xtol=1e-12, rtol=1e-12) if 0.0 < share < 1.0 else None
    if root is not None:
        assert abs(found - root) <= ((CLOSE - 1.0) * high if by_ratio else 2e-6 * (high - low)) + 1e-9 * high
        if by_ratio:
            assert abs(math.log(found / root)) <= math.log(CLOSE) + 1e-9


@seed(21)
@settings(max_examples=200, deadline=None)
@given(st.integers(-50, 50), st.integers(1, 5000), st.integers(0, 5000), st.booleans())
def test_whole_numbers_against_trying_each(low: int, count: int, place: int, downwards: bool) -> None:
    numbers = list(range(low, low + count + 1))
    numbers = numbers[::-1] if downwards else numbers
    turn = numbers[min(place, count)]

    def meets(asked: Sequence[float]) -> list[bool]:
        assert all(value.is_integer() for value in asked)
        return [value <= turn if downwards else value >= turn for value in asked]

    first, last = float(numbers[0]), float(numbers[-1])
    scale = Scale(False, 0.0, True)
    assert first_value(meets, [first, last], scale) == next(n for n in numbers if meets([float(n)])[0])


@seed(22)
@settings(max_examples=200, deadline=None)
@given(st.lists(st.booleans(), min_size=2, max_size=40))
def test_of_any_yes_and_no_the_ends_miss_and_meet_side_by_side(answers: list[bool]) -> None:
    """Steps of a tenth of a decade that meet or miss as they like: no order is assumed."""

    def meets(asked: Sequence[float]) -> list[bool]:
        return [answers[min(len(answers) - 1, int(10.0 * math.log10(x) + 1e-9))] for x in asked]

    last = 10.0 ** ((len(answers) - 1) / 10.0)
    values = spread(1.0, last, 5, RATIOS)
    bracket = answered(narrowing(first_met(values, meets(values)), RATIOS), meets)
    if bracket.missed is not None:
        assert meets([bracket.missed]) == [False]
    if bracket.met is not None:
        assert meets([bracket.met]) == [True]
    if None not in bracket:
        assert bracket.met / bracket.missed <= CLOSE  # type: ignore[operator]
    assert first_value(meets, values, RATIOS) == bracket.met


def test_a_bracket_is_cut_into_eight_a_round() -> None:
    """A range of 8³ steps is narrowed to one step in three rounds of seven questions."""
    asked: list[int] = []

    def meets(values: Sequence[float]) -> list[bool]:
        asked.append(len(values))
        return [value >= 300.5 for value in values]

    assert answered(narrowing(Bracket(0.0, float(PARTS**3)), Scale(False, 1.0)), meets) == Bracket(300.0, 301.0)
    assert asked == [PARTS - 1] * 3


def test_a_turn_beside_nothing_stays_there() -> None:
    """In equal ratios nothing lies between 0 and the least value above it that was looked at."""
    values = spread(0.0, 1.0, 4, RATIOS)
    assert first_value(lambda asked: [x > 0.0 for x in asked], values, RATIOS) == values[1] == 1e-6


@seed(23)
@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.floats(0.01, 0.99), st.floats(1e-3, 1e-1)), max_size=6))
def test_searches_in_step_find_what_each_finds_alone(turns: list[tuple[float, float]]) -> None:
    """Brackets of 0 to 1, each with a turn and an end of its own; as many rounds as the longest takes."""
    rounds: list[list[tuple[float, float]]] = []

    def search(turn: float, close: float) -> Search[tuple[float, float], float, Bracket]:
        narrowed = narrowing(Bracket(0.0, 1.0), Scale(False, close))
        return put_otherwise(narrowed, lambda value: (turn, value), lambda beyond: beyond >= 0.0)

    def answer(asked: Sequence[tuple[float, float]]) -> list[float]:
        rounds.append([*asked])
        return [value - turn for turn, value in asked]

    together = answered(in_step([search(*turn) for turn in turns]), answer)
    took, found = len(rounds), []
    for turn in turns:
        rounds.clear()
        found.append(answered(search(*turn), answer))
        took = max(took, len(rounds))
        assert found[-1].missed < turn[0] <= found[-1].met  # type: ignore[operator]
    assert together == found
    assert took <= 4  # 8⁴ > 1000
    assert took == max((math.ceil(math.log(1.0 / close, 8) - 1e-9) for _, close in turns), default=0)
