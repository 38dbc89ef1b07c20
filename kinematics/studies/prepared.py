"""A job made ready to be planned again and again: features are made once and kept as long as nothing touches them."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.caps.class_limits import HONOUR, IGNORE, NOTHING_VARIED, UNSCALED
from kinematics.caps.classes import Classes, classify
from kinematics.caps.combine import Limits, limits_of
from kinematics.caps.flow import filament_area, hangs_on_temperature
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.job import Job
from kinematics.gcode.moves import nozzle_targets
from kinematics.gcode.reader import job_file, read_job
from kinematics.gcode.state import ReaderOptions
from kinematics.machine import Machine
from kinematics.machine.mechanisms import has_coupled_limits, mechanism_of
from kinematics.planner.features import NOT_CUT, RULE_OFF, CornerSettings, Features, make_features
from kinematics.planner.plan import Plan, Room, hang_on_turns, make_room, plan
from kinematics.planner.ties import NO_TIES, Ties
from kinematics.studies.driven import Driven, driven_by, noting_held_flow, ties_of

NOT_KNOWN = math.nan  # one object, so that settings that hold it compare equal


class ReaderSettings(NamedTuple):
    """What reading depends on of the machine: see `gcode.reader.read_gcode`."""

    home: tuple[float, float, float]
    arc_tolerance: float
    retraction: tuple[float, float]
    filament_area: float

    def options(self, block_delete: bool) -> ReaderOptions:
        """All that reading depends on beside the file."""
        return ReaderOptions(self.home, self.arc_tolerance, *self.retraction, self.filament_area, block_delete)


class Planned(NamedTuple):
    """A job planned under one machine; `varied` the keys that a study varied.

    `whole` the number of the file's move that each move of `job` is a piece of, empty where none is cut.
    """

    machine: Machine
    job: Job
    classes: Classes
    features: Features
    limits: Limits
    plan: Plan
    varied: frozenset[str]
    whole: NDArray[np.int64] = NOT_CUT
    ties: Ties = NO_TIES

    @property
    def moves_of_file(self) -> int:
        """How many moves the file has."""
        return int(self.whole[-1]) + 1 if self.whole.size else len(self.job)

    @property
    def first_pieces(self) -> NDArray[np.int64] | slice:
        """Where the first piece of every move of the file stands: every move where none is cut."""
        return np.flatnonzero(np.diff(self.whole, prepend=-1)) if self.whole.size else slice(None)


class LaidOut(NamedTuple):
    """What a job's plan under a machine is made of."""

    job: Job
    classes: Classes
    features: Features
    limits: Limits
    whole: NDArray[np.int64]
    ties: Ties


def rules_deviation(values: NDArray[np.float64]) -> bool:
    """Whether junction deviation rules for any class of a table of limits."""
    return bool(np.isfinite(values[:, by.DEVIATION]).any())


def corner_settings(machine: Machine, by_deviation: bool, turns: bool) -> CornerSettings:
    """What the geometry of corners depends on: short runs count where junction deviation rules.

    `turns` whether anything hangs on how much each axis changes.
    """
    motion = machine.motion
    return CornerSettings(
        motion.curve_window_mm if motion.curve_rule else RULE_OFF, motion.short_run_mm if by_deviation else 0.0, turns
    )


def reader_settings(machine: Machine, dialect: Dialect) -> ReaderSettings:
    """What reading depends on of the machine; equal for machines that read a job alike."""
    x, y, z = machine.machine.home_mm
    length, speed = machine.retraction.length_mm, machine.retraction.speed_mm_s
    return ReaderSettings(
        (x, y, z),
        machine.motion.arc_tolerance_mm,
        (NOT_KNOWN if length is None else length, math.inf if speed is None else speed),
        filament_area(machine) if dialect.extruder_is_volume else NOT_KNOWN,
    )


def _cutting(machine: Machine) -> tuple[object, ...]:
    return mechanism_of(machine), has_coupled_limits(machine), machine.motion.delta_piece_mm


