"""A new machine file: from three simple questions and the built-in machine most like it, or from the limits that a
job states.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import NamedTuple

from kinematics.errors import Finding, InputError, nearest
from kinematics.machine.file import BUILTIN_NAMES, builtin_machine, builtin_text
from kinematics.machine.model import Machine
from kinematics.machine.names import all_keys, find_key, is_one_value, key_named, section_named
from kinematics.machine.rules import JUNCTION_KEY, SPEED_STEP_KEY
from kinematics.machine.settings import applied
from kinematics.toml.files import Names, dotted_name, split_key, text_in_toml


class NewMachineQuestion(NamedTuple):
    """One question of a new machine file: parameter of `new_machine_text`, words, default, allowed answers if few."""

    key: str
    question: str
    default: str
    allowed: tuple[str, ...] = ()


NEW_MACHINE_QUESTIONS = (
    NewMachineQuestion("name", "What do you call the printer?", "My printer"),
    NewMachineQuestion("bed_mm", "How large may a print be (width, depth, height in mm)?", "215, 225, 235"),
    NewMachineQuestion(
        "like",
        "Which is it most like: gentle (older, the bed moves), middling, or quick (stiff, the bed only goes down)?",
        "middling",
        BUILTIN_NAMES,
    ),
)
_BETWEEN_LENGTHS = re.compile(r"\s*[,;xX\u00d7]\s*|\s+")
_BED_ALLOWED = 'three numbers above 0, such as "215, 225, 235" or "215 x 225 x 235"'
_HEADER = """\
# Machine file of {name}.
# The limits below are those of the built-in machine "{like}": a start. Put your own printer's in their place as
# you learn them. A limit that you delete is no limit. Lengths are in mm, times in s, as each key says.
# A number that you do not know exactly may be a range, {{low=0.02, likely=0.05, high=0.10}}: times then carry an
# interval.

"""
EXAMPLE = "middling"  # the built-in machine whose values stand where a job states none
# The limits that are offered where a job does not state them; others that it states are written all the same.
OFFERED = (
    *(f"axes.{axis}.max_{limit}" for axis in "xyze" for limit in ("speed_mm_s", "acceleration_mm_s2")),
    "motion.print_acceleration_mm_s2",
    "motion.travel_acceleration_mm_s2",
    JUNCTION_KEY,
    *(f"{SPEED_STEP_KEY}.{axis}" for axis in "xyz"),
    "motion.extruder_step_mm_s",
    "motion.lookahead_moves",
    "motion.speed_cap_mm_s",
    "hotend.max_flow_mm3_s",
    "retraction.length_mm",
    "retraction.speed_mm_s",
    "retraction.acceleration_mm_s2",
    "cooling.shortest_layer_s",
)
# Plausible values of what the built-in machines leave out.
OTHER_EXAMPLES: Mapping[str, float] = {
    f"{SPEED_STEP_KEY}.x": 7.0,
    f"{SPEED_STEP_KEY}.y": 6.0,
    f"{SPEED_STEP_KEY}.z": 0.5,
    "motion.extruder_step_mm_s": 4.0,
    "motion.speed_cap_mm_s": 200.0,
    "retraction.length_mm": 1.2,
    "retraction.speed_mm_s": 28.0,
}
NOTHING_BESIDE: Mapping[str, str] = MappingProxyType({})
_STATED_HEADER = """\
# Machine file of {name}.
# Its limits are those that a job states: of each the value that held for most of the printed length, with the line
# where the job states it first, and the other values. What the job does not state stands behind a # with a plausible
# value (mostly that of the built-in machine "{example}"): put in your own printer's and take the # away. A limit that
# is left out is no limit, but for what says "where left out". Lengths are in mm, times in s, as each key says.
# A number that you do not know exactly may be a range, {{low=0.02, likely=0.05, high=0.10}}: times then carry an
# interval.

