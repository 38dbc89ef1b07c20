"""What the controller takes in: means over the moves that it sees, against sums by hand and in plain Python."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import simpy
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.limits.command_rate import lateness, reach

ROUNDING = 1e-12  # relative
LENGTHS = st.one_of(st.floats(1e-3, 1e3), st.sampled_from([1e-9, 1e9, 1.0]))


def rest_of(stops: list[bool]) -> NDArray[np.uint8]:
    """Where motion rests: at both ends, and at the start of each move marked."""
    return np.array([1, *stops[1:], 1], np.uint8)


def naive_means(values: list[float], stops: list[bool], window: int) -> list[float]:
    """Mean of the values seen from each move on, added up anew and exactly for every one."""
    means = []
    for i in range(len(values)):
        seen = [Fraction(values[i])]
        for k in range(i + 1, min(i + window, len(values))):
            if stops[k]:
                break
            seen.append(Fraction(values[k]))
        means.append(float(sum(seen) / len(seen)))
    return means


def test_means_by_hand() -> None:
    length = np.array([1.0, 2.0, 3.0, 10.0, 20.0])
    rest = np.array([1, 0, 0, 1, 0, 1], np.uint8)
    found = reach(length, rest, 2, np.array([10.0, 20.0, 30.0, 40.0, 10.0]))
    assert found.a_move.tolist() == [1.5, 2.5, 3.0, 15.0, 20.0]
    assert found.a_byte.tolist() == pytest.approx([3 / 30, 5 / 50, 3 / 30, 30 / 50, 20 / 10])


def test_without_a_lookahead_each_move_counts_by_itself() -> None:
    length = np.array([1.0, 2.0, 3.0])
    for lookahead in (None, 1):
        found = reach(length, np.array([1, 0, 0, 1], np.uint8), lookahead)
        assert found.a_move.tolist() == length.tolist()
        assert (found.a_byte == math.inf).all()


@settings(deadline=None)
@given(st.lists(st.tuples(LENGTHS, st.integers(1, 90), st.integers(0, 9)), min_size=1, max_size=60), st.integers(1, 70))
def test_means_are_those_added_up_anew(moves: list[tuple[float, int, int]], window: int) -> None:
    length = [one[0] for one in moves]
    size = [float(one[1]) for one in moves]
    stops = [one[2] == 0 for one in moves]
    found = reach(np.array(length), rest_of(stops), window, np.array(size))
    means, sizes = naive_means(length, stops, window), naive_means(size, stops, window)
    assert found.a_move == pytest.approx(means, rel=ROUNDING)
    assert found.a_byte == pytest.approx(np.array(means) / np.array(sizes), rel=ROUNDING)


@settings(deadline=None)
@given(st.lists(LENGTHS, min_size=1, max_size=60), st.integers(1, 70))
def test_a_mean_lies_between_the_shortest_and_the_longest_move(length: list[float], window: int) -> None:
    found = reach(np.array(length), rest_of([False] * len(length)), window)
    assert (found.a_move >= min(length) * (1.0 - ROUNDING)).all()
    assert (found.a_move <= max(length) * (1.0 + ROUNDING)).all()


def test_equal_moves_are_taken_in_at_one_speed() -> None:
    """By hand: 1500 moves a second of 0.1 mm each are 150 mm/s, whatever the lookahead."""
    length = np.full(100, 0.1)
    rest = rest_of([False] * 100)
    for lookahead in (None, 1, 8, 32, 1000):
        assert reach(length, rest, lookahead).a_move * 1500.0 == pytest.approx(np.full(100, 150.0), rel=ROUNDING)


def sent_one_by_one(duration: list[float], cost: list[float], room: int) -> list[float]:
    """Waits by an event simulation: a sender, a store with so many places, and a machine that empties it."""
    environment = simpy.Environment()
    places = simpy.Container(environment, capacity=room, init=room)
    store = simpy.Store(environment)
    waits = []

    def sender() -> Any:
        for k, seconds in enumerate(cost):
            yield places.get(1)
            yield environment.timeout(seconds)
            yield store.put(k)

    def machine() -> Any:
        for seconds in duration:
            before = environment.now
            yield store.get()
            waits.append(environment.now - before)
            yield environment.timeout(seconds)
            yield places.put(1)

    environment.process(sender())
    environment.run(environment.process(machine()))
    return waits


@pytest.mark.parametrize("seed", range(12))
def test_late_commands_are_those_of_an_event_simulation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    duration = rng.exponential(0.01, 200) * rng.choice([0.1, 1.0, 20.0], 200)
    cost = rng.exponential(0.008, 200)
    room = int(rng.integers(1, 30))
    waits = sent_one_by_one(duration.tolist(), cost.tolist(), room)[1:]
    found = lateness(duration, cost, room)
    assert found.late == sum(wait > 1e-9 for wait in waits)
    assert found.longest == pytest.approx(max(waits), rel=1e-9)
    assert found.total == pytest.approx(sum(waits), rel=1e-9)
    assert found.longest == 0.0 or waits[found.worst - 1] == max(waits)


def test_a_buffer_that_keeps_up_waits_for_nothing() -> None:
    found = lateness(np.full(50, 0.01), np.full(50, 0.002), 8)
    assert (found.commands, found.late, found.longest) == (50, 0, 0.0)
    slow = lateness(np.full(50, 0.01), np.full(50, 0.012), None)
    assert slow.late == 49
    assert slow.longest == pytest.approx(0.002)
