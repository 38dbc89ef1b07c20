"""What was measured on a proof print, turned into a setting with its uncertainty."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import Finding, InputError, nearest
from kinematics.filtering.answer import CALIPER, frequency_of_ripples
from kinematics.limits.flow import FLOW_KEY
from kinematics.proofs.plan import FILTER_PROOF, FLOW_PROOF
from kinematics.proofs.writing import Header
from kinematics.wording import quantity_text

Reals = NDArray[np.float64]
SHORTFALL = 0.05  # share by which a piece weighs too little where the hotend has had enough
LEVEL = 0.95  # of what an interval holds
LEAST_ROWS = 4  # of one temperature, from which a line with a bend can be told
COLUMNS = ("flow_mm3_s", "weight_g", "nozzle_c")


class ProofReading(NamedTuple):
    """What a measurement gave: the keys that it is about, the value, between what it lies, and what to set.

    `recommended` is one step on the safe side; None where the first band already was too much.
    """

    keys: tuple[str, ...]
    unit: str
    value: float
    low: float
    high: float
    recommended: float | None


def by_height(header: Header, height: float, uncertainty: float = CALIPER) -> ProofReading:
    """The value at the height up to which a proof print is good (mm from the bed): that of its band.

    Low and high are those of the bands within the uncertainty. Raises InputError for a height outside the print, and
    for proofs that have no heights.
    """
    if header.kind in (FLOW_PROOF, FILTER_PROOF):
        instead = "--weights FILE" if header.kind == FLOW_PROOF else "--ripple and --speed"
        raise InputError.at("--height", f"a proof of {header.kind} has no setting that rises with height", instead)
    bands = header.bands
    if not 0.0 < height <= bands.top_mm + uncertainty:
        found, allowed = f"{height:g} mm is not on the print", f"above 0, and {bands.top_mm:g} mm at most"
        raise InputError.at("--height", found, allowed)

    def band_at(at: float) -> int:
        number = math.floor((at - bands.base_mm) / bands.band_mm + 1e-9)
        return min(max(number, 0), bands.many - 1)

    at, lowest, highest = (band_at(one) for one in (height, height - uncertainty, height + uncertainty))
    safe = bands.value(at - 1) if at > 0 else None
    return ProofReading(header.keys, header.unit, bands.value(at), bands.value(lowest), bands.value(highest), safe)


def by_rate(
    key: str, unit: str, per_mm: float, height: float, start: float = 0.0, uncertainty: float = CALIPER
) -> ProofReading:
    """The value of a print whose setting rises evenly: height times the rise a millimetre, plus the start.

    (Common practice, no source.) What is recommended lies one uncertainty of the height lower. Raises InputError where
    nothing rises or the height is none.
    """
    if per_mm == 0.0:
        raise InputError.at("--per-mm", "a step of 0", "what the setting rises by in a millimetre")
    if height <= 0.0:
        raise InputError.at("--height", f"{height:g} mm", "a height above 0")
    value, spread = start + height * per_mm, abs(per_mm) * uncertainty
    return ProofReading((key,), unit, value, value - spread, value + spread, value - spread)


class RippleReading(NamedTuple):
    """The natural frequency that ripples on a wall tell, and between what it lies (Hz)."""

    frequency: float
    low: float
    high: float

    @property
    def uncertainty_share(self) -> float:
        """How far off the frequency may be, as a share of it."""
        return max(self.frequency - self.low, self.high - self.frequency) / self.frequency


def by_ripple(spacing: float, speed: float, ripples: int = 1) -> RippleReading:
    """The frequency of ripples by their spacing (mm) on a wall printed at a speed (mm/s): `frequency_of_ripples`.

    `ripples` is how many spacings were measured at once, which divides a caliper's uncertainty. Raises InputError for a
    spacing that is no larger than that.
    """
    if spacing * ripples <= CALIPER:
        found = f"{spacing:g} mm between ripples, known to {CALIPER / ripples:g} mm"
        raise InputError.at("--ripple", found, "several ripples measured at once, --ripples N")
    return RippleReading(*frequency_of_ripples(spacing * ripples, ripples, speed))


class Weights(NamedTuple):
    """Pieces that were weighed: flow (mm³/s), weight (g), temperature of the nozzle (°C, None not told), and line."""

    flow: tuple[float, ...]
    weight: tuple[float, ...]
    nozzle: tuple[float | None, ...]
    line: tuple[int, ...]


def weights_from(path: str) -> Weights:
    """A CSV table with columns flow_mm3_s, weight_g and, where there are several, nozzle_c.

    Raises InputError with every row that cannot be used.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or "is not text in UTF-8"
        raise InputError.at(path, f"cannot be read: {reason}", "a CSV table") from None
    rows = list(csv.reader(io.StringIO(text)))
    head = [name.strip() for name in rows[0]] if rows else []
    findings = [
        Finding(f"{path}:1", f"no column {name}", ", ".join(COLUMNS), nearest(name, head))
        for name in COLUMNS[:2]
        if name not in head
    ]
    if findings:
        raise InputError(*findings)
    found: list[tuple[float, float, float | None, int]] = []
    for line, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = dict(zip(head, (cell.strip() for cell in row), strict=False))
        numbers = {}
        for name in COLUMNS:
            text = cells.get(name, "")
            if not text and name == COLUMNS[2]:
                continue
            try:
                numbers[name] = float(text)
            except ValueError:
                numbers[name] = math.nan
            if not 0.0 < numbers[name] < math.inf:
                findings.append(Finding(f"{path}:{line}", f"{name} is {text!r}", "a number above 0"))
        if not findings:
            found.append((numbers[COLUMNS[0]], numbers[COLUMNS[1]], numbers.get(COLUMNS[2]), line))
    if findings:
        raise InputError(*findings)
    if not found:
        raise InputError.at(path, "no row with numbers", ", ".join(COLUMNS))
    columns = tuple(zip(*found, strict=True))
    return Weights(*columns)


