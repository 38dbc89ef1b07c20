"""What to type into a controller that holds no budgets, and the lines that do so in the user's own words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from kinematics.errors import InputError

if TYPE_CHECKING:
    from kinematics.filtering.settings_to_type import TypedSettings
    from kinematics.jobs.timing import TimedJob
    from kinematics.machine import Machine

OPTION = "--write-settings"


def settings_and_commands(
    machine: Machine,
    prepared: Sequence[TimedJob],
    dialect: str,
    write: bool,
    weights: Sequence[float] | None = None,
    varied: frozenset[str] = frozenset(),
) -> tuple[TypedSettings | None, list[str]]:
    """What keeps whole jobs inside the budgets of a machine (None without a budget that they could use up), and the
    lines that set it where they are asked for.

    `varied` keys that win over what jobs state. Raises InputError where lines are asked for and there is nothing to
    set.
    """
    from kinematics.filtering.settings_to_type import has_budgets, settings_to_type

    if not prepared or not has_budgets(machine):
        if write:
            needed = "a JOB, and a machine file with a budget in [quality] and modes or filters in [vibration]"
            raise InputError.at(OPTION, "no budget that a job could use up", needed)
        return None, []
    typed = settings_to_type(machine, [job.with_moves() for job in prepared], weights, varied=varied)
    return typed, commands_to_type(typed, dialect) if write else []


def commands_to_type(typed: TypedSettings | None, dialect: str) -> list[str]:
    """The lines that set it, in the words of the dialect. Raises InputError where nothing keeps to the budgets."""
    from kinematics.filtering.settings_to_type import commands_for
    from kinematics.gcode.dialect_file import load_dialect

    if typed is None or not typed.inside:
        raise InputError.at(OPTION, "no one setting keeps the job inside both budgets", "larger budgets")
    return commands_for(typed.settings, load_dialect(dialect))
