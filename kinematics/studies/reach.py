"""What may be raised on a machine for some jobs, how far at most, and what kind of step that is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from kinematics.errors import InputError, nearest
from kinematics.gcode.moves import FILAMENT, KIND_NAMES, PRINT, TRAVEL
from kinematics.jobs.timing import Timing
from kinematics.limits import columns as by
from kinematics.limits.class_limits import AS_CAP, label_key
from kinematics.limits.flow import FLOW_KEY
from kinematics.machine import Machine, resolved_keys
from kinematics.machine.keys import THE_CORNERS
from kinematics.machine.kinds import KINDS_OF_STEPS, PART, PREPARED, QUALITY, SETTING, SHOWS, UNCAPPED
from kinematics.machine.mechanisms import mechanism_of
from kinematics.machine.rules import CORNER_KEYS, JUNCTION_KEY
from kinematics.studies.caps import ALONG, RIGHT_ANGLE, CapsOfLimit, MachineCaps, proven_cap
from kinematics.studies.knobs import outwards
from kinematics.studies.worth import words_of

# The sorts of limits: what is linked is linked within one of them.
SPEED_SORT, ACCELERATION_SORT, CORNER_SORT, COST_SORT = "speed", "acceleration", "corner", "quality"
# How far without a known cap. Common practice, no source: no printer is asked for more in one evening of tuning.
MOST_TIMES, MOST_ACCELERATION, SPEED_TIMES, MOST_DEVIATION = 15.0, 20_000.0, 3.0, 0.2
QUALITY_TIMES = 4.0  # budgets so many times as large, the shortest layer time as much shorter
ROUND = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0)  # figures that a person types, of ten
SAME = 1e-9  # relative: numbers that differ by less are one
REACH_DIGITS = 3  # of a reach that comes from a cap; rounded towards what is gentler
FACTOR = "×"
SHORTEST_KEY = "cooling.shortest_layer_s"


class Raisable(NamedTuple):
    """One limit that may be raised: `what` in a maker's words, its `sort`, the `kind` of step, its unit.

    `before` the keys and what holds of each now, a number or a table; `number` the one that stands for all of them,
    `reach` how far it may go (below it where less is faster), `source` where that comes from. `least` is the lowest
    value that holds anywhere in the jobs, where they state several.
    """

    what: str
    sort: str
    kind: str
    unit: str
    before: tuple[tuple[str, Any], ...]
    number: float
    reach: float
    source: str
    least: float
    whole: bool = False

    @property
    def keys(self) -> tuple[str, ...]:
        """The dotted keys that change together."""
        return tuple(key for key, _ in self.before)

    @property
    def down(self) -> bool:
        """Whether less of it is faster."""
        return self.reach < self.number

    def at(self, share: float) -> float:
        """A round number so far on the way from now to the reach, in equal ratios; 0 is now and 1 the reach."""
        if share <= 0.0:
            return self.number
        exact = self.number * (self.reach / self.number) ** min(share, 1.0)
        if self.down:
            return max(self.reach, round_figure(exact, up=False))
        rounded = float(math.ceil(exact - SAME)) if self.whole else round_figure(exact, up=True)
        return min(self.reach, rounded)

    def settings(self, number: float) -> dict[str, Any]:
        """The keys with the values that put the number that stands for all of them where it is asked for."""
        factor = number / self.number
        return {key: _scaled(value, factor, self.whole) for key, value in self.before}


def round_figure(value: float, up: bool) -> float:
    """The next number up or down that a person would type in a hurry: 1, 1.2, 1.5, 2 … 9, or ten times these."""
    exponent = math.floor(math.log10(value))
    figure = value / 10.0**exponent
    if up:
        found = next((one for one in ROUND if one >= figure * (1.0 - SAME)), ROUND[-1])
    else:
        found = next(one for one in reversed(ROUND) if one <= figure * (1.0 + SAME))
    return float(f"{round(10 * found)}e{exponent - 1}")


def _scaled(value: Any, factor: float, whole: bool = False) -> Any:
    """A value times a factor, of a table its second column, to four digits."""
    if isinstance(value, (list, tuple)):
        return [[at, _scaled(number, factor)] for at, number in value]
    if whole:
        return round(value * factor)
    return float(f"{value * factor:.4g}")


class LadderAsk(NamedTuple):
    """What a ladder is asked to leave alone or to change.

    `reach` how far by dotted key or short name; `only` kinds of steps that count (empty: all but quality), `quality`
    whether quality may be given up; `keep` the labels or kinds of moves that stay as they are; `by_label` whether each
    label has limits of its own.
    """

    reach: Mapping[str, float] = {}
    only: frozenset[str] = frozenset()
    quality: bool = False
    keep: tuple[str, ...] = ()
    by_label: bool = False


USUAL_LADDER = LadderAsk()


class _InForce(NamedTuple):
    """What holds of one key now: the largest and the smallest value over the moves that it rules."""

    most: float
    least: float


def _labels_of(timing: Timing) -> tuple[str, ...]:
    """The labels of a job's moves; none of one in blocks, whose moves are not kept."""
    if timing.gist is not None:
        return timing.gist.labels.names
    return () if timing.planned is None else timing.planned.job.labels.of_job.names


