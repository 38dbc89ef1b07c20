"""Where a limit is raised in vain: what holds in its place, and what comes of it with that lifted too."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.jobs.many import Variant
from kinematics.jobs.timing import (
    IDLE,
    TORQUE_ENDING,
    Gist,
    TimedJob,
    Timing,
    gist_of,
    key_of,
    time_jobs,
    weighted_total,
)
from kinematics.limits import columns as by
from kinematics.limits.class_limits import IN_THE_JOB
from kinematics.limits.combine import FROM_THE_JOB
from kinematics.limits.flow import FLOW_KEY, filament_area
from kinematics.machine import Machine
from kinematics.machine.names import find_key
from kinematics.studies.worth import SAME_TIME, words_of

WORTH_NAMING = 0.02  # of the seconds that are spent where a limit does not rule: who has less is not named
MOST_NAMED = 3
A_LITTLE_LESS = 0.99  # of a limit, to see whether anything hangs on it


class Holder(NamedTuple):
    """What holds in place of a limit: its dotted key, words and unit, and its value (None: it has no single one)."""

    key: str
    what: str
    unit: str
    value: float | None


class HeldBy(NamedTuple):
    """One limit that was raised to `asked`, and whether it is reached.

    `share_of_time`, `share_of_moves` in which it rules; where it rules nowhere, `held` by what, those that hold longest
    first, and `lifted_total_s` the time with these lifted too (s; None where that leaves a move without any ceiling, or
    nothing can be lifted).
    """

    key: str
    what: str
    unit: str
    asked: float
    share_of_time: float
    share_of_moves: float
    held: tuple[Holder, ...]
    lifted_total_s: float | None

    @property
    def never_reached(self) -> bool:
        """Whether it rules nowhere."""
        return bool(self.held)


class _Rule(NamedTuple):
    """Of which moves and of what bounds a key is a limit: kinds of moves, a label ("" for any), and what it bounds."""

    kinds: tuple[int, ...]
    label: str
    bounds: str


def _rule_of(key: str) -> _Rule | None:
    """What a key bounds; None for corners, budgets and the like, of which no seconds tell."""
    found = find_key(key)
    if found is None:
        return None
    *section, last = found.path
    kinds: tuple[int, ...] = (PRINT, TRAVEL)
    if last.startswith("print_") or "print" in section or key == FLOW_KEY or section[-1:] == ["e"]:
        kinds = (PRINT,)
    elif last.startswith("travel_") or "travel" in section:
        kinds = (TRAVEL,)
    elif section == ["retraction"]:
        kinds = (FILAMENT,)
    label = section[-1] if section[:2] == ["motion", "by_label"] else ""
    if last.endswith("acceleration_mm_s2"):
        return _Rule(kinds, label, by.OF_RAMP)
    if last in ("max_speed_mm_s", "speed_cap_mm_s", "commanded_speed_mm_s", "feed_override") or key == FLOW_KEY:
        return _Rule(kinds, label, by.OF_SPEED)
    return None


def raised_limits(machine: Machine, variant: Variant) -> dict[str, float]:
    """The limits that a variant raises over the machine's own, or gives where it has none, with their values."""
    found = {}
    for key in sorted(variant.varied):
        before, after = machine.value_of(key), variant.machine.value_of(key)
        if not isinstance(after, int | float) or isinstance(after, bool) or _rule_of(key) is None:
            continue
        if key.endswith(".feed_override") and before is None:
            before = machine.motion.feed_override
        if before is None or (isinstance(before, int | float) and after > before):
            found[key] = float(after)
    return found


def held_by(
    jobs: Sequence[TimedJob],
    weights: Sequence[float],
    machine: Machine,
    variant: Variant,
    timings: Sequence[Timing],
) -> tuple[HeldBy, ...]:
    """Of each limit that a variant raises, in which share it rules, and what holds where it rules nowhere.

    `timings` the jobs under the variant, with the arrays of their plans as they are. Nothing of jobs whose moves are
    not kept: every question would read them once more.
    """
    if not all(job.keeps_moves for job in jobs):
        return ()
    raised = raised_limits(machine, variant)
    total = weighted_total(timings, weights)
    gists = [gist_of(timing) for timing in timings] if raised else []
    shares = {key: _shares(key, weights, timings, gists) for key in raised}
    found = []
    for key, asked in raised.items():
        rule = _rule_of(key)
        assert rule is not None  # or it would not be among them
        seconds, moves = shares[key]
        idle = seconds <= 0.0 and _is_idle(jobs, weights, variant, key, total)
        holders = _holders(rule, variant.machine, weights, timings) if idle else ()
        lifted = _lifted(jobs, weights, variant, holders) if holders else None
        unit = _unit(key)
        found.append(HeldBy(key, _words(key), unit, asked, seconds / total, moves, holders, lifted))
    return tuple(found)


