"""A whole file to moves, layers and all: by one thread, or part by part on several, with the same result.

Of the parts the first is read from the file's start, straight to where its moves belong. Every other part is read in
the meantime stretch by stretch, each from a guess (see `guesses`): modes as the stretch before it left them, the first
one's as the start of the file left them. Then, in file order, what held is put behind the first part, and what did not
is read again there.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import state as at
from kinematics.gcode.chunks import CHUNK, WORKERS, chunk_ends
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.guesses import OrderError, begin_from, guess_after, mended
from kinematics.gcode.layers import fresh_course, number_layers
from kinematics.gcode.moves import Moves
from kinematics.gcode.stretches import Columns, Notes, Read, ReaderOptions, fresh_state

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
Stretch = tuple[int, int]  # from which byte to which

OTHERS_SHARE = 1.1  # of the first part, which has more to do than its bytes
ENOUGH_FED = 50  # moves with filament that tell whether E words are places or steps …
STEPS_BACK = 1 / 3  # … by the share of them that goes back if taken for places
FAILURES = 2  # guesses one after the other, after which the rest is guessed anew
HEADS = 8  # the first stretch is read in so many pieces, until modes can be guessed from it


class WholeRead(NamedTuple):
    """What a file was read to: the state at its end, its moves, events and notes (see `state`), and the course of its
    layers (see `layers`), as which the moves are numbered.
    """

    real: Real
    whole: Whole
    moves: Moves
    events: Real
    notes: Notes
    course: Real


class Guessed(NamedTuple):
    """A stretch that was read from a guess, its moves those of `columns` from the move `first` on."""

    guess: tuple[Real, Whole]
    read: Read
    columns: Columns
    first: int


class Reading:
    """What has been read of a file up to some place, and the true state there."""

    def __init__(
        self, buffer: NDArray[np.uint8], size: int, stretch: int, dialect: Dialect, start: tuple[Real, Whole]
    ) -> None:
        """`size` bytes will be read, some `stretch` of them at a time."""
        self._buffer = buffer
        self._dialect = dialect
        self.real, self.whole = start
        self._columns = Columns(size, stretch, keeps_height=False)
        self._layer = np.empty(self._columns.line.size, np.int32)
        self._course = fresh_course()
        self._low, self._high = np.full(3, np.inf), np.full(3, -np.inf)
        self._events: list[Real] = [np.empty((0, at.EVENT_COLUMNS))]
        self._notes: Notes = {}
        self._taken: list[Guessed] = []  # behind each other in the same columns, and not copied yet
        self._copies: list[Future[None]] = []

    @property
    def has_ended(self) -> bool:
        """Whether there is no more to read: an error, or the end of a strict dialect's program."""
        failed = bool(self.whole[at.STATUS] == at.STATUS_ERROR)
        return failed or (self._dialect.strict and bool(self.whole[at.ENDED]))

    @property
    def moves(self) -> int:
        """How many moves were found so far, those not counted that wait to be copied."""
        return self._columns.used

    def read_on(self, stretches: Iterable[Stretch]) -> None:
        """Read the stretches that follow, as far as there is something to read; all that was taken must be copied.

        Raises OrderError where that cannot be done exactly from what is known.
        """
        self._wait()
        for begin, end in stretches:
            if self.has_ended:
                return
            doubtful = bool(self.whole[at.E_DIRTY])
            real, whole = begin_from(self.real, self.whole)
            first = self._columns.used
            read = self._columns.read(self._buffer, begin, end, real, whole, self._dialect)
            if doubtful and whole[at.INEXACT]:
                raise OrderError
            self._number(first, read.path, read.kind, read.height)
            self._note(first, read)

    def take(self, guessed: Guessed, pool: Executor) -> bool:
        """Take over what was read from a guess, if that held: see `copy`."""
        read = guessed.read
        lines, pending = int(self.whole[at.LINE_NUMBER]), int(self.whole[at.STOP_PENDING])
        if not mended(read, guessed.guess, self.real, self.whole):
            return False
        read.line[:] += lines
        read.events[:, at.EVENT_LINE] += lines
        for row, (count, line, offset) in read.notes.items():
            read.notes[row] = (count, line + lines, offset)
        read.whole[at.LINE_NUMBER] += lines
        if pending and read.stop.size:
            read.stop[0] = 1
        elif pending:
            read.whole[at.STOP_PENDING] = 1
        if self._taken and guessed.columns is not self._taken[0].columns:
            self.copy(pool)
        waiting = guessed.first - self._taken[0].first if self._taken else 0
        self._note(self._columns.used + waiting, read)
        self._taken.append(guessed)
        return True

    def copy(self, pool: Executor) -> None:
        """Have the pool copy what was taken to where it belongs, and number its layers meanwhile."""
        if not self._taken:
            return
        first, columns = self._taken[0].first, self._taken[0].columns
        begin = self._columns.used
        size = self._taken[-1].first + self._taken[-1].read.kind.size - first
        self._taken.clear()
        if begin + size > self._columns.line.size:
            self._wait()
            self._columns.make_room(2 * size)
        self._copies += [pool.submit(work) for work in self._columns.copying(columns, first, size)]
        self._columns.used += size
        moves = slice(first, first + size)
        self._number(begin, columns.path[:, moves], columns.kind[moves], columns.height[moves])

    def _wait(self) -> None:
        """Wait until nothing is being copied any more."""
        for copy in self._copies:
            copy.result()
        self._copies.clear()

    def _number(self, first: int, path: Real, kind: NDArray[np.int8], height: Real) -> None:
        """Number the layers of moves, the first of which is the move `first` of the file."""
        end = first + kind.size
        if end > self._layer.size:
            longer = np.empty(self._columns.line.size, np.int32)
            longer[:first] = self._layer[:first]
            self._layer = longer
        dx, dy, dz, de, _ = path
        number_layers(dx, dy, dz, de, kind, height, self._course, self._layer[first:end])

    def _note(self, first: int, read: Read) -> None:
        """Keep all of a stretch but its moves, the first of which is the move `first` of the file."""
        self.real, self.whole = read.real, read.whole
        self._low = np.minimum(self._low, read.real[at.LOW_X : at.LOW_Z + 1])
        self._high = np.maximum(self._high, read.real[at.HIGH_X : at.HIGH_Z + 1])
        read.events[:, at.EVENT_MOVE] += first
        self._events.append(read.events)
        for row, (count, line, offset) in read.notes.items():
            seen = self._notes.get(row, (0, line, offset))
            self._notes[row] = (seen[0] + count, *seen[1:])

    def result(self) -> WholeRead:
        """Everything together; all that was taken must be copied."""
        self._wait()
        n = self._columns.used
        real = self.real.copy()
        real[at.LOW_X : at.HIGH_Z + 1] = *self._low, *self._high
        columns = self._columns
        dx, dy, dz, de, speed = columns.path[:, :n]
        moves = Moves(dx, dy, dz, de, speed, columns.kind[:n], columns.line[:n], self._layer[:n], columns.stop[:n])
        return WholeRead(real, self.whole, moves, np.concatenate(self._events), self._notes, self._course)


