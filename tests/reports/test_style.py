"""Colours, letters and rows of labels: what all pictures have in common."""

from __future__ import annotations

import gc
import weakref
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.reports.marks import log_ticks, plain_number, spread
from kinematics.reports.style import (
    DARK,
    LIGHT,
    SMALL_SIZE,
    DrawingLook,
    Headline,
    check_kind,
    fitted,
    folded,
    sheet,
    width_of,
)
from tests.reports.colours import contrast, distance, lightness, linear, seen_by

LOOKS = pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
LEGIBLE = 4.5  # contrast of text (W3C, Web Content Accessibility Guidelines 2.1, success criterion 1.4.3)
TOLD_APART = 3.0  # of parts of pictures (the same, 1.4.11)
FAR_ENOUGH = 20.0  # CIELAB: some ten times what is just seen
STEP = 6.0  # of lightness, out of 100, between tones in grey


@LOOKS
def test_text_is_legible_on_paper_and_on_every_fill(look: DrawingLook) -> None:
    assert contrast(look.ink, look.paper) > LEGIBLE
    assert contrast(look.faint, look.paper) > LEGIBLE
    assert min(contrast(look.ink, fill) for fill in look.fills) > LEGIBLE
    assert contrast(look.tones[0], look.paper) > LEGIBLE  # links of the page


@LOOKS
def test_tones_stand_out_from_paper_and_from_each_other_for_everybody(look: DrawingLook) -> None:
    assert min(contrast(tone, look.paper) for tone in look.tones) > TOLD_APART
    for eyes in ("all cones", "no long", "no middle", "no short"):
        assert min(distance(seen_by(eyes, a), seen_by(eyes, b)) for a, b in combinations(look.tones, 2)) > FAR_ENOUGH


@LOOKS
def test_tones_differ_in_grey(look: DrawingLook) -> None:
    ordered = sorted(lightness(linear(tone)) for tone in look.tones)
    assert min(np.diff(ordered)) > STEP


@LOOKS
@pytest.mark.parametrize("group", ["fills", "speeds"])
def test_what_grows_goes_one_way_in_lightness(look: DrawingLook, group: str) -> None:
    steps = np.diff([lightness(linear(colour)) for colour in getattr(look, group)])
    assert (steps > 1.0).all() or (steps < -1.0).all()


def test_a_colour_of_the_page_has_one_name() -> None:
    for look in (LIGHT, DARK):
        assert len(set(look.named().values())) == len(look.named())
    assert LIGHT.named().keys() == DARK.named().keys()


@given(st.text(max_size=200), st.floats(20.0, 400.0))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_fitted_words_fit(text: str, room: float) -> None:
    assert width_of(fitted(text, room, SMALL_SIZE), SMALL_SIZE) <= room


def test_long_names_keep_both_their_ends() -> None:
    short = fitted("front_light_bracket_left_side_second_try_with_thicker_walls.gcode", 150.0)
    assert short.startswith("front_light")
    assert short.endswith(".gcode")
    assert "…" in short


def test_lines_are_folded_between_words_and_no_more_than_asked() -> None:
    lines = folded("many small words " * 20, 120.0, SMALL_SIZE, most=3)
    assert len(lines) == 3
    assert max(width_of(line, SMALL_SIZE) for line in lines) <= 120.0
    assert lines[-1].count("…") == 1


@given(
    st.lists(st.tuples(st.floats(-50.0, 450.0), st.floats(1.0, 60.0)), min_size=1, max_size=6),
)
@settings(max_examples=200, deadline=None, derandomize=True)
def test_labels_in_a_row_never_overlap(wanted: list[tuple[float, float]]) -> None:
    places, widths = [one[0] for one in wanted], [one[1] for one in wanted]
    middles = spread(places, widths, 0.0, 400.0)
    edges = sorted((middle - width / 2.0, middle + width / 2.0) for middle, width in zip(middles, widths, strict=True))
    assert edges[0][0] > -1e-9
    assert edges[-1][1] < 400.0 + 1e-9
    assert all(left[1] <= right[0] + 1e-9 for left, right in pairwise(edges))


def test_a_label_with_room_stays_where_it_is_wanted() -> None:
    assert spread([50.0, 200.0], [20.0, 20.0], 0.0, 400.0) == [50.0, 200.0]


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (300.0, 9000.0, [500.0, 1000.0, 2000.0, 5000.0]),
        (1.0, 1e6, [1.0, 10.0, 100.0, 1000.0, 10_000.0, 100_000.0, 1_000_000.0]),
        (900.0, 1400.0, [900.0, 1000.0, 1200.0]),
    ],
)
def test_ticks_of_equal_ratios_are_round(low: float, high: float, ticks: list[float]) -> None:
    assert log_ticks(low, high) == pytest.approx(ticks)


@pytest.mark.parametrize(
    ("value", "words"), [(1000.0, "1,000"), (0.05, "0.05"), (1e-17, "0"), (25_000.0, "25,000"), (12.5, "12.5")]
)
def test_numbers_on_axes_are_plain(value: float, words: str) -> None:
    assert plain_number(value) == words


@pytest.mark.parametrize("grid", [(1, 1), (2, 1), (1, 3), (2, 2)])
def test_a_figure_that_nobody_holds_any_more_goes(grid: tuple[int, int]) -> None:
    placed: list[int] = []

    def draw(given: Any, look: DrawingLook) -> Headline:
        every = given if grid != (1, 1) else [given]
        return Headline("a finding", place=lambda: placed.append(len(every)))

    figure = weakref.ref(sheet(draw, 4.0, grid=grid))
    gc.collect()
    assert placed == [grid[0] * grid[1]]
    assert figure() is None


@pytest.mark.parametrize("name", ["a.gif", "a", "a.html"])
def test_other_kinds_of_files_are_refused(name: str) -> None:
    with pytest.raises(InputError, match=r"FILE\.png, FILE\.svg or FILE\.pdf"):
        check_kind(Path(name))