class FlowReading(NamedTuple):
    """What weights told of one temperature (None: not told): the flow at which pieces weigh 5 % too little, and its
    interval (mm³/s). All None where no piece was that light: `reached` is the greatest flow that was tried.
    """

    nozzle: float | None
    value: float | None
    low: float | None
    high: float | None
    reached: float


def by_weights(weights: Weights, place: str) -> tuple[FlowReading, ...]:
    """The flow at which pieces of equal length weigh 5 % less than slow ones, by temperature, lowest first.

    A level line that bends downwards, fitted by least squares (scipy.optimize.curve_fit); the interval is that of the
    fit's covariance with Student's t. Raises InputError for too few rows, and for weights that rise.
    """
    readings = []
    temperatures = sorted(set(weights.nozzle), key=lambda one: -1.0 if one is None else one)
    for nozzle in temperatures:
        chosen = [i for i, one in enumerate(weights.nozzle) if one == nozzle]
        at = "" if nozzle is None else f" at {nozzle:g} °C"
        flow = np.array([weights.flow[i] for i in chosen])
        weight = np.array([weights.weight[i] for i in chosen])
        if len(np.unique(flow)) < LEAST_ROWS:
            found = f"{len(np.unique(flow))} different flows{at}"
            raise InputError.at(f"{place}:{weights.line[chosen[0]]}", found, f"{LEAST_ROWS} or more")
        readings.append(_bend(flow, weight, nozzle, place))
    return tuple(readings)


def _level_then_falling(flow: Reals, level: float, bend: float, short: float) -> Reals:
    """Weights of pieces: level, from the bend on falling, so that at `short` 5 % are missing."""
    beyond = np.maximum(0.0, flow - bend)
    return np.asarray(level * (1.0 - SHORTFALL * beyond / max(short - bend, 1e-9)))


def _bend(flow: Reals, weight: Reals, nozzle: float | None, place: str) -> FlowReading:
    from scipy.optimize import curve_fit
    from scipy.stats import t

    order = np.argsort(flow, kind="stable")
    flow, weight = flow[order], weight[order]
    reached = float(flow[-1])
    nothing = FlowReading(nozzle, None, None, None, reached)
    low_half = float(np.median(weight[: max(2, len(weight) // 3)]))
    if weight[-1] > low_half * (1.0 + SHORTFALL):
        at = "" if nozzle is None else f" at {nozzle:g} °C"
        found = f"pieces{at} weigh more the faster they came: {weight[0]:g} g, then {weight[-1]:g} g"
        raise InputError.at(place, found, "pieces of equal length, weighed in the order of their flow")
    best: tuple[float, Reals, Reals] | None = None
    for bend in np.linspace(flow[0], flow[-1], 12)[:-1]:
        short = bend + 0.3 * (flow[-1] - bend)
        try:
            found_at, covariance = curve_fit(
                _level_then_falling,
                flow,
                weight,
                p0=(low_half, bend, short),
                bounds=((0.0, 0.0, 0.0), (np.inf, flow[-1], 100.0 * flow[-1])),
            )
        except RuntimeError:  # no end was found from this start; another one will do
            continue
        misfit = float(((weight - _level_then_falling(flow, *found_at)) ** 2).sum())
        if best is None or misfit < best[0]:
            best = misfit, found_at, covariance
    if best is None or best[1][2] > reached or best[1][2] <= best[1][1]:
        return nothing
    value, spread = float(best[1][2]), math.sqrt(max(float(best[2][2, 2]), 0.0))
    factor = float(t.ppf(0.5 + LEVEL / 2.0, max(1, len(flow) - 3)))
    if not math.isfinite(spread):
        spread = float(np.diff(flow).max())
    return FlowReading(nozzle, value, max(value - factor * spread, 0.0), value + factor * spread, reached)


def flow_settings(readings: Sequence[FlowReading], place: str) -> Mapping[str, Any]:
    """The settings that weights lead to: the low end of each interval, by temperature where they are several.

    Raises InputError where no piece was light.
    """
    told = [one for one in readings if one.low is not None]
    if not told:
        most = max(one.reached for one in readings)
        found = f"no piece weighs {SHORTFALL:.0%} too little, up to {quantity_text(most)} mm³/s"
        raise InputError.at(place, found, "pieces at higher flows: the hotend's end was not found")
    lows = [(one.nozzle, _three_digits(float(one.low or 0.0))) for one in told]
    if len(lows) == 1 or any(nozzle is None for nozzle, _ in lows):
        return {FLOW_KEY: min(low for _, low in lows)}
    return {FLOW_KEY: [[nozzle, low] for nozzle, low in lows]}


def _three_digits(value: float) -> float:
    """The next number of three digits that is no larger."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 2) if value > 0.0 else 1.0
    return round(math.floor(value / unit) * unit, 9)
