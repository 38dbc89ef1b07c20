"""If you change one thing: plan again with one limit raised, and see what it saves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.caps import columns as by
from kinematics.caps.flow import FLOW_KEY, filament_area
from kinematics.gcode.moves import PRINT, TRAVEL
from kinematics.machine import Machine, resolved_keys
from kinematics.studies.intervals import Interval, SampledTimes, interval_of
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.timing import Ask, Timing, foresee, time_job

if TYPE_CHECKING:
    from kinematics.studies.blockwise import BlockwiseJob

RAISE = 1.5  # one step that a maker would try
WORTH_A_TRY = 0.002  # share of the time that a limit must hold before it is tried
WORTH_SAYING = 0.005  # share of the time that a change must save before it is shown


class Change(NamedTuple):
    """One limit changed: `key` of the machine file, its words, from, to, unit, what it saves (s), the settings.

    `interval` of what it saves where the machine has ranges (None where it has none). `silenced` is how many commands
    of the jobs that state this limit the change silences, and `by_silencing` what that alone saves, the limit left at
    what held for most of the time (s); the rest comes of the raise.
    """

    key: str
    what: str
    before: float | None
    after: float
    unit: str
    saved: float
    settings: tuple[tuple[str, Any], ...]
    interval: Interval | None = None
    silenced: int = 0
    by_silencing: float = 0.0


class _Trial(NamedTuple):
    key: str
    what: str
    before: float | None
    after: float
    unit: str
    settings: Mapping[str, Any]

    @property
    def assignments(self) -> tuple[tuple[str, Any], ...]:
        """The settings as dotted keys and values; a section is opened."""
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
    after = _half_more(value)
    return _Trial(key, what, value, after, unit, {key: after})


def _half_more(value: float) -> float:
    return float(f"{value * RAISE:.3g}")


def _flow_raised(machine: Machine, timing: Timing) -> _Trial | None:
    """The hotend's flow raised; of a table all of it, told by the flow under which the job spends most seconds."""
    given = machine.hotend.max_flow_mm3_s
    if not isinstance(given, tuple):
        return _raised(machine, FLOW_KEY, "hotend flow", "mm³/s")
    rows = [i for i in range(len(timing.table)) if timing.limits.origins[i, by.FILAMENT_MOST] == FLOW_KEY]
    if not rows:
        return None
    row = max(rows, key=lambda i: timing.seconds[i, by.FILAMENT_SPEED])
    held = float(timing.limits.values[row, by.FILAMENT_MOST]) * filament_area(machine)
    raised = tuple((temperature, _half_more(flow)) for temperature, flow in given)
    return _Trial(FLOW_KEY, "hotend flow", held, _half_more(held), "mm³/s", {FLOW_KEY: raised})


class _Kind(NamedTuple):
    """One kind of limit that axes and motors both have: last part of its key, word, unit."""

    name: str
    word: str
    unit: str


SPEED = _Kind("max_speed_mm_s", "speed", "mm/s")
ACCELERATION = _Kind("max_acceleration_mm_s2", "acceleration", "mm/s²")


def _axis_raised(machine: Machine, timing: Timing, axis: str, code: int, column: int, kind: _Kind) -> _Trial | None:
    """An axis's limit raised, or that of its motor where this is the lower one."""
    row = int(timing.seconds[:, code].argmax())
    key = timing.limits.origins[row, column]
    if key.endswith(kind.name) and key.startswith("motors."):
        return _raised(machine, key, f"motor {axis} {kind.word}", kind.unit)
    held = _held(timing, code, column)
    return _raised(machine, f"axes.{axis}.{kind.name}", f"{axis} axis {kind.word}", kind.unit, held)


