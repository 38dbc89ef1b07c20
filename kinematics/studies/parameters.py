"""What measured times may tell of a machine: a few named parameters, each with bounds and a weak prior."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.machine import Machine
from kinematics.machine.rules import CORNER_KEYS
from kinematics.toml.files import dotted_name

Reals = NDArray[np.float64]

# How a parameter is counted: a limit by the logarithm of its factor on what the machine file says, an overhead by its
# seconds, a command rate by the seconds that one move takes to send.
LIMIT, OVERHEAD, RATE = "limit", "overhead", "rate"
PRINT, TRAVEL, CORNER, COMMANDS, START_UP, EACH_LAYER, EACH_RETRACTION = (
    "print acceleration",
    "travel acceleration",
    "corners",
    "command rate",
    "start-up",
    "time per layer",
    "time per retraction",
)
LIMITS = (PRINT, TRAVEL, CORNER)
OVERHEADS = (START_UP, EACH_LAYER, EACH_RETRACTION)
_PRINT_KEY, _TRAVEL_KEY = "motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2"
RATE_KEY = "controller.moves_per_s"
OVERHEAD_KEYS = {
    START_UP: "stops.startup_s",
    EACH_LAYER: "stops.each_layer_s",
    EACH_RETRACTION: "stops.each_retraction_s",
}
# Weak priors: one standard deviation (of a limit, of the logarithm of its factor; of the others in s), and the most
# that is looked at. Common practice, no source: a number that somebody put into a machine file is rarely off by more
# than three times, a start-up rarely takes ten minutes.
PRIORS = {
    PRINT: (0.6, math.log(6.0)),
    TRAVEL: (0.6, math.log(6.0)),
    CORNER: (0.8, math.log(8.0)),
    COMMANDS: (0.0015, 0.02),
    START_UP: (180.0, 3600.0),
    EACH_LAYER: (0.6, 10.0),
    EACH_RETRACTION: (0.1, 2.0),
}


class Parameter(NamedTuple):
    """One parameter: its name, how it is counted, the keys that it sets, what these hold now (None: nothing).

    `base` where the machine file puts it, in its own coordinate; `spread` the standard deviation of its prior; `least`
    and `most` its bounds.
    """

    name: str
    kind: str
    keys: tuple[str, ...]
    held: tuple[float | None, ...]
    base: float
    spread: float
    least: float
    most: float

    def settings(self, place: float) -> dict[str, float | None]:
        """The values of its keys at a place in its own coordinate; None takes a key out."""
        if self.kind == LIMIT:
            factor = math.exp(place)
            return {key: value * factor for key, value in zip(self.keys, self.held, strict=True) if value is not None}
        if self.kind == RATE:
            return {self.keys[0]: 1.0 / place if place > 0.0 else None}
        return {self.keys[0]: place}

    def value(self, place: float) -> float | None:
        """The value of its first key at a place; None for a command rate that holds nothing back."""
        return self.settings(place)[self.keys[0]]


def parameters_of(machine: Machine) -> tuple[Parameter, ...]:
    """All parameters of a machine: the likely values of its file stand at the middle of the priors."""
    labels = [dotted_name(("motion", "by_label", name)) for name in machine.motion.by_label]
    keys = {
        PRINT: [_PRINT_KEY, *(f"{at}.print_acceleration_mm_s2" for at in ("motion.by_kind.print", *labels))],
        TRAVEL: [_TRAVEL_KEY, *(f"{at}.travel_acceleration_mm_s2" for at in ("motion.by_kind.travel", *labels))],
        CORNER: list(CORNER_KEYS),
    }
    found = []
    for name in LIMITS:
        given = [(key, value) for key in keys[name] if (value := machine.value_of(key)) is not None]
        spread, most = PRIORS[name]
        names, held = zip(*given, strict=True)
        found.append(Parameter(name, LIMIT, names, held, 0.0, spread, -most, most))
    rate = machine.controller.moves_per_s
    spread, most = PRIORS[COMMANDS]
    found.append(Parameter(COMMANDS, RATE, (RATE_KEY,), (rate,), 1.0 / rate if rate else 0.0, spread, 0.0, most))
    for name, key in OVERHEAD_KEYS.items():
        value = machine.value_of(key)
        spread, most = PRIORS[name]
        found.append(Parameter(name, OVERHEAD, (key,), (value,), value or 0.0, spread, 0.0, most))
    return tuple(found)


def settings_at(parameters: Sequence[Parameter], place: Reals) -> dict[str, float | None]:
    """The values of all keys at a place, one coordinate a parameter."""
    return {key: value for one, at in zip(parameters, place, strict=True) for key, value in one.settings(at).items()}