class _Jobs:
    """What the jobs as they are timed now tell of the limits in force."""

    def __init__(self, machine: Machine, timings: Sequence[Timing]) -> None:
        self._machine = machine
        self.rows = [
            (member, row, float(timing.seconds[i].sum()))
            for timing in timings
            for i, (member, row) in enumerate(zip(timing.table, timing.limits.parts[THE_CORNERS], strict=True))
        ]
        self.labels = tuple(dict.fromkeys(name for timing in timings for name in _labels_of(timing)))

    def has(self, kind: int) -> bool:
        """Whether any move of a kind takes time."""
        return any(member.kind == kind and spent > 0.0 for member, _, spent in self.rows)

    def stated(self, key: str, kinds: Iterable[int] = (PRINT, TRAVEL, FILAMENT)) -> list[float]:
        """The values of a key that the jobs state for moves of some kinds."""
        return [row.stated[key] for member, row, _ in self.rows if member.kind in kinds and key in row.stated]

    def in_force(self, key: str, kinds: Iterable[int] = (PRINT, TRAVEL, FILAMENT)) -> _InForce | None:
        """What holds of a key for moves of some kinds; None where nothing does."""
        own = self._machine.value_of(key)
        values = []
        for member, row, _ in self.rows:
            if member.kind in kinds:
                told = row.stated.get(key)
                held = [one for one in (own, told) if one is not None]
                if held:
                    values.append(min(held) if row.mode == AS_CAP else float(held[-1]))
        return _InForce(max(values), min(values)) if values else None

    def by_deviation(self) -> bool:
        """Whether most time passes where junction deviation rules corners."""
        seconds = {True: 0.0, False: 0.0}
        for member, row, spent in self.rows:
            if member.kind != FILAMENT:
                seconds[bool(row.values[by.DEVIATION] < math.inf)] += spent
        return seconds[True] >= seconds[False]