class PreparedJob:
    """A job file that is read when first planned, and read again only where a machine changes how it is read.

    `file_limits` says what limits stated in the job do: honour, ignore or cap.
    """

    def __init__(
        self,
        source: str | memoryview | JobFile | Job,
        dialect: Dialect = EXTRUSION,
        name: str | None = None,
        file_limits: str = HONOUR,
        block_delete: bool = False,
    ) -> None:
        self._source = source
        self._dialect = dialect
        self._name = name
        self._file_limits = file_limits
        self._block_delete = block_delete
        self._jobs: dict[ReaderSettings, Job] = {}
        self._driven: dict[object, Driven] = {}
        # Each beside what it was made from: as long as that is kept, nothing else is found at its address. Threads may
        # put another one in its place at any time.
        self._classes: tuple[object, Classes] | None = None
        self._features: tuple[object, Classes, Features] | None = None
        self._ties: tuple[object, Features, Ties] | None = None
        self._rooms = threading.local()  # of passing plans, one a thread

    def anew(self) -> PreparedJob:
        """The same job with nothing kept of it yet."""
        return PreparedJob(self._source, self._dialect, self._name, self._file_limits, self._block_delete)

    @property
    def heeds_file_limits(self) -> bool:
        """Whether limits stated in the job have a say."""
        return self._file_limits != IGNORE

    def read(self, machine: Machine) -> Job:
        """The job as this machine reads it. Raises InputError where it cannot be used."""
        if isinstance(self._source, Job):
            return self._source
        settings = reader_settings(machine, self._dialect)
        if settings not in self._jobs:
            if not isinstance(self._source, JobFile):
                self._source = job_file(self._source, self._name)  # standard input can be read only once
            self._jobs[settings] = read_job(self._source, self._dialect, settings.options(self._block_delete))
        return self._jobs[settings]

    def reading_of(self, machine: Machine) -> object:
        """What reading and cutting the job depends on of the machine; equal for machines that do both alike."""
        return reader_settings(machine, self._dialect), *_cutting(machine)

    def _classified(self, job: Job, machine: Machine) -> Classes:
        first_layers = machine.motion.first_layers.count if job.has_layers else 0
        labelled = bool(machine.motion.by_label)
        stated = bool(job.stated) and self._file_limits != IGNORE
        by_temperature = hangs_on_temperature(machine)
        key = (id(job), first_layers, labelled, stated, by_temperature)
        kept = self._classes
        if kept is None or kept[0] != key:
            conditions = job.conditions if stated else None
            labels = job.labels if labelled else None
            nozzle = nozzle_targets(job.events, len(job)) if by_temperature else None
            kept = self._classes = (key, classify(job.moves, first_layers, conditions, labels, nozzle))
        return kept[1]

    def _driven_by(self, machine: Machine, job: Job) -> Driven:
        key = (id(job), *_cutting(machine))
        if key not in self._driven:
            self._driven.setdefault(key, driven_by(machine, job))
        return self._driven[key]

    def _featured(self, driven: Driven, machine: Machine, classes: Classes, values: NDArray[np.float64]) -> Features:
        """The features of a job under a table of limits, kept as long as nothing touches them."""
        corners = corner_settings(machine, rules_deviation(values), hang_on_turns(values))
        key = (id(driven.job), id(classes), corners, driven.drive and driven.drive.mechanism)
        kept = self._features
        if kept is None or kept[0] != key:
            made = make_features(driven.job.moves, classes.of_move, corners, driven.drive, driven.whole)
            kept = self._features = (key, classes, made)
        return kept[2]

    def _tied(
        self, job: Job, machine: Machine, limits: Limits, features: Features, scaled: Mapping[str, float]
    ) -> Ties:
        """What ties speed and acceleration of the job's moves together, kept as long as nothing touches it."""
        if not limits.ties:
            return NO_TIES
        rated = tuple(bool(np.isfinite(limits.values[:, rate]).any()) for rate in (by.MOVE_RATE, by.BYTE_RATE))
        key = (
            id(features),
            machine.machine,
            machine.motors,
            machine.axes,
            limits.lookahead,
            rated,
            tuple(scaled.items()),
        )
        kept = self._ties
        if kept is None or kept[0] != key:
            kept = self._ties = (key, features, ties_of(job, machine, limits, features, *rated))
        return kept[2]

    def laid_out(
        self,
        machine: Machine,
        varied: frozenset[str] = NOTHING_VARIED,
        scaled: Mapping[str, float] = UNSCALED,
    ) -> LaidOut:
        """All that a plan of the job under a machine is made of; `varied` names the keys that a study varies, `scaled`
        factors on limits.
        """
        driven = self._driven_by(machine, self.read(machine))
        job, whole, _ = driven
        classes = self._classified(job, machine)
        limits = limits_of(machine, classes.table, self._file_limits, varied, scaled)
        features = self._featured(driven, machine, classes, limits.values)
        return LaidOut(job, classes, features, limits, whole, self._tied(job, machine, limits, features, scaled))

    def planned(
        self,
        machine: Machine,
        varied: frozenset[str] = NOTHING_VARIED,
        passing: bool = False,
        scaled: Mapping[str, float] = UNSCALED,
    ) -> Planned:
        """The job planned under a machine; arguments as in `laid_out`.

        The arrays of a `passing` plan are written over by the next passing one of the same thread.
        """
        job, classes, features, limits, whole, ties = self.laid_out(machine, varied, scaled)
        room: Room | None = None
        if passing:
            moves, rows = len(job), len(classes.table)
            room = getattr(self._rooms, "room", None)
            if room is None or room.result.seconds.shape[0] != rows or room.speeds.size != moves + 1:
                room = self._rooms.room = make_room(moves, rows)
        found = plan(features, limits.values, limits.lookahead, room, limits.advance, ties)
        if not passing:
            job = noting_held_flow(job, machine, classes, whole)
        return Planned(machine, job, classes, features, limits, found, varied, whole, ties)
