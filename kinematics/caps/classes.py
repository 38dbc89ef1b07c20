"""Classes of moves: one small number for every distinct set of circumstances that limits may depend on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import FILAMENT, KIND_NAMES, Moves

KINDS = len(KIND_NAMES)


class MoveClass(NamedTuple):
    """What the moves of one class share: their kind, and whether they belong to the first layers."""

    kind: int
    first_layers: bool


class Classes(NamedTuple):
    """`of_move` (n) the class of every move, `table` what each class stands for."""

    of_move: NDArray[np.uint16]
    table: tuple[MoveClass, ...]


def classify(moves: Moves, first_layers: int) -> Classes:
    """Give every move its class; `first_layers` is the number of layers that are kept apart (0: none)."""
    of_move = moves.kind.astype(np.uint16)
    table = [MoveClass(kind, False) for kind in range(KINDS)]
    if first_layers > 0:
        of_move[moves.layer <= first_layers] += KINDS
        table += [MoveClass(kind, True) for kind in range(KINDS)]
    return Classes(of_move, tuple(table))


def is_path(member: MoveClass) -> bool:
    """Whether moves of this class have a path length."""
    return member.kind != FILAMENT
