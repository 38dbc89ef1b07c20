"""The way back: moves that were read from a file, as the slow twin takes them."""

from __future__ import annotations

from kinematics.gcode.moves import KIND_NAMES, Moves
from tests.naive.planner_twin import NaiveMove


def to_naive(moves: Moves) -> list[NaiveMove]:
    """The same moves one by one; `line` is left out, the twin has no use for it."""
    return [
        NaiveMove(dx, dy, dz, de, speed, KIND_NAMES[kind], layer, bool(stop))
        for dx, dy, dz, de, speed, kind, layer, stop in zip(
            moves.dx.tolist(),
            moves.dy.tolist(),
            moves.dz.tolist(),
            moves.de.tolist(),
            moves.speed.tolist(),
            moves.kind.tolist(),
            moves.layer.tolist(),
            moves.stop.tolist(),
            strict=True,
        )
    ]
