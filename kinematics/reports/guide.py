"""`kinematics guide TOPIC`: what is reference rather than a first look; lines of text, however long."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from importlib.resources import files
from types import MappingProxyType

from kinematics.machine.explained import guide_to_machine

# topic -> what it is about; each has its lines from a table of the program, or from a text beside this file.
TOPICS: Mapping[str, str] = MappingProxyType(
    {
        "machine": "every key of a machine file",
        "jobs": "which files are read, limits stated in them, labels, exit status",
        "dialect": "tables for the words and text commands of your own controller",
        "ranges": "what you do not know exactly, and intervals",
        "ladder": "what must be raised, in which order, how far",
        "caps": "how far each limit may go, and what stops it",
        "sweep": "where more stops paying, and targets",
        "vibration": "recordings, modes, and the filter that serves",
        "fit": "estimates held against the stopwatch",
        "proof": "small prints that prove a limit, and what is measured on them",
        "filters": "the vibration filters, and what they take and leave",
        "upgrades": "which upgrade pays, and when",
        "bedful": "several copies on the bed at a time",
        "shop": "orders, printers, people",
        "report": "one page to pass on, pictures, and a demo",
        "explore": "the live page: knobs, files, who may ask it",
        "model": "what is computed, and what is not",
        "json": "the documents of --json, key by key",
    }
)


def topics_lines() -> list[str]:
    """Every topic with what it is about."""
    width = max(map(len, TOPICS))
    return [*(f"{topic:<{width}}  {about}" for topic, about in TOPICS.items()), "", "next: kinematics guide TOPIC"]


def guide_lines(topic: str) -> list[str]:
    """The lines of a topic. Raises KeyError where there is none of that name."""
    made = _MADE.get(topic)
    return made() if made is not None else _text(topic)


def _text(topic: str) -> list[str]:
    return (files("kinematics.reports") / "guides" / f"{topic}.txt").read_text(encoding="utf-8").splitlines()


def _guide_to_dialects() -> list[str]:
    from kinematics.gcode.dialects import FILE_LIMITS, MEANINGS, OTHER_MEANINGS, UNITS_OF, WRITTEN_LIMITS

    limits = [f"  {means}: {' or '.join(UNITS_OF[means])}" for means in FILE_LIMITS]
    others = [f"  {means}: {' or '.join(UNITS_OF[means]) or 'no value'}" for means in OTHER_MEANINGS]
    return [
        *_text("dialect"),
        "",
        "[words]: what a word may mean.",
        f"  {', '.join(means for means in MEANINGS if means != 'limit')}",
        "",
        "[[limit]] and [[text]]: limits that a word or a text command may state, and units.",
        *limits,
        "",
        "[[text]] alone:",
        *others,
        "",
        "[[write]]: what a file that is written for your controller may have to set.",
        f"  {', '.join(WRITTEN_LIMITS)}",
    ]


def _guide_to_filters() -> list[str]:
    return [*_text("filters"), "", *_filter_rows()]


def _filter_rows() -> Iterator[str]:
    """What each filter is at 40 Hz without damping: length, lead on ramps, spread at corners, and what it leaves."""
    from kinematics.vibration.filters import FILTER_NAMES, filter_named, spread_of
    from kinematics.vibration.residual import Mode, worst_residual

    frequency, acceleration = 40.0, 3000.0
    for name in FILTER_NAMES:
        if name == "none":
            continue
        one = filter_named(name, frequency, 0.0)
        spread = spread_of(one)
        lead = 0.5 * acceleration * spread.variance
        left = worst_residual(one, Mode(frequency, 0.0, 0.1), 0)
        yield (
            f"{name}: {1e3 * one.times[-1]:.1f} ms long; at {acceleration:,.0f} mm/s² it leads or trails by "
            f"{lead:.3f} mm; a mode that is 10 % off keeps {left:.1%} of its swing"
        )


_MADE: Mapping[str, Callable[[], list[str]]] = MappingProxyType(
    {"machine": guide_to_machine, "dialect": _guide_to_dialects, "filters": _guide_to_filters}
)
