"""What the printer is: the machine file, its built-in examples, and settings that change it."""

from kinematics.machine.file import BUILTIN_NAMES, load_machine
from kinematics.machine.keys import Candidate, Material, Upgrade
from kinematics.machine.kinds import Range
from kinematics.machine.model import EffectiveValue, Machine
from kinematics.machine.settings import candidate_from, parse_settings, resolved_keys
from kinematics.machine.template import (
    NEW_MACHINE_QUESTIONS,
    NewMachineQuestion,
    answer_problem,
    machine_text_from_limits,
    new_machine_text,
)
from kinematics.machine.without_limits import Economy

__all__ = [
    "BUILTIN_NAMES",
    "NEW_MACHINE_QUESTIONS",
    "Candidate",
    "Economy",
    "EffectiveValue",
    "Machine",
    "Material",
    "NewMachineQuestion",
    "Range",
    "Upgrade",
    "answer_problem",
    "candidate_from",
    "load_machine",
    "machine_text_from_limits",
    "new_machine_text",
    "parse_settings",
    "resolved_keys",
]
