"""Does the controller take in a planned job's commands in time?"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from kinematics.gcode.cutting import bytes_of_moves
from kinematics.limits.command_rate import lateness
from kinematics.machine import Machine
from kinematics.studies.stops import pauses_before
from kinematics.studies.timing import Timing, event_clock

Cell = str | float | int | None


class Commands(NamedTuple):
    """How the commands of a job came through the controller's buffer: `late` of `commands` had to be waited for, the
    longest wait (s) with its line in the file, and all waits together (s), which no total has in it.
    """

    job: str
    commands: int
    late: int
    longest_wait_s: float
    line: int
    total_wait_s: float

    @property
    def late_share(self) -> float:
        """The share of commands that had to be waited for."""
        return self.late / self.commands if self.commands else 0.0


def takes_in_so_much(machine: Machine) -> bool:
    """Whether the machine file tells how many moves or bytes a second the controller takes in."""
    return machine.controller.moves_per_s is not None or machine.controller.bytes_per_s is not None


def commands_row(commands: Commands) -> dict[str, Cell]:
    """The numbers of a job's commands by name."""
    return {**commands._asdict(), "late_share": commands.late_share}


def commands_of_timing(timing: Timing) -> Commands:
    """A job that has been timed, its plan kept, sent through the controller's buffer (`command_rate.lateness`).

    Command by command, a move of the file each, with the stops before it, which give the buffer time to fill. The
    buffer holds the moves that the controller sees. Raises InputError for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    machine, job = planned.machine, planned.job
    controller = machine.controller
    pause = pauses_before(len(job), job.events, machine, event_clock(planned, timing.layers))
    first = planned.first_pieces
    starts = np.arange(len(job)) if isinstance(first, slice) else first
    if not starts.size:
        return Commands(timing.facts.name, 0, 0, 0.0, 0, 0.0)
    duration = np.add.reduceat(planned.plan.duration, starts)
    duration[:-1] += np.add.reduceat(pause, starts)[1:]  # while a stop lasts commands come in
    cost = np.full(starts.size, 0.0 if controller.moves_per_s is None else 1.0 / controller.moves_per_s)
    if controller.bytes_per_s is not None:
        size = np.add.reduceat(bytes_of_moves(job.content, job.moves.line), starts)
        cost = np.maximum(cost, size / controller.bytes_per_s)
    found = lateness(duration, cost, planned.limits.lookahead)
    line = int(job.moves.line[starts[found.worst]]) if found.late else 0
    return Commands(timing.facts.name, found.commands, found.late, found.longest, line, found.total)
