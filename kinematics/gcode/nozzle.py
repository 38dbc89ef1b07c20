"""The nozzle's temperature that a job asks for at each of its moves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import NOZZLE_TARGET, NOZZLE_WAIT, NOZZLE_WAIT_BOTH_WAYS, Events


class NozzleTargets(NamedTuple):
    """`of_move` int32[n] the row of `table` (°C; None before the first target) that holds for a move."""

    of_move: NDArray[np.int32]
    table: tuple[float | None, ...]


def nozzle_targets(events: Events, moves: int) -> NozzleTargets:
    """The last target told before each of `moves` moves: what is asked for, not what is measured.

    With several tools it is the target told last, whichever tool it was told to. A heater that is switched off (0 °C)
    asks for nothing: the target before it is kept, since what still melts was heated before.
    """
    kinds = np.isin(events.kind, (NOZZLE_TARGET, NOZZLE_WAIT, NOZZLE_WAIT_BOTH_WAYS))
    told = np.flatnonzero(kinds & (events.value > 0.0))
    rows: dict[float | None, int] = {None: 0}
    number = [0, *(rows.setdefault(value, len(rows)) for value in events.value[told].tolist())]
    lengths = np.diff(events.move[told], prepend=0, append=moves)
    return NozzleTargets(np.repeat(np.array(number, np.int32), lengths), tuple(rows))
