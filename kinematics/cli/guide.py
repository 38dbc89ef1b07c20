"""`kinematics guide TOPIC`."""

from __future__ import annotations

import click

from kinematics.cli.completing import topics
from kinematics.cli.options import HELP

PAGE = 80  # columns of a guide that is not read on a terminal


@click.command("guide", context_settings=HELP)
@click.argument("topic", required=False, shell_complete=topics)
def command(topic: str | None) -> None:
    """What does each key, word and number mean? Without TOPIC: the list of topics."""
    from kinematics.cli import console
    from kinematics.errors import InputError, nearest
    from kinematics.reports.guide import TOPICS, guide_lines, topics_lines

    if topic is not None and topic not in TOPICS:
        raise InputError.at("TOPIC", f"no guide to {topic!r}", ", ".join(TOPICS), nearest(topic.lower(), TOPICS))
    lines = topics_lines() if topic is None else guide_lines(topic)
    if not console.is_terminal():  # whatever reads it may break lines inside words
        from kinematics.reports.layout import wrapped

        lines = [part for line in lines for part in wrapped(line, PAGE)]
    console.say(lines)
