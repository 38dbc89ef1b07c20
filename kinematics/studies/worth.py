"""What each limit is worth: what one per cent more of it buys, and the time if it were lifted altogether."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np

from kinematics.gcode.moves import FILAMENT, KIND_NAMES, PRINT, TRAVEL
from kinematics.jobs.timing import Ask, TimedJob, Timing, foresee, totals_of
from kinematics.limits import columns as by
from kinematics.limits.class_limits import IN_THE_JOB, NOTHING_VARIED
from kinematics.limits.combine import ADVANCE_KEY, FROM_THE_JOB
from kinematics.limits.flow import FLOW_KEY, filament_area
from kinematics.machine import Machine, resolved_keys
from kinematics.machine.mechanisms import EXTRUDER
from kinematics.studies.intervals import Interval, SampledTimes, interval_of

ONE_PERCENT = 1.01
SAME_TIME = 1e-12  # share of the time below which two plans took as long as each other


class Worth(NamedTuple):
    """One limit: its dotted key and words; seconds that one per cent more saves; the time with it lifted (s; None where
    that leaves a move without any ceiling).

    Saved seconds may be below 0 where acceleration depends on speed.
    """

    key: str
    what: str
    one_percent_s: float
    if_lifted_s: float | None


_AROUND_A_NAME = re.compile(r"^max_|(_mm_s2|_mm3_s|_mm_s|_mm|_nm|_per_s|_s)$")
# By section of a key what a maker calls it, with the parts of the key.
_WORDS = {
    "axes.": "{1} axis {name}",
    "motors.": "motor {1} {name}",
    "hotend.": "hotend {name}",
    "retraction.": "retraction {name}",
    "motion.speed_step_mm_s.": "{2} axis speed step",
    "motion.by_label.": "{name}, {label}",
    "motion.by_kind.": "{name}, {2}",
    "controller.": "{name} a second",
}


def words_of(key: str) -> str:
    """A limit in a maker's words."""
    plain = key.removesuffix(IN_THE_JOB)
    if plain == FROM_THE_JOB:
        return "speeds in the file"
    stated = ", stated in the job" if plain != key else ""
    if plain == ADVANCE_KEY:
        return f"pressure advance (less of it){stated}"
    parts = plain.split(".")
    name = _AROUND_A_NAME.sub("", parts[-1]).replace("_", " ")
    words = next((words for section, words in _WORDS.items() if plain.startswith(section)), "{name}")
    if parts[1:2] == ["by_kind"] and name.startswith(parts[2]):
        words = "{name}"
    return words.format(*parts, name=name, label=".".join(parts[2:-1])) + stated


def scaled_ask(machine: Machine, key: str, factor: float) -> Ask:
    """One limit with a factor on it, infinity to lift it."""
    return Ask(machine, NOTHING_VARIED, True, ((key, factor),), True)


def worth_of_keys(prepared: TimedJob, machine: Machine, keys: Sequence[str], total_s: float) -> tuple[Worth, ...]:
    """What each limit is worth to a job that takes `total_s` (s), those that buy most first; every number by planning
    again.

    A limit here is everything under one key of the machine file, or under one that the job states; the commanded speed
    of the job is one as well. `keys` those that have a say, in order.
    """
    asks = [scaled_ask(machine, key, factor) for key in keys for factor in (ONE_PERCENT, math.inf)]
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
        saved = total_s - (more if more is not None else total_s)
        saved = 0.0 if abs(saved) <= SAME_TIME * total_s else saved
        found.append(Worth(key, words_of(key), saved, lifted))
    return tuple(sorted(found, key=lambda worth: (-worth.one_percent_s, worth.key)))


RAISE = 1.5  # one step that a maker would try
WORTH_SAYING = 0.005  # share of the time: what a limit must hold to be tried, and a change must save to be shown
FORESEEN = 0.5 * WORTH_SAYING  # what it must hold at the start of a job: what is missed there takes another reading
BELONG_FROM = 1.25  # of what limits bring one by one: what they must bring at once to belong together
NEEDS_THE_OTHERS = 0.6  # of what several bring at once: a limit that brings less alone is not told alone
BELOW_WHICH_IT_HOLDS = 1.0  # of an acceleration along the path: axes and motors that take less hold it
HELD_BY_OTHERS = ("print_acceleration_mm_s2", "travel_acceleration_mm_s2", "feed_override")
AT_COST_OF_QUALITY = ("cooling.", "quality.")


class Change(NamedTuple):
    """One limit changed: `key` of the machine file, its words, from, to, unit, what it saves (s), the settings.

    `saved_interval_s` of what it saves where the machine has ranges (None where it has none). `silenced` is how many
    commands of the jobs that state this limit the change silences, and `saved_by_silencing_s` what that alone saves,
    the limit left at what held for most of the time (s); the rest comes of the raise. `together` other limits that are
    raised with it, as they belong together: words, what they are set to, unit.
    """

    key: str
    what: str
    before: float | None
    after: float
    unit: str
    saved_s: float
    settings: tuple[tuple[str, Any], ...]
    saved_interval_s: Interval | None = None
    silenced: int = 0
    saved_by_silencing_s: float = 0.0
    together: tuple[tuple[str, float, str], ...] = ()

    @property
    def costs_quality(self) -> bool:
        """Whether the part pays for it: never the first thing to change."""
        return self.key.startswith(AT_COST_OF_QUALITY)


