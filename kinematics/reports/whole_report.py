"""All studies of some jobs put together as one report: which sections it has, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from kinematics.business.runs import Shop
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.machine import Machine
    from kinematics.measured.fit import Fit
    from kinematics.reports.page import PagePart, ReportPage
    from kinematics.studies.intervals import Sampling
    from kinematics.studies.knobs import Knob
    from kinematics.studies.ladder import Ladder
    from kinematics.studies.sweep import Sweep

WORTH_UP_TO = 2_000_000  # moves of all jobs: each number of what limits are worth is another plan


def whole_report(
    prepared: Sequence[PreparedJob],
    machine: Machine,
    words: str,
    candidates: Sequence[Any],
    knobs: Sequence[Knob],
    layer: int | None,
    earlier: dict[str, Any] | None,
    prints: Sequence[float | None],
    shop: Shop | None,
    sampling: Sampling,
    tell: Callable[[str], None],
    told_command: str,
    inputs: Sequence[str],
    more: Sequence[str],
    fit: Fit | None,
) -> tuple[ReportPage, list[str]]:
    """The page, and more paths that its texts may name."""
    from kinematics.business.upgrades import PRINTS_PER_MONTH, upgrades_prepared
    from kinematics.reports import business_sections as business
    from kinematics.reports import sections as of
    from kinematics.reports.made import answer_of, facts_of, hashes_of, title_of, versions
    from kinematics.reports.page import ReportPage
    from kinematics.studies.caps import caps_of
    from kinematics.studies.compare import compare_prepared
    from kinematics.studies.estimate import estimate_prepared

    few = sum(len(job.read(machine)) for job in prepared) <= WORTH_UP_TO
    estimate = estimate_prepared(prepared, machine, True, tell, few, sampling)
    comparison = compare_prepared(prepared, machine, candidates, tell, sampling) if candidates else None
    tell("how far limits may go")
    caps = caps_of(machine, prepared)
    sections: list[PagePart | None] = [
        of.asked_section(estimate, "How long does it take, what holds it back, and what would change that?", words),
        of.time_section(estimate, comparison),
        None if earlier is None else of.before_section(earlier, estimate),
        of.causes_section(estimate),
        of.worth_section(estimate) if any(job.worth for job in estimate.jobs) else None,
        of.layers_section(estimate),
    ]
    tell("drawing the path")
    sections.append(of.path_section(estimate, layer))
    if few:
        sections.insert(3, of.ladder_section(_ladder(prepared, machine, sampling, tell)))
    for number, one in enumerate(_sweeps(prepared, machine, knobs, sampling, tell), 1):
        sections.append(of.sweep_section(one, number))
    read: list[str] = [machine.source]
    sections += [of.caps_section(caps), of.proven_section(machine)]
    if "vibration" in more:
        from kinematics.filtering.answer import vibration_of

        tell("weighing filters")
        names = [job.file for job in estimate.jobs]
        sections.append(of.vibration_section(vibration_of(machine, jobs=prepared, names=names)))
    if fit is not None:
        sections.append(of.measured_section(fit, words))
        read += [one.job for one in fit.prints]
    if "bedful" in more:
        from kinematics.business.bedful import bedfuls_of
        from kinematics.jobs.copies import CopiedJob, Copying

        copied = [CopiedJob(job, 1, Copying()) for job in prepared]
        sections.append(business.bedful_section(bedfuls_of(copied, machine, tell)))
    if machine.upgrades:
        tell("weighing upgrades")
        each = [PRINTS_PER_MONTH if count is None else count for count in prints]
        found = upgrades_prepared(prepared, machine, each, tell, sampling)
        sections.append(business.upgrades_section(found, None in prints))
    if shop is not None:
        sections.append(business.shop_section(shop))
        read += [order.job for order in shop.orders if order.job is not None]
        read += [printer.machine.source for printer in shop.printers]
    sections.append(of.warnings_section(estimate))
    digests = {job.file: one.digest() for job, one in zip(estimate.jobs, prepared, strict=True)}
    sections.append(of.made_section(told_command, versions(), hashes_of(inputs, digests)))
    shown = tuple(section for section in sections if section is not None)
    return ReportPage(title_of(estimate), answer_of(estimate, comparison), facts_of(estimate, words), shown), read


def _ladder(
    prepared: Sequence[PreparedJob], machine: Machine, sampling: Sampling, tell: Callable[[str], None]
) -> Ladder:
    """What must be raised, step by step."""
    from kinematics.jobs.many import WeightedJobs
    from kinematics.studies.ladder import ladder_of
    from kinematics.studies.reach import LadderAsk

    names = [job.read(machine).name for job in prepared]
    weighted = WeightedJobs(prepared, names, [1.0] * len(prepared))
    return ladder_of(weighted, machine, LadderAsk(), None, None, sampling, tell)


def _sweeps(
    prepared: Sequence[PreparedJob],
    machine: Machine,
    knobs: Sequence[Knob],
    sampling: Sampling,
    tell: Callable[[str], None],
) -> list[Sweep]:
    """A curve of each knob, and of two their map."""
    from kinematics.jobs.many import WeightedJobs
    from kinematics.studies.knees import knees_of
    from kinematics.studies.knobs import grid
    from kinematics.studies.sweep import Sweep, present_total_of, ranges_left, sweep_rows

    weighted = WeightedJobs(prepared, [job.read(machine).name for job in prepared], [1.0] * len(prepared))
    knees = {knee.knob: knee for knee in knees_of(weighted, machine, knobs)}
    found = []
    for turned in [[knob] for knob in knobs] + ([list(knobs)] if len(knobs) > 1 else []):
        tell(f"trying {' and '.join(knob.name for knob in turned)}")
        drawn = sampling if ranges_left(machine, turned) else None
        chunks = sweep_rows(weighted, machine, turned, list(grid(turned)), sampling=sampling)
        rows = tuple(row for chunk in chunks for row in chunk)
        own = tuple(knees[knob.name] for knob in turned)
        found.append(Sweep(machine, tuple(turned), rows, own, drawn, present_total_of(weighted, machine)))
    return found
