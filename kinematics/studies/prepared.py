"""A job made ready to be planned again and again: features are made once and kept as long as nothing touches them."""

from __future__ import annotations

from typing import NamedTuple

from kinematics.caps.classes import Classes, classify
from kinematics.caps.combine import Limits, limits_of
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from kinematics.machine import Machine
from kinematics.planner.features import RULE_OFF, CornerSettings, Features, make_features
from kinematics.planner.plan import Plan, plan


class ReaderSettings(NamedTuple):
    """What reading depends on of the machine: where homing puts the axes (mm), how far chords stray from arcs (mm)."""

    home: tuple[float, float, float]
    arc_tolerance: float


class Planned(NamedTuple):
    """A job planned under one machine."""

    machine: Machine
    job: Job
    classes: Classes
    features: Features
    limits: Limits
    plan: Plan


def corner_settings(machine: Machine) -> CornerSettings:
    """What the geometry of corners depends on of the machine."""
    motion = machine.motion
    return CornerSettings(
        motion.curve_window_mm if motion.curve_rule else RULE_OFF,
        motion.short_run_mm if motion.speed_step_mm_s is None else 0.0,
    )


def reader_settings(machine: Machine) -> ReaderSettings:
    """What reading depends on of the machine."""
    x, y, z = machine.machine.home_mm
    return ReaderSettings((x, y, z), machine.motion.arc_tolerance_mm)


class PreparedJob:
    """A job file that is read when first planned, and read again only where a machine changes how it is read."""

    def __init__(self, source: str | bytes | Job, dialect: Dialect = EXTRUSION, name: str | None = None) -> None:
        self._source = source
        self._dialect = dialect
        self._name = name
        self._jobs: dict[ReaderSettings, Job] = {}
        self._features: tuple[object, Classes, Features] | None = None

    def read(self, machine: Machine) -> Job:
        """The job as this machine reads it. Raises InputError where it cannot be used."""
        if isinstance(self._source, Job):
            return self._source
        settings = reader_settings(machine)
        if settings not in self._jobs:
            if self._source == "-":  # standard input can be read only once
                from kinematics.gcode.reader import content_of

                self._source, self._name = content_of("-"), "-"
            self._jobs[settings] = read_gcode(
                self._source,
                self._dialect,
                name=self._name,
                home=settings.home,
                arc_tolerance=settings.arc_tolerance,
            )
        return self._jobs[settings]

    def planned(self, machine: Machine) -> Planned:
        """The job planned under a machine."""
        job = self.read(machine)
        first_layers = machine.motion.first_layers.count
        corners = corner_settings(machine)
        key = (id(job), first_layers, corners)
        if self._features is None or self._features[0] != key:
            classes = classify(job.moves, first_layers)
            self._features = (key, classes, make_features(job.moves, classes.of_move, corners))
        _, classes, features = self._features
        limits = limits_of(machine, classes.table)
        return Planned(machine, job, classes, features, limits, plan(features, limits.values, limits.lookahead))