class _Trial(NamedTuple):
    key: str
    what: str
    before: float | None
    after: float
    unit: str
    settings: Mapping[str, Any]
    together: tuple[tuple[str, float, str], ...] = ()

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


def _key_raised(machine: Machine, timing: Timing, row: by.Raise, ceiling: by.Ceiling) -> _Trial | None:
    """One key raised; of a tool axis that of its motor, where this is the lower one."""
    if not row.motor or ceiling.column is None:
        return _raised(machine, row.key, row.what, row.unit)
    slowest = int(timing.seconds[:, ceiling.cause].argmax())
    if timing.limits.origins[slowest, ceiling.column] == row.motor:
        axis = row.key.split(".")[1]
        return _raised(machine, row.motor, row.what.replace(f"{axis} axis", f"motor {axis}"), row.unit)
    return _raised(machine, row.key, row.what, row.unit, _held(timing, ceiling.cause, ceiling.column))


def _kind_raised(machine: Machine, timing: Timing, row: by.Raise, kind: int) -> _Trial | None:
    """The override, or the acceleration, of prints or travels raised, where it is told most particularly."""
    name = KIND_NAMES[kind]
    motion, own = machine.motion, getattr(machine.motion.by_kind, name)
    key, what = row.key.format(kind=name), row.what.format(kind=name)
    if key.endswith(".feed_override"):
        before = own.feed_override or motion.feed_override
        after = before * RAISE
        return _Trial(key, what, before, after, row.unit, {key: after})
    last = key.removeprefix("motion.")
    if getattr(own, last) is not None:
        key = f"motion.by_kind.{name}.{last}"
    return _raised(machine, key, what, row.unit, _held(timing, by.PATH_ACCELERATION, by.PATH_RAMP, kind))


def _motors_raised(machine: Machine, motors: Sequence[str], row: by.Raise) -> _Trial | None:
    """The limits of all motors that move the tool together raised alike: one alone is soon held by the others.

    None where no such limit is given, as where the ends of torque curves hold.
    """
    values = {name: machine.value_of(row.key.format(motor=name)) for name in motors}
    given = {name: value for name, value in values.items() if value is not None}
    if not given:
        return None
    settings = {row.key.format(motor=name): _half_more(value) for name, value in given.items()}
    first, after = next(iter(given.values())), next(iter(settings.values()))
    what = f"{row.what}{'s' if len(given) > 1 else ''} {', '.join(given)}"
    return _Trial(", ".join(settings), what, first, after, row.unit, settings)


def _against_ceilings(machine: Machine, timing: Timing, least: float) -> Iterator[_Trial | None]:
    """What the table of ceilings says may be raised against those that hold more than some seconds."""
    against: dict[by.Raise, list[by.Ceiling]] = {}
    for ceiling in by.OF_CAUSE.values():
        for row in ceiling.raised_by:
            against.setdefault(row, []).append(ceiling)
    for row, ceilings in against.items():
        if "{kind}" in row.key:
            for kind in (PRINT, TRAVEL):
                if _by_class(timing, kind, ceilings[0].cause) > least:
                    yield _kind_raised(machine, timing, row, kind)
        elif sum(timing.seconds[:, one.cause].sum() for one in ceilings) > least:
            if "{motor}" in row.key:
                yield _motors_raised(machine, timing.limits.motors, row)
            elif row.key == FLOW_KEY:
                yield _flow_raised(machine, timing)
            else:
                yield _key_raised(machine, timing, row, ceilings[0])


def _trials(machine: Machine, timing: Timing, share: float = WORTH_SAYING) -> list[_Trial]:
    """The changes that may pay: each raises a limit under which the job spends that share of its time."""
    least = share * timing.total
    motion = machine.motion
    trials = list(_against_ceilings(machine, timing, least))
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
    if _by_class(timing, FILAMENT, by.COMMANDED_SPEED) + _by_class(timing, FILAMENT, by.PATH_ACCELERATION) > least:
        trials.append(_raised(machine, "retraction.acceleration_mm_s2", "retraction acceleration", "mm/s²"))
    shortest = machine.cooling.shortest_layer_s
    if shortest is not None and timing.cooling > least:
        key = "cooling.shortest_layer_s"
        after = float(f"{shortest / RAISE:.3g}")
        trials.append(_Trial(key, "shortest layer time", shortest, after, "s", {key: after}))
    alone = [trial for trial in trials if trial is not None]
    return [*alone, *_belonging_together(machine, alone)]