[machine]
name = {name}
{bed}
"""


def answer_problem(question: NewMachineQuestion, answer: str) -> str:
    """What is wrong with an answer, and what may stand there; empty where nothing is."""
    answers = {one.key: one.default for one in NEW_MACHINE_QUESTIONS} | {question.key: answer}
    try:
        new_machine_text(**answers)
    except InputError as failure:
        return "; ".join(str(replace(finding, place="")) for finding in failure.findings)
    return ""


def new_machine_text(name: str, bed_mm: Sequence[float] | str, like: str = "middling") -> str:
    """The text of a new machine file; `bed_mm` width, depth, height (mm), as numbers or as one text.

    Raises InputError with every answer that cannot be used, each at the question's key.
    """
    name = name.strip()
    size, findings = _size_and_findings(name, bed_mm)
    if like not in BUILTIN_NAMES:
        hint = nearest(like.lower(), BUILTIN_NAMES)
        findings.append(Finding("like", f"{like!r} is no built-in machine", ", ".join(BUILTIN_NAMES), hint))
    if findings:
        raise InputError(*findings)
    text = builtin_text(like)
    body = text[text.index("[machine]") :]
    for key, value in (("name", text_in_toml(name)), ("bed_mm", size)):
        line = f"{key} = {value}".replace("\\", r"\\")
        body = re.sub(rf"^{key} = .*$", line, body, count=1, flags=re.MULTILINE)
    return _HEADER.format(name=text_in_toml(name), like=like) + body


def _size_and_findings(name: str, bed_mm: Sequence[float] | str) -> tuple[str, list[Finding]]:
    """The size of a bed as the file has it, and what is wrong with a name and with the size."""
    findings = []
    if not name or any("\ud800" <= letter <= "\udfff" for letter in name):
        findings.append(Finding("name", f"{name!r} is no name", "text that is not blank"))
    try:
        parts = _BETWEEN_LENGTHS.split(bed_mm.strip().strip("[]").strip()) if isinstance(bed_mm, str) else bed_mm
        lengths = [float(part) for part in parts]
    except (ValueError, TypeError, OverflowError):
        lengths = []
    if len(lengths) == 3 and all(0.0 < length < math.inf for length in lengths):
        return f"[{', '.join(map(number_in_toml, lengths))}]", findings
    return "", [*findings, Finding("bed_mm", f"{bed_mm!r} is no size", _BED_ALLOWED)]


def number_in_toml(number: float) -> str:
    """A number as TOML writes it."""
    number = float(number)
    return str(int(number)) if number.is_integer() and number < 1e15 else repr(number)


def machine_text_from_limits(
    name: str,
    limits: Mapping[str, tuple[float, int]],
    bed_mm: Sequence[float] | str | None = None,
    beside: Mapping[str, str] = NOTHING_BESIDE,
) -> str:
    """The text of a machine file with the limits that a job states.

    `limits` dotted key -> (value in the unit of the key, line in the job); `bed_mm` as for `new_machine_text`;
    `beside` by key what else there is to say of the value. Limits that the job does not state are commented out, and so
    is what a machine cannot have: a value that is not allowed, a key that the machine file does not know, speed steps
    beside junction deviation. Raises InputError for a name or a size that cannot be used.
    """
    name = name.strip()
    size, findings = _size_and_findings(name, (215, 225, 235) if bed_mm is None else bed_mm)
    if findings:
        raise InputError(*findings)
    bed = f"bed_mm = {size}"
    if bed_mm is None:
        bed = f"# {bed}  # largest print: width, depth, height"
    text = _STATED_HEADER.format(name=text_in_toml(name), bed=bed, example=EXAMPLE)
    sections: dict[Names, list[str]] = {}
    for section, line in _lines(limits, beside):
        sections.setdefault(section, []).append(line)
    for section, lines in sections.items():
        name = dotted_name(section)
        header = f"[{name}]" if section else "elsewhere"
        if section_named(name) is None or (is_one_value(name) and all(line.startswith("#") for line in lines)):
            header = f"# {header}"
        text += "\n".join(["", header, *lines, ""])
    return text


def _lines(limits: Mapping[str, tuple[float, int]], beside: Mapping[str, str]) -> Iterator[tuple[Names, str]]:
    """The lines of the file in its order, each with its section; keys that it does not know stand behind the others of
    their section. What does not hold is commented out.
    """
    wrong = {name: _why_not(name, value) for name, (value, _) in limits.items()}
    steps = [name for name in limits if name.startswith(f"{SPEED_STEP_KEY}.") and not wrong[name]]
    if JUNCTION_KEY in limits and not wrong[JUNCTION_KEY]:
        wrong |= dict.fromkeys(steps, "junction deviation is stated as well, and a machine has one corner rule")
        steps = []
    places = {key.name: place for place, key in enumerate(all_keys())}
    ends = {key.path[:-1]: place for place, key in enumerate(all_keys())}
    names = [*(name for name in places if name in OFFERED or name in limits), *(limits.keys() - places.keys())]
    names.sort(key=lambda name: (places.get(name, ends.get(split_key(name)[:-1], len(places))), name))
    example = builtin_machine(EXAMPLE)
    for name in names:
        path = split_key(name)
        section = path[: -2 if dotted_name(path[:-1]) == SPEED_STEP_KEY else -1]
        if name in limits:
            value, line = limits[name]
            unused = f", not used: {wrong[name]}" if wrong[name] else ""
            also = f", {beside[name]}" if name in beside else ""
            mark, remark = "# " if unused else "", f"stated in the job, line {line}{also}{unused}"
        else:
            known = example.value_of(name)
            value = OTHER_EXAMPLES[name] if known is None else known
            mark, remark = "# ", key_named(name).meaning + _when_left_out(name, bool(steps))
        yield section, f"{mark}{dotted_name(path[len(section) :])} = {number_in_toml(value)}  # {remark}"


def _when_left_out(name: str, has_steps: bool) -> str:
    if name == JUNCTION_KEY and has_steps:
        return "; not beside speed steps"
    if name.startswith(SPEED_STEP_KEY) and not has_steps:
        return "; instead of junction deviation"
    default = Machine().value_of(name)
    return "" if default is None else f"; {default:g} where left out"


def _why_not(key: str, value: float) -> str:
    """Why a machine file does not take a stated limit; empty where it does."""
    if find_key(key) is None:
        return "the machine file has no such key"
    problems = applied(Machine(), {key: value}, {}).problems
    return f"allowed is {problems[0][1].allowed}" if problems else ""
