"""What the printer is: the machine file, its built-in examples, and settings that change it."""

from kinematics.machine.loading import BUILTIN_NAMES, load_machine
from kinematics.machine.model import Candidate, EffectiveValue, Machine
from kinematics.machine.settings import parse_settings
from kinematics.machine.template import NEW_MACHINE_QUESTIONS, Question, new_machine_text

__all__ = [
    "BUILTIN_NAMES",
    "NEW_MACHINE_QUESTIONS",
    "Candidate",
    "EffectiveValue",
    "Machine",
    "Question",
    "load_machine",
    "new_machine_text",
    "parse_settings",
]
