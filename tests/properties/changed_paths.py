"""One job drawn another way: split, reversed, turned, scaled; and random jobs as the text of a file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from random import Random
from typing import NamedTuple

from hypothesis import strategies as st

from tests.naive.planner_twin import NaiveLimits, NaiveMove
from tests.naive.turns import Vector


def split(job: Sequence[NaiveMove], seed: int) -> list[NaiveMove]:
    """Every straight move in one to four pieces of uneven length; a move of the extruder alone stays whole."""
    rng = Random(seed)
    pieces = []
    for move in job:
        cuts = 0 if move.kind == "filament" else rng.randrange(4)
        places = [0.0, *sorted(rng.uniform(0.1, 0.9) for _ in range(cuts)), 1.0]
        for i, share in enumerate(b - a for a, b in pairwise(places)):
            if share > 1e-3 or cuts == 0:
                pieces.append(
                    replace(
                        move,
                        dx=move.dx * share,
                        dy=move.dy * share,
                        dz=move.dz * share,
                        de=move.de * share,
                        stop_before=move.stop_before and i == 0,
                    )
                )
            else:
                return list(job)  # two cuts all but fell together: a length would be lost
    return pieces


def reversed_path(job: Sequence[NaiveMove]) -> list[NaiveMove]:
    """The path driven from its end to its beginning; filament is fed as before."""
    rests = [move.stop_before for move in job[1:]] + [False]
    return [
        replace(move, dx=-move.dx, dy=-move.dy, dz=-move.dz, stop_before=rest)
        for move, rest in zip(job, rests, strict=True)
    ][::-1]


def quarter_turned(job: Sequence[NaiveMove]) -> list[NaiveMove]:
    """Turned by 90° about z."""
    return [replace(move, dx=-move.dy, dy=move.dx) for move in job]


def turned(job: Sequence[NaiveMove], seed: int) -> list[NaiveMove]:
    """Turned about a random axis by a random angle (formula of O. Rodrigues)."""
    rng = Random(seed)
    axis = [rng.gauss(0.0, 1.0) for _ in range(3)]
    size = math.hypot(*axis)
    a, b, c = (component / size for component in axis)
    angle = rng.uniform(0.0, math.tau)
    cosine, sine = math.cos(angle), math.sin(angle)

    def turn(x: float, y: float, z: float) -> Vector:
        along = (a * x + b * y + c * z) * (1.0 - cosine)
        return (
            x * cosine + (b * z - c * y) * sine + a * along,
            y * cosine + (c * x - a * z) * sine + b * along,
            z * cosine + (a * y - b * x) * sine + c * along,
        )

    moves = []
    for move in job:
        x, y, z = turn(*move.displacement)
        moves.append(move if move.kind == "filament" else replace(move, dx=x, dy=y, dz=z))
    return moves


def scaled_job(job: Sequence[NaiveMove], lengths: float) -> list[NaiveMove]:
    """Every length times a factor, every commanded speed times its root."""
    return [
        replace(
            move,
            dx=move.dx * lengths,
            dy=move.dy * lengths,
            dz=move.dz * lengths,
            de=move.de * lengths,
            speed=move.speed * math.sqrt(lengths),
        )
        for move in job
    ]


def scaled_limits(limits: NaiveLimits, lengths: float) -> NaiveLimits:
    """Speeds and flow times the root of the factor, the lengths of the rules times it, accelerations as they are."""
    speeds = math.sqrt(lengths)

    def times(vector: Vector) -> Vector:
        return (vector[0] * speeds, vector[1] * speeds, vector[2] * speeds)

    replaced = {kind: v * speeds for kind, v in (limits.replaced_speed or {}).items()}
    return replace(
        limits,
        axis_speed=times(limits.axis_speed),
        extruder_speed=limits.extruder_speed * speeds,
        max_flow=limits.max_flow * speeds,
        speed_cap=limits.speed_cap * speeds,
        replaced_speed=replaced or None,
        speed_step=times(limits.speed_step),
        extruder_step=limits.extruder_step * speeds,
        junction_deviation=limits.junction_deviation * lengths,
        short_run=limits.short_run * lengths,
        curve_window=limits.curve_window * lengths,
    )


# ---- jobs as text -----------------------------------------------------------------------------------------------


class Leg(NamedTuple):
    """One line of a random file in whole steps of its grid: x, y, z, filament, and the speed it commands (0: none)."""

    x: int
    y: int
    z: int
    filament: int
    speed: int


class Grid(NamedTuple):
    """How whole steps become text: the size of a step, that of a step of speed, and decimals of both."""

    step: float
    decimals: int
    speed: float = 1.0


def legs() -> st.SearchStrategy[list[Leg]]:
    """Up to 30 lines; the first names a speed. Steps reach from none to long ones, several times the same way."""
    step = st.one_of(st.just(0), st.integers(-60, 60), st.integers(-20000, 20000))
    height = st.sampled_from([0, 0, 0, 0, 200, -200, 1000])
    filament = st.sampled_from([0, 0, 10, 100, 800, -800])
    leg = st.builds(Leg, step, step, height, filament, st.sampled_from([0, 0, 0, 900, 2400, 6000]))
    return st.lists(leg, min_size=1, max_size=30).map(lambda drawn: [Leg(1000, 0, 0, 0, 3000), *drawn])


def text_of(path: Sequence[Leg], grid: Grid, heading: str = "", origin: tuple[int, int, int] = (0, 0, 0)) -> bytes:
    """The text of a file: absolute places from `origin` on, which G92 names first; filament relative."""

    def number(steps: int) -> str:
        return f"{steps * grid.step:.{grid.decimals}f}"

    x, y, z = origin
    lines = [heading, "M83", f"G92 X{number(x)} Y{number(y)} Z{number(z)}"]
    for leg in path:
        x, y, z = x + leg.x, y + leg.y, z + leg.z
        speed = f" F{leg.speed * grid.speed:.1f}" if leg.speed else ""
        lines.append(f"G1 X{number(x)} Y{number(y)} Z{number(z)} E{number(leg.filament)}{speed}")
    return "\n".join([*lines, ""]).encode()
