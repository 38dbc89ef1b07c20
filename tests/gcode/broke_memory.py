"""The smallest files that once made the reader touch memory that is not its own, and others of their kind.

Each with its remark; all are read with bounds checked (`test_checked_runs`) and as ever (`test_room`).
"""

from __future__ import annotations

CASES: dict[str, bytes] = {
    # Each arc is cut into 56,000 chords; room for 65,536 moves was looked for once a line.
    "two long arcs on a line": b"G1 X0 Y0 F1000\nG2 I10 P800 G2 I10 P800\n",
    "five long arcs on a line": b"G1 X0 Y0 F1000\n" + b"G2 I10 P800 " * 5 + b"\nX1\n",
    "long arcs in the motion in force": b"G2 I10 P800 F1000\nI10 P800 G3 I10 P800 T1 I-10 P800 G91\nG1 X1\n",
    # A code below 0 counted from the end of the table of meanings, and further.
    "a negative code alone": b"G-214748",
    "a negative code, less far": b"G-99999",
    "a negative code inside the table": b"G1 X1 F60\nG-5 X2\nG-0.6\nG-0.04 X3\n",
    "a negative M code": b"G1 X1 F60\nM-117 X5\nM-214748\n",
    "a negative message": b"G1 X1 F60\nM-117 is no message!\n",
    "codes at the end of the tables": b"G1 X1 F60\nG999.9\nM999.94\nM999.95\nG999.96\nG1000\nM6013\n",
    "a code of hundreds of digits": b"G1 X1 F60\nG" + b"9" * 400 + b"\nM-" + b"9" * 400 + b"\n",
    "tools of hundreds of digits": b"G1 X1 F60\nT" + b"9" * 400 + b"\nX2\n",
    "the tool of a heater, of hundreds of digits": b"G1 X1 F60\nM104 S200 T" + b"9" * 400 + b"\nX2\n",
    "a negative tool": b"G1 X1 F60\nT0\nT-3\nM104 T-7 S200\nX2\n",
    "turns of hundreds of digits": b"G1 X1 F60\nG2 I10 P" + b"9" * 400 + b"\n",
    "turns below 0": b"G1 X1 F60\nG2 I10 P-800\n",
    "a limit of hundreds of digits": b"G1 X1 F60\nM204 S" + b"9" * 400 + b"\nX2\n",
    "a number of hundreds of decimals": b"G1 X0." + b"0" * 400 + b"1 Y." + b"3" * 400 + b" F60\n",
    "a number of a thousand leading zeros": b"G1 X" + b"0" * 1000 + b"1 F60\n",
    "more words than a line may have": b"G1 X1 F60\n" + b"T1 " * 300 + b"\nX2\n",
    "as many events as words": b"G1 X1 F60\n" + b"G4P1 " * 60 + b"\nX2\n",
}
