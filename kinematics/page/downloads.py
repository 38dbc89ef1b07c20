"""What may be taken along from a live page: the machine file, the report and the JSON document of a setting."""

from __future__ import annotations

import json
import shlex
from collections.abc import Mapping, Sequence
from typing import Any

from kinematics.business.weeks import throughput_of
from kinematics.machine import Candidate
from kinematics.machine.settings import with_later
from kinematics.machine.written import machine_copy
from kinematics.page.answers import setting_pairs
from kinematics.page.explorer import Explorer
from kinematics.page.knobs import changed_machine, settings_words
from kinematics.page.shelf import ShelfJob
from kinematics.reports.documents import estimate_document
from kinematics.reports.held_words import throughput_document
from kinematics.reports.page import page_html
from kinematics.reports.whole_report import whole_report
from kinematics.studies.estimate import estimate_prepared
from kinematics.studies.intervals import USUAL_SAMPLING

MOST_KEPT = 12  # settings that were kept, as candidates of the report
THIS = "this setting"


def machine_text(explorer: Explorer, settings: Mapping[str, Any]) -> str:
    """A copy of the machine file with a setting in it. Raises InputError where it cannot be written."""
    return machine_copy(explorer.machine_name, with_later(explorer.laid_over, settings, explorer.machine))


def estimate_text(explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any]) -> str:
    """The document that `estimate --json` prints, files by their bare names."""
    prepared = [one.prepared for one in jobs]
    machine = changed_machine(explorer.machine, settings)
    estimate = estimate_prepared(prepared, machine, worth=True, sampling=USUAL_SAMPLING, each=True)
    document = estimate_document(estimate)
    throughput = None
    if estimate.total_s > 0.0:
        throughput = throughput_document(throughput_of(estimate.machine.economy, estimate.total_s / len(jobs)))
    document = explorer.told(document | {"throughput": throughput})
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


def report_text(
    explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any], kept: Sequence[Mapping[str, Any]]
) -> str:
    """The report on the machine as it is, this setting and those that were kept as candidates."""
    machine = explorer.machine
    candidates = list(machine.candidates)
    for name, one in [(THIS, settings), *((settings_words(machine, one), one) for one in kept[:MOST_KEPT])]:
        if one and name not in {other.name for other in candidates}:
            machine.with_settings(one, f"candidate {name}")
            candidates.append(Candidate(name=name, set=dict(one)))
    prints = [machine.economy.prints_per_month] * len(jobs)
    command = ["kinematics", "report", *(one.name for one in jobs), "--machine", explorer.machine_name]
    for key, value in setting_pairs(explorer.laid_over):
        command += ["--set", f"{key}={value}"]
    for tried in candidates[len(machine.candidates) :]:
        told = ", ".join(f"{key}={value}" for key, value in setting_pairs(tried.set))
        command += ["--candidate", f"{tried.name.replace(':', '')}: {told}"]
    inputs = [*(one.prepared.read(machine).name for one in jobs), machine.source]
    page, _ = whole_report(
        [one.prepared for one in jobs],
        machine,
        explorer.words,
        candidates,
        [],
        None,
        None,
        prints,
        None,
        USUAL_SAMPLING,
        lambda *_: None,
        explorer.names.told(shlex.join([*command, "-o", "report.html"])),
        inputs,
        (),
        None,
    )
    return page_html(page, explorer.names)
