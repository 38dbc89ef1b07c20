"""Jobs larger than memory: read, planned and summed block by block, once for all machines that will be asked for."""

from __future__ import annotations

import gzip
import io
import os
import sys
import threading
import zlib
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from functools import partial
from typing import IO

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.chunks import CHUNK, GZIP, JobFile, is_stream
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.findings import nothing_moves
from kinematics.gcode.labels import Pairs, count_keys, most_frequent_key
from kinematics.gcode.layers import Layering
from kinematics.gcode.portions import Portions, TooManyMovesError, Wanted, made_ahead
from kinematics.gcode.reader import job_file
from kinematics.jobs.asked import Seen, Sums, walked
from kinematics.jobs.blocks import IN_WORK, Course, DeviationError, EveryMoveError
from kinematics.jobs.prepared import PreparedJob, ReaderSettings, reader_settings
from kinematics.jobs.timing import Ask, JobHere, Result, Then, TimedJob, Timing
from kinematics.limits.class_limits import HONOUR, IGNORE, NOTHING_VARIED
from kinematics.limits.classes import Classing, Way
from kinematics.limits.combine import EVERY_KIND, limits_of
from kinematics.limits.flow import hangs_on_temperature
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta, mechanism_of

LARGE = 100_000_000  # bytes; planned whole, a job takes some 16 times its size in memory
FEW_MOVES = 100_000  # are kept of any job, in some 60 MB, and …
BYTES_A_MOVE = 10  # … one more for so many bytes of it: a line of a plain job has thirty or so
OVERLAPPED = 30_000_000  # bytes from which on it pays that one thread reads while another plans
TRIAL_SHARE = 8  # one in so many portions of a job, its first ones, tell what will probably be asked once all is timed
TRIAL = (2, 8)  # portions of that, at least and at most
TOGETHER = 256  # machines that are timed in one pass: planning them takes far longer than reading
PLANNERS = min(IN_WORK, max(2, os.cpu_count() or 2))  # threads
MOST_PACKED = 1032  # to one: no deflated bytes hold more (zlib's technical notes, from memory)


def needs_every_move(machine: Machine) -> bool:
    """Whether a machine can only be planned with all moves at hand.

    So it is with what hangs on the nozzle's temperature, with what an arm may not reach, and with ceilings that hang on
    more than is known of a move as it comes.
    """
    if hangs_on_temperature(machine) or isinstance(mechanism_of(machine), LinearDelta):
        return True
    try:
        return limits_of(machine, EVERY_KIND).need_every_move
    except InputError:  # which is told once the job is planned
        return False


class _MarksError(Exception):
    """No comment of the job fits a layer pattern of the dialect."""


class _LayersError(Exception):
    """The whole path of the job tells other layers than were taken for granted."""

    def __init__(self, layering: Layering) -> None:
        super().__init__(layering)
        self.layering = layering


