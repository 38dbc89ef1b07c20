"""`kinematics target`."""

from __future__ import annotations

import sys

import click

from kinematics.cli.options import job_options, jobs_to_time, machine_or_stand_in, machine_words
from kinematics.cli.sweep import weights_of

LIGHTEST, HEAVIEST = 0.01, 100.0  # weights


@click.command("target")
@job_options
@click.option("--within", required=True, metavar="TIME", help="The deadline for all jobs together: 7m, 1h30m, 1:30:00.")
@click.option(
    "--turn",
    "turn_texts",
    multiple=True,
    metavar="KNOB[=WEIGHT]",
    help="A limit that may change, and how readily (default: acceleration).",
)
@click.option("--prints", "print_texts", multiple=True, metavar="JOB=N", help="How many times a job is printed.")
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    within: str,
    turn_texts: tuple[str, ...],
    print_texts: tuple[str, ...],
) -> None:
    """Which are the gentlest limits that meet a deadline?

    All knobs are turned together, those with more weight more readily, and none further than is of use: the gentlest
    setting that meets the deadline is the answer. Exit status 1 where none does.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO
    from kinematics.studies.target import knobs_and_weights, target_of
    from kinematics.wording import seconds_from

    deadline = seconds_from(within, "--within")
    weights = turns_of(turn_texts or ("acceleration",))
    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    weights = knobs_and_weights(machine, weights)
    prints = weights_of(jobs, print_texts)
    prepared = jobs_to_time(jobs, dialect, file_limits, block_delete)
    from kinematics import compiled
    from kinematics.studies.weighted_jobs import WeightedJobs

    with console.shared_progress("looking for the gentlest limits") as (_, hear):
        target = target_of(WeightedJobs(prepared, jobs, prints), machine, deadline, weights, hear)
    compiled.mark_warm()
    if as_json:
        from kinematics.reports.documents import target_document

        console.say_json(target_document(target, machine))
    else:
        from kinematics.reports.sweep_screen import target_lines

        console.say(target_lines(target, machine, machine_words(machine, material, settings)))
    if not target.met:
        sys.exit(EXIT_ANSWER_IS_NO)


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
