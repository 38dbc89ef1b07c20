"""`kinematics guide TOPIC`."""

from __future__ import annotations

import click

PAGE = 80  # columns of a guide that is not read on a terminal


@click.command("guide", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("topic")
def command(topic: str) -> None:
    """Every key of a machine file, explained: kinematics guide machine."""
    from kinematics.cli import console
    from kinematics.errors import InputError, nearest
    from kinematics.machine.explained import GUIDES

    if topic not in GUIDES:
        raise InputError.at("TOPIC", f"no guide to {topic!r}", ", ".join(GUIDES), nearest(topic.lower(), GUIDES))
    lines = GUIDES[topic]()
    if not console.is_terminal():  # whatever reads it may break lines inside words
        from kinematics.reports.layout import wrapped

        lines = [part for line in lines for part in wrapped(line, PAGE)]
    console.say(lines)
