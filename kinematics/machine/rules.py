"""Raw tables -> sections and ranges, or every problem: ranges, and what keys say together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain, combinations, pairwise, product
from typing import Any, TypeGuard

from kinematics.errors import nearest
from kinematics.machine.keys import Motion
from kinematics.machine.kinds import KINDS_OF_STEPS, SQUARE_KIND, STEPS_KIND, Range
from kinematics.machine.mechanisms import EXTRUDER, MECHANISMS, LinearDelta
from kinematics.machine.names import find_key, help_for_setting, nearest_name
from kinematics.toml.files import Path, Problem, dotted_name
from kinematics.toml.sections import Reading, Row, Section, hint_for, is_number, listed, shown

PARTS = Range._fields
RANGE_ALLOWED = "{ low = …, likely = …, high = … }, three numbers"
IN_ORDER = "low no more than likely, and likely no more than high"
JUNCTION = ("motion", "junction_deviation_mm")
SPEED_STEP = ("motion", "speed_step_mm_s")
JUNCTION_KEY, SPEED_STEP_KEY = dotted_name(JUNCTION), dotted_name(SPEED_STEP)
CORNER_KEYS = (JUNCTION_KEY, *(f"{SPEED_STEP_KEY}.{axis}" for axis in "xyz"))
ONE_CORNER_RULE = "one of them: a machine has one corner rule"
BOTH_CORNER_RULES = f"both {JUNCTION_KEY} and {SPEED_STEP_KEY} are given"
MECHANISM_KEY = ("machine", "mechanism")
DELTA = ("machine", "delta")
SAME_ANGLE = 1e-6  # °
ROUNDED = 1e-6  # share by which numbers that are written out may be off


class MachineReading(Reading):
    """Raw tables of a machine file that become sections; of a range the likely value, the rest stands in `ranges`."""

    def __init__(self) -> None:
        super().__init__(nearest_name)
        self.ranges: dict[str, Range] = {}

    def value(self, row: Row, raw: Any, path: Path) -> Any:
        """The value of a key, the likely one of a range, or the sections of a table; None where it is wrong.

        A range needs all three: a likely value that nobody gave would be one that nobody can look up. Each is judged as
        a number of its own would be.
        """
        if row.kind is STEPS_KIND and (wrong := wrong_steps(raw)):
            return self.note(Problem(path, f"{dotted_name(path)} = {shown(raw)}", row.words, wrong))
        # A label may be called "low"; and what stands in a block is no key of the machine.
        if not row.is_key or not _looks_like_range(raw) or any(isinstance(part, int) for part in path):
            return super().value(row, raw, path)
        name = dotted_name(path)
        if (problem := _range_problem(row, name, raw, path)) is not None:
            return self.note(problem)
        assert row.kind is not None
        for part in ("likely", "low", "high"):
            if not row.kind.holds(raw[part]):
                found = f"{name}.{part} = {shown(raw[part])}"
                return self.note(Problem(path, found, row.words, hint_for(row, raw[part])))
        self.ranges[name] = Range(*(float(raw[part]) for part in PARTS))
        return self.ranges[name].likely

    def machine(self, section: type[Section], raw: Mapping[str, Any]) -> dict[str, Any]:
        """The sections of a machine file, or of a part of one, judged also by what they say together."""
        motion = raw.get("motion")
        if isinstance(motion, Mapping) and all(motion.get(path[-1]) is not None for path in (JUNCTION, SPEED_STEP)):
            self.note(Problem(JUNCTION, BOTH_CORNER_RULES, ONE_CORNER_RULE))
            raw = {**raw, "motion": {name: value for name, value in motion.items() if name != JUNCTION[-1]}}
        together = (mechanism_problems(raw), checked_problems(raw.get("checked")), proven_problems(raw.get("proven")))
        self._wrong += chain.from_iterable(together)
        values = self.table(section, raw)
        if "motion" in values:
            values["motion"] = with_one_corner_rule(values["motion"])
        return values


def with_one_corner_rule(motion: Motion) -> Motion:
    """Motion of which the corner rule that is not in force is None."""
    values = {name: value for name, value in motion.__dict__.items() if value is not None}
    return motion.made(values if motion.speed_step_mm_s is None else {**values, JUNCTION[1]: None})


def wrong_steps(raw: Any) -> str:
    """What is wrong with the first key of which a kind of step is told; empty where nothing is."""
    for name, kind in raw.items() if isinstance(raw, Mapping) else ():
        if not isinstance(name, str) or find_key(name) is None:
            allowed, hint = help_for_setting(str(name))
            return f"unknown key {name}" + (f"; {hint or allowed}" if hint or allowed else "")
        if kind not in KINDS_OF_STEPS:
            return f"{name} = {kind!r}" + (f"; {hint}" if (hint := nearest(str(kind), KINDS_OF_STEPS)) else "")
    return ""


def _looks_like_range(raw: Any) -> TypeGuard[Mapping[str, Any]]:
    return isinstance(raw, Mapping) and not raw.keys().isdisjoint(PARTS)


def _range_problem(row: Row, name: str, raw: Mapping[str, Any], path: Path) -> Problem | None:
    if row.kind is None or not row.kind.any_number:
        hint = "only where any number may stand can a range stand as well"
        return Problem(path, f"{name} = {shown(raw)}", row.words, hint)
    unknown = [part for part in raw if part not in PARTS]
    missing = [part for part in PARTS if part not in raw]
    if unknown or missing:
        found = f"{name} is a range {'with' if unknown else 'without'} {listed(unknown or missing)}"
        return Problem(path, found, RANGE_ALLOWED, nearest(unknown[0], PARTS) if unknown else "")
    for part in PARTS:
        if not is_number(raw[part]):
            hint = "write it without quotes" if isinstance(raw[part], str) else ""
            return Problem(path, f"{name}.{part} = {shown(raw[part])}", "a number", hint)
    for lower, upper in pairwise(PARTS):
        if not raw[lower] <= raw[upper]:
            return Problem(
                path, f"{name} has {lower} = {shown(raw[lower])} above {upper} = {shown(raw[upper])}", IN_ORDER
            )
    return None


def mechanism_problems(tables: Mapping[str, Any]) -> Iterator[Problem]:
    """What is wrong between the mechanism, its measures and its motors in raw tables; values by themselves are not
    judged here, and what hangs on a value that is none is left alone.
    """
    identity = tables.get("machine", {})
    named = identity.get("mechanism", "cartesian") if isinstance(identity, Mapping) else None
    kind = MECHANISMS.get(named) if isinstance(named, str) else None
    if kind is None:
        return
    delta = identity.get("delta")
    if kind is LinearDelta and delta is None:
        found = f"{dotted_name(MECHANISM_KEY)} = {shown(named)} without [{dotted_name(DELTA)}]"
        yield Problem(MECHANISM_KEY, found, f"beside [{dotted_name(DELTA)}] with arm_mm and tower_radius_mm")
    elif kind is not LinearDelta and delta is not None:
        found = f"[{dotted_name(DELTA)}] is given for {kind.words}"
        yield Problem(DELTA, found, f'only beside {dotted_name(MECHANISM_KEY)} = "linear-delta"')
    elif isinstance(delta, Mapping):
        yield from _measures(delta)
    motors = tables.get("motors", {})
    allowed = (*kind.motors, EXTRUDER)
    for name in motors if isinstance(motors, Mapping) else ():
        if name not in allowed:
            path = ("motors", name)
            yield Problem(path, f"{dotted_name(path)} is no motor of {kind.words}", ", ".join(allowed))


def _measures(delta: Mapping[str, Any]) -> Iterator[Problem]:
    for part in ("likely", "low", "high"):
        raw = [delta.get(name) for name in ("arm_mm", "tower_radius_mm")]
        arm, radius = (one.get(part) if _looks_like_range(one) else one for one in raw)
        if is_number(arm) and is_number(radius) and 0 < arm <= radius:
            path = (*DELTA, "arm_mm")
            name = f"{dotted_name(path)}.{part}" if _looks_like_range(delta["arm_mm"]) else dotted_name(path)
            found = f"{name} = {shown(arm)} does not reach the middle, {shown(radius)} mm from every tower"
            yield Problem(path, found, f"more than {dotted_name((*DELTA, 'tower_radius_mm'))}")
            break
    angles = delta.get("tower_angles_deg")
    if isinstance(angles, (list, tuple)) and all(is_number(angle) for angle in angles):
        gaps = [abs((one - other + 180.0) % 360.0 - 180.0) for one, other in combinations(angles, 2)]
        if min(gaps, default=360.0) < SAME_ANGLE:
            path = (*DELTA, "tower_angles_deg")
            found = f"{dotted_name(path)} = {shown(angles)} puts two towers at one place"
            yield Problem(path, found, "three different angles")


def checked_problems(checked: Any) -> Iterator[Problem]:
    """What is wrong between the keys of [checked] and their covariance; values by themselves are not judged here."""
    if not isinstance(checked, Mapping):
        return
    path, keys, covariance = ("checked", "keys"), checked.get("keys"), checked.get("covariance")
    listed_keys = [one for one in keys if isinstance(one, str)] if isinstance(keys, (list, tuple)) else []
    are_good = True
    for name, times in Counter(listed_keys).items():
        key = find_key(name)
        is_number_key = key is not None and key.row.kind is not None and key.row.kind.any_number
        are_good &= is_number_key and times == 1
        if key is None:
            yield Problem(path, f"checked.keys has an unknown key {name}", *help_for_setting(name))
        elif not is_number_key:
            yield Problem(path, f"checked.keys has {name}, which is no number", "keys that hold any number")
        elif times > 1:
            yield Problem(path, f"checked.keys has {name} twice", "each key once")
    if are_good and covariance is not None and SQUARE_KIND.holds(covariance):
        yield from _covariance_problems(covariance, len(listed_keys))


def _covariance_problems(covariance: Sequence[Sequence[float]], keys: int) -> Iterator[Problem]:
    path = ("checked", "covariance")
    if len(covariance) != keys:
        found = f"checked.covariance has {len(covariance)} rows for {keys} keys"
        yield Problem(path, found, "a row and a column for each of checked.keys")
        return
    for (i, row), (j, other) in product(enumerate(covariance), repeat=2):
        most = (max(row[i], 0.0) * max(other[j], 0.0)) ** 0.5
        if row[i] < 0.0 or abs(row[j] - other[i]) > ROUNDED * most or abs(row[j]) > (1.0 + ROUNDED) * most:
            found = f"checked.covariance has {shown(row[j])} in row {i + 1}, column {j + 1}"
            yield Problem(path, found, "variances in the diagonal, and the same on both sides of it")
            return


def proven_problems(proven: Any) -> Iterator[Problem]:
    """What is wrong in [[proven]]: keys that there are none of, ends that do not hold their value between them."""
    for position, block in enumerate(proven if isinstance(proven, (list, tuple)) else ()):
        raw = block if isinstance(block, Mapping) else {}
        name = raw.get("key")
        if isinstance(name, str) and name.strip() and find_key(name) is None:
            hints = help_for_setting(name)
            yield Problem(("proven", position, "key"), f"proven.key is an unknown key {name}", *hints)
        ends: list[Any] = [raw.get(part) for part in ("low", "value", "high")]
        if all(map(is_number, ends)) and sorted(ends) != ends:
            found = f"proven.value = {shown(ends[1])} lies outside {shown(ends[0])} to {shown(ends[2])}"
            allowed = "low, value and high, each no less than the one before"
            yield Problem(("proven", position, "value"), found, allowed)
