"""[proof] and [[proven]] of the machine file: how proof prints are made here, and what they gave."""

from __future__ import annotations

from typing import Any

from kinematics.machine.kinds import DATE
from kinematics.toml.sections import POSITIVE, TEXT, Doubtful, Section, key, not_blank


class ProofPrint(Section):
    """[proof]: what `kinematics proof` writes around its shapes, and how finely."""

    start_file: str | None = key(TEXT, "your own start code: heating, homing, priming", default=None)
    end_file: str | None = key(TEXT, "your own end code", default=None)
    nozzle_c: float | None = key(
        POSITIVE, "temperature of the nozzle", default=None, doubtful=Doubtful(120.0, 500.0, "is it in °C?")
    )
    bed_c: float | None = key(
        POSITIVE, "temperature of the bed", default=None, doubtful=Doubtful(20.0, 160.0, "is it in °C?")
    )
    line_width_mm: float = key(
        POSITIVE, "width of a printed line", default=0.45, doubtful=Doubtful(0.1, 2.0, "is it in mm?")
    )
    layer_mm: float = key(POSITIVE, "height of a layer", default=0.2, doubtful=Doubtful(0.04, 1.0, "is it in mm?"))


# Rows stand here since one of them is called `key`.
_KEY: Any = key(not_blank('a dotted key of the file, such as "motion.print_acceleration_mm_s2"'), "the key")
_VALUE: Any = key(POSITIVE, "up to which value prints were good")
_LOW: Any = key(POSITIVE, "the least that it may be, as it was measured")
_HIGH: Any = key(POSITIVE, "the most that it may be")
_DATE: Any = key(DATE, "when that was")


class Proven(Section):
    """[[proven]]: what a proof print gave for a key; written by `kinematics proof read`."""

    key: str = _KEY
    value: float = _VALUE
    low: float = _LOW
    high: float = _HIGH
    date: str = _DATE
