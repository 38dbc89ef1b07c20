"""What the whole job leaves one mode swinging by, beside planning the job: one axis, a million moves.

Run from anywhere: python benchmarks/ringing.py
"""

from __future__ import annotations

from contest import Verdicts, in_turn, table
from plan import cases, long_job, planning

from kinematics.planner.plan import plan
from kinematics.vibration.exposure import axis_motion, exposure
from kinematics.vibration.filters import filter_named

MOVES = 1_000_000
FREQUENCY, DAMPING = 46.0, 0.05
DESIGN = 50.0  # Hz
MOST_OF_PLANNING = 40.0


def main() -> None:
    """Let planning, making the motion of an axis, and carrying its swing run in turn."""
    verdicts = Verdicts()
    (case,) = cases((MOVES,))
    found = plan(case.features, case.limits)
    direction = long_job(MOVES).dx / case.features.length
    parts = found.speed_in, found.speed_peak, found.speed_out, found.rising, found.cruising, found.falling
    motion = axis_motion(direction, *parts)
    none, double = (filter_named(name, DESIGN, DAMPING) for name in ("none", "ZVD"))
    times = in_turn(
        {
            "plan()": planning(case),
            "motion of an axis": lambda: axis_motion(direction, *parts),
            "exposure, no filter": lambda: exposure(motion, none, FREQUENCY, DAMPING),
            "exposure, ZVD": lambda: exposure(motion, double, FREQUENCY, DAMPING),
        },
        seconds=10.0,
    )
    planned = times["plan()"].least
    rows = [
        [name, f"{each.least:.3f}", f"{each.median:.3f}", f"{each.least / planned:.1f}"] for name, each in times.items()
    ]
    table([f"{MOVES:,} moves", "seconds", "median", "times plan()"], rows)
    ratio = times["exposure, ZVD"].least / planned
    target = f"the exposure of one mode behind a filter takes at most {MOST_OF_PLANNING:g} times as long as planning"
    verdicts.judge(target, f"{ratio:.0f} times", ratio <= MOST_OF_PLANNING)
    verdicts.exit()


if __name__ == "__main__":
    main()