class _Table:
    """The limits that may be raised, under construction."""

    def __init__(self, machine: Machine, jobs: _Jobs, wanted: LadderAsk) -> None:
        self.machine, self.jobs, self.wanted = machine, jobs, wanted
        self._reaches = {
            key: value for name, value in wanted.reach.items() for key in resolved_keys({name: value}, machine)
        }
        self._kinds = dict(machine.ladder.kinds or {})

    def rows(self) -> list[Raisable]:
        """Every limit that may be raised; the caps of settings are those of the parts at their reach."""
        parts = [one for one in (*self._parts(), *self._quality()) if self._counts(one)]
        raised = self.machine
        for one in parts:
            raised = raised.with_settings(one.settings(one.reach), "the reach")
        caps = MachineCaps(raised)
        others = [one for one in (*self._settings(caps), *self._corners(raised, caps)) if self._counts(one)]
        return [*others, *parts]

    def _counts(self, one: Raisable) -> bool:
        """Whether a limit is of a kind that is asked for, and has anywhere to go."""
        if abs(one.reach - one.number) <= SAME * one.number:
            return False
        if one.kind == QUALITY:
            return self.wanted.quality
        return not self.wanted.only or one.kind in self.wanted.only

    # ---- one limit

    def _one(
        self,
        what: str,
        sort: str,
        kind: str,
        unit: str,
        before: Sequence[tuple[str, Any]],
        known: CapsOfLimit | None = None,
        least: float | None = None,
        whole: bool = False,
    ) -> Iterator[Raisable]:
        """A limit with its reach: what is asked for, else the known cap, else so many times what it is."""
        number = _standing_for(before[0][1])
        if not number > 0.0:
            return
        key = before[0][0]
        proven = next((cap for one, _ in before if (cap := proven_cap(self.machine, one)) is not None), None)
        lowest = proven or (None if known is None else known.lowest)  # what a print has shown ranks first
        asked = next((self._reaches[one] for one, _ in before if one in self._reaches), None)
        if asked is not None:
            reach, source = asked, "as asked for"
        elif lowest is not None:
            reach, source = max(number, outwards(lowest.value, REACH_DIGITS, up=False)), lowest.what
        else:
            reach, source = without_cap(key, number, unit), ""
        if kind == SETTING and lowest is None and key.startswith("axes."):
            kind = UNCAPPED
        kind = next((self._kinds[one] for one, _ in before if one in self._kinds), kind)
        if kind == QUALITY:
            sort = COST_SORT
        if whole:
            reach = float(round(reach))
        yield Raisable(what, sort, kind, unit, tuple(before), number, reach, source, least or number, whole)

    def _given(
        self,
        key: str,
        sort: str,
        kind: str,
        unit: str,
        known: CapsOfLimit | None = None,
        kinds: Iterable[int] = (PRINT, TRAVEL, FILAMENT),
    ) -> Iterator[Raisable]:
        """A limit of one key that the machine or a job gives."""
        held = self.jobs.in_force(key, kinds)
        if held is not None:
            yield from self._one(words_of(key), sort, kind, unit, [(key, held.most)], known, held.least)

    # ---- what needs no part

    def _settings(self, caps: MachineCaps) -> Iterator[Raisable]:
        along = {axis: caps.acceleration(ALONG[axis], 0.0) for axis in "xyz"}
        for kind in (PRINT, TRAVEL):
            if self.jobs.has(kind) and KIND_NAMES[kind] not in self.wanted.keep:
                yield from self._path(kind, _further_of(along["x"], along["y"]))
        for axis in "xyz":
            yield from self._given(
                f"axes.{axis}.max_acceleration_mm_s2", ACCELERATION_SORT, SETTING, "mm/s²", along[axis]
            )
            known = caps.speed(ALONG[axis])
            yield from self._given(f"axes.{axis}.max_speed_mm_s", SPEED_SORT, SETTING, "mm/s", known)
        known = caps.extruder_acceleration(0.0)
        yield from self._given("axes.e.max_acceleration_mm_s2", ACCELERATION_SORT, SETTING, "mm/s²", known)
        yield from self._given("axes.e.max_speed_mm_s", SPEED_SORT, SETTING, "mm/s", caps.extruder_speed())
        if self.jobs.has(FILAMENT):
            key = "retraction.acceleration_mm_s2"
            yield from self._given(key, ACCELERATION_SORT, SETTING, "mm/s²", known, (FILAMENT,))

    def _path(self, kind: int, along: CapsOfLimit) -> Iterator[Raisable]:
        """Acceleration, speeds and speed cap of a kind of moves; by label where these have limits of their own."""
        name = KIND_NAMES[kind]
        labels = self._labels_apart(kind)
        if not (self.wanted.by_label and kind == PRINT and labels):
            yield from self._of_kind(kind, name, along)
            labels = [label for label in labels if label in self.machine.motion.by_label]
        for label in labels:
            yield from self._of_label(label, kind, name, along)

    def _labels_apart(self, kind: int) -> list[str]:
        """The labels that may have limits of their own: those of the jobs, or of the machine file."""
        given = self.machine.motion.by_label
        known = self.jobs.labels if self.wanted.by_label and kind == PRINT else ()
        return [label for label in dict.fromkeys([*known, *given]) if label not in self.wanted.keep]

    def _of_kind(self, kind: int, name: str, along: CapsOfLimit) -> Iterator[Raisable]:
        own = getattr(self.machine.motion.by_kind, name)
        last = f"{name}_acceleration_mm_s2"
        if getattr(own, last) is not None:
            key = f"motion.by_kind.{name}.{last}"
            yield from self._one(
                f"{name} acceleration", ACCELERATION_SORT, SETTING, "mm/s²", [(key, getattr(own, last))], along
            )
        else:
            yield from self._given(f"motion.{last}", ACCELERATION_SORT, SETTING, "mm/s²", along, (kind,))
        if own.speed_cap_mm_s is not None:
            key = f"motion.by_kind.{name}.speed_cap_mm_s"
            yield from self._one(f"{name} speed cap", SPEED_SORT, SETTING, "mm/s", [(key, own.speed_cap_mm_s)])
        elif kind == PRINT:
            yield from self._given("motion.speed_cap_mm_s", SPEED_SORT, SETTING, "mm/s", None, (PRINT, TRAVEL))
        factor = own.feed_override or self.machine.motion.feed_override
        yield from self._one(
            f"{name} speed in the file",
            SPEED_SORT,
            PREPARED,
            FACTOR,
            [(f"motion.by_kind.{name}.feed_override", factor)],
        )

    def _of_label(self, label: str, kind: int, name: str, along: CapsOfLimit) -> Iterator[Raisable]:
        motion = self.machine.motion
        own, of_kind = motion.by_label.get(label), getattr(motion.by_kind, name)
        last = f"{name}_acceleration_mm_s2"
        told = getattr(own, last, None)
        if told is None and self.wanted.by_label:
            held = self.jobs.in_force(f"motion.{last}", (kind,))
            told = getattr(of_kind, last) or (None if held is None else held.most)
        if told is not None:
            key = label_key(label, last)
            yield from self._one(
                f"{name} acceleration, {label}", ACCELERATION_SORT, SETTING, "mm/s²", [(key, told)], along
            )
        factor = getattr(own, "feed_override", None)
        if factor is None and self.wanted.by_label:
            factor = of_kind.feed_override or motion.feed_override
        if factor is not None and kind == PRINT:
            key = label_key(label, "feed_override")
            yield from self._one(f"print speed, {label}", SPEED_SORT, PREPARED, FACTOR, [(key, factor)])
        told = getattr(own, "speed_cap_mm_s", None)
        if told is not None and kind == PRINT:
            yield from self._one(
                f"speed cap, {label}", SPEED_SORT, SETTING, "mm/s", [(label_key(label, "speed_cap_mm_s"), told)]
            )

    def _corners(self, raised: Machine, caps: MachineCaps) -> Iterator[Raisable]:
        """The corner rule in force alone, and the extruder's step; moves that are to stay as they are keep both."""
        if self.wanted.keep:
            return
        paths = (PRINT, TRAVEL)
        if self.jobs.by_deviation():
            yield from self._given(JUNCTION_KEY, CORNER_SORT, SHOWS, "mm", self._deviation_caps(raised, caps), paths)
        else:
            held = {key: self.jobs.in_force(key, paths) for key in CORNER_KEYS[1:]}
            before = [(key, one.most) for key, one in held.items() if one is not None]
            if before:
                first = held[before[0][0]]
                assert first is not None
                yield from self._one("speed step at corners", CORNER_SORT, SHOWS, "mm/s", before, None, first.least)
        yield from self._given("motion.extruder_step_mm_s", CORNER_SORT, SHOWS, "mm/s", None, paths)

    def _deviation_caps(self, raised: Machine, caps: MachineCaps) -> CapsOfLimit:
        """Junction deviation at which a right angle from x into y is taken as fast as the quality budgets allow, at the
        print acceleration as it is: δ = v²(1 − s)/(a·s).
        """
        known = caps.corner_speed("x", "y")
        acceleration = raised.motion.print_acceleration_mm_s2
        lowered = [
            one._replace(value=min(MOST_DEVIATION, one.value**2 / (RIGHT_ANGLE * acceleration))) for one in known.caps
        ]
        return CapsOfLimit(tuple(lowered), known.missing)

    # ---- parts, and what quality may cost

    def _parts(self) -> Iterator[Raisable]:
        machine = self.machine
        flow = machine.hotend.max_flow_mm3_s
        if flow is not None:
            yield from self._one("hotend flow", SPEED_SORT, PART, "mm³/s", [(FLOW_KEY, flow)])
        coupled = mechanism_of(machine).coupled
        alone = [name for name in machine.motors if name not in coupled]
        for names in (tuple(name for name in coupled if name in machine.motors), *((name,) for name in alone)):
            for last, words, sort, unit in (
                ("max_acceleration_mm_s2", "acceleration", ACCELERATION_SORT, "mm/s²"),
                ("max_speed_mm_s", "speed", SPEED_SORT, "mm/s"),
                ("torque_nm", "torque", ACCELERATION_SORT, "Nm"),
            ):
                given = [(f"motors.{name}.{last}", getattr(machine.motors[name], last)) for name in names]
                before = [(key, value) for key, value in given if value is not None]
                if before:
                    what = f"{words} of motor{'s' if len(before) > 1 else ''} {', '.join(names)}"
                    yield from self._one(what, sort, PART, unit, before)
        for key, unit in (("controller.moves_per_s", "a second"), ("controller.bytes_per_s", "a second")):
            if (value := machine.value_of(key)) is not None:
                yield from self._one(words_of(key), SPEED_SORT, PART, unit, [(key, value)])
        if machine.motion.lookahead_moves is not None:
            before = [("motion.lookahead_moves", machine.motion.lookahead_moves)]
            yield from self._one("moves seen at once", SPEED_SORT, PART, "moves", before, whole=True)

    def _quality(self) -> Iterator[Raisable]:
        shortest = self.machine.cooling.shortest_layer_s
        if shortest:
            yield from self._one("shortest layer time", COST_SORT, QUALITY, "s", [(SHORTEST_KEY, shortest)])
        for key in ("quality.rounding_budget_mm", "quality.ringing_budget_mm"):
            if (value := self.machine.value_of(key)) is not None:
                yield from self._one(words_of(key), COST_SORT, QUALITY, "mm", [(key, value)])


