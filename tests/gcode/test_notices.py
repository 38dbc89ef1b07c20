"""In which order doubts are told: by what they may cost, of equals the most frequent first, then by line."""

from __future__ import annotations

from kinematics.errors import LIMITS, OTHERWISE, UNREAD, WAITING, Notice, dearest_first
from kinematics.gcode.findings import nothing_moves
from kinematics.gcode.state import NOTE_COSTS, NOTE_TEXTS
from tests.gcode.reading import read

DOUBTS = """\
G1 X1 F600 F700
M204 Q9
G2 X2 I5 R9
G1 X3 F0
G1 X4 Y
M777
G1 X5 Y
G4
G1 X6 F0
G1 X7 F-1
"""


def test_waits_and_unread_moves_come_first() -> None:
    costs = [notice.cost for notice in read(DOUBTS).notices]
    assert costs == sorted(costs)
    assert set(costs) == {WAITING, UNREAD, OTHERWISE, LIMITS}
    first, second, third, *_, last = read(DOUBTS).notices
    assert (first.line, first.text.partition(":")[0]) == (8, "dwell without a length")
    assert (second.line, second.count) == (5, 2)  # before M777, which stands once
    assert third.text.startswith("M777 is not understood")
    assert last.text.startswith("M204 Q states no limit")
    assert [notice.count for notice in read(DOUBTS).notices if notice.cost == LIMITS] == [3, 1]


def test_equals_go_by_line() -> None:
    rows = [Notice(9, 2, "b"), Notice(4, 2, "c"), Notice(None, 2, "d"), Notice(7, 3, "a"), Notice(99, 1, "e", WAITING)]
    assert [one.text for one in dearest_first(rows)] == ["e", "a", "d", "c", "b"]


def test_a_file_without_motion_names_its_first_doubtful_line() -> None:
    error = nothing_moves("job", [Notice(8, 1, "later", WAITING), Notice(2, 1, "sooner")])
    assert "(line 2: sooner)" in str(error)


def test_every_cost_is_of_a_doubt() -> None:
    assert NOTE_COSTS.keys() < NOTE_TEXTS.keys()
