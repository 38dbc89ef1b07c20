"""What the printer is: the machine file, its built-in examples, and settings that change it."""

from kinematics.machine.economy_keys import Economy, Upgrade
from kinematics.machine.laid_over import Candidate, Material
from kinematics.machine.loading import BUILTIN_NAMES, load_machine
from kinematics.machine.model import EffectiveValue, Machine
from kinematics.machine.setting_text import parse_settings
from kinematics.machine.settings import resolved_keys
from kinematics.machine.template import (
    NEW_MACHINE_QUESTIONS,
    Question,
    answer_problem,
    machine_text_from_limits,
    new_machine_text,
)
from kinematics.machine.value_kinds import Range

__all__ = [
    "BUILTIN_NAMES",
    "NEW_MACHINE_QUESTIONS",
    "Candidate",
    "Economy",
    "EffectiveValue",
    "Machine",
    "Material",
    "Question",
    "Range",
    "Upgrade",
    "answer_problem",
    "load_machine",
    "machine_text_from_limits",
    "new_machine_text",
    "parse_settings",
    "resolved_keys",
]
