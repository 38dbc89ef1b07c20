"""The limits of one class of moves under construction: of what is told about one limit the most particular holds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import PRINT
from kinematics.limits.classes import MoveClass, is_path
from kinematics.machine import Machine
from kinematics.toml.files import quoted

IN_THE_JOB = " (stated in the job)"  # after a key whose value the job states
HONOUR, IGNORE, AS_CAP = "honour", "ignore", "cap"
FILE_LIMIT_MODES = (HONOUR, IGNORE, AS_CAP)
NOTHING_VARIED: frozenset[str] = frozenset()
UNSCALED: Mapping[str, float] = {}

Told = tuple[str, float | None]  # dotted key, value


@dataclass
class Terms:
    """Values of one class by column in a part of the limits, the key behind each, and every key that had a say.

    `mode` says what limits stated in the job do, `varied` names the keys that a study varies, `scaled` holds factors
    by key: 1.01 is one per cent more, infinity lifts a limit.
    """

    machine: Machine
    member: MoveClass
    mode: str
    varied: frozenset[str]
    scaled: Mapping[str, float]
    values: NDArray[np.float64]
    origins: dict[int, str] = field(default_factory=dict)
    keys: set[str] = field(default_factory=set)
    advance: tuple[float, float] = (math.inf, 0.0)

    @property
    def stated(self) -> Mapping[str, float]:
        """The limits stated in the job that count."""
        return self.member.stated if self.mode != IGNORE else {}

    def chosen(self, general: Told, *particular: Told) -> Told:
        """What holds of one limit: told in general, by the file, and ever more particularly."""
        key, value = general
        for other, told in particular:
            if other in self.varied and told is not None:
                key, value = other, told
        if key in self.varied:
            return key, value
        stated = self.stated.get(general[0])
        if stated is not None and self.mode == HONOUR:
            key, value = general[0] + IN_THE_JOB, stated
        for other, told in particular:
            if told is not None:
                key, value = other, told
        if stated is not None and self.mode == AS_CAP:
            own = general[0] + IN_THE_JOB
            if value is None or self.scaled_value(own, stated) < self.scaled_value(key, value):
                key, value = own, stated
        return key, value

    def put(self, column: int, told: Told) -> None:
        """Write a limit; None is no limit."""
        key, value = told
        if value is not None and value < math.inf:
            self.keys.add(key)
        self.values[column] = math.inf if value is None else self.scaled_value(key, float(value))
        self.origins[column] = key

    def lower(self, column: int, told: Told) -> None:
        """Write a limit where it is lower than what stands there."""
        key, value = told
        if value is not None and value < math.inf:
            self.lower_to(column, key, self.scaled_value(key, value))

    def lower_to(self, column: int, key: str, value: float) -> None:
        """Write a limit that bears all factors already where it is lower than what stands there."""
        self.keys.add(key)
        if value < self.values[column]:
            self.values[column] = value
            self.origins[column] = key

    def scaled_value(self, key: str, value: float) -> float:
        """A value times the factor on its key."""
        return value * self.scaled.get(key, 1.0)

    def particular(self, name: str) -> list[Told]:
        """What is told about one key by kind and by label, in the order of increasing particularity."""
        if not is_path(self.member):
            return []
        motion, label = self.machine.motion, self.member.label
        section = "print" if self.member.kind == PRINT else "travel"
        told = [(f"motion.by_kind.{section}.{name}", getattr(getattr(motion.by_kind, section), name, None))]
        if label in motion.by_label:
            told.append((label_key(label, name), getattr(motion.by_label[label], name)))
        return told


def label_key(label: str, name: str) -> str:
    """The dotted key of one limit of a label."""
    return f"motion.by_label.{quoted(label)}.{name}"
