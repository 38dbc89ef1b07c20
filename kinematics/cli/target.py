"""`kinematics target`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from kinematics.cli.job_arguments import weights_of
from kinematics.cli.options import (
    FORCE_PICTURE,
    PRINTS,
    JobOptions,
    check_picture,
    job_options,
    jobs_to_time,
    machine_or_stand_in,
    machine_words,
    picture_option,
    write_picture,
)

if TYPE_CHECKING:
    from kinematics.machine import Machine

LIGHTEST, HEAVIEST = 0.01, 100.0  # weights


@click.command("target")
@job_options
@click.option("--within", metavar="TIME", help="The deadline for all jobs together: 7m, 1h30m, 1:30:00.")
@click.option(
    "--prints-a-day",
    type=click.FloatRange(0.0, 1e5, min_open=True),
    metavar="N",
    help="In place of a deadline: so many prints of one printer on a day on which people are there ([economy]).",
)
@click.option(
    "--turn",
    "turn_texts",
    multiple=True,
    metavar="KNOB[=WEIGHT]",
    help="A limit that may change, and how readily (default: acceleration).",
)
@PRINTS
@picture_option("how far each knob is turned")
@FORCE_PICTURE
def command(asked: JobOptions, within: str | None, prints_a_day: float | None, turn_texts: tuple[str, ...]) -> None:
    """Which are the gentlest limits that meet a deadline?

    All knobs are turned together, those with more weight more readily, and none further than is of use: the gentlest
    setting that meets the deadline is the answer. Exit status 1 where none does.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO, InputError
    from kinematics.studies.target import knobs_and_weights, target_of
    from kinematics.wording import seconds_from

    if (within is None) == (prints_a_day is None):
        found = "no deadline" if within is None else "two deadlines"
        raise InputError.at("target", found, "--within TIME or --prints-a-day N", "such as --within 1h30m")
    deadline = None if within is None else seconds_from(within, "--within")
    weights = turns_of(turn_texts or ("acceleration",))
    check_picture(asked)
    machine = machine_or_stand_in(asked)
    weights = knobs_and_weights(machine, weights)
    prints = weights_of(asked.jobs, asked.print_texts)
    longest = None if prints_a_day is None else _longest(machine, prints_a_day)
    if longest is not None:
        deadline = longest * sum(prints)
    assert deadline is not None
    prepared = jobs_to_time(asked)
    from kinematics import compiled
    from kinematics.jobs.many import WeightedJobs

    with console.shared_progress("looking for the gentlest limits") as (_, hear):
        target = target_of(WeightedJobs(prepared, asked.jobs, prints), machine, deadline, weights, hear)
    compiled.mark_warm()
    write_picture(asked, target)
    if asked.as_json:
        from kinematics.reports.documents import target_document

        console.say_json(target_document(target, machine) | {"prints_a_day": prints_a_day, "longest_print_s": longest})
    else:
        from kinematics.reports.held_words import prints_a_day_line
        from kinematics.reports.sweep_screen import target_lines

        lines = target_lines(target, machine, machine_words(asked, machine))
        if prints_a_day is not None and longest is not None:
            lines.insert(1, prints_a_day_line(prints_a_day, longest, machine.economy, len(prepared) > 1))
        console.say(lines)
    if not target.met:
        sys.exit(EXIT_ANSWER_IS_NO)


def _longest(machine: Machine, prints_a_day: float) -> float:
    """The longest print of which so many are made a day (s). Exits with status 1 where none is short enough."""
    from kinematics.business.weeks import longest_print, throughput_of
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO
    from kinematics.wording import duration_text

    longest = longest_print(machine.economy, prints_a_day)
    if longest is None:
        least = throughput_of(machine.economy, 1.0)
        between = duration_text(least.turnaround_s)
        console.say(
            [f"{prints_a_day:g} prints a day don't fit, however short: {between} between two take all the time"]
        )
        sys.exit(EXIT_ANSWER_IS_NO)
    return longest


def turns_of(texts: tuple[str, ...]) -> dict[str, float]:
    """Knobs and their weights from `KNOB` or `KNOB=WEIGHT`. Raises InputError for a weight that is none."""
    from kinematics.errors import InputError

    weights: dict[str, float] = {}
    for text in texts:
        name, equals, told = text.partition("=")
        try:
            weight = float(told) if equals else 1.0
        except ValueError:
            weight = -1.0
        if not LIGHTEST <= weight <= HEAVIEST or not name.strip():
            allowed = f"KNOB or KNOB=WEIGHT, a weight of {LIGHTEST:g} to {HEAVIEST:g}"
            raise InputError.at("--turn", f"can't read {text!r} as a knob and its weight", allowed)
        weights[name.strip()] = weight
    return weights
