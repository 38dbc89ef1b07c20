"""The knobs of a live page: what may be turned, over which values, and the settings that an address holds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kinematics.errors import InputError
from kinematics.machine import Machine, parse_settings, resolved_keys
from kinematics.machine.model import NOT_GIVEN
from kinematics.machine.names import Key, all_keys, find_key
from kinematics.studies.knobs import present_value, typed, unit_of_knob
from kinematics.studies.worth import words_of
from kinematics.vibration.filters import FILTER_NAMES
from kinematics.wording import quantity_text, value_text

MAIN = ("acceleration", "speed", "corner", "flow")
FILTERS = tuple(f"vibration.{axis}.{part}" for axis in "xy" for part in ("filter", "filter_frequency_hz"))
MOST_SETTINGS = 60
A_HAIR = 1.0 + 1e-6
# Beside those whose names end in a speed, an acceleration or a flow.
ALSO = (
    "quality.rounding_budget_mm",
    "quality.ringing_budget_mm",
    "cooling.shortest_layer_s",
    "filament.pressure_advance_s",
    "motion.lookahead_moves",
    "controller.moves_per_s",
    "vibration.x.filter_damping_ratio",
    "vibration.y.filter_damping_ratio",
)
ENDINGS = ("_mm_s2", "_mm_s", "_mm3_s")
# Where a knob ends: by unit, for values that the machine lacks or that lie between. Common practice, no source.
ENDS = {
    "mm/s²": (100.0, 20_000.0),
    "mm/s": (5.0, 500.0),
    "mm³/s": (1.0, 60.0),
    "mm": (0.005, 0.5),
    "Hz": (10.0, 150.0),
    "s": (0.5, 60.0),
    "×": (0.25, 4.0),
}
OTHER_ENDS = (1.0, 1000.0)
STEP_ENDS = (0.5, 40.0)  # mm/s, of a corner's sudden change of speed
ADVANCE_ENDS = (0.005, 0.2)  # s
DAMPING_ENDS = (0.01, 0.3)
FURTHER = 2.0  # how far beyond what the machine has a knob goes at least, as a factor


class PageKnob(NamedTuple):
    """One knob: its setting as `--set` takes it, its dotted key, words, unit; what the machine has as a number (None:
    it has none) and as text; ascending stops or, of one without numbers, the names to choose from.
    """

    name: str
    key: str
    words: str
    unit: str
    present: float | None
    present_text: str
    stops: tuple[float, ...]
    choices: tuple[str, ...] = ()
    group: str = ""

    def document(self) -> dict[str, Any]:
        """As plain data."""
        return self._asdict() | {"stops": list(self.stops), "choices": list(self.choices)}


def knobs_of(machine: Machine) -> list[PageKnob]:
    """The knobs that every page shows."""
    found = [_knob(machine, name) for name in MAIN]
    for axis in "xy":
        section = getattr(machine.vibration, axis)
        own = ("own",) if section.filter_impulses is not None else ()
        name = f"vibration.{axis}.filter"
        shown = section.filter or "none"
        found.append(
            PageKnob(name, name, f"{axis.upper()} filter", "", None, shown, (), (*FILTER_NAMES, *own), "filters")
        )
        found.append(_knob(machine, f"vibration.{axis}.filter_frequency_hz")._replace(group="filters"))
    return found


def further_knobs(machine: Machine) -> list[PageKnob]:
    """The limits that may be turned beside those."""
    shown = {key for name in (*MAIN, *FILTERS) for key in resolved_keys({name: 1.0}, machine)}
    motors = tuple(f"motors.{name}." for name in machine.motors)
    found = []
    for key in all_keys(machine):
        if key.name in shown or not (key.name.endswith(ENDINGS) or key.name in ALSO):
            continue
        if key.name.startswith("motors.") and not key.name.startswith(motors):
            continue
        if _is_number(machine, key):
            found.append(_knob(machine, key.name)._replace(group="further"))
    return found


def _is_number(machine: Machine, key: Key) -> bool:
    """Whether the machine has a number for a key, or takes one."""
    value = machine.value_of(key.name)
    if value is not None:
        return isinstance(value, int | float) and not isinstance(value, bool)
    try:
        machine.with_settings({key.name: 1.0})
    except InputError:
        return False
    return True


def _knob(machine: Machine, name: str) -> PageKnob:
    present = present_value(machine, name)
    unit = "×" if name == "speed" or name.endswith("feed_override") else unit_of_knob(machine, name)
    key = sorted(resolved_keys({name: 1.0}, machine))[0]
    value = machine.value_of(key)
    if present is not None:
        text = quantity_text(present)
    elif value is not None:
        text = value_text(value)
    else:
        text = NOT_GIVEN if key.startswith("vibration.") or key in NOT_LIMITS else "no limit"
    if key.endswith("filter_frequency_hz") and present is None:
        modes = getattr(machine.vibration, key.split(".")[1]).modes
        if modes:
            present = float(modes[0].frequency_hz)
            text = f"{quantity_text(present)} Hz, that of its first mode"
    elif present is not None and unit:
        text += unit if unit == "×" else f" {unit}"
    return PageKnob(name, key, words_on_page(name, machine), unit, present, text, _stops(name, unit, present))


NOT_LIMITS = ("filament.pressure_advance_s",)


def words_on_page(name: str, machine: Machine) -> str:
    """What a knob is called."""
    if name == "speed":
        return "print speed in the file"
    if name == "corner":
        return "corners: junction deviation" if machine.motion.speed_step_mm_s is None else "corners: speed step"
    key = sorted(resolved_keys({name: 1.0}, machine))[0]
    if key.startswith("vibration."):
        axis, part = key.split(".")[1:3]
        return f"{axis.upper()} {part.removesuffix('_hz').replace('_', ' ')}"
    return words_of(key)


def _stops(name: str, unit: str, present: float | None) -> tuple[float, ...]:
    """Round values over which a knob slides, what the machine has among them."""
    low, high = ENDS.get(unit, OTHER_ENDS)
    if (name == "corner" and unit == "mm/s") or "step" in name:
        low, high = STEP_ENDS
    elif name.endswith("pressure_advance_s"):
        low, high = ADVANCE_ENDS
    elif name.endswith("damping_ratio"):
        low, high = DAMPING_ENDS
    if present is not None and present > 0.0:
        low, high = min(low, present / FURTHER), max(high, present * FURTHER)
    key = find_key(name)
    whole = key is not None and key.name.endswith("_moves")
    stops = [max(1.0, round(low)) if whole else typed(low, True)]
    while stops[-1] < high:
        following = typed(stops[-1] * A_HAIR, True)
        stops.append(max(stops[-1] + 1.0, float(round(following))) if whole else following)
    kept = {*stops, present} if present is not None else {*stops}
    return tuple(sorted(kept))


def settings_from(pairs: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """Settings of an address, each read as `--set KEY=VALUE` is. Raises InputError with every finding."""
    if len(pairs) > MOST_SETTINGS:
        raise InputError.at("", f"{len(pairs)} settings in the address", f"{MOST_SETTINGS} at most")
    found: dict[str, Any] = {}
    for name, value in pairs:
        found |= parse_settings(f"{name}={value}")
    return found


def changed_machine(machine: Machine, settings: Mapping[str, Any]) -> Machine:
    """The machine as `--set` would have it. Raises InputError with every finding."""
    return machine.with_settings(settings, "--set") if settings else machine


def settings_words(machine: Machine, settings: Mapping[str, Any]) -> str:
    """Settings as a person says them: `print acceleration 4,000 mm/s², X filter ZVD`."""
    told = []
    for name, value in settings.items():
        try:
            words = f"{name.split('.')[1].upper()} filter" if name.endswith(".filter") else words_on_page(name, machine)
            unit = "×" if name == "speed" else unit_of_knob(machine, name)
        except (InputError, IndexError):
            words, unit = name, ""
        words = words.removeprefix("corners: ")
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            told.append(f"{words} {quantity_text(value)}{'' if unit in ('×', '') else ' '}{unit}")
        else:
            told.append(f"{words} {value_text(value)}")
    return ", ".join(told)
