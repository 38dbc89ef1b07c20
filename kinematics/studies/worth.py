"""What each limit is worth: what one per cent more of it buys, and the time if it were lifted altogether."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

from kinematics.caps.class_limits import IN_THE_JOB, NOTHING_VARIED
from kinematics.caps.combine import ADVANCE_KEY, COMMANDED
from kinematics.machine import Machine
from kinematics.studies.timing import Ask, TimedJob, Timing, foresee

ONE_PERCENT = 1.01
SAME_TIME = 1e-12  # share of the time below which two plans took as long as each other


class Worth(NamedTuple):
    """One limit: its dotted key and words; seconds that one per cent more saves; the time with it lifted (s; None where
    that leaves a move without any ceiling).

    Saved seconds may be below 0 where acceleration depends on speed.
    """

    key: str
    what: str
    one_percent: float
    if_lifted: float | None


def words_of(key: str) -> str:
    """A limit in a maker's words."""
    plain = key.removesuffix(IN_THE_JOB)
    if plain == COMMANDED:
        return "speeds in the file"
    stated = ", stated in the job" if plain != key else ""
    parts = plain.split(".")
    name = parts[-1]
    for ending in ("_mm_s2", "_mm3_s", "_mm_s", "_mm", "_nm", "_per_s", "_s"):
        name = name.removesuffix(ending)
    name = name.removeprefix("max_").replace("_", " ")
    if parts[0] == "axes":
        name = f"{parts[1]} axis {name}"
    elif parts[0] == "motors":
        name = f"motor {parts[1]} {name}"
    elif parts[0] == "hotend":
        name = f"hotend {name}"
    elif parts[0] == "retraction":
        name = f"retraction {name}"
    elif parts[:2] == ["motion", "speed_step_mm_s"]:
        name = f"{parts[2]} axis speed step"
    elif parts[:2] == ["motion", "by_label"]:
        name = f"{name}, {'.'.join(parts[2:-1])}"
    elif parts[:2] == ["motion", "by_kind"]:
        name = f"{name}, {parts[2]}" if not name.startswith(parts[2]) else name
    elif parts[0] == "controller":
        name = f"{name} a second"
    if plain == ADVANCE_KEY:
        name = "pressure advance (less of it)"
    return name + stated


def scaled_ask(machine: Machine, key: str, factor: float, varied: frozenset[str]) -> Ask:
    """One limit with a factor on it, infinity to lift it."""
    return Ask(machine, varied, True, ((key, factor),), True)


def worth_of_limits(
    prepared: TimedJob,
    machine: Machine,
    timing: Timing,
    varied: frozenset[str] = NOTHING_VARIED,
) -> tuple[Worth, ...]:
    """What each limit that has a say is worth to a job, those that buy most first; every number by planning again.

    A limit here is everything under one key of the machine file, or under one that the job states; the commanded speed
    of the job is one as well.
    """
    keys = sorted(timing.limits.keys)
    asks = [scaled_ask(machine, key, factor, varied) for key in keys for factor in (ONE_PERCENT, math.inf)]
    foresee([prepared], asks)

    def total(ask: Ask) -> float | None:
        found = prepared.timed(ask)
        return None if found.unbounded else found.total

    # Planning lets other threads run, so that both cores are of use.
    with ThreadPoolExecutor(2) as pool:
        totals = list(pool.map(total, asks))
    found = []
    for i, key in enumerate(keys):
        more, lifted = totals[2 * i], totals[2 * i + 1]
        saved = timing.total - (more if more is not None else timing.total)
        saved = 0.0 if abs(saved) <= SAME_TIME * timing.total else saved
        found.append(Worth(key, words_of(key), saved, lifted))
    return tuple(sorted(found, key=lambda worth: (-worth.one_percent, worth.key)))