class BlockwiseJob(JobHere):
    """A job file that is read anew for what is asked, block by block, and never held in memory as a whole.

    The results are those of `PreparedJob` but for the order in which sums are taken; moves are not kept.
    """

    keeps_moves = False

    def __init__(
        self,
        file: JobFile,
        dialect: Dialect = EXTRUSION,
        file_limits: str = HONOUR,
        block_delete: bool = False,
        chunk: int = CHUNK,
    ) -> None:
        """`chunk` the size of a block (bytes) where full stops are frequent."""
        self._file = file
        self._dialect = dialect
        self._file_limits = file_limits
        self.heeds_file_limits = file_limits != IGNORE
        self._block_delete = block_delete
        self._chunk = chunk
        self._foreseen: list[Ask] = []
        self._then: Then | None = None
        self._done: list[tuple[Ask, Timing]] = []
        self._deviating: list[Ask] = []
        self._marked_layers = bool(dialect.layers)
        self._layering: Layering | None = None
        self._key: bytes | None = b"" if dialect.labels else None
        self._whole: PreparedJob | None = None
        self._tied = False  # whether the job itself states what takes every move at hand
        self._lock = threading.Lock()

    def _kept_for(self, machine: Machine) -> PreparedJob | None:
        """The job with all its moves, where a machine needs them; None where it is planned in blocks."""
        return self.with_moves() if self._tied or needs_every_move(machine) else None

    def foresee(self, asks: Sequence[Ask], then: Then | None = None) -> None:
        """Tell what will be asked: see `timing.foresee`."""
        self._foreseen = list(asks)
        self._then = then

    def is_planned_singly(self, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> bool:
        """Always: each machine is planned, block by block."""
        return True

    def timed(self, ask: Ask) -> Timing:
        """The timing under a machine; what is foreseen and reads the job alike is timed in the same pass.

        Raises InputError where the job cannot be used.
        """
        kept = self._kept_for(ask.machine)
        if kept is not None:
            return kept.timed(ask)
        try:
            return self._timed_in_blocks(ask)
        except EveryMoveError:
            self._tied = True
            return self.with_moves().timed(ask)

    def totals(self, asks: Sequence[Ask]) -> NDArray[np.float64]:
        """The total time under each of many machines (s), as many as go together in one pass; nothing of it is kept.

        Those that have been timed already are not timed again.
        """
        totals = np.empty(len(asks))
        apart: dict[ReaderSettings, list[int]] = {}
        kept = []
        with self._lock:
            known = [self._known(ask) for ask in asks]
        for place, (ask, timing) in enumerate(zip(asks, known, strict=True)):
            if timing is not None:
                totals[place] = timing.total
            elif self._kept_for(ask.machine) is not None:
                kept.append(place)
            else:
                apart.setdefault(self._settings(ask), []).append(place)
        for places in apart.values():
            for first in range(0, len(places), TOGETHER):
                part = places[first : first + TOGETHER]
                alone = [asks[place]._replace(passing=True, total_only=True) for place in part]
                try:
                    with self._lock:
                        totals[part] = [timing.total for timing in self._again(partial(self._pass, alone))]
                except EveryMoveError:
                    self._tied = True
                    kept += part
        if kept:
            totals[kept] = self.with_moves().totals([asks[place] for place in kept])
        return totals

    def look_at(self, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
        """Show all moves, as a machine reads and classes them, to a look that is made `fresh` whenever it begins."""
        kept = self._kept_for(machine)
        if kept is not None:
            return kept.look_at(machine, fresh)
        with self._lock:
            return self._again(lambda: self._looked(machine, fresh))

    def _looked(self, machine: Machine, fresh: Callable[[], Sums]) -> Seen[Sums]:
        portions = self._read_for(machine)
        motion = machine.motion
        classing = Classing(Way(motion.first_layers.count, bool(motion.by_label), self.heeds_file_limits))
        look = fresh()
        with closing(made_ahead(portions.read())) as found:
            for moves, has_layers, conditions, labels in (
                (one.moves, one.has_layers, one.conditions, one.labels) for one in found
            ):
                if moves.kind.size:
                    look.add(moves, classing.numbers(moves, has_layers, conditions, labels))
        self._check(portions)
        return Seen(look, tuple(classing.table), self._file_limits)

    def digest(self) -> str:
        """A hash of the job's bytes, as they lie on the disk or came; empty where they cannot be read."""
        return self._file.digest()

    def _timed_in_blocks(self, ask: Ask) -> Timing:
        with self._lock:
            found = self._known(ask)
            if found is None:
                asks = self._distinct([ask, *self._foreseen, *self._then_asked()], ask)
                self._done += zip(asks, self._again(partial(self._pass, asks)), strict=True)
                found = self._known(ask)
            assert found is not None  # the first of what has just been timed
            return found

    def with_moves(self) -> PreparedJob:
        """The job as one that is held in memory, for machines and studies that need that."""
        with self._lock:
            if self._whole is None:
                self._whole = PreparedJob(self._file, self._dialect, None, self._file_limits, self._block_delete)
            return self._whole

    def _known(self, ask: Ask) -> Timing | None:
        return next((timing for done, timing in self._done if done.answers(ask)), None)

    def _settings(self, ask: Ask) -> ReaderSettings:
        return reader_settings(ask.machine, self._dialect)

    def _then_asked(self) -> list[Ask]:
        """What will probably be asked once the first foreseen ask is timed: told by the start of the job."""
        then, self._then = self._then, None
        if then is None or needs_every_move(self._foreseen[0].machine):
            return []
        portions = self._file.size // (TRIAL_SHARE * self._chunk) if self._file.size else TRIAL[1]
        tried = self._again(lambda: self._pass(self._foreseen[:1], min(max(portions, TRIAL[0]), TRIAL[1])))
        return [one for timing in tried for one in then(timing)]

    def _distinct(self, asks: Sequence[Ask], first: Ask) -> list[Ask]:
        """Those that read the job as the first one does, can be planned in blocks and are not known yet, each once."""
        found: list[Ask] = []
        for ask in asks:
            if self._settings(ask) != self._settings(first) or needs_every_move(ask.machine):
                continue
            if self._known(ask) is not None:
                continue
            found = [one for one in found if not ask.answers(one)]
            if not any(one.answers(ask) for one in found):
                found.append(ask)
        return found

    def _again(self, work: Callable[[], Result]) -> Result:
        """Do some work on the job, and do it again where something that was taken for granted did not hold."""
        while True:
            try:
                return work()
            except _MarksError:
                self._marked_layers = False
            except _LayersError as other:
                self._layering = other.layering
            except DeviationError as rules:
                self._deviating.append(rules.ask)

    def _label_key(self) -> bytes:
        """The key of the job's labels, found by counting; empty where there is none or the dialect has patterns."""
        if self._key is None:
            pairs: list[Pairs] = []
            for chunk in self._file.chunks(self._chunk):
                found = count_keys(chunk.content, self._dialect)
                pairs = pairs or [Counter() for _ in found]
                for of_kind, more in zip(pairs, found, strict=True):
                    of_kind.update(more)
            self._key = most_frequent_key(pairs)
        return self._key

    def _pass(self, asks: Sequence[Ask], most: int | None = None) -> list[Timing]:
        """Read the job, or no more than its first portions, and time it under machines that read it alike."""
        portions = self._read_for(asks[0].machine, any(ask.machine.motion.by_label for ask in asks))
        with ThreadPoolExecutor(PLANNERS) as pool:
            course = Course(asks, self._file_limits, self.heeds_file_limits, self._deviating, pool)
            with closing(made_ahead(walked(portions.read(most), course.off.values()))) as found:
                for portion in found:
                    course.add(portion)
            if most is None:
                self._check(portions)
            return course.timings(portions.facts()) if portions.moves else []

    def _read_for(self, machine: Machine, labelled: bool | None = None) -> Portions:
        """The portions of the job as a machine reads it, labels and all where limits hang on them."""
        labelled = bool(machine.motion.by_label) if labelled is None else labelled
        key = self._label_key() if labelled else b""
        wanted = Wanted(self.heeds_file_limits, labelled, key, self._marked_layers, self._layering)
        options = reader_settings(machine, self._dialect).options(self._block_delete)
        return Portions(self._file, self._dialect, options, wanted, self._chunk)

    def _check(self, portions: Portions) -> None:
        """Raise what portions that have been read to the end do not bear out."""
        if portions.moves == 0:
            raise nothing_moves(self._file.name, portions.notices)
        if self._marked_layers and portions.layers == 0:
            raise _MarksError
        if not portions.layers_held:
            raise _LayersError(portions.layering)


class JobOfAnySize(BlockwiseJob):
    """A job that is kept with its moves as long as these are no more than its size lets expect; else in blocks.

    How many moves a file makes its bytes do not tell: a line of a few may be an arc of thousands.
    """

    def __init__(self, file: JobFile, size: int, dialect: Dialect, file_limits: str, block_delete: bool) -> None:
        """`size` bytes of the file, unpacked; 0 where nobody knows."""
        super().__init__(file, dialect, file_limits, block_delete)
        most = FEW_MOVES + max(size, file.size) // BYTES_A_MOVE
        self._few: PreparedJob | None = PreparedJob(file, dialect, None, file_limits, block_delete, most)
        self.keeps_moves = True  # as far as is known

    def _of_few(self, ask: Callable[[PreparedJob], Result]) -> Result | None:
        """What the job answers that is kept; None once it turns out to have too many moves."""
        if self._few is not None:
            with suppress(TooManyMovesError):
                return ask(self._few)
            # Only here are the moves gone that had been read by then.
            self._few, self.keeps_moves = None, False
        return None

    def _kept_for(self, machine: Machine) -> PreparedJob | None:
        self._of_few(lambda job: job.read(machine))
        return self._few or super()._kept_for(machine)

    def totals(self, asks: Sequence[Ask]) -> NDArray[np.float64]:
        """The total time under each of many machines (s)."""
        return self.totals_later(asks)()

    def totals_later(self, asks: Sequence[Ask]) -> Callable[[], NDArray[np.float64]]:
        """The way to that; only at its end may another reading turn out to have too many moves."""
        begun = self._of_few(lambda job: job.totals_later(asks))

        def totals() -> NDArray[np.float64]:
            found = None if begun is None else self._of_few(lambda _: begun())
            return super(JobOfAnySize, self).totals(asks) if found is None else found

        return totals

    def is_planned_singly(self, machine: Machine, varied: frozenset[str] = NOTHING_VARIED) -> bool:
        """Whether many machines like this one take a plan each: see `timing.TimedJob`."""
        kept = self._kept_for(machine)
        return kept is None or kept is not self._few or kept.is_planned_singly(machine, varied)

    def with_moves(self) -> PreparedJob:
        """The job with all its moves at hand, however many they are."""
        whole = super().with_moves()
        self._few = whole if self._few is not None else None
        return whole


def job_to_time(
    source: str | memoryview,
    dialect: Dialect = EXTRUSION,
    file_limits: str = HONOUR,
    block_delete: bool = False,
    asked_once: bool = False,
    name: str | None = None,
    large: int | None = None,
) -> TimedJob:
    """A job to be timed, in blocks where it is `large` (bytes; LARGE unless told) or has many moves; who wants its
    moves takes a `PreparedJob`.

    One of which everything that will be asked is foreseen (`asked_once`) is read in blocks from OVERLAPPED bytes on:
    every further question would take another pass over the file. `source` a path, the bytes themselves, or `-` for
    standard input, which is then read at once; `name` that of bytes.
    """
    large = LARGE if large is None else large
    large = min(large, OVERLAPPED) if asked_once else large
    how = file_limits, block_delete
    if source == "-":
        begun = sys.stdin.buffer.read(large + 1)
        size = max(len(begun), _unpacked_size(io.BytesIO(begun), large))
        if size <= large:
            return JobOfAnySize(JobFile(begun, "-"), size, dialect, *how)
        return BlockwiseJob(JobFile("-", begun=begun), dialect, *how)
    if isinstance(source, memoryview):
        size = max(len(source), _unpacked_size(io.BytesIO(source), large))
    else:
        size = _size_of_file(source, large)
    if size > large:
        return BlockwiseJob(JobFile(source, name), dialect, *how)
    return JobOfAnySize(job_file(source, name), size, dialect, *how)


def _size_of_file(path: str, large: int) -> int:
    """Bytes of a file, unpacked as far as more than `large` of them; 0 where it is no file or cannot be read, which
    reading will tell.
    """
    try:
        if is_stream(path):
            return 0
        with open(path, "rb") as file:
            return max(os.fstat(file.fileno()).st_size, _unpacked_size(file, large))
    except (OSError, ValueError):
        return 0


def _unpacked_size(file: IO[bytes], large: int) -> int:
    """Bytes that a gzip file unpacks to, counted until they are more than `large`; 0 for any other file.

    Its end tells the size of the last member alone, modulo 2³² (RFC 1952, 2.3.1), so that only unpacking tells.
    """
    if file.read(2) != GZIP or file.seek(0, os.SEEK_END) * MOST_PACKED <= large:
        return 0
    file.seek(0)
    size = 0
    try:
        with gzip.GzipFile(fileobj=file) as unpacked:
            while size <= large and (block := unpacked.read(CHUNK)):
                size += len(block)
    except (OSError, EOFError, zlib.error):
        pass  # damaged further on, which reading will tell
    return size