def read_whole(
    buffer: NDArray[np.uint8],
    begin: int,
    end: int,
    dialect: Dialect,
    options: ReaderOptions,
    chunk: int = CHUNK,
    workers: int = WORKERS,
) -> WholeRead:
    """Read a whole file; `buffer` holds it from `begin` to `end`, and PADDING zero bytes after."""
    stretches = list(chunk_ends(buffer, begin, end, chunk))
    if dialect.strict or end - begin <= 2 * chunk:
        workers = 1
    while True:
        reading = Reading(buffer, end - begin, chunk, dialect, fresh_state(dialect, options))
        try:
            if workers < 2:
                reading.read_on(stretches)
            else:
                _read_side_by_side(reading, buffer, stretches, chunk, dialect, workers)
            return reading.result()
        except OrderError:
            workers = 1


def _read_side_by_side(
    reading: Reading,
    buffer: NDArray[np.uint8],
    stretches: Sequence[Stretch],
    size: int,
    dialect: Dialect,
    workers: int,
) -> None:
    """Read a file in as many parts as there are workers: the first one here, the others from guesses, each on a thread.

    What is left once guesses fail is read in parts again. Raises OrderError where that cannot be done exactly.
    """
    begin, end = stretches[0]
    for head in chunk_ends(buffer, begin, end, size // HEADS):  # what stands before the first move may set modes
        reading.read_on([head])
        begin = head[1]
        if reading.moves:
            break
    left: Sequence[Stretch] = [(begin, end), *stretches[1:]]
    with ThreadPoolExecutor(workers) as pool:
        while left and not reading.has_ended:
            cuts = _cuts(len(left), min(workers, len(left)))
            first, *rest = (left[begin:end] for begin, end in pairwise(cuts))
            useless = threading.Event()
            guess = reading.real, reading.whole
            others = [pool.submit(_read_guessing, buffer, part, size, dialect, *guess, useless) for part in rest]
            try:
                reading.read_on(first)
                left = left[len(first) + _take(reading, rest, others, pool) :]
            finally:
                useless.set()


def _cuts(stretches: int, workers: int) -> list[int]:
    """Where stretches are cut into parts, from 0 on; all but the first are of one size."""
    most = stretches * OTHERS_SHARE / (1.0 + (workers - 1) * OTHERS_SHARE)
    return [0, *(stretches - round(most * (workers - part)) for part in range(1, workers + 1))]


def _take(
    reading: Reading, parts: Iterable[Sequence[Stretch]], others: Iterable[Future[list[Guessed]]], pool: Executor
) -> int:
    """Take over parts that were read from guesses, and read again what does not hold; return how many stretches.

    Ends where one after the other does not hold.
    """
    done, failed = 0, 0
    for part, other in zip(parts, others, strict=True):
        if reading.has_ended or failed == FAILURES:
            break
        found = iter(other.result())
        for one in part:
            if reading.has_ended or failed == FAILURES:
                break
            read = next(found, None)
            if read is not None and reading.take(read, pool):
                failed = 0
            else:
                reading.copy(pool)
                reading.read_on([one])
                failed += 1
            done += 1
        reading.copy(pool)
    return done


def _read_guessing(
    buffer: NDArray[np.uint8],
    stretches: Sequence[Stretch],
    size: int,
    dialect: Dialect,
    real: Real,
    whole: Whole,
    useless: threading.Event,
) -> list[Guessed]:
    """Read stretches one after the other, each from a guess after the one before it, as far as one can be read.

    Ends early once it is known to be useless.
    """
    columns = Columns(stretches[-1][1] - stretches[0][0], size)
    found: list[Guessed] = []
    whole = whole.copy()
    whole[at.IS_E_RELATIVE] = _feeds_by_steps(buffer, *stretches[0], size, dialect, real, whole)
    for begin, end in stretches:
        guess = guess_after(real, whole)
        real, whole = guess[0].copy(), guess[1].copy()
        first = columns.used
        read = columns.read(buffer, begin, end, real, whole, dialect)
        found.append(Guessed(guess, read, columns, first))
        if whole[at.STATUS] == at.STATUS_ERROR or useless.is_set():
            break
    return [one._replace(read=columns.again(one.read, one.first)) for one in found]


def _feeds_by_steps(
    buffer: NDArray[np.uint8], begin: int, end: int, size: int, dialect: Dialect, real: Real, whole: Whole
) -> bool:
    """Whether E words in the middle of a file look relative; where they tell nothing, what held at an earlier place.

    Taken for places they go up, but for a retraction now and then; so taken, steps go up and down by turns.
    """
    begin, end = next(chunk_ends(buffer, begin, end, size // HEADS))
    real, whole = guess_after(real, whole)
    known = bool(whole[at.IS_E_RELATIVE])
    if whole[at.IS_RELATIVE]:
        return known
    whole[at.IS_E_RELATIVE] = 0
    fed = Columns(end - begin, end - begin).read(buffer, begin, end, real, whole, dialect).path[at.DE]
    fed = fed[fed != 0.0]
    return known if fed.size < ENOUGH_FED else bool(np.mean(fed < 0.0) > STEPS_BACK)
