"""Makes parts_bin.gcode, the same bytes every time: `python make_parts_bin.py`."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from printing import Print, Settings  # noqa: E402
from shapes import Loop, rectangle  # noqa: E402

COURSES, FLOOR_COURSES = 300, 3


def parts_bin() -> str:
    """A bin for spare parts: a thin floor and a wall of two roads all round."""

    def rim(inset: float) -> list[Loop]:
        return [rectangle((107.0, 112.0), 160.0, 120.0, inset)]

    job = Print(
        Settings(nozzle=210, bed=60, absolute_extruder=False),
        "parts bin",
        ["Shows a print of hours: a floor of 3 layers, a wall of 297 more. Relative extruder."],
    )
    for course in range(1, COURSES + 1):
        if course <= FLOOR_COURSES:
            job.layer(rim, solid=True)
        else:
            job.begin_course()
            job.perimeters(rim)
    return job.finish()


if __name__ == "__main__":
    (HERE / "parts_bin.gcode").write_bytes(parts_bin().encode("ascii"))
