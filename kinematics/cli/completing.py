"""What a shell may offer while a command is typed: built-in machines, and the keys of the machine file."""

from __future__ import annotations

import click
from click.shell_completion import CompletionItem


def machines(_context: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Built-in machines, then files."""
    from kinematics.machine import BUILTIN_NAMES

    names = [CompletionItem(name, help="built-in") for name in BUILTIN_NAMES if name.startswith(begun)]
    return [*names, CompletionItem(begun, type="file")]


def settings(_context: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Keys of the machine file and their short names, each with = behind it."""
    from kinematics.machine.names import SHORT_NAMES, all_keys

    if "=" in begun:
        return []
    known = [(name, "short name") for name in SHORT_NAMES] + [(key.name, key.meaning) for key in all_keys()]
    return [CompletionItem(f"{name}=", help=meaning) for name, meaning in known if name.startswith(begun)]


def dialects(_context: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Built-in dialects, then files."""
    names = [CompletionItem(name) for name in ("extrusion", "rs274") if name.startswith(begun)]
    return [*names, CompletionItem(begun, type="file")]


def topics(_context: click.Context, _parameter: click.Parameter, begun: str) -> list[CompletionItem]:
    """Topics of the guide."""
    from kinematics.reports.guide import TOPICS

    return [CompletionItem(topic, help=about) for topic, about in TOPICS.items() if topic.startswith(begun)]
