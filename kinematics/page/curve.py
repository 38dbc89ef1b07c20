"""How the total falls as one knob of a live page goes up: many settings timed at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kinematics.errors import InputError
from kinematics.jobs.timing import Ask
from kinematics.page.explorer import Explorer
from kinematics.page.knobs import MAIN, PageKnob, changed_machine, further_knobs, knobs_of
from kinematics.page.shelf import ShelfJob
from kinematics.wording import duration_text, quantity_text, share_text

MOST_POINTS = 28  # of a curve
MOST_OF_IT = 0.95  # of what a knob can bring
NOTHING = 0.005  # of the total: less is not worth going for


def curve_document(
    explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any], name: str
) -> dict[str, Any]:
    """How the total falls as one knob goes up, all others as they are set.

    Raises InputError where there is no such knob.
    """
    known = {one.name: one for one in (*knobs_of(explorer.machine), *further_knobs(explorer.machine))}
    if name not in known or not known[name].stops:
        raise InputError.at("", f"there is no knob {name!r}", ", ".join(MAIN))
    knob = known[name]
    others = {key: value for key, value in settings.items() if key != name}
    values = list(knob.stops)
    if len(values) > MOST_POINTS:
        step = (len(values) - 1) / (MOST_POINTS - 1)
        values = sorted({values[round(i * step)] for i in range(MOST_POINTS)})
    asks, taken = [], []
    for value in values:
        try:
            asks.append(Ask(changed_machine(explorer.machine, {**others, name: value})))
            taken.append(value)
        except InputError:
            continue
    seconds = [0.0] * len(taken)
    for job in jobs if asks else ():
        seconds = [one + float(other) for one, other in zip(seconds, job.prepared.totals(asks), strict=True)]
    return {
        "knob": name,
        "words": knob.words,
        "unit": knob.unit,
        "values": taken,
        "total_s": seconds,
        "finding": _curve_finding(knob, taken, seconds),
    }


def _curve_finding(knob: PageKnob, values: Sequence[float], seconds: Sequence[float]) -> str:
    """From where on more of a knob saves next to nothing."""
    if len(values) < 2 or not max(seconds) > 0.0:
        return ""
    start = next((i for i, value in enumerate(values) if knob.present is not None and value >= knob.present), 0)
    best = min(seconds)
    gain = seconds[start] - best
    words = knob.words.removeprefix("corners: ")
    if gain < NOTHING * seconds[start]:
        return f"More {words} saves next to nothing here"
    enough = next(i for i, one in enumerate(seconds) if seconds[start] - one >= MOST_OF_IT * gain)
    unit = "×" if knob.unit == "×" else f" {knob.unit}"
    at = f"{quantity_text(values[enough])}{unit}"
    return f"{duration_text(gain)} to win with {words}; {share_text(MOST_OF_IT)} of it at {at}"