def _belonging_together(machine: Machine, alone: Sequence[_Trial]) -> Iterator[_Trial]:
    """Trials of several limits at once: an acceleration along the path with those of axes and motors that would hold it
    then, print speeds in the file with the hotend's flow.
    """
    for trial in alone:
        name = trial.key.split(".")[-1]
        if trial.before is None or name not in HELD_BY_OTHERS:
            continue
        beside: dict[str, tuple[str, float, float, str]] = {}
        if name == "feed_override":
            if "print" in trial.key and isinstance(flow := machine.hotend.max_flow_mm3_s, float):
                beside[FLOW_KEY] = "hotend flow", flow, _half_more(flow), "mm³/s"
        else:
            axes = [f"axes.{axis}" for axis in "xy"]
            motors = [f"motors.{motor}" for motor in machine.motors if motor != EXTRUDER]
            for key in (f"{section}.max_acceleration_mm_s2" for section in (*axes, *motors)):
                value = machine.value_of(key)
                if value is not None and value < trial.after * BELOW_WHICH_IT_HOLDS:
                    after = max(_half_more(value), trial.after)
                    beside[key] = words_of(key), value, after, "mm/s²"
        if beside:
            settings = {**trial.settings, **{key: after for key, (_, _, after, _) in beside.items()}}
            told = tuple((what, after, unit) for what, _, after, unit in beside.values())
            yield trial._replace(key=", ".join(settings), settings=settings, together=told)


def _that_belong_together(changes: Sequence[Change]) -> list[Change]:
    """Changes without those of several limits that bring little more than these one by one, and without the single
    ones of which most of the saving needs others beside them.
    """
    single = {change.key: change for change in changes if not change.together}
    kept = []
    replaced: set[str] = set()
    for change in changes:
        if change.together:
            own = [single[key] for key in change.key.split(", ") if key in single]
            if change.saved_s > BELONG_FROM * math.fsum(max(0.0, one.saved_s) for one in own):
                kept.append(change)
                replaced |= {one.key for one in own if one.saved_s < NEEDS_THE_OTHERS * change.saved_s}
    return [*(one for key, one in single.items() if key not in replaced), *kept]


def _ask(machine: Machine, trial: _Trial) -> Ask:
    """A trial as a machine of its own."""
    other = machine.with_settings(trial.settings, "one change")
    return Ask(other, resolved_keys(trial.settings, machine), passing=True, total_only=True)


def _ask_silenced(machine: Machine, trial: _Trial) -> Ask:
    """The limit of a trial left at what holds now, but said by the machine: the job's own commands are silenced."""
    beside = len(trial.settings) - len(trial.together)
    held = {
        key: {axis: step / RAISE for axis, step in value.items()}
        if isinstance(value, Mapping)
        else trial.before
        if place < beside
        else machine.value_of(key)
        for place, (key, value) in enumerate(trial.settings.items())
    }
    other = machine.with_settings(held, "one change")
    return Ask(other, resolved_keys(trial.settings, machine), passing=True, total_only=True)


def changes_asked(machine: Machine, timing: Timing) -> list[Ask]:
    """The machines that will be asked for once a job has been timed."""
    asks = []
    for trial in _trials(machine, timing, FORESEEN):
        asks.append(_ask(machine, trial))
        if timing.facts.silenced_by(asks[-1].varied):
            asks.append(_ask_silenced(machine, trial))
    return asks


def changes_that_save(
    prepared: Sequence[TimedJob],
    machine: Machine,
    timings: Sequence[Timing],
    sampled: SampledTimes | None = None,
) -> list[Change]:
    """What raising one limit by half, or several that belong together, would save over all jobs (s), best first; what
    saves next to nothing is left out, and what is at the expense of quality comes last.

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
    tried = [*asks, *(ask for ask in quiet if ask is not None)]
    savings = iter((total - totals_of(prepared, tried).sum(axis=0)).tolist() if tried else [])
    saved = [next(savings) for _ in asks]
    by_silencing = [0.0 if ask is None else next(savings) for ask in quiet]
    changes = [
        Change(trial.key, trial.what, trial.before, trial.after, trial.unit, gain, trial.assignments)._replace(
            silenced=count, saved_by_silencing_s=silencing, together=trial.together
        )
        for trial, gain, count, silencing in zip(trials, saved, silenced, by_silencing, strict=True)
    ]
    those = _that_belong_together(changes)
    kept = [
        (change, ask)
        for change, ask in zip(changes, asks, strict=True)
        if change.saved_s > WORTH_SAYING * total and change in those
    ]
    found = [change for change, _ in kept]
    if sampled is not None and kept:
        after = [sampled.totals(ask.machine, ask.varied) for _, ask in kept]
        before, done = sampled.as_it_is, sampled.sampling.draws
        found = [
            change._replace(saved_interval_s=interval_of((before - times[:, :done]).sum(axis=0)))
            for (change, _), times in zip(kept, after, strict=True)
        ]
    # Savings that differ by rounding alone are equal; what the part pays for comes last.
    return sorted(found, key=lambda one: (one.costs_quality, -round(one.saved_s / total, 9), one.key))
