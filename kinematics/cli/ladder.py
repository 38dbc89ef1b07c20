"""`kinematics ladder`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.crew import OUTPUT, check_rows, crew_options, write_rows
from kinematics.cli.job_arguments import weights_of
from kinematics.cli.options import (
    PRINTS,
    WRITE_SETTINGS,
    JobOptions,
    check_picture,
    copied_jobs,
    copies_options,
    copies_words,
    draw_options,
    is_long,
    job_options,
    machine_or_stand_in,
    machine_words,
    picture_option,
    planning,
    words_again,
    write_machine,
    write_machine_option,
    write_picture,
)
from kinematics.cli.to_type import settings_and_commands

if TYPE_CHECKING:
    from kinematics.business.weeks import Throughput
    from kinematics.filtering.settings_to_type import TypedSettings
    from kinematics.studies.ladder import Ladder

NOT_AGAIN = frozenset({"machine_name", "as_json", "picture", "machine_file", "write_settings", "force"})
MOST_KEPT = 200_000_000  # bytes of a job up to which its moves are kept
PLANS = 150  # about as many as a ladder takes
KINDS = {
    "setting": ("setting", "setting without cap"),
    "setting-with-cap": ("setting",),
    "shows-on-part": ("shows on the part",),
    "prepared-again": ("prepared again",),
    "part": ("part",),
}


@click.command("ladder")
@job_options(required=False, metavar="JOB…")
@crew_options
@copies_options
@draw_options
@click.option("--until", metavar="TIME", help="Stop at the step with which this time is met: 7m, 1h30m, 1:30:00.")
@click.option(
    "--claim", "claim_text", metavar="BEFORE=AFTER", help="Hold somebody's word against it: 30m=7m, as they tell it."
)
@click.option(
    "--allow",
    type=click.Choice(["quality"]),
    help="Let quality cost something: shorter layer times, larger budgets, as one step.",
)
@click.option("--only", "only", multiple=True, type=click.Choice(list(KINDS)), help="Steps of this kind alone.")
@click.option("--keep", multiple=True, metavar="LABEL", help="Leave these moves as they are: a label, print or travel.")
@click.option("--by-label", is_flag=True, help="Raise print acceleration and speed of each label by itself.")
@click.option(
    "--reach", "reach_texts", multiple=True, metavar="KEY=VALUE", help="How far a limit may go, in place of the usual."
)
@PRINTS
@picture_option("the time after each step")
@write_machine_option("each step as a candidate")
@WRITE_SETTINGS
@OUTPUT
@click.option("--force", is_flag=True, help="Overwrite the files of --output, --picture and --write-machine.")
def command(
    asked: JobOptions,
    until: str | None,
    claim_text: str | None,
    allow: str | None,
    only: tuple[str, ...],
    keep: tuple[str, ...],
    by_label: bool,
    reach_texts: tuple[str, ...],
    machine_file: Path | None,
    write_settings: bool,
    output: Path | None,
) -> None:
    """What must be raised so that jobs get faster, in which order, how far, and what does each step bring?

    Limits that belong together are one step. Exit status 1 where --until is not reached.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO
    from kinematics.outputs import refuse_to_overwrite
    from kinematics.wording import seconds_from

    check_picture(asked)
    check_rows(output, asked)
    if machine_file is not None:
        refuse_to_overwrite(machine_file, asked.force, asked.read)
    until_s = None if until is None else seconds_from(until, "--until")
    machine = machine_or_stand_in(asked)
    prints = weights_of(asked.jobs, asked.print_texts)
    kinds = frozenset(kind for name in only for kind in KINDS[name])
    reach = _reaches(reach_texts)
    from kinematics.studies.claim import claim_from

    claim = None if claim_text is None else claim_from(claim_text)
    # A ladder asks for a job so often that the moves of larger ones are kept than elsewhere.
    prepared = copied_jobs(asked, large=MOST_KEPT)
    from kinematics.jobs.many import WeightedJobs
    from kinematics.studies.ladder import ladder_of
    from kinematics.studies.reach import LadderAsk

    wanted = LadderAsk(reach, kinds, allow == "quality", keep, by_label)
    jobs = WeightedJobs(prepared, asked.jobs, prints)
    with planning(3, is_long(asked.jobs, PLANS), console.KEEPS) as tell:
        ladder = ladder_of(jobs, machine, wanted, until_s, claim, asked.sampling, tell)
    at_the_end, keys = ladder.end_settings, frozenset(ladder.end_settings)
    end = machine.with_settings(at_the_end, "the ladder")
    to_type = settings_and_commands(end, prepared, asked.dialect, write_settings, prints, keys)
    write_picture(asked, ladder)
    write_rows(output, asked, ladder.to_frame)
    if machine_file is not None:
        from kinematics.machine.written import machine_copy
        from kinematics.studies.estimate import STAND_IN

        text = machine_copy(asked.machine_name or STAND_IN, candidates=ladder.candidates())
        write_machine(machine_file, text, asked.force, asked.read)
    if asked.as_json:
        from kinematics.reports.documents import copies_document
        from kinematics.reports.fit_documents import ladder_document
        from kinematics.reports.vibration_documents import typed_row

        typed, commands = to_type
        document = ladder_document(ladder) | copies_document(asked.copies) | _throughput_document(ladder)
        document["to_type"] = None if typed is None else typed_row(typed)
        console.say_json(document | ({"commands": commands} if write_settings else {}))
    else:
        _say(asked, ladder, to_type)
    if ladder.cut_short_of:
        console.end_interrupted(f"these are the {len(ladder.rungs)} of {ladder.cut_short_of} steps looked at by then")
    if ladder.cut_short_of is not None:
        console.end_interrupted("no step was known by then; this is now, and all limits as far as they go")
    console.end_where_cut_short(ladder.sampling)
    if ladder.reached is False:
        sys.exit(EXIT_ANSWER_IS_NO)


