"""What a live page answers: the total of a setting at once, and all else about it with the next question.

Every time comes from the planner that `estimate` asks, in the same way.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from kinematics.business.weeks import throughput_of
from kinematics.jobs.timing import Timing
from kinematics.machine import Machine, resolved_keys
from kinematics.machine.written import setting_text
from kinematics.page.explorer import Explorer
from kinematics.page.knob_states import cap_cells, held_as_set, knob_states
from kinematics.page.knobs import PageKnob, changed_machine, further_knobs, knobs_of, settings_words
from kinematics.page.shelf import ShelfJob
from kinematics.reports.held_words import held_document, throughput_line
from kinematics.reports.marks import A_MOMENT
from kinematics.reports.screens import assumed_text, checked_text
from kinematics.studies.caps import cap_rows
from kinematics.studies.estimate import job_estimate
from kinematics.wording import duration_text, share_text


def sheet_document(explorer: Explorer) -> dict[str, Any]:
    """What does not change while knobs are turned: machine, jobs, knobs, what may be laid over."""
    machine = explorer.machine
    jobs = [
        {
            "number": one.number,
            "name": one.name,
            "dropped": one.file is not None,
            "layers": one.prepared.read(machine).layers,
        }
        for one in explorer.shelf.jobs()
    ]
    return {
        "machine": explorer.words,
        "checked": checked_text(machine),
        "jobs": jobs,
        "knobs": [one.document() for one in knobs_of(machine)],
        "further": [one.document() for one in further_knobs(machine)],
        "candidates": [{"name": one.name, "set": setting_pairs(one.set)} for one in machine.candidates],
        "upgrades": [{"name": one.name, "set": setting_pairs(one.set)} for one in machine.upgrades],
        "orders": explorer.orders is not None,
        "started_by": explorer.started_by,
    }


def setting_pairs(settings: Mapping[str, Any]) -> list[list[str]]:
    """Settings as an address holds them, and as `--set` takes them."""
    return [[key, setting_text(value)] for key, value in settings.items()]


def total_document(explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any]) -> dict[str, Any]:
    """The total of a setting, and of each job. Raises InputError where the machine does not take it."""
    times = [one.total for one in explorer.timed_anew(jobs, settings)]
    return {
        "total_s": math.fsum(times),
        "total": duration_text(math.fsum(times)),
        "jobs": [
            {"number": job.number, "total_s": time, "total": duration_text(time)}
            for job, time in zip(jobs, times, strict=True)
        ],
    }


def rest_document(explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any]) -> dict[str, Any]:
    """All that follows a total: where the time goes now and with the setting, caps, what each knob does, layers."""
    present, machine = explorer.machine, changed_machine(explorer.machine, settings)
    before, after = explorer.planned(jobs, present), explorer.planned(jobs, machine)
    rows = cap_rows(machine, [one.prepared for one in jobs], after)
    held, silenced = held_as_set(explorer, jobs, settings, after)
    total, at_first = (math.fsum(one.total for one in timings) for timings in (after, before))
    return {
        "name": settings_words(present, settings),
        "total_s": total,
        "present_total_s": at_first,
        "saved": _saved_words(at_first - total),
        "share": _share_words(at_first - total, at_first),
        "present": duration_text(at_first),
        "causes": causes_rows(before, after),
        "parts": _parts(before, after),
        "knobs": knob_states(_shown(present, settings), present, rows, held, silenced, total),
        "held": held_document(held),
        "caps": [cap_cells(row) for row in rows],
        "notes": _notes(jobs, machine, before, after),
        "prints": _prints(machine, present, after, before),
        "layers": [_layers(job, one, other) for job, one, other in zip(jobs, before, after, strict=True)],
        "command": _command(explorer, jobs, settings),
    }


def _saved_words(saved: float) -> str:
    if abs(saved) < A_MOMENT:
        return "nothing saved"
    return f"{duration_text(abs(saved))} {'saved' if saved > 0.0 else 'longer'}"


def _share_words(saved: float, whole: float) -> str:
    return "" if abs(saved) < A_MOMENT or not whole > 0.0 else share_text(abs(saved) / whole)


def _shown(machine: Machine, settings: Mapping[str, Any]) -> list[PageKnob]:
    """The knobs that a page shows with a setting."""
    named = {key for name in settings for key in resolved_keys({name: settings[name]}, machine)}
    return [*knobs_of(machine), *(one for one in further_knobs(machine) if one.name in named)]


def causes_rows(before: Sequence[Timing], after: Sequence[Timing]) -> list[dict[str, Any]]:
    """Seconds by cause as it is and with a setting, those first that hold most of both."""
    now, then = _by_cause(before), _by_cause(after)
    whole = math.fsum(then.values()) or 1.0
    names = sorted({*now, *then}, key=lambda name: -then.get(name, 0.0) - 1e-6 * now.get(name, 0.0))
    rows = []
    for name in names:
        one, other = now.get(name, 0.0), then.get(name, 0.0)
        if max(one, other) < A_MOMENT:
            continue
        words = {"present": duration_text(one), "set": duration_text(other), "share": share_text(other / whole)}
        rows.append({"cause": name, "present_s": one, "set_s": other, **words})
    return rows


def _by_cause(timings: Iterable[Timing]) -> dict[str, float]:
    found: dict[str, float] = {}
    for timing in timings:
        for name, spent in timing.by_cause.items():
            found[name] = found.get(name, 0.0) + spent
    return found


def _parts(before: Sequence[Timing], after: Sequence[Timing]) -> list[dict[str, str]]:
    """Motion, dwell, stops and cooling, as it is and with a setting."""

    def parts(timings: Sequence[Timing]) -> dict[str, float]:
        found = {"in motion": math.fsum(one.motion for one in timings)}
        found["dwell"] = math.fsum(one.stops.dwell for one in timings)
        for one in timings:
            for kind, spent in one.stops.seconds.items():
                found[kind] = found.get(kind, 0.0) + spent
        found["waiting to cool"] = math.fsum(one.cooling for one in timings)
        return found

    now, then = parts(before), parts(after)
    return [
        {"part": name, "present": duration_text(now.get(name, 0.0)), "set": duration_text(then.get(name, 0.0))}
        for name in dict.fromkeys((*now, *then))
        if max(now.get(name, 0.0), then.get(name, 0.0)) >= A_MOMENT
    ]


def _notes(jobs: Sequence[ShelfJob], machine: Machine, before: Sequence[Timing], after: Sequence[Timing]) -> list[str]:
    """What is doubtful, assumed or not known, a sentence each."""
    notes: list[str] = []
    assumed: dict[str, float] = {}
    for job, timing in zip(jobs, after, strict=True):
        one = job_estimate(timing, machine)
        assumed |= dict(one.assumed)
        for notice in one.notices:
            place = "" if notice.line is None else f"line {notice.line:,}: "
            times = f", {notice.count:,} {notice.counted}" if notice.count > 1 else ""
            notes.append(f"{job.name}, {place}{notice.text}{times}")
        notes += [f"{job.name}, line {stop.line:,}: {stop.what}, counted as 0 s" for stop in one.unknown_stops]
    if words := assumed_text(assumed.items()):
        notes.insert(0, words)
    notes += machine.check()
    if machine.ranges:
        notes.append("the machine file has ranges: here their likely values hold; report and JSON carry the interval")
    return notes


def _prints(machine: Machine, present: Machine, after: Sequence[Timing], before: Sequence[Timing]) -> dict[str, str]:
    """Prints a day, as it is and with a setting; nothing where there is no time."""
    times = [math.fsum(one.total for one in timings) / max(1, len(timings)) for timings in (before, after)]
    if not all(time > 0.0 for time in times):
        return {}
    of_mix = len(after) > 1
    return {
        "present": throughput_line(throughput_of(present.economy, times[0]), of_mix),
        "set": throughput_line(throughput_of(machine.economy, times[1]), of_mix),
    }


def _layers(job: ShelfJob, before: Timing, after: Timing) -> dict[str, Any]:
    """The time of every layer, as it is and with a setting (s)."""

    def totals(timing: Timing) -> list[float]:
        return [round(float(value), 3) for value in timing.layers.motion + timing.layers.cooling]

    return {"number": job.number, "name": job.name, "present_s": totals(before), "set_s": totals(after)}


def _command(explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any]) -> str:
    """The same question on the command line."""
    import shlex

    words = ["kinematics", "estimate", *(one.name for one in jobs), "--machine", explorer.machine_name]
    for name, value in [*setting_pairs(explorer.laid_over), *setting_pairs(settings)]:
        words += ["--set", f"{name}={value}"]
    return explorer.names.told(shlex.join(words))
