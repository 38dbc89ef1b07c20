"""Few bytes that are many moves: the job, and what is asked of it.

Each took one gigabyte to nine, or would have.
"""

from __future__ import annotations

import gzip

START = b"G90\nG1 X0 Y0 F6000\n"
ARC = b"G2 X0 Y0 I9 E1 P800\n"  # 53,301 chords of 0.01 mm
PACKED = 9 * gzip.compress(3 * ARC)
MACHINE = ("--machine", "middling")

ESTIMATE = ("estimate", *MACHINE)
MANY_MOVES: dict[str, tuple[bytes, tuple[str, ...]]] = {
    "1 KB of arcs": (START + 50 * ARC, ESTIMATE),
    "arcs on a few lines": (START + (40 * ARC).replace(b"\n", b" ") + b"\n" + 10 * ARC, ESTIMATE),
    "arcs on a machine with motors": (START + 50 * ARC, ("estimate", "--machine", "quick")),
    "1 KB of arcs in a sweep": (START + 5 * ARC, ("sweep", *MACHINE, "--vary", "speed=1,2")),
    "1 KB of arcs with a deadline": (START + 5 * ARC, ("target", *MACHINE, "--within", "9h")),
    "1 KB of arcs against caps": (START + 50 * ARC, ("caps", *MACHINE)),
    "gzip of gzips, the last one small": (gzip.compress(START) + PACKED + gzip.compress(b"\n"), ESTIMATE),
    "the shortest moves there are": (b"G91\nF600\n" + 450_000 * b"X1\nY1\n", ESTIMATE),
    "a straight of three million moves": (
        gzip.compress(b"G91\nG1 X9 F6000\nG1 X1 Y.4\n" + 3_000_000 * b"X.01\n" + b"Y1\n"), ESTIMATE,
    ),
    "the shortest moves, packed": (gzip.compress(b"G91\nF600\n" + 1_500_000 * b"X1\nY1\n"), ESTIMATE),
}  # fmt: skip
