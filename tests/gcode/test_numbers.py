"""Numbers of many digits against float(), which rounds correctly."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from tests.gcode.reading import read

LAST_DIGITS = 2  # units in the last place that digits beyond the nineteenth may cost


def read_one(text: str) -> float:
    """One number as the first X word of a file."""
    return float(read(f"F60\nX{text}").moves.dx[0])


def digits(rng: random.Random, count: int, before: int) -> str:
    """A number of so many digits, so many of them before the point; no zero in front."""
    text = str(rng.randint(1, 9)) + "".join(rng.choice("0123456789") for _ in range(count - 1))
    return f"{text[:before]}.{text[before:]}"


def short(seed: int, most: int) -> list[str]:
    """Five hundred numbers of at most so many digits."""
    rng = random.Random(seed)
    return [digits(rng, rng.randint(10, most), rng.randint(1, 8)) for _ in range(500)]


@pytest.mark.parametrize("seed", range(3))
def test_up_to_nineteen_digits_read_as_float_does(seed: int) -> None:
    for text in short(seed, 19):
        assert read_one(text) == float(text), text
        assert read_one("-" + text) == -float(text), text


@pytest.mark.parametrize("seed", range(3))
def test_more_digits_are_right_to_the_last_place_but_one(seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(500):
        text = digits(rng, rng.randint(20, 40), rng.randint(1, 8))
        assert abs(read_one(text) - float(text)) <= LAST_DIGITS * math.ulp(float(text)), text


EDGES = [
    "0.1",
    "000000000000000000000000000012.5",
    "12.50000000000000000000000000000000000000000",
    "9007199.254740991",
    "9007199.254740992",
    "9007199.254740993",
    "99999999.99999999999999999999",
    "0.3000000000000000444089209850062616169452667236328125",
    "123456789.0",
    "5.",
    ".5",
]


@pytest.mark.parametrize("text", EDGES)
def test_edges(text: str) -> None:
    assert abs(read_one(text) - float(text)) <= math.ulp(float(text))


def test_what_is_too_small_to_be_a_length_is_none() -> None:
    job = read("F60\nX0.00000000000000000000001234567890123456789\nX5")
    assert job.moves.dx.tolist() == [5.0]


def test_every_digit_of_a_slow_counter() -> None:
    texts = [f"{number / 1000:.3f}" for number in range(1, 5000)]
    job = read("F60\nG91\n" + "".join(f"X{text}\n" for text in texts))
    assert np.allclose(job.moves.dx, [float(text) for text in texts], rtol=0, atol=1e-9)
