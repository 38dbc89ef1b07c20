"""In which order doubts are told: what may cost time first, of equals the most frequent first, then by line."""

from __future__ import annotations

from kinematics.errors import MAY_COST, SMALL_MATTER, Notice, by_weight
from kinematics.gcode.findings import nothing_moves
from tests.gcode.reading import read

DOUBTS = """\
M83
G1 X1 F600 F700
M204 Q9
G2 X2 I5 R9
G1 X4 Y
M777
G1 X5 Y
G4
G1 X5 F0
G1 X6 F0
G1 X7 F-1
G1 Z0.3 E1 F600
G1 X9 Z0.1 E1
G1 X1 Z0.2 E1
"""


def test_waits_moves_that_were_not_read_and_layers_come_before_all_else() -> None:
    found = read(DOUBTS).notices
    weights = [notice.weight for notice in found]
    assert weights == sorted(weights)
    dear = [notice.text.partition(" ")[0] for notice in found if notice.weight == MAY_COST]
    assert dear == ["damaged", "dwell", "the"]  # two lines, and of one each the earlier
    assert [notice.count for notice in found if notice.weight == SMALL_MATTER][:2] == [3, 1]


def test_equals_go_by_line() -> None:
    rows = [Notice(9, 2, "b"), Notice(4, 2, "c"), Notice(7, 3, "a"), Notice(99, 1, "e", weight=MAY_COST)]
    assert [one.text for one in by_weight(rows)] == ["e", "a", "c", "b"]


def test_a_file_without_motion_names_its_first_doubtful_line() -> None:
    error = nothing_moves("job", by_weight([Notice(8, 1, "later", weight=MAY_COST), Notice(2, 1, "sooner")]))
    assert "(line 2: sooner)" in str(error)
