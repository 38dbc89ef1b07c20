"""Small sound inputs of every kind, with which a search for unsound ones begins, and words that stand in them."""

from __future__ import annotations

import json

from tests.faults.fuzz import DIALECT, ORDERS, PRINTERS
from tests.malformed.tables import TABLES

JOB_WORDS = (
    "G0", "G1", "G2", "G3", "G4", "G10", "G11", "G17", "G18", "G19", "G20", "G21", "G28", "G90", "G91", "G92", "G93",
    "G94", "G95", "M0", "M2", "M82", "M83", "M104", "M109", "M140", "M190", "M204", "M220", "M221", "M400", "T1", "X1",
    "Y-2.5", "Z.2", "E0.04", "F6000", "I9", "J0", "R2.5", "P999", "S200", "N10", "*77", "/", "%", ";", "(", ")",
)  # fmt: skip
WAVES = "".join(f"{i / 1000:.4f},{(i * i % 97) / 9 - 5:.3f},{(i % 13) / 5:.2f},9.81\n" for i in range(40))
SAVED = {
    "schema_version": 1,
    "machine": {"name": "Quick"},
    "jobs": [{"file": "hook.gcode", "total_s": 12.5, "by_cause": {}}],
}
TIMES = (
    "job,minutes,machine,material,notes,counted_from,date,fingerprint\n"
    "hook.gcode,12.5,quick,PETG,left one,first move,2026-03-02,\n"
    "hook.gcode,1h52m,,,,start,02.03.2026,0123456789abcdef\n"
)

SEEDS: dict[str, tuple[bytes, ...]] = {
    "dialect": (
        DIALECT,
        b'[words]\nG1 = "move"\n[extruder]\nletter = "A"\nis_volume = true\n',
        b"[[limit]]\nword = 'M204'\nletter = 'P'\nmeans = 'print acceleration'\nunit = 'mm/s2'\n",
        b"[[write]]\nmeans = 'print acceleration'\ntext = 'SPEEDUP {value}'\nunit = 'mm/s2'\n",
    ),
    "orders": (ORDERS, *(row[0].encode() for row in TABLES.values())),
    "printers": (PRINTERS, *(row[1].encode() for row in TABLES.values())),
    "recording": (
        f"time (s),x (m/s2),y (m/s2),z (m/s2)\n{WAVES}".encode(),
        WAVES.replace(",", ";").replace(".", ",").encode(),
        b"# made by hand\n0 1 2 3\n1 -1 0.5 3\n2 1 2 nan\n",
        "\ufefftime\tx\n1\t2\n".encode("utf-16"),
    ),
    "times": (TIMES.encode(), TIMES.replace(",", ";").encode(), b"file,time\nhook.gcode,1:52:00\n"),
    "saved": (json.dumps(SAVED).encode(), b'{"schema_version": 1, "jobs": []}'),
}
