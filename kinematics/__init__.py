"""Print time and throughput of extrusion printers under motion limits.

The public names are attached on first use, so that importing the package costs nothing:
`read_gcode`, `Machine`, `load_machine`, `estimate`, `compare`, `ladder`, `sweep`, `target`, `caps`, `ringing`,
`rounding`, `vibrations`, `fit`, `throughput`, `upgrades`, `bedful`, `shop`, `InputError`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "read_gcode": "kinematics.gcode.reader",
    "Machine": "kinematics.machine",
    "Candidate": "kinematics.machine",
    "load_machine": "kinematics.machine",
    "bedful": "kinematics.api_business",
    "estimate": "kinematics.api",
    "compare": "kinematics.api",
    "sweep": "kinematics.api",
    "ladder": "kinematics.api",
    "target": "kinematics.api",
    "caps": "kinematics.api",
    "ringing": "kinematics.api_machine",
    "rounding": "kinematics.api_machine",
    "vibrations": "kinematics.api_machine",
    "fit": "kinematics.api_machine",
    "throughput": "kinematics.api_business",
    "upgrades": "kinematics.api_business",
    "shop": "kinematics.api_business",
    "InputError": "kinematics.errors",
}

__all__ = [
    "Candidate",
    "InputError",
    "Machine",
    "__version__",
    "bedful",
    "caps",
    "compare",
    "estimate",
    "fit",
    "ladder",
    "load_machine",
    "read_gcode",
    "ringing",
    "rounding",
    "shop",
    "sweep",
    "target",
    "throughput",
    "upgrades",
    "vibrations",
]

if TYPE_CHECKING:
    from kinematics.api import caps, compare, estimate, ladder, sweep, target
    from kinematics.api_business import bedful, shop, throughput, upgrades
    from kinematics.api_machine import fit, ringing, rounding, vibrations
    from kinematics.errors import InputError
    from kinematics.gcode.reader import read_gcode
    from kinematics.machine import Candidate, Machine, load_machine


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'kinematics' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
