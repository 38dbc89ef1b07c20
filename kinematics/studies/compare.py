"""How long under each candidate, and what is saved?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from kinematics.caps.class_limits import NOTHING_VARIED
from kinematics.errors import Finding, InputError, Notice
from kinematics.machine import Candidate, Machine, resolved_keys
from kinematics.studies.causes import main_cause
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.timing import Ask, foresee, time_job

if TYPE_CHECKING:
    import pandas

    from kinematics.studies.blockwise import BlockwiseJob

ALL_JOBS = "all jobs"
AS_IT_IS = "as it is"


class Row(NamedTuple):
    """One candidate on one job: total and saved time (s), share saved, what most of its time is spent under."""

    candidate: str
    job: str
    total: float
    saved: float
    saved_share: float
    cause: str


@dataclass(frozen=True, repr=False)
class Comparison:
    """Candidates against the machine as it is: `rows` candidate by candidate, job by job; `totals` over all jobs.

    `silenced` counts, by candidate, the commands in the jobs that state a limit which the candidate varies.
    """

    machine: Machine
    candidates: tuple[Candidate, ...]
    rows: tuple[Row, ...]
    totals: tuple[Row, ...]
    notices: dict[str, tuple[Notice, ...]]
    silenced: dict[str, int]

    def to_frame(self) -> pandas.DataFrame:
        """One row a candidate and job: candidate, job, total_s, saved_s, saved_share, cause."""
        import pandas

        columns = ["candidate", "job", "total_s", "saved_s", "saved_share", "cause"]
        return pandas.DataFrame([tuple(row) for row in self.rows], columns=columns)

    def __repr__(self) -> str:
        from kinematics.wording import duration_text

        rows = "; ".join(f"{row.candidate} {duration_text(row.total)} ({-row.saved_share:+.0%})" for row in self.totals)
        return f"<Comparison on {self.machine.name}: {rows}>"

    def _repr_html_(self) -> str:
        from kinematics.notebook import html_of_frame

        return html_of_frame(f"On {self.machine.name}", self.to_frame())


def compare_prepared(
    prepared: Sequence[PreparedJob | BlockwiseJob],
    machine: Machine,
    candidates: Sequence[Candidate],
    tell: Callable[[str], None] = lambda _: None,
) -> Comparison:
    """Time jobs on a machine as it is and under each candidate. Raises InputError for a candidate that cannot be."""
    names = [AS_IT_IS, *(candidate.name for candidate in candidates)]
    twice = sorted({name for name in names if names.count(name) > 1})
    findings = [
        Finding("--candidate", f"the name {name!r} stands for two candidates", "each name once") for name in twice
    ]
    machines = [(AS_IT_IS, machine, NOTHING_VARIED)]
    for candidate in candidates:
        try:
            other = machine.with_settings(candidate.set, f"candidate {candidate.name}")
            machines.append((candidate.name, other, resolved_keys(candidate.set, machine)))
        except InputError as error:
            findings += error.findings
    if findings:
        raise InputError(*findings)
    foresee(prepared, [Ask(other, varied, passing=True) for _, other, varied in machines])
    rows, totals = [], []
    before: list[float] = []
    notices: dict[str, tuple[Notice, ...]] = {}
    silenced: dict[str, int] = {}
    for name, other, varied in machines:
        seconds: dict[str, float] = {}
        sums = 0.0
        times = []
        for number, job in enumerate(prepared):
            tell(f"timing {name}")
            timing = time_job(job, other, varied, passing=True)
            file = timing.facts.name
            silent = timing.facts.silenced_by(varied)
            if silent and job.heeds_file_limits:
                silenced[name] = silenced.get(name, 0) + silent
            if name == AS_IT_IS:
                before.append(timing.total)
                notices[file] = timing.facts.notices
            times.append(timing.total)
            saved = before[number] - timing.total
            rows.append(
                Row(name, file, timing.total, saved, saved / before[number], main_cause(timing.by_cause, timing.total))
            )
            sums += timing.total
            for cause, spent in timing.by_cause.items():
                seconds[cause] = seconds.get(cause, 0.0) + spent
        whole = sum(before)
        totals.append(Row(name, ALL_JOBS, sums, whole - sums, (whole - sums) / whole, main_cause(seconds, sums)))
    return Comparison(machine, tuple(candidates), tuple(rows), tuple(totals), notices, silenced)
