"""Many jobs in one table: a row a job, the sum, and what is doubtful in them. All of it is in the JSON as well."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kinematics.reports.screens import SHOWN_NOTICES, between_text
from kinematics.wording import duration_text, share_text

if TYPE_CHECKING:
    from kinematics.studies.estimate import Estimate

MOST_IN_FULL = 5  # jobs; more of them are a table


def jobs_heads(estimate: Estimate) -> list[tuple[str, bool]]:
    """The heads of the table, and which are right-aligned; intervals where there are any."""
    between = [] if estimate.interval_s is None else [("95 % of times", True)]
    mass = [("filament", True)] if _weighed(estimate) else []
    return [("job", False), ("time", True), *between, *mass, ("main cause", False), ("warnings", True)]


def jobs_rows(estimate: Estimate) -> list[tuple[str, ...]]:
    """A row a job, and the sum of them all."""
    rows: list[tuple[str, ...]] = []
    for job in estimate.jobs:
        cause = job.causes[0]
        count = len(job.notices)
        rows.append(
            (
                job.file,
                duration_text(job.total_s),
                *(
                    []
                    if estimate.interval_s is None
                    else ["" if job.interval_s is None else between_text(job.interval_s)]
                ),
                *([f"{job.filament_g or 0.0:,.1f} g"] if _weighed(estimate) else []),
                f"{cause.cause} ({share_text(cause.share)})",
                str(count) if count else "",
            )
        )
    mass = sum(job.filament_g or 0.0 for job in estimate.jobs)
    rows.append(
        (
            f"all {len(estimate.jobs)} jobs",
            duration_text(estimate.total_s),
            *([] if estimate.interval_s is None else [between_text(estimate.interval_s)]),
            *([f"{mass:,.1f} g"] if _weighed(estimate) else []),
            "",
            "",
        )
    )
    return rows


def _weighed(estimate: Estimate) -> bool:
    return all(job.filament_g is not None for job in estimate.jobs)


def jobs_notes(estimate: Estimate) -> list[str]:
    """What is doubtful in many jobs, each kind once with the number of jobs; stops of unknown length."""
    found: dict[str, list[str]] = {}
    for job in estimate.jobs:
        for notice in job.notices:
            found.setdefault(notice.text, []).append(job.file)
    lines = [f"{len(found)} kind{'s' if len(found) > 1 else ''} of warning:"] if found else []
    for text, files in list(found.items())[:SHOWN_NOTICES]:
        where = files[0] if len(files) == 1 else f"{len(files)} jobs, first {files[0]}"
        lines.append(f"  {text} ({where})")
    if len(found) > SHOWN_NOTICES:
        lines.append(f"  … and {len(found) - SHOWN_NOTICES} more kinds (all of them with --json)")
    stops = [job.file for job in estimate.jobs if job.unknown_stops]
    if stops:
        many = stops[0] if len(stops) == 1 else f"{len(stops)} jobs"
        lines.append(f"stops of unknown length in {many}, counted as 0 s (kinematics estimate JOB names them)")
    return lines
