"""What each limit is worth, as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kinematics.reports.screens import CAUTION, NO_LIMIT
from kinematics.wording import duration_text

if TYPE_CHECKING:
    from kinematics.studies.estimate import Estimate, JobEstimate
    from kinematics.studies.worth import Worth

HEADS = (("limit", False), ("key", False), ("1 % more saves", True), ("time without it", True))
SHOWN = 0.05  # s: what is less is shown as nothing


def _has_a_say(worth: Worth, job: JobEstimate) -> bool:
    """Whether more of a limit, or none of it, changes the time by anything that is shown."""
    lifted = worth.if_lifted_s
    return abs(worth.one_percent_s) >= SHOWN or lifted is None or abs(lifted - job.total_s) >= SHOWN


def worth_rows(job: JobEstimate) -> list[tuple[str, ...]]:
    """The limits that have a say, as cells: limit, key, what 1 % more saves, the time without it."""
    return [
        (
            worth.what,
            worth.key,
            duration_text(worth.one_percent_s) if abs(worth.one_percent_s) >= SHOWN else "nothing",
            "no other limit" if worth.if_lifted_s is None else duration_text(worth.if_lifted_s),
        )
        for worth in job.worth
        if _has_a_say(worth, job)
    ]


def worth_head(job: JobEstimate) -> list[str]:
    """What stands above the table of a job."""
    return [f"{job.file}  {duration_text(job.total_s)}"]


def worth_below(job: JobEstimate) -> list[str]:
    """What stands under the table of a job: the limits without a say, by their keys."""
    idle = [worth.key for worth in job.worth if not _has_a_say(worth, job)]
    return [f"more of these, or none of them, changes nothing: {', '.join(idle)}"] if idle else []


def worth_notes(estimate: Estimate) -> list[str]:
    """What stands under all tables: the limits that nobody gave, and the caution."""
    told = {one.key for job in estimate.jobs for one in job.stated}
    missing = [key for key in estimate.machine.limits_not_given() if key not in told]
    lines = [f"{NO_LIMIT}: {', '.join(missing)}"] if missing else []
    return [*lines, CAUTION]
