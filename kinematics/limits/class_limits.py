"""The limits of one class of moves under construction: of what is told about one limit the most particular holds."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from kinematics.gcode.moves import PRINT
from kinematics.limits import columns as by
from kinematics.limits.classes import MoveClass, is_path
from kinematics.machine import Machine

IN_THE_JOB = " (stated in the job)"  # after a key whose value the job states
HONOUR, IGNORE, CAP = "honour", "ignore", "cap"
FILE_LIMIT_MODES = (HONOUR, IGNORE, CAP)
NOTHING_VARIED: frozenset[str] = frozenset()
UNSCALED: Mapping[str, float] = {}

Told = tuple[str, float | None]  # dotted key, value


class Terms:
    """Values of one class by column, with the key that stands behind each, and every key that had a say.

    `mode` says what limits stated in the job do, `varied` names the keys that a study varies, `scaled` holds factors
    by key: 1.01 is one per cent more, infinity lifts a limit.
    """

    def __init__(
        self, machine: Machine, member: MoveClass, mode: str, varied: frozenset[str], scaled: Mapping[str, float]
    ) -> None:
        self.machine = machine
        self.member = member
        self.stated = member.stated if mode != IGNORE else {}
        self.mode = mode
        self.varied = varied
        self.scaled = scaled
        self.values = np.full(by.LIMITS, math.inf)
        self.origins: dict[int, str] = {}
        self.keys: set[str] = set()  # of the part that is being made
        self.keys_of: dict[str, set[str]] = {}
        self.advance = (math.inf, 0.0)

    def again(self, machine: Machine) -> Terms:
        """The same limits for another machine, to be made anew in part."""
        row = Terms.__new__(Terms)
        row.__dict__.update(self.__dict__, machine=machine, values=self.values.copy())
        row.origins, row.keys_of = dict(self.origins), dict(self.keys_of)
        return row

    def begin(self, part: str, columns: Iterable[int]) -> None:
        """Make a part of the limits anew: its columns hold none, and no key has had a say in it."""
        self.keys = self.keys_of[part] = set()
        for column in columns:
            self.values[column] = math.inf
            self.origins.pop(column, None)

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
        if stated is not None and self.mode == CAP:
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
        told: list[Told] = []
        motion, kind = self.machine.motion, self.member.kind
        if is_path(self.member):
            section = "print" if kind == PRINT else "travel"
            value = getattr(getattr(motion.by_kind, section), name, None)
            told.append((f"motion.by_kind.{section}.{name}", value))
            if self.member.label in motion.by_label:
                value = getattr(motion.by_label[self.member.label], name)
                told.append((label_key(self.member.label, name), value))
        return told


def label_key(label: str, name: str) -> str:
    """The dotted key of one limit of a label."""
    from kinematics.toml.files import quoted

    return f"motion.by_label.{quoted(label)}.{name}"
