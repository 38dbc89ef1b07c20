"""If you change one thing: plan again with one limit raised, and see what it saves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.caps import columns as by
from kinematics.gcode.moves import PRINT, TRAVEL
from kinematics.machine import Machine, resolved_keys
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.timing import Ask, Timing, foresee, time_job

if TYPE_CHECKING:
    from kinematics.studies.blockwise import BlockwiseJob

RAISE = 1.5  # one step that a maker would try
WORTH_A_TRY = 0.002  # share of the time that a limit must hold before it is tried
WORTH_SAYING = 0.005  # share of the time that a change must save before it is shown


class Change(NamedTuple):
    """One limit changed: `key` of the machine file, its words, from, to, unit, what it saves (s), the settings."""

    key: str
    what: str
    before: float | None
    after: float
    unit: str
    saved: float
    settings: tuple[tuple[str, float], ...]


class _Trial(NamedTuple):
    key: str
    what: str
    before: float | None
    after: float
    unit: str
    settings: Mapping[str, Any]

    @property
    def assignments(self) -> tuple[tuple[str, float], ...]:
        """The settings as dotted keys and numbers; a table is opened."""
        return tuple(
            (f"{key}.{axis}", step) if isinstance(value, Mapping) else (key, value)
            for key, value in self.settings.items()
            for axis, step in (value.items() if isinstance(value, Mapping) else [("", value)])
        )


def _by_class(timing: Timing, kind: int, code: int) -> float:
    """Seconds that moves of a kind spend under a cause."""
    rows = [i for i, member in enumerate(timing.table) if member.kind == kind]
    return float(timing.seconds[rows, code].sum())


def _held(timing: Timing, code: int, column: int, kind: int | None = None) -> float | None:
    """The limit under which moves (of a kind) spend most seconds of a cause; None where nothing holds them."""
    rows = [i for i, member in enumerate(timing.table) if kind is None or member.kind == kind]
    row = max(rows, key=lambda i: timing.seconds[i, code])
    value = float(timing.limits.values[row, column])
    return value if value < math.inf else None


def _raised(machine: Machine, key: str, what: str, unit: str, held: float | None = None) -> _Trial | None:
    value = machine.value_of(key) if held is None else held
    if value is None:
        return None
    after = float(f"{value * RAISE:.3g}")
    return _Trial(key, what, value, after, unit, {key: after})


def _trials(machine: Machine, timing: Timing) -> list[_Trial]:
    """The changes that may pay: each raises a limit under which the job spends time."""
    least = WORTH_A_TRY * timing.total
    motion = machine.motion
    trials: list[_Trial | None] = []
    for kind, name in ((PRINT, "print"), (TRAVEL, "travel")):
        own = getattr(motion.by_kind, name)
        if _by_class(timing, kind, by.COMMANDED_SPEED) > least:
            key = f"motion.by_kind.{name}.feed_override"
            before = own.feed_override or motion.feed_override
            after = before * RAISE
            trials.append(_Trial(key, f"commanded speed, {name}", before, after, "×", {key: after}))
        if _by_class(timing, kind, by.PATH_ACCELERATION) > least:
            key = f"motion.{name}_acceleration_mm_s2"
            if getattr(own, f"{name}_acceleration_mm_s2") is not None:
                key = f"motion.by_kind.{name}.{name}_acceleration_mm_s2"
            trials.append(
                _raised(
                    machine,
                    key,
                    f"{name} acceleration",
                    "mm/s²",
                    _held(timing, by.PATH_ACCELERATION, by.PATH_RAMP, kind),
                )
            )
    seconds = timing.seconds.sum(axis=0)
    if seconds[by.SPEED_CAP] > least:
        trials.append(_raised(machine, "motion.speed_cap_mm_s", "speed cap", "mm/s"))
    for i, axis in enumerate("xyz"):
        speed, ramp = by.X_SPEED + i, by.X_ACCELERATION + i
        if seconds[speed] > least:
            held = _held(timing, speed, by.X_MOST + i)
            trials.append(_raised(machine, f"axes.{axis}.max_speed_mm_s", f"{axis} axis speed", "mm/s", held))
        if seconds[ramp] > least:
            key, held = f"axes.{axis}.max_acceleration_mm_s2", _held(timing, ramp, by.X_RAMP + i)
            trials.append(_raised(machine, key, f"{axis} axis acceleration", "mm/s²", held))
    if seconds[by.FILAMENT_SPEED] > least:
        trials.append(_raised(machine, "hotend.max_flow_mm3_s", "hotend flow", "mm³/s"))
        trials.append(_raised(machine, "axes.e.max_speed_mm_s", "extruder speed", "mm/s"))
    if seconds[by.FILAMENT_ACCELERATION] > least:
        trials.append(_raised(machine, "axes.e.max_acceleration_mm_s2", "extruder acceleration", "mm/s²"))
    by_deviation = bool(np.isfinite(timing.limits.values[:, by.DEVIATION]).all())
    if motion.junction_deviation_mm is not None and by_deviation:
        trials.append(_raised(machine, "motion.junction_deviation_mm", "junction deviation", "mm"))
    elif motion.speed_step_mm_s is not None:
        steps = {name: step * RAISE for name in "xyz" if (step := getattr(motion.speed_step_mm_s, name)) is not None}
        first = next(iter(steps))
        trials.append(
            _Trial(
                "motion.speed_step_mm_s",
                "speed step at corners",
                steps[first] / RAISE,
                steps[first],
                "mm/s",
                {"motion.speed_step_mm_s": steps},
            )
        )
    if _by_class(timing, 2, by.COMMANDED_SPEED) + _by_class(timing, 2, by.PATH_ACCELERATION) > least:
        trials.append(_raised(machine, "retraction.acceleration_mm_s2", "retraction acceleration", "mm/s²"))
    shortest = machine.cooling.shortest_layer_s
    if shortest is not None and timing.cooling > least:
        key = "cooling.shortest_layer_s"
        after = float(f"{shortest / RAISE:.3g}")
        trials.append(_Trial(key, "shortest layer time", shortest, after, "s", {key: after}))
    return [trial for trial in trials if trial is not None]


def _ask(machine: Machine, trial: _Trial) -> Ask:
    """A trial as a machine of its own."""
    other = machine.with_settings(trial.settings, "one change")
    return Ask(other, resolved_keys(trial.settings, machine), passing=True)


def changes_asked(machine: Machine, timing: Timing) -> list[Ask]:
    """The machines that will be asked for once a job has been timed."""
    return [_ask(machine, trial) for trial in _trials(machine, timing)]


def changes_that_save(
    prepared: Sequence[PreparedJob | BlockwiseJob], machine: Machine, timings: Sequence[Timing]
) -> list[Change]:
    """What raising one limit by half would save over all jobs (s), best first; what saves next to nothing is left out.

    Every answer is a plan of its own, no derivative: totals have kinks where ceilings tie.
    """
    total = sum(timing.total for timing in timings)
    trials = list({trial.key: trial for timing in timings for trial in _trials(machine, timing)}.values())
    asks = [_ask(machine, trial) for trial in trials]
    foresee(prepared, asks)

    def tried(trial: _Trial, ask: Ask) -> Change:
        saved = total - sum(time_job(job, *ask).total for job in prepared)
        return Change(trial.key, trial.what, trial.before, trial.after, trial.unit, saved, trial.assignments)

    # Planning lets other threads run, so that both cores are of use.
    with ThreadPoolExecutor(2) as pool:
        found = [change for change in pool.map(tried, trials, asks) if change.saved > WORTH_SAYING * total]
    return sorted(found, key=lambda change: -change.saved)
