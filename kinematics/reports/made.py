"""What a report says first, and what it was made from: answer, facts, versions, hashes."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from kinematics import __version__
from kinematics.reports.bar_pictures import bare, causes_of
from kinematics.reports.marks import A_MOMENT
from kinematics.wording import duration_text, share_text

if TYPE_CHECKING:
    from kinematics.studies.compare import Comparison
    from kinematics.studies.estimate import Estimate

PACKAGES = ("numpy", "numba", "scipy", "pandas", "matplotlib", "jinja2")


def title_of(estimate: Estimate) -> str:
    """What the page is about."""
    names = [bare(job.file) for job in estimate.jobs]
    jobs = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    return f"{jobs}: print time on {estimate.machine.name}"


def answer_of(estimate: Estimate, comparison: Comparison | None) -> list[str]:
    """The answer in a few sentences: the time now, what holds it, and what the best candidate brings."""
    known = estimate.interval_s
    between = "" if known is None else f" ({duration_text(known.low)} to {duration_text(known.high)})"
    what = "It takes" if len(estimate.jobs) == 1 else f"All {len(estimate.jobs)} jobs take"
    found = causes_of(estimate.jobs)
    held = f", {share_text(found[0][1] / estimate.total_s)} of it under {found[0][0]}" if found else ""
    lines = [f"{what} {duration_text(estimate.total_s)}{between} now{held}."]
    if comparison is not None:
        best = min(comparison.totals, key=lambda row: row.total_s)
        if best.saved_s > A_MOMENT:
            saved = f"{duration_text(best.saved_s)} less ({share_text(best.saved_share)})"
            lines.append(f"With “{best.candidate}” {duration_text(best.total_s)}: {saved}.")
        else:
            lines.append("None of the candidates is faster.")
    return lines


def facts_of(estimate: Estimate, machine_words: str) -> list[tuple[str, str]]:
    """The block of facts."""
    jobs = estimate.jobs
    grams = [job.filament_g for job in jobs if job.filament_g is not None]
    length = f"{sum(job.filament_mm for job in jobs) / 1000.0:,.2f} m"
    return [
        ("machine", machine_words),
        ("jobs", f"{len(jobs):,}"),
        ("time", duration_text(estimate.total_s)),
        ("layers", f"{sum(job.layers for job in jobs):,}"),
        ("moves", f"{sum(job.moves for job in jobs):,}"),
        ("filament", f"{length}, {sum(grams):,.1f} g" if len(grams) == len(jobs) else length),
        ("fastest", f"{max(job.peak_speed_mm_s for job in jobs):,.0f} mm/s"),
        ("most flow", f"{max(job.peak_flow_mm3_s for job in jobs):.1f} mm³/s"),
    ]


def versions() -> list[tuple[str, str]]:
    """The program, Python and the packages behind the numbers and pictures."""
    found = [("kinematics", __version__), ("Python", platform.python_version())]
    for name in PACKAGES:
        try:
            found.append((name, version(name)))
        except PackageNotFoundError:
            found.append((name, "not known"))
    return found


def hashes_of(inputs: Sequence[str], digests: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Bare name, size and hash of everything that was read; `digests` of jobs, which may have come by a pipe."""
    rows = []
    for name in dict.fromkeys(inputs):
        path, read = Path(name), digests.get(name, "")
        if path.is_file():
            with path.open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
            if read in ("", found):
                rows.append((PurePath(name).name, f"{path.stat().st_size:,}", found))
                continue
        if read:  # what was read came by a pipe, or from a file of this name somewhere else
            rows.append((name, "", read))
    return rows
