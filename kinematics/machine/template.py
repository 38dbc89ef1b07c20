"""A new machine file from three simple questions, its limits taken from the built-in machine most like it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from kinematics.errors import Finding, InputError, nearest
from kinematics.machine.loading import BUILTIN_NAMES, builtin_text


class Question(NamedTuple):
    """One question of a new machine file: parameter of `new_machine_text`, words, default, allowed answers if few."""

    key: str
    question: str
    default: str
    allowed: tuple[str, ...] = ()


NEW_MACHINE_QUESTIONS = (
    Question("name", "What do you call the printer?", "My printer"),
    Question("bed_mm", "How large may a print be (width, depth, height in mm)?", "220, 220, 240"),
    Question(
        "like",
        "Which is it most like: gentle (older, the bed moves), middling, or quick (stiff, the bed only goes down)?",
        "middling",
        BUILTIN_NAMES,
    ),
)
_BED_ALLOWED = 'three numbers above 0, such as "220, 220, 240" or "220 x 220 x 240"'
_HEADER = """\
# Machine file of {name}.
# The limits below are those of the built-in machine "{like}": a start. Put your own printer's in their place as
# you learn them. A limit that you delete is no limit. Lengths are in mm, times in s, as each key says.

"""


def new_machine_text(name: str, bed_mm: Sequence[float] | str, like: str = "middling") -> str:
    """The text of a new machine file; `bed_mm` width, depth, height (mm), as numbers or as one text.

    Raises InputError with every answer that cannot be used, each at the question's key.
    """
    findings: list[Finding] = []
    name = name.strip()
    if not name or any("\ud800" <= letter <= "\udfff" for letter in name):
        findings.append(Finding("name", f"{name!r} is no name", "text that is not blank"))
    bed: list[float] = []
    try:
        bed = _bed(bed_mm)
    except (ValueError, TypeError, OverflowError):
        findings.append(Finding("bed_mm", f"{bed_mm!r} is no size", _BED_ALLOWED))
    if like not in BUILTIN_NAMES:
        hint = nearest(like.lower(), BUILTIN_NAMES)
        findings.append(Finding("like", f"{like!r} is no built-in machine", ", ".join(BUILTIN_NAMES), hint))
    if findings:
        raise InputError(*findings)
    text = builtin_text(like)
    body = text[text.index("[machine]") :]
    size = ", ".join(_number_in_toml(length) for length in bed)
    for key, value in (("name", text_in_toml(name)), ("bed_mm", f"[{size}]")):
        line = f"{key} = {value}".replace("\\", r"\\")
        body = re.sub(rf"^{key} = .*$", line, body, count=1, flags=re.MULTILINE)
    return _HEADER.format(name=text_in_toml(name), like=like) + body


def _bed(answer: Sequence[float] | str) -> list[float]:
    if isinstance(answer, str):
        parts = re.split(r"\s*[,;xX\u00d7]\s*|\s+", answer.strip().strip("[]").strip())
        lengths = [float(part) for part in parts]
    else:
        lengths = [float(part) for part in answer]
    if len(lengths) != 3 or not all(0 < length < float("inf") for length in lengths):
        raise ValueError(answer)
    return lengths


def _number_in_toml(number: float) -> str:
    return str(int(number)) if number.is_integer() and number < 1e15 else repr(number)


def text_in_toml(text: str) -> str:
    """Text as a quoted TOML string on one line, control characters escaped."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(f"\\u{ord(one):04X}" if ord(one) < 32 or ord(one) == 127 else one for one in escaped) + '"'
