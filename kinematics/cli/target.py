"""`kinematics target`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import job_options, machine_or_stand_in, prepared_jobs
from kinematics.cli.sweep import weights_of

if TYPE_CHECKING:
    from kinematics.studies.prepared import PreparedJob


@click.command("target")
@job_options
@click.option("--within", required=True, metavar="TIME", help="The deadline for all jobs together: 1h30m, 45m.")
@click.option(
    "--turn",
    "turn_texts",
    multiple=True,
    metavar="KNOB[=WEIGHT]",
    help="What may be turned, and how readily (default: acceleration).",
)
@click.option("--prints", "print_texts", multiple=True, metavar="JOB=N", help="How often a job is printed.")
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

    All knobs are turned together, each by a power of one factor, its weight; the least factor that meets the deadline
    is the answer. Exit status 1 where none does.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO
    from kinematics.studies.target import present_values, target_of
    from kinematics.wording import seconds_from

    deadline = seconds_from(within, "--within")
    weights = turns_of(turn_texts or ("acceleration",))
    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    present_values(machine, tuple(weights))
    prints = weights_of(jobs, print_texts)
    prepared: list[PreparedJob] = prepared_jobs(jobs, dialect, file_limits, block_delete, whole=True)  # type: ignore[assignment]
    from kinematics import compiled
    from kinematics.studies.sweep import WeightedJobs

    target = target_of(WeightedJobs(prepared, jobs, prints), machine, deadline, weights)
    compiled.mark_warm()
    if as_json:
        from kinematics.reports.documents import target_document

        console.say_json(target_document(target, machine))
    else:
        from kinematics.reports.sweep_screen import target_lines

        console.say(target_lines(target, machine))
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
        if not 0.0 < weight <= 100.0 or not name.strip():
            raise InputError.at("--turn", f"{text!r} is no knob with a weight", "KNOB or KNOB=WEIGHT, above 0 to 100")
        weights[name.strip()] = weight
    return weights
