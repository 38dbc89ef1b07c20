"""What is asked elsewhere of a job: the job as a recipe, a question about it, and the answer.

A question is a function of a module and what it is given beside the job. Whoever answers makes the job of its recipe
and calls that function, so that every answer is the one that this process would have found, to the last bit.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import threading
import zlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from kinematics.errors import Finding, InputError
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import Dialect
from kinematics.jobs.blockwise import job_to_time
from kinematics.jobs.copies import USUAL_COPYING, CopiedJob, Copying
from kinematics.jobs.prepared import PreparedJob, memory
from kinematics.jobs.timing import TimedJob, Timing, without_moves
from kinematics.machine import Machine
from kinematics.studies.sweep_file import program_hash
from kinematics.toml.sections import Section

SHARE_OF_MEMORY = 0.25  # that all workers of a machine may fill with jobs that they have read
BYTES_A_BYTE = 20  # of memory for a byte of a job that is kept with its features
LEAST_COUNTED = 100_000  # bytes that a job counts for: arrays of the smallest have room for as much
PACKED = 8  # bytes of a job in a byte of one that is packed, or so


class Recipe(NamedTuple):
    """A job file and how it is read: where it lies, what it is called, dialect, what limits stated in it do, whether
    lines that begin with / count; whether its moves are kept, or all questions are foreseen; copies at a time, and how
    they are made. `content` a hash of its bytes: who finds others there says so (empty: whatever is there).
    """

    path: str
    name: str
    dialect: Dialect
    file_limits: str
    block_delete: bool
    keeps_moves: bool = False
    asked_once: bool = False
    copies: int = 1
    copying: Copying = USUAL_COPYING
    content: str = ""

    def made(self) -> TimedJob:
        """The job in this process, not read yet. Raises InputError where other bytes lie there than should."""
        if self.content and JobFile(self.path, self.name).digest() != self.content:
            hint = "workers on other machines need the same files under the same paths"
            raise InputError.at(self.name, "a worker finds another file there, or none", hint=hint)
        how, dialect = (self.file_limits, self.block_delete), _known_dialect(self.dialect)
        job: TimedJob
        if self.keeps_moves:
            job = PreparedJob(self.path, dialect, self.name, *how)
        else:
            job = job_to_time(self.path, dialect, *how, self.asked_once, self.name)
        return job if self.copies == 1 else CopiedJob(job, self.copies, self.copying)

    def to_send(self) -> Recipe:
        """The same without what has been made of the dialect, which takes a hundred times the room."""
        return self._replace(dialect=replace(self.dialect))

    def key(self) -> str:
        """A hash of all of it but the path: jobs with the same one are the same job, wherever they lie."""
        return hashed(told(self._replace(path="")))


_dialects: dict[str, Dialect] = {}  # that this process has read jobs in


def _known_dialect(dialect: Dialect) -> Dialect:
    """The one dialect of this process that is like another one, so that its tables are made but once."""
    return _dialects.setdefault(told(dialect), replace(dialect))


class Question(NamedTuple):
    """A function of a module and what it is given beside the job; `key` a hash of both, `content` the same packed."""

    function: Callable[..., Any]
    more: tuple[Any, ...]
    key: str
    content: bytes


class Failure(NamedTuple):
    """What was found wrong with the input in place of an answer."""

    findings: tuple[Finding, ...]


class Answer(NamedTuple):
    """What a question has found, timings without moves, and whether the job turned out to be one that keeps them."""

    found: Any
    keeps_moves: bool


def packed(value: object) -> bytes:
    """A value as bytes that tell of damage."""
    return zlib.compress(pickle.dumps(value, pickle.HIGHEST_PROTOCOL), 1)


def unpacked(content: bytes) -> Any:
    """The value of `packed` bytes of our own."""
    return pickle.loads(zlib.decompress(content))


def hashed(text: str) -> str:
    """A short name for a text that no other text has."""
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


def told(value: Any) -> str:
    """A value as a text that is the same in every process, and another one for every other value.

    Raises TypeError for what no question is made of.
    """
    return json.dumps(_plain(value))


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return ["float", repr(value)]
    if isinstance(value, Machine):
        return ["Machine", json.dumps(value.as_dict(), sort_keys=True)]
    if isinstance(value, Section):
        return [type(value).__qualname__, *map(_plain, value.values())]
    if isinstance(value, np.ndarray):
        return ["array", str(value.dtype), list(value.shape), hashlib.sha256(value.tobytes()).hexdigest()]
    if isinstance(value, frozenset):
        return ["set", sorted(json.dumps(_plain(one)) for one in value)]
    if isinstance(value, tuple | list):
        return [type(value).__name__, *map(_plain, value)]
    if isinstance(value, Mapping):
        return ["map", *([_plain(key), _plain(one)] for key, one in value.items())]
    if isinstance(value, partial):
        return ["partial", *map(_plain, (value.func, value.args, value.keywords))]
    if callable(value) and hasattr(value, "__qualname__"):
        return ["function", value.__module__, value.__qualname__]
    if is_dataclass(value):
        return [type(value).__qualname__, *(_plain(getattr(value, one.name)) for one in fields(value))]
    raise TypeError(f"{type(value).__qualname__} in a question")


def question_of(function: Callable[..., Any], more: tuple[Any, ...]) -> Question:
    """A question with its key and its bytes."""
    return Question(function, more, hashed(told((function, more))), packed((function, more)))


class _Job(NamedTuple):
    job: TimedJob
    size: int
    lock: threading.Lock


class _JobsAtHand:
    """The jobs that this process has made, as many as there is room for: those that were asked last."""

    def __init__(self) -> None:
        self._jobs: OrderedDict[str, _Job] = OrderedDict()
        self._lock = threading.Lock()
        self._room = memory() * SHARE_OF_MEMORY / BYTES_A_BYTE / (os.cpu_count() or 1)

    def of(self, key: str, recipe: Recipe) -> _Job:
        """The job of a recipe. Raises InputError as making it does."""
        with self._lock:
            found = self._jobs.get(key)
            if found is None:
                found = self._jobs[key] = _Job(
                    recipe.made(), max(_size_of(recipe.path), LEAST_COUNTED), threading.Lock()
                )
            self._jobs.move_to_end(key)
            while len(self._jobs) > 1 and sum(one.size for one in self._jobs.values()) > self._room:
                self._jobs.popitem(last=False)
            return found


def _size_of(path: str) -> int:
    try:
        return os.path.getsize(path) * (PACKED if path.endswith(".gz") else 1)
    except OSError:
        return 0


_at_hand = _JobsAtHand()


def answer_of(key: str, recipe: Recipe, function: Callable[..., Any], more: tuple[Any, ...]) -> Answer:
    """Answer a question about a job in this process; `key` is the recipe's."""
    try:
        job, _, lock = _at_hand.of(key, recipe)
        with lock:  # of several threads of a worker each has a job of its own
            return Answer(_without_moves(function(job, *more)), job.keeps_moves)
    except InputError as error:
        return Answer(Failure(error.findings), True)


def _without_moves(found: Any) -> Any:
    return without_moves(found) if isinstance(found, Timing) else found


def answered(program: str, key: str, recipe: Recipe, question: bytes) -> bytes:
    """Answer a question in a worker, packed; `program` the hash of the program that asks."""
    if program != program_hash():
        found = "a worker runs another state of kinematics than this one, and might count differently"
        return packed(Answer(Failure((Finding("--cluster", found, hint="install the same one on both"),)), True))
    return packed(answer_of(key, recipe, *unpacked(question)))
