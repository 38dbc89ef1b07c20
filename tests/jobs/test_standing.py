"""Where copies stand on a bed, by hand, and that none stands where it may not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.jobs.copies_layout import SLACK, Standing, standing
from kinematics.machine import Machine

LOW = 3.0  # where the part stands in its own job


def machine(bed: tuple[float, float, float] = (200.0, 100.0, 150.0), **more: object) -> Machine:
    return Machine().with_settings({"machine.bed_mm": bed, **{f"machine.{key}": value for key, value in more.items()}})


def stands(width: float, depth: float, known: Machine, spacing: float = 8.0, height: float = 10.0) -> Standing:
    return standing("part", ((LOW, LOW, 0.0), (LOW + width, LOW + depth, height)), known, spacing)


@pytest.mark.parametrize(
    ("width", "depth", "spacing", "most"),
    [(60.0, 40.0, 8.0, 6), (40.0, 40.0, 0.0, 10), (40.0, 40.0, 0.1, 8), (200.0, 100.0, 8.0, 1), (96.0, 46.0, 8.0, 4)],
)
def test_how_many_fit(width: float, depth: float, spacing: float, most: int) -> None:
    assert stands(width, depth, machine(), spacing).most == most


def test_they_stand_in_the_middle_row_by_row_and_back() -> None:
    found = stands(90.0, 40.0, machine())
    places = found.shifts + LOW
    assert places.tolist() == [[6.0, 6.0], [104.0, 6.0], [104.0, 54.0], [6.0, 54.0]]
    assert found.reason == "4 of 90 × 40 mm fit on a bed of 200 × 100 mm, 2 × 2, 8 mm apart"


def test_a_clip_takes_a_place_and_is_told() -> None:
    found = stands(90.0, 40.0, machine(keep_out_mm=[[0, 40, 8, 60]]))
    assert found.most == 4  # the grid is pushed to the right
    found = stands(90.0, 40.0, machine(keep_out_mm=[[0, 0, 30, 20]]))
    assert found.most == 3
    assert found.reason.endswith("8 mm apart; 1 more would but for machine.keep_out_mm")


def test_a_round_bed_has_no_corners() -> None:
    delta = {"mechanism": "linear-delta", "delta": {"arm_mm": 250.0, "tower_radius_mm": 125.0}}
    known = Machine(machine={"bed_mm": (200.0, 200.0, 200.0), **delta})
    found = stands(40.0, 40.0, known)
    assert found.most == 9  # 3 × 3: corners 68 mm from both middle lines; four in a row reach 92 and 44 mm, over 100
    assert stands(38.0, 38.0, known).most == 12  # 4 × 4 without its corners: 88 and 42 mm
    assert (found.shifts + LOW).min() < 0.0


@pytest.mark.parametrize(("width", "depth", "height"), [(201.0, 10.0, 10.0), (10.0, 101.0, 10.0), (10.0, 10.0, 151.0)])
def test_a_part_larger_than_the_bed(width: float, depth: float, height: float) -> None:
    with pytest.raises(InputError, match=r"part: it takes .* mm and does not fit on the bed; allowed: 200 × 100 × 150"):
        stands(width, depth, machine(), height=height)


def test_without_a_bed_and_without_a_part() -> None:
    with pytest.raises(InputError, match="how large the bed is stands nowhere"):
        stands(10.0, 10.0, Machine())
    with pytest.raises(InputError, match="it prints nothing"):
        standing("part", None, machine())
    with pytest.raises(InputError, match=r"machine\.keep_out_mm leaves no room"):
        stands(150.0, 90.0, machine(keep_out_mm=[[90, 40, 110, 60]]))


lengths = st.floats(5.0, 80.0)
rectangle = st.tuples(st.floats(-10, 190), st.floats(-10, 90), st.floats(1, 60), st.floats(1, 60))


@settings(max_examples=200, deadline=None)
@given(lengths, lengths, st.floats(0.0, 20.0), st.lists(rectangle, max_size=3))
def test_no_copy_leaves_the_bed_meets_another_or_a_clip(
    width: float, depth: float, spacing: float, clips: list[tuple[float, float, float, float]]
) -> None:
    taken = [[x, y, x + w, y + d] for x, y, w, d in clips]
    try:
        found = stands(width, depth, machine(keep_out_mm=taken) if taken else machine(), spacing)
    except InputError:
        return
    low = found.shifts + LOW
    high = low + np.array([width, depth])
    slack = 2 * SLACK
    assert (low >= -slack).all()
    assert (high <= np.array([200.0, 100.0]) + slack).all()
    for i in range(found.most):
        for j in range(i):
            apart = np.maximum(low[i] - high[j], low[j] - high[i]).max()
            assert apart >= spacing - slack
        for x0, y0, x1, y1 in taken:
            assert max(low[i][0] - x1, x0 - high[i][0], low[i][1] - y1, y0 - high[i][1]) >= -slack
