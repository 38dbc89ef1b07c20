"""The nozzle's temperature at every move: against a walk through the events one by one, and by hand."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.gcode.moves import BED_TARGET, NOZZLE_TARGET, NOZZLE_WAIT, NOZZLE_WAIT_BOTH_WAYS, Events, nozzle_targets
from kinematics.gcode.reader import read_gcode

HEATS = (NOZZLE_TARGET, NOZZLE_WAIT, NOZZLE_WAIT_BOTH_WAYS)
TOLD = st.tuples(st.sampled_from([*HEATS, BED_TARGET]), st.sampled_from([0.0, 200.0, 215.0, 60.0]), st.integers(0, 20))


def naive_targets(events: Events, moves: int) -> list[float | None]:
    """What holds for each move, the events gone through anew for every one."""
    found: list[float | None] = []
    for move in range(moves):
        holds = None
        for kind, value, before in zip(events.kind, events.value, events.move, strict=True):
            if before <= move and kind in HEATS and value > 0.0:
                holds = float(value)
        found.append(holds)
    return found


@settings(max_examples=200, deadline=None)
@given(st.lists(TOLD, max_size=12), st.integers(1, 20))
def test_targets_are_those_told_last(told: list[tuple[int, float, int]], moves: int) -> None:
    told = sorted(told, key=lambda one: one[2])
    told = [one for one in told if one[2] <= moves]
    n = len(told)
    empty = read_gcode(b"G1 X1 F60").events
    events = empty._replace(
        kind=np.array([one[0] for one in told], empty.kind.dtype),
        value=np.array([one[1] for one in told], np.float64),
        move=np.array([one[2] for one in told], empty.move.dtype),
        line=np.arange(n, dtype=empty.line.dtype),
        tool=np.zeros(n, empty.tool.dtype),
    )
    found = nozzle_targets(events, moves)
    assert found.of_move.size == moves
    assert [found.table[row] for row in found.of_move] == naive_targets(events, moves)


def test_by_hand() -> None:
    """Before the first target nothing is known; the bed does not count; a heater switched off keeps the last."""
    text = b"G1 X1 F60\nM104 S210\nM140 S60\nG1 X2\nG1 X3\nM109 S225\nG1 X4\nM104 S0\nG1 X5\n"
    job = read_gcode(text)
    found = nozzle_targets(job.events, len(job))
    assert [found.table[row] for row in found.of_move] == [None, 210.0, 210.0, 225.0, 225.0]
    plain = nozzle_targets(read_gcode(b"G1 X1 F60\nG1 X2\n").events, 2)
    assert (plain.of_move.tolist(), plain.table) == ([0, 0], (None,))