def _words(key: str) -> str:
    """A limit in a maker's words, as the ladder has them."""
    kind = next((name for name in ("print", "travel") if key == f"motion.by_kind.{name}.feed_override"), "")
    return f"{kind} speed in the file" if kind else words_of(key)


def _is_idle(jobs: Sequence[TimedJob], weights: Sequence[float], variant: Variant, key: str, total: float) -> bool:
    """Whether nothing hangs on a limit: with a little less of it the jobs take as long. Of two limits that hold the
    same moves, one alone has the seconds.
    """
    less = time_jobs(jobs, *variant, passing=True, scaled=((key, A_LITTLE_LESS),), total_only=True)
    return weighted_total(less, weights) <= total * (1.0 + SAME_TIME)


def _unit(key: str) -> str:
    known = find_key(key.removesuffix(IN_THE_JOB))
    if known is None:
        return ""
    return "×" if known.name.endswith("feed_override") else known.unit


def _shares(
    key: str, weights: Sequence[float], timings: Sequence[Timing], gists: Sequence[Gist | None]
) -> tuple[float, float]:
    """Seconds under a key, and the share of the moves that it rules in cruising or on a ramp."""
    seconds, moves, ruled = 0.0, 0.0, 0.0
    for timing, gist, weight in zip(timings, gists, weights, strict=True):
        rules = np.zeros(timing.seconds.shape, np.bool_)
        for row, code in np.argwhere(timing.seconds > 0.0):
            rules[row, code] = key_of(timing.limits, int(row), int(code)) == key
        seconds += weight * float(timing.seconds[rules].sum())
        assert gist is not None  # whose moves are not kept are not asked
        row, cruise, ramp, count = gist.ruled.T
        both = (cruise != IDLE) & rules[row, cruise] | (ramp != IDLE) & rules[row, ramp]
        ruled += weight * float(count[both].sum())
        moves += weight * float(count.sum())
    return seconds, ruled / moves if moves else 0.0


def _holders(rule: _Rule, machine: Machine, weights: Sequence[float], timings: Sequence[Timing]) -> tuple[Holder, ...]:
    """What holds the moves of a rule, those that hold longest first."""
    codes = {one.cause for one in by.CEILINGS if one.bounds == rule.bounds}
    seconds: dict[str, float] = {}
    values: dict[str, tuple[float, float | None]] = {}
    for timing, weight in zip(timings, weights, strict=True):
        for row, code in np.argwhere(timing.seconds > 0.0):
            member = timing.table[row]
            if code not in codes or member.kind not in rule.kinds or rule.label not in ("", member.label):
                continue
            key, spent = key_of(timing.limits, int(row), int(code)), weight * float(timing.seconds[row, code])
            if not key:
                continue
            seconds[key] = seconds.get(key, 0.0) + spent
            if spent > values.get(key, (0.0, None))[0]:
                values[key] = spent, _value(timing, machine, int(row), int(code), key)
    whole = math.fsum(seconds.values())
    ordered = sorted(seconds.items(), key=lambda item: -item[1])
    named = [key for key, spent in ordered if spent >= WORTH_NAMING * whole]
    return tuple(Holder(key, _words(key), _unit(key), values[key][1]) for key in named[:MOST_NAMED])


def _value(timing: Timing, machine: Machine, row: int, code: int, key: str) -> float | None:
    """The value of a limit that holds a class of moves, in the unit of its key."""
    column = by.OF_CAUSE[code].column
    if column is None or key.endswith(TORQUE_ENDING) or key == FROM_THE_JOB:
        return None
    value = float(timing.limits.values[row, column])
    if key == FLOW_KEY:
        value *= filament_area(machine)
    own = machine.value_of(key) if find_key(key) is not None else None
    return float(own) if isinstance(own, int | float) else value if math.isfinite(value) else None


def _lifted(
    jobs: Sequence[TimedJob], weights: Sequence[float], variant: Variant, holders: Sequence[Holder]
) -> float | None:
    """The time with what holds lifted as well (s)."""
    scaled = tuple((one.key, math.inf) for one in holders)
    timings = time_jobs(jobs, *variant, passing=True, scaled=scaled, total_only=True)
    if any(one.unbounded for one in timings):
        return None
    return weighted_total(timings, weights)


def held_under(
    jobs: Sequence[TimedJob], weights: Sequence[float], machine: Machine, settings: Mapping[str, Any]
) -> tuple[HeldBy, ...]:
    """The same for settings of a machine, under which the jobs are timed for it."""
    variant = Variant(*machine.changed(settings, "what holds"))
    if not raised_limits(machine, variant) or not all(job.keeps_moves for job in jobs):
        return ()
    timings = time_jobs(jobs, *variant)
    return held_by(jobs, weights, machine, variant, timings)
