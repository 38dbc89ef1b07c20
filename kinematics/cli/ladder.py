"""`kinematics ladder`."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.options import (
    check_picture,
    copied_jobs,
    copies_options,
    copies_words,
    draw_options,
    is_long,
    job_options,
    jobs_to_time,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
    named_files,
    picture_option,
    write_machine,
    write_machine_option,
    write_picture,
)
from kinematics.cli.sweep import weights_of

if TYPE_CHECKING:
    from kinematics.business.throughput import Throughput
    from kinematics.studies.ladder import Ladder

NOT_AGAIN = {"machine_name", "as_json", "picture", "write_machine", "force"}
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
@job_options
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
@click.option("--prints", "print_texts", multiple=True, metavar="JOB=N", help="How many times a job is printed.")
@picture_option("the time after each step")
@write_machine_option("each step as a candidate")
@click.option("--force", is_flag=True, help="Overwrite the file of --picture or --write-machine.")
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    copies: int,
    spacing: float,
    after_another: bool,
    draws: int,
    seed: int,
    until: str | None,
    claim_text: str | None,
    allow: str | None,
    only: tuple[str, ...],
    keep: tuple[str, ...],
    by_label: bool,
    reach_texts: tuple[str, ...],
    print_texts: tuple[str, ...],
    picture: Path | None,
    write_machine: Path | None,
    force: bool,
) -> None:
    """What must be raised so that jobs get faster, in which order, how far, and what does each step bring?

    Limits that belong together are one step. Exit status 1 where --until is not reached.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO
    from kinematics.wording import seconds_from

    inputs = named_files(jobs, machine_name, dialect)
    _check_outputs(picture, write_machine, force, inputs)
    until_s = None if until is None else seconds_from(until, "--until")
    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    prints = weights_of(jobs, print_texts)
    kinds = frozenset(kind for name in only for kind in KINDS[name])
    reach = _reaches(reach_texts)
    from kinematics.studies.claim import claim_from

    claim = None if claim_text is None else claim_from(claim_text)
    given = jobs, dialect, file_limits, block_delete
    # A ladder asks for a job so often that the moves of larger ones are kept than elsewhere.
    prepared = jobs_with_moves(*given) if copies > 1 else jobs_to_time(*given, large=MOST_KEPT)
    if copies > 1:
        prepared = copied_jobs(prepared, copies, spacing, after_another)
    from kinematics import compiled
    from kinematics.studies.intervals import Sampling
    from kinematics.studies.ladder import ladder_of
    from kinematics.studies.reach import LadderAsk
    from kinematics.studies.weighted_jobs import WeightedJobs

    wanted = LadderAsk(reach, kinds, allow == "quality", keep, by_label)
    with console.progress(3, is_long(jobs, PLANS)) as tell:
        ladder = ladder_of(
            WeightedJobs(prepared, jobs, prints), machine, wanted, until_s, claim, Sampling(draws, seed), tell
        )
    compiled.mark_warm()
    _write(ladder, picture, write_machine, machine_name, force, inputs)
    if as_json:
        from kinematics.reports.documents import copies_document
        from kinematics.reports.ladder_document import ladder_document

        console.say_json(ladder_document(ladder) | copies_document(copies) | _throughput_document(ladder))
    else:
        words = f"{machine_words(machine, material, settings)}{copies_words(copies)}"
        _say(ladder, machine_name, words, copies)
    console.end_where_cut_short(ladder.sampling)
    if ladder.reached is False:
        sys.exit(EXIT_ANSWER_IS_NO)


def _say(
    ladder: Ladder,
    machine_name: str | None,
    words: str,
    copies: int,
) -> None:
    from kinematics.cli import console
    from kinematics.reports import ladder_screen as screen
    from kinematics.studies.estimate import STAND_IN

    table = console.Table(screen.ladder_heads(ladder), screen.ladder_rows(ladder, console.is_terminal()))
    told = [] if ladder.claim is None else screen.claim_lines(ladder.claim)
    console.say_answer(
        screen.ladder_head(ladder, words),
        table if ladder.rungs else [],
        [*screen.until_lines(ladder), *screen.below_rungs(ladder), *_prints_a_day(ladder, copies)],
        told,
        [*screen.reach_lines(ladder), *screen.next_lines(ladder, machine_name or STAND_IN, _again())],
    )


def _again() -> list[str]:
    """The options that were given, for the next command: without the machine, and without what is written."""
    context = click.get_current_context()
    words: list[str] = []
    for one in context.command.params:
        value: Any = context.params.get(one.name or "")
        if not isinstance(one, click.Option) or one.name in NOT_AGAIN or value is None:
            continue
        if value in ((), one.get_default(context)):
            continue
        if one.is_flag:
            words.append(one.opts[0])
            continue
        for told in value if one.multiple else [value]:
            words += [one.opts[0], str(told)]
    return words


def _throughputs(ladder: Ladder) -> list[Throughput]:
    """How many prints one printer makes now, after each step and at the end, of several jobs on average."""
    from kinematics.business.throughput import throughput_of

    count = sum(ladder.prints)
    times = [ladder.total_s, *(rung.total_s for rung in ladder.rungs), ladder.end_s]
    return [throughput_of(ladder.machine.economy, total / count) for total in times]


def _throughput_document(ladder: Ladder) -> dict[str, Any]:
    from kinematics.reports.throughput_words import throughput_document

    now, *rungs, end = (throughput_document(one) for one in _throughputs(ladder))
    return {"throughput": {"now": now, "after_each_row": rungs, "end": end}}


def _prints_a_day(ladder: Ladder, copies: int) -> list[str]:
    from kinematics.reports.throughput_words import throughput_line, throughput_of_each

    now, *rungs, end = _throughputs(ladder)
    of_mix = sum(ladder.prints) != 1.0
    if not rungs:
        return [throughput_line(now, of_mix, copies)]
    names = ["now", *(f"after step {place}" for place in range(1, len(rungs) + 1))]
    shown = [now, *rungs]
    if ladder.small is not None:
        names, shown = [*names, "at the end"], [*shown, end]
    return [throughput_of_each(names, shown, copies), f"now: {throughput_line(now, of_mix, copies)}"]


def _check_outputs(picture: Path | None, machine_copy: Path | None, force: bool, inputs: Sequence[str]) -> None:
    from kinematics.outputs import refuse_to_overwrite

    check_picture(picture, force, inputs)
    if machine_copy is not None:
        refuse_to_overwrite(machine_copy, force, inputs)


def _write(
    ladder: Ladder,
    picture: Path | None,
    machine_file: Path | None,
    machine_name: str | None,
    force: bool,
    inputs: Sequence[str],
) -> None:
    if picture is not None:
        from kinematics.reports.pictures import figure_of

        write_picture(picture, lambda: figure_of(ladder), force, inputs)
    if machine_file is not None:
        from kinematics.machine.written import machine_copy
        from kinematics.studies.estimate import STAND_IN

        name = machine_name or STAND_IN
        write_machine(machine_file, machine_copy(name, candidates=ladder.candidates()), force, inputs)


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
