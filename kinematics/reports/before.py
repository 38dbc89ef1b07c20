"""A document that was saved earlier, read again to stand beside what holds now."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from kinematics.errors import InputError
from kinematics.reports.documents import SCHEMA_VERSION

ALLOWED = "what kinematics estimate JOB… --machine FILE --json has printed, saved to a file"
LARGEST = 200_000_000  # bytes: more is no such document


def read_before(name: str) -> dict[str, Any]:
    """The document of a file: jobs, each with file and total_s, and the machine.

    Raises InputError where the file cannot be read or holds something else.
    """
    try:
        if Path(name).stat().st_size > LARGEST:
            raise InputError.at(name, "too large for a saved estimate", ALLOWED)
        document = json.loads(Path(name).read_bytes())
    except OSError as error:
        raise InputError.at(name, f"cannot be read: {error.strerror}", ALLOWED) from None
    except (ValueError, RecursionError):
        raise InputError.at(name, "this is no JSON document", ALLOWED) from None
    if not isinstance(document, dict) or document.get("schema_version") != SCHEMA_VERSION:
        raise InputError.at(name, "this is no document of this program", ALLOWED)
    jobs, machine = document.get("jobs"), document.get("machine", {})
    if not isinstance(jobs, list) or not all(map(_is_job, jobs)) or not isinstance(machine, dict):
        raise InputError.at(name, "this document holds no times of jobs", ALLOWED)
    if any("machine" in job for job in jobs):
        raise InputError.at(name, "these are times on three machines: none was named when it was saved", ALLOWED)
    return document


def _is_job(value: Any) -> bool:
    if not isinstance(value, dict) or not isinstance(value.get("file"), str):
        return False
    seconds = value.get("total_s")
    return isinstance(seconds, (int, float)) and not isinstance(seconds, bool) and 0.0 <= seconds < 1e12
