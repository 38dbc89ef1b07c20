"""Jobs as they are named on the command line: files, folders of them, and patterns that the shell left alone."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

# What G-code files are called (common practice, no source), plain or gzip.
ENDINGS = (".gcode", ".gco", ".g", ".nc", ".ngc", ".cnc", ".tap")
_PACKED = ".gz"
_PATTERN = "*?["


def is_job_name(name: str) -> bool:
    """Whether a file of this name is taken for G-code, by its ending."""
    return name.lower().removesuffix(_PACKED).endswith(ENDINGS)


def job_files(arguments: Iterable[str]) -> tuple[str, ...]:
    """The files that arguments name: themselves, the G-code files in a folder, the files that fit a pattern; sorted.

    Raises InputError for every folder without G-code files, and every pattern that nothing fits.
    """
    from kinematics.errors import Finding, InputError

    files: list[str] = []
    findings: list[Finding] = []
    for argument in arguments:
        if os.path.isdir(argument):
            found = sorted(_in_folder(Path(argument)))
            if not found:
                endings = ", ".join(ENDINGS)
                findings.append(Finding(argument, "no G-code files in this folder", f"files that end in {endings}"))
            files += found
        elif any(letter in argument for letter in _PATTERN) and not os.path.exists(argument):
            found = sorted(name for name in glob.glob(argument) if Path(name).is_file())
            if not found:
                findings.append(Finding(argument, "no file fits this pattern"))
            files += found
        else:
            files.append(argument)
    if findings:
        raise InputError(*findings)
    return tuple(files)


def weights_of(jobs: Sequence[str], texts: Sequence[str]) -> list[float]:
    """How often each job is printed, from `JOB=N`. Raises InputError for what names no job or says no number."""
    from kinematics.errors import InputError, nearest

    weights = dict.fromkeys(jobs, 1.0)
    for text in texts:
        name, _, told = text.rpartition("=")
        try:
            count = float(told)
        except ValueError:
            count = -1.0
        if not 0.0 < count < 1e9:
            found = f"can't read {text!r} as a job and a number of prints"
            raise InputError.at("--prints", found, "JOB=N, N above 0")
        if name not in weights:
            raise InputError.at("--prints", f"{name!r} is not one of the jobs", ", ".join(jobs), nearest(name, jobs))
        weights[name] = count
    return [weights[job] for job in jobs]


def _in_folder(folder: Path) -> Iterator[str]:
    """Raises InputError where the folder cannot be read."""
    from kinematics.errors import InputError

    try:
        yield from (str(path) for path in folder.iterdir() if path.is_file() and is_job_name(path.name))
    except OSError as error:
        raise InputError.at(str(folder), f"cannot be read: {error.strerror}") from None