def _say(asked: JobOptions, ladder: Ladder, to_type: tuple[TypedSettings | None, list[str]]) -> None:
    from kinematics.cli import console
    from kinematics.reports import ladder_screen as screen
    from kinematics.reports.vibration_screen import typed_notes
    from kinematics.studies.estimate import STAND_IN

    table = console.Table(screen.ladder_heads(ladder), screen.ladder_rows(ladder, console.is_terminal()))
    told = [] if ladder.claim is None else screen.claim_lines(ladder.claim)
    console.say_answer(
        screen.ladder_head(ladder, f"{machine_words(asked, ladder.machine)}{copies_words(asked)}"),
        table if ladder.rungs else [],
        [*screen.until_lines(ladder), *screen.below_rungs(ladder), *_prints_a_day(ladder, asked.copies)],
        told,
        [
            *typed_notes(*to_type, "with all steps, "),
            *screen.reach_lines(ladder),
            *screen.next_lines(ladder, asked.machine_name or STAND_IN, words_again(NOT_AGAIN)),
        ],
    )


def _throughputs(ladder: Ladder) -> list[Throughput]:
    """How many prints one printer makes now, after each step and at the end, of several jobs on average."""
    from kinematics.business.weeks import throughput_of

    count = sum(ladder.prints)
    times = [ladder.total_s, *(rung.total_s for rung in ladder.rungs), ladder.end_s]
    return [throughput_of(ladder.machine.economy, total / count) for total in times]


def _throughput_document(ladder: Ladder) -> dict[str, Any]:
    from kinematics.reports.held_words import throughput_document

    now, *rungs, end = (throughput_document(one) for one in _throughputs(ladder))
    return {"throughput": {"now": now, "after_each_row": rungs, "end": end}}


def _prints_a_day(ladder: Ladder, copies: int) -> list[str]:
    from kinematics.reports.held_words import throughput_line, throughput_of_each

    now, *rungs, end = _throughputs(ladder)
    of_mix = sum(ladder.prints) != 1.0
    if not rungs:
        return [throughput_line(now, of_mix, copies)]
    names = ["now", *(f"after step {place}" for place in range(1, len(rungs) + 1))]
    shown = [now, *rungs]
    if ladder.small is not None:
        names, shown = [*names, "at the end"], [*shown, end]
    return [throughput_of_each(names, shown, copies), f"now: {throughput_line(now, of_mix, copies)}"]


def _reaches(texts: Sequence[str]) -> dict[str, float]:
    """How far limits may go, from `KEY=VALUE`. Raises InputError for what is no number above 0."""
    from kinematics.errors import InputError
    from kinematics.machine import parse_settings

    found: dict[str, float] = {}
    for text in texts:
        for name, value in parse_settings(text, "--reach").items():
            if not isinstance(value, int | float) or isinstance(value, bool) or not value > 0.0:
                raise InputError.at("--reach", f"{name} = {value!r}", "a number above 0")
            found[name] = float(value)
    return found
