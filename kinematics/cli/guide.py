"""`kinematics guide TOPIC`."""

from __future__ import annotations

import click


@click.command("guide", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("topic")
def command(topic: str) -> None:
    """Every key of a machine file, explained: kinematics guide machine."""
    from kinematics.cli import console
    from kinematics.errors import InputError, nearest
    from kinematics.machine.explained import GUIDES

    if topic not in GUIDES:
        raise InputError.at("TOPIC", f"no guide to {topic!r}", ", ".join(GUIDES), nearest(topic.lower(), GUIDES))
    console.say(GUIDES[topic]())
