"""Proof prints on the screen and as documents: what was written, and what a measurement gave."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kinematics.reports.documents import head
from kinematics.wording import duration_text, quantity_text

if TYPE_CHECKING:
    from kinematics.proofs.plan import ProofPlan
    from kinematics.proofs.reading import FlowReading, ProofReading, RippleReading

LOOK_FOR = {
    "acceleration": (
        "Look along the long walls, just behind each corner: from some band on the light shows ripples there, or a "
        "layer has slipped sideways.",
        "Measure from the bed up to the highest place where the wall still is as you want it.",
    ),
    "corner": (
        "Look at the eight corners: from some band on they are rounded or bulge, and ripples begin behind them.",
        "Measure from the bed up to the highest place where the corners still are as you want them.",
    ),
    "pressure-advance": (
        "The middle third of each long wall was printed slowly. Where the speed changes, the wall is thick or thin in "
        "some bands; in the best one it is even, and the corners are sharp.",
        "Measure from the bed up to the middle of that band.",
    ),
    "filter": (
        "Look along the long walls, just behind each corner: ripples, the wider apart the faster the band was printed.",
        "Measure over several ripples at once along one wall, and note the speed of that band.",
    ),
    "flow": (
        "Take each piece off in the pause behind it, with pliers, and keep them in order.",
        "Weigh each on a scale that shows 0.01 g, and write flow_mm3_s,weight_g in a CSV file.",
    ),
}
CAUTIONS = (
    "Stay by the machine all the time, a hand near its switch: what is tried here may fail.",
    "Stop at once when motors click or lose their place, when the print comes off the bed, or when anything smells.",
    "Nozzle, bed and what comes out of the nozzle burn; molten plastic gives off fumes: air the room.",
    "The limits of the manufacturer stand, and so do local codes. Leave mains wiring to licensed people.",
)


def written_lines(plan: ProofPlan, file: str, unit: str, seconds: float) -> list[str]:
    """What is said once a proof print has been written."""
    values = plan.bands.values
    span = f"{quantity_text(values[0])} to {quantity_text(values[-1])} {unit} in {len(values)} "
    pieces = "pieces" if plan.kind.name == "flow" else f"bands of {plan.bands.band_mm:g} mm"
    how = f"kinematics proof read {shlex.quote(file)} --height MM, once you have measured it"
    if plan.kind.name == "flow":
        how = "kinematics proof read --weights FILE.csv, once the pieces are weighed"
    elif plan.kind.name == "filter":
        how = "kinematics proof read --ripple MM --speed MM_S, once you have measured the ripples"
    return [
        f"{file}  {plan.kind.varies} {span}{pieces}, {duration_text(seconds)}",
        "",
        *LOOK_FOR[plan.kind.name],
        "",
        *CAUTIONS,
        "",
        f"next: {how}",
    ]


def proof_document(plan: ProofPlan, unit: str, seconds: float) -> dict[str, Any]:
    """A proof print as a document."""
    return head() | {
        "kind": plan.kind.name,
        "keys": list(plan.keys),
        "unit": unit,
        "bands": [
            {"from_mm": low, "to_mm": high, "value": value}
            for (low, high), value in zip(plan.bands.edges(), plan.bands.values, strict=True)
        ],
        "speed_mm_s": plan.speed,
        "total_s": seconds,
    }


def reading_lines(reading: ProofReading) -> list[str]:
    """What a height gave."""
    names = ", ".join(reading.keys)
    unit = reading.unit
    ends = f"{quantity_text(reading.low)} to {quantity_text(reading.high)}"
    known = "" if reading.low == reading.high else f" ({ends} for 0.1 mm on the caliper)"
    lines = [f"{names}: good up to {quantity_text(reading.value)} {unit}{known}"]
    if reading.recommended is None:
        lines.append("even the first band is no better than the rest: print a proof that begins lower")
    else:
        lines.append(f"to be safe set one step less: {quantity_text(reading.recommended)} {unit}")
    return lines


def reading_document(reading: ProofReading) -> dict[str, Any]:
    """The same as a document."""
    return head() | {
        "keys": list(reading.keys),
        "unit": reading.unit,
        "value": reading.value,
        "low": reading.low,
        "high": reading.high,
        "recommended": reading.recommended,
    }


def ripple_lines(reading: RippleReading, axis: str | None) -> list[str]:
    """What the spacing of ripples gave."""
    whose = "the axis" if axis is None else f"the {axis} axis"
    ends = f"{quantity_text(reading.low)} to {quantity_text(reading.high)} Hz"
    return [f"{whose} swings at {quantity_text(reading.frequency)} Hz ({ends} for 0.1 mm on the caliper)"]


def ripple_document(reading: RippleReading, axis: str | None) -> dict[str, Any]:
    """The same as a document."""
    return head() | {
        "axis": axis,
        "frequency_hz": reading.frequency,
        "frequency_low_hz": reading.low,
        "frequency_high_hz": reading.high,
    }


def flow_lines(readings: Sequence[FlowReading]) -> list[str]:
    """What weights gave, a line a temperature."""
    lines = []
    for one in readings:
        at = "" if one.nozzle is None else f"at {one.nozzle:g} °C: "
        if one.value is None or one.low is None or one.high is None:
            lines.append(f"{at}no piece weighs 5 % too little, up to {quantity_text(one.reached)} mm³/s")
        else:
            ends = f"{quantity_text(one.low)} to {quantity_text(one.high)}"
            lines.append(
                f"{at}5 % are missing at {quantity_text(one.value)} mm³/s ({ends}); set {quantity_text(one.low)}"
            )
    return lines


def flow_document(readings: Sequence[FlowReading]) -> dict[str, Any]:
    """The same as a document."""
    names = ("nozzle_c", "flow_mm3_s", "low_mm3_s", "high_mm3_s", "reached_mm3_s")
    return head() | {"rows": [dict(zip(names, one, strict=True)) for one in readings]}
