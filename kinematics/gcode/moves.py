"""The flat tool path that a job file becomes: moves and the events between them, structures of arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

# Kinds of a move (Moves.kind).
(
    PRINT,  # path length > 0 and filament fed > 0
    TRAVEL,  # path length > 0, nothing fed (or drawn back)
    FILAMENT,  # extruder only
) = range(3)
KIND_NAMES = ("print", "travel", "filament")

# Kinds of an event (Events.kind). All but the heater targets bring motion to rest at their place.
(
    DWELL,  # value: seconds
    PAUSE,  # a person has to act
    HOMING,  # tool: a bit for each axis that is put at its home place, 1 for x
    PROBING,
    TOOL_CHANGE,  # value: tool number
    NOZZLE_TARGET,  # value: °C, heating goes on beside motion
    BED_TARGET,  # value: °C, heating goes on beside motion
    NOZZLE_WAIT,  # value: °C, NaN where the line names none and the last target counts
    BED_WAIT,  # value: °C, NaN likewise
    NOZZLE_WAIT_BOTH_WAYS,  # value: °C; also waits for cooling down
    BED_WAIT_BOTH_WAYS,
    FINISH,  # waits until the moves before it are done
    RETRACTION,  # by the controller, whose length nobody gave
    # value: of the word; tool: letter + 32 · (ten times the code + 10,000 for M), and more for a command's first letter
    LIMIT,  # motion goes on
    TEXT_LINE,  # a line that is no G-code: value its byte offset, tool the row or key of the notes; motion goes on
) = range(15)
WAITS = (NOZZLE_WAIT, BED_WAIT, NOZZLE_WAIT_BOTH_WAYS, BED_WAIT_BOTH_WAYS)
FIRST_OF_COMMAND = 1 << 20
EVENT_NAMES = (
    "dwell",
    "pause",
    "homing",
    "probing",
    "tool change",
    "nozzle target",
    "bed target",
    "nozzle heating",
    "bed heating",
    "nozzle heating",
    "bed heating",
    "finish moves",
    "retraction",
    "limit",
    "text",
)


class Moves(NamedTuple):
    """Moves in file order, every field an array of length n, C-contiguous.

    `dx, dy, dz` displacement (mm), zero for extruder-only moves; `de` filament fed (mm of filament, negative when
    drawn back); `speed` commanded speed along the path (mm/s; infinity where the file commands none); `kind`
    PRINT, TRAVEL or FILAMENT; `line` line in the file (from 1); `layer` layer number (from 1; 0 before the first
    printing move); `stop` 1 where motion is at rest before this move because of an event (dwell, wait, pause,
    homing, tool change).
    """

    dx: NDArray[np.float64]
    dy: NDArray[np.float64]
    dz: NDArray[np.float64]
    de: NDArray[np.float64]
    speed: NDArray[np.float64]
    kind: NDArray[np.int8]
    line: NDArray[np.int32]
    layer: NDArray[np.int32]
    stop: NDArray[np.uint8]


class Events(NamedTuple):
    """Events in file order, every field an array of length m.

    `move` index of the first move after the event (n after the last); `kind` one of the codes of this file;
    `value` seconds, °C or tool number by kind; `tool` the tool that a heater belongs to (0 unless told), or what the
    kind says; `line` line in the file (from 1).
    """

    move: NDArray[np.int64]
    kind: NDArray[np.int8]
    value: NDArray[np.float64]
    tool: NDArray[np.int32]
    line: NDArray[np.int32]


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
