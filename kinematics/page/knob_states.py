"""What each knob does where it stands: past its cap, never reached, ruling; and what stops or holds it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kinematics.jobs.many import Variant
from kinematics.jobs.timing import Timing
from kinematics.limits.flow import FLOW_KEY
from kinematics.machine import Machine, resolved_keys
from kinematics.machine.names import find_key
from kinematics.page.explorer import Explorer
from kinematics.page.knobs import MAIN, PageKnob, words_on_page
from kinematics.page.shelf import ShelfJob
from kinematics.reports.held_words import held_lines
from kinematics.studies.caps import CapRow
from kinematics.studies.held_by import HeldBy, held_by
from kinematics.wording import quantity_text, share_text

IS_PAST, IS_IDLE, IS_RULING, IS_OPEN, IS_SILENT, IS_PLAIN = "past", "idle", "rules", "open", "silent", ""


def held_as_set(
    explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any], after: Sequence[Timing]
) -> tuple[tuple[HeldBy, ...], dict[str, int]]:
    """What the raised limits of a setting do, and how many commands of the jobs win over each key, as with `--set`."""
    machine, touched = explorer.machine.changed(settings, "--set") if settings else (explorer.machine, frozenset())
    heeding = [one for one, job in zip(after, jobs, strict=True) if job.prepared.heeds_file_limits]
    silenced = {key: sum(one.facts.silenced_by(frozenset({key})) for one in heeding) for key in sorted(touched)}
    free = frozenset(key for key, count in silenced.items() if not count)
    prepared = [one.prepared for one in jobs]
    found = held_by(prepared, [1.0] * len(jobs), explorer.machine, Variant(machine, free), after) if free else ()
    return found, {key: count for key, count in silenced.items() if count}


def knob_states(
    knobs: Sequence[PageKnob],
    machine: Machine,
    rows: Sequence[CapRow],
    held: Sequence[HeldBy],
    silenced: Mapping[str, int],
    total: float,
) -> dict[str, dict[str, Any]]:
    """By knob: its state and the words for it, its cap as far as one is known, and what would have to follow it.

    `rows` the caps with the setting, `held` and `silenced` as `held_as_set` finds them, `total` of the setting (s).
    """
    found: dict[str, dict[str, Any]] = {}
    for knob in knobs:
        keys = resolved_keys({knob.name: 1.0}, machine)
        asked = FLOW_KEY if knob.name == "speed" else None  # of a faster job the hotend may not melt so much
        row = next((one for one in rows if one.limit in keys or one.limit == asked), None)
        told = next((one for one in held if one.key in keys), None)
        state, words, more = _state(knob, row, told, sum(silenced.get(key, 0) for key in keys), total)
        cap = None if row is None or knob.name in ("speed", "flow") else _most(row)
        found[knob.name] = {
            "state": state,
            "words": words[:1].upper() + words[1:],
            "more": more[:1].upper() + more[1:],
            "cap": cap,
            "cap_text": "" if row is None or cap is None else f"{quantity_text(cap)} {row.unit}",
            "stopped_by": "" if row is None or cap is None else row.stopped_by,
            "others": _others(told, machine) if told is not None else [],
        }
    return found


def _most(row: CapRow) -> float | None:
    """How far a limit may go, in the jobs' own directions too; None where no cap is known."""
    return min((bound for bound in (row.no_further_than, row.in_the_job) if bound is not None), default=None)


def _state(
    knob: PageKnob, row: CapRow | None, told: HeldBy | None, silenced: int, total: float
) -> tuple[str, str, str]:
    """The state of one knob, the words for it, and what else there is to say."""
    if silenced:
        times = "once" if silenced == 1 else f"{silenced:,} times"
        words = f"the job sets this itself, {times}, and its word holds"
        return IS_SILENT, words, "start with --file-limits ignore to try"
    idle = _idle_words(told, total)
    if row is not None and row.within_caps is False and knob.name != "flow":
        most = f"{quantity_text(_most(row) or 0.0)} {row.unit}"
        asks = f", and the job would ask for {quantity_text(row.asked or 0.0)}" if knob.name == "speed" else ""
        return IS_PAST, f"past its cap: {row.stopped_by} takes {most} at most{asks}", idle
    if idle:
        return IS_IDLE, idle, ""
    if told is None:
        return IS_PLAIN, "", ""
    ruled = f"rules {share_text(told.share_of_moves)} of the moves, {share_text(told.share_of_time)} of the time"
    if row is not None and _most(row) is None and knob.name not in ("flow", "speed"):
        return IS_OPEN, ruled, "no cap is known: ask the manufacturer how far it may go"
    return IS_RULING, ruled, ""


def _idle_words(told: HeldBy | None, total: float) -> str:
    """What holds in place of a limit that is never reached; empty where it is reached."""
    if told is None or not told.never_reached:
        return ""
    _, *lines = (line.strip() for line in held_lines([told], total))
    holders = [line for line in lines if not line.startswith("with th")]
    lifted = [line for line in lines if line.startswith("with th")]
    return "; ".join([f"never reached: {' and '.join(holders)} hold{'' if len(holders) > 1 else 's'} it", *lifted])


def _others(told: HeldBy, machine: Machine) -> list[dict[str, str]]:
    """The limits that hold in place of one, as knobs that may be turned too."""
    main = {key: name for name in MAIN for key in resolved_keys({name: 1.0}, machine)}
    found = []
    for one in told.held:
        name = main.get(one.key, one.key)
        if one.value is not None and (name in MAIN or find_key(one.key) is not None):
            found.append({"name": name, "words": words_on_page(name, machine)})
    return found


def cap_cells(row: CapRow) -> dict[str, Any]:
    """One limit against its caps."""

    def quantity(value: float | None) -> str:
        return "" if value is None else f"{quantity_text(value)} {row.unit}"

    most = _most(row)
    known = "so far" if most is not None else "?"
    judged = {True: "within", False: "past it", None: known}[row.within_caps]
    return {
        "limit": row.what,
        "set": quantity(row.asked) or "not set",
        "most": quantity(most),
        "judged": judged if row.asked is not None else "",
        "stopped_by": row.stopped_by or "no cap is known",
        "formulas": list(row.formulas),
    }