def _motors_raised(machine: Machine, motors: Sequence[str], kind: _Kind) -> _Trial | None:
    """The limits of all motors that move the tool together raised alike: one alone is soon held by the others.

    None where no such limit is given, as where the ends of torque curves hold.
    """
    values = {name: machine.value_of(f"motors.{name}.{kind.name}") for name in motors}
    given = {name: value for name, value in values.items() if value is not None}
    if not given:
        return None
    settings = {f"motors.{name}.{kind.name}": float(f"{value * RAISE:.3g}") for name, value in given.items()}
    first, after = next(iter(given.values())), next(iter(settings.values()))
    what = f"{kind.word} of motor{'s' if len(given) > 1 else ''} {', '.join(given)}"
    return _Trial(", ".join(settings), what, first, after, kind.unit, settings)


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
            trials.append(_Trial(key, f"{name} speeds in the file", before, after, "×", {key: after}))
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
        if seconds[by.X_SPEED + i] > least:
            trials.append(_axis_raised(machine, timing, axis, by.X_SPEED + i, by.X_MOST + i, SPEED))
        if seconds[by.X_ACCELERATION + i] > least:
            trials.append(_axis_raised(machine, timing, axis, by.X_ACCELERATION + i, by.X_RAMP + i, ACCELERATION))
    if seconds[by.MOTOR_1_SPEED : by.MOTOR_3_SPEED + 1].sum() > least:
        trials.append(_motors_raised(machine, timing.limits.motors, SPEED))
    by_motors = (slice(by.MOTOR_1_STEADY, by.MOTOR_3_STEADY + 1), slice(by.MOTOR_1_ACCELERATION, by.CAUSES))
    if sum(seconds[codes].sum() for codes in by_motors) > least:
        trials.append(_motors_raised(machine, timing.limits.motors, ACCELERATION))
    if seconds[by.FILAMENT_SPEED] > least:
        trials.append(_flow_raised(machine, timing))
        trials.append(_raised(machine, "axes.e.max_speed_mm_s", "extruder speed", "mm/s"))
        trials.append(_raised(machine, "motors.e.max_speed_mm_s", "motor e speed", "mm/s"))
    if seconds[by.FILAMENT_ACCELERATION] > least:
        trials.append(_raised(machine, "axes.e.max_acceleration_mm_s2", "extruder acceleration", "mm/s²"))
        trials.append(_raised(machine, "motors.e.max_acceleration_mm_s2", "motor e acceleration", "mm/s²"))
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
    return Ask(other, resolved_keys(trial.settings, machine), passing=True, total_only=True)


def _ask_silenced(machine: Machine, trial: _Trial) -> Ask:
    """The limit of a trial left at what holds now, but said by the machine: the job's own commands are silenced."""
    held = {
        key: {axis: step / RAISE for axis, step in value.items()} if isinstance(value, Mapping) else trial.before
        for key, value in trial.settings.items()
    }
    other = machine.with_settings(held, "one change")
    return Ask(other, resolved_keys(trial.settings, machine), passing=True, total_only=True)


def changes_asked(machine: Machine, timing: Timing) -> list[Ask]:
    """The machines that will be asked for once a job has been timed."""
    asks = []
    for trial in _trials(machine, timing):
        asks.append(_ask(machine, trial))
        if timing.facts.silenced_by(asks[-1].varied):
            asks.append(_ask_silenced(machine, trial))
    return asks


def changes_that_save(
    prepared: Sequence[PreparedJob | BlockwiseJob],
    machine: Machine,
    timings: Sequence[Timing],
    sampled: SampledTimes | None = None,
) -> list[Change]:
    """What raising one limit by half would save over all jobs (s), best first; what saves next to nothing is left out.

    `sampled` times the jobs under draws from the machine's ranges: both sides of a saving are then timed on the same
    draws. Every answer is a plan of its own, no derivative: totals have kinks where ceilings tie.
    """
    total = sum(timing.total for timing in timings)
    trials = list({trial.key: trial for timing in timings for trial in _trials(machine, timing)}.values())
    asks = [_ask(machine, trial) for trial in trials]
    silenced = [
        sum(
            timing.facts.silenced_by(ask.varied)
            for job, timing in zip(prepared, timings, strict=True)
            if job.heeds_file_limits
        )
        for ask in asks
    ]
    quiet = [_ask_silenced(machine, trial) if count else None for trial, count in zip(trials, silenced, strict=True)]
    foresee(prepared, [*asks, *(ask for ask in quiet if ask is not None)])

    def saved_by(ask: Ask | None) -> float:
        return 0.0 if ask is None else total - sum(time_job(job, *ask).total for job in prepared)

    def tried(trial: _Trial, ask: Ask, count: int, without: Ask | None) -> Change:
        change = Change(trial.key, trial.what, trial.before, trial.after, trial.unit, saved_by(ask), trial.assignments)
        return change._replace(silenced=count, by_silencing=saved_by(without))

    # Planning lets other threads run, so that both cores are of use.
    with ThreadPoolExecutor(2) as pool:
        changes = list(zip(pool.map(tried, trials, asks, silenced, quiet), asks, strict=True))
    kept = [(change, ask) for change, ask in changes if change.saved > WORTH_SAYING * total]
    found = [change for change, _ in kept]
    if sampled is not None and kept:
        before = sampled.as_it_is
        found = [
            change._replace(interval=interval_of((before - sampled.totals(ask.machine, ask.varied)).sum(axis=0)))
            for change, ask in kept
        ]
    # Savings that differ by rounding alone are equal.
    return sorted(found, key=lambda change: (-round(change.saved / total, 9), change.key))