def without_cap(key: str, number: float, unit: str) -> float:
    """How far a limit may go of which no cap is known."""
    if unit == "mm/s²":
        return max(number, min(MOST_TIMES * number, MOST_ACCELERATION))
    if key == JUNCTION_KEY:
        return max(number, MOST_DEVIATION)
    if key == SHORTEST_KEY:
        return float(f"{number / QUALITY_TIMES:.3g}")
    return (QUALITY_TIMES if key.startswith("quality.") else SPEED_TIMES) * number


def _standing_for(value: Any) -> float:
    """The number that stands for a value: of a table the largest of its second column."""
    return max(number for _, number in value) if isinstance(value, (list, tuple)) else float(value)


def _further_of(one: CapsOfLimit, other: CapsOfLimit) -> CapsOfLimit:
    """The caps of the axis that takes more: along the path the other one holds by itself; none where one has none."""
    if one.lowest is None or other.lowest is None:
        return CapsOfLimit((), (*one.missing, *other.missing))
    return max(one, other, key=lambda caps: caps.lowest.value if caps.lowest is not None else 0.0)


def pins_of(machine: Machine, timings: Sequence[Timing], wanted: LadderAsk) -> dict[str, Any]:
    """Settings that say again what holds for some moves, so that raising what holds for all leaves them as they are.

    Limits by kind and by label in the machine file stay theirs; labels that are kept have acceleration, speed and
    override as they are. Raises InputError for a label that no job has.
    """
    motion = machine.motion
    sections = [(f"motion.by_kind.{name}", getattr(motion.by_kind, name)) for name in ("print", "travel")]
    pins = {f"{section}.{last}": value for section, one in sections for last, value in one.given() if value is not None}
    for label, one in motion.by_label.items():
        pins |= {label_key(label, last): value for last, value in one.given() if value is not None}
    kinds = [name for name in wanted.keep if name in ("print", "travel")]
    jobs = _Jobs(machine, timings)
    for label in wanted.keep:
        if label in kinds:
            continue
        if label not in jobs.labels:
            allowed = ", ".join([*jobs.labels, "print", "travel"])
            raise InputError.at("--keep", f"no job has moves labelled {label!r}", allowed, nearest(label, jobs.labels))
        for kind in ("print", "travel"):
            last = f"{kind}_acceleration_mm_s2"
            held = jobs.in_force(f"motion.{last}", (PRINT if kind == "print" else TRAVEL,))
            told = getattr(getattr(motion.by_kind, kind), last) or (None if held is None else held.most)
            if told is not None:
                pins.setdefault(label_key(label, last), told)
        pins.setdefault(label_key(label, "feed_override"), motion.by_kind.print.feed_override or motion.feed_override)
        held = jobs.in_force("motion.speed_cap_mm_s", (PRINT,))
        if held is not None:
            pins.setdefault(label_key(label, "speed_cap_mm_s"), motion.by_kind.print.speed_cap_mm_s or held.most)
    return pins


def raisables_of(machine: Machine, timings: Sequence[Timing], wanted: LadderAsk) -> list[Raisable]:
    """What may be raised for jobs as they are timed now, how far, and of which kind. Raises InputError where a reach is
    asked for of something that is none of these.
    """
    for name, value in wanted.reach.items():
        machine.with_settings({name: value}, "--reach")
    found = _Table(machine, _Jobs(machine, timings), wanted).rows()
    for name, value in wanted.reach.items():
        keys = resolved_keys({name: value}, machine)
        if not any(keys & set(one.keys) for one in found):
            known = [key for one in found for key in one.keys]
            allowed = f"one of {', '.join(known)}"
            raise InputError.at(
                "--reach", f"there is nothing to raise at {name} to {value:g}", allowed, nearest(name, known)
            )
    return found


GRAVEST = (QUALITY, PART, PREPARED, SHOWS, UNCAPPED, SETTING)  # of several kinds the first says what a step is


def gravest_kind(kinds: Iterable[str]) -> str:
    """The kind that a step of several kinds is told by."""
    held = set(kinds)
    return next(kind for kind in GRAVEST if kind in held)


assert set(GRAVEST) == set(KINDS_OF_STEPS)
