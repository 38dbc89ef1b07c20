"""A job file chunk by chunk: never more of it in memory than a few chunks, and from its start as often as is needed."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import stat
import sys
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, nearest
from kinematics.gcode.findings import SEEN_AS_TEXT, refuse_what_is_no_text

CHUNK = 2 << 20  # bytes: large enough to hide what a chunk costs, small enough to stay near the caches
PADDING = 64  # zero bytes after a chunk, so that the reader may look ahead
FEED_BYTE, RETURN_BYTE = b"\n", b"\r"
TAIL = 4096  # bytes at the end of a chunk that are looked through for the end of a line before all others
GZIP = b"\x1f\x8b"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class Chunk(NamedTuple):
    """Whole lines of a file: `buffer` holds them from `begin` to `end`, and PADDING bytes after that can be read."""

    buffer: NDArray[np.uint8]
    begin: int
    end: int

    @property
    def content(self) -> memoryview:
        """The bytes of the buffer up to the last line's end: offsets of what was read count in them."""
        return self.buffer.data[: self.end]


STREAM_BLOCK = 1 << 20  # bytes of a stream that are taken at a time
LARGEST_STREAM = 4 << 30  # bytes that are kept on the disk of what may never end
LARGEST_IN_MEMORY = 1 << 30


def is_stream(source: str | os.PathLike[str]) -> bool:
    """Whether a source can be read only once: standard input, a pipe, a device."""
    if os.fspath(source) == "-":
        return True
    try:
        kind = os.stat(source).st_mode
    except (OSError, ValueError):
        return False
    return not stat.S_ISREG(kind) and not stat.S_ISDIR(kind)


def stream_blocks(stream: IO[bytes], name: str, most: int, begun: bytes = b"") -> Iterator[bytes]:
    """What a stream brings, `begun` before it, a block at a time. Raises InputError where that is no text, told by its
    start before any more is read, or does not end within so many bytes.
    """
    block = begun or stream.read(SEEN_AS_TEXT)
    if block and not block.startswith(GZIP):
        refuse_what_is_no_text(block[:SEEN_AS_TEXT], False, name)
    taken = 0
    while block:
        taken += len(block)
        if taken > most:
            found = f"does not end within {most >> 30} GB"
            raise InputError.at(name, found, "a job that ends", "a larger one can be read from a file")
        yield block
        block = stream.read(STREAM_BLOCK)


class JobFile:
    """A job file on a disk or in memory, plain or gzip."""

    def __init__(
        self, source: str | os.PathLike[str] | bytes | memoryview, name: str | None = None, begun: bytes = b""
    ) -> None:
        """`source` a path, the bytes themselves, or `-` for standard input, of which `begun` has been taken already.

        What comes from standard input is kept in a temporary file.
        """
        self._bytes: bytes | memoryview | None = None
        self._kept: IO[bytes] | None = None
        self._looks_like_text = False
        if isinstance(source, bytes | memoryview):
            self.name = name or "<bytes>"
            self._bytes = source
            return
        self.name = name or os.fspath(source)
        self._path = Path(source)
        if os.fspath(source) == "-":
            self._kept = tempfile.TemporaryFile()  # noqa: SIM115 (lives as long as this object)
            for block in stream_blocks(sys.stdin.buffer, self.name, LARGEST_STREAM, begun):
                self._kept.write(block)

    @property
    def size(self) -> int:
        """Bytes of the file as it lies there, packed or not; 0 where nobody knows."""
        if self._bytes is not None:
            return len(self._bytes)
        with suppress(OSError, ValueError):  # no system takes a zero byte in a name
            return os.fstat(self._kept.fileno()).st_size if self._kept is not None else self._path.stat().st_size
        return 0

    def digest(self) -> str:
        """A hash of the file's bytes as they lie there; empty where they cannot be read, which reading will tell."""
        try:
            with self._unpacked() as file:
                return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
        except OSError:
            return ""

    @contextmanager
    def _opened(self) -> Iterator[IO[bytes]]:
        """The bytes from the start, unpacked; whatever cannot be read is an InputError."""
        if "\0" in self.name:
            raise InputError.at(self.name, "no such file")
        try:
            with self._unpacked() as file:
                packed = file.read(len(GZIP)) == GZIP
                file.seek(0)
                if not packed:
                    yield file
                    return
                try:
                    with gzip.GzipFile(fileobj=file) as unpacked:
                        yield unpacked  # type: ignore[misc]
                except (OSError, EOFError, zlib.error) as error:
                    found = f"a gzip file that cannot be unpacked ({error})"
                    raise InputError.at(self.name, found, "a whole gzip file") from None
        except FileNotFoundError:
            folder = self._path.parent
            siblings = [entry.name for entry in folder.iterdir()] if folder.is_dir() else []
            raise InputError.at(self.name, "no such file", hint=nearest(self._path.name, siblings)) from None
        except IsADirectoryError:
            allowed = "a G-code file, or - for standard input"
            raise InputError.at(self.name, "this is a directory", allowed) from None
        except OSError as error:
            raise InputError.at(self.name, f"cannot be read: {error.strerror}") from None

    def _unpacked(self) -> IO[bytes]:
        """The file as it lies there, from its start."""
        if self._bytes is not None:
            return io.BytesIO(self._bytes)
        if self._kept is not None:
            self._kept.seek(0)
            return os.fdopen(os.dup(self._kept.fileno()), "rb", buffering=0)
        file = self._path.open("rb", buffering=0)
        if hasattr(os, "posix_fadvise"):
            with suppress(OSError):  # a pipe is read in order anyway
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_SEQUENTIAL)
        return file

    def refuse_what_is_no_text(self, size: int = CHUNK) -> None:
        """Raise InputError for an empty file, one of blanks, and one that is no text; read `size` bytes at a time."""
        if self._looks_like_text:
            return
        with self._opened() as file:
            head = block = file.read(SEEN_AS_TEXT)
            while block.isspace():
                block = file.read(size)
            refuse_what_is_no_text(head, not block, self.name)
        self._looks_like_text = True

    def chunks(self, size: int = CHUNK, room: int = 0) -> Iterator[Chunk]:
        """Cut the file into chunks of whole lines of about `size` bytes; larger only where a line is.

        `room` bytes or so of them lie behind one another in memory; each for itself unless told.
        """
        array = np.empty(max(room, size) + size + PADDING, np.uint8)
        begin, used = 0, 0  # where the next chunk begins, and where what has been read ends
        is_first = True
        with self._opened() as file:
            while True:
                rest = used - begin
                wanted = used + max(size, rest)
                if wanted + PADDING > array.size or (room == 0 and begin > 0):
                    fresh = np.empty(max(room, size, 2 * rest) + size + PADDING, np.uint8)
                    fresh[:rest] = array[begin:used]
                    array, begin, used, wanted = fresh, 0, rest, rest + max(size, rest)
                used = _fill(file, array, used, wanted)
                array[used : used + PADDING] = 0
                ended = used < wanted
                end = used if ended else begin + _end_of_lines(array[begin:used])
                if end == begin and not ended:
                    continue
                content = array[begin:]
                is_marked = is_first and content[: len(BYTE_ORDER_MARK)].tobytes() == BYTE_ORDER_MARK
                if end > begin:
                    yield Chunk(content, len(BYTE_ORDER_MARK) if is_marked else 0, end - begin)
                begin, is_first = end, False
                if ended:
                    return


def _fill(file: IO[bytes], room: NDArray[np.uint8], used: int, wanted: int) -> int:
    """Read on until so many bytes are in use, or the file ends; return how many are."""
    while used < wanted and (more := file.readinto(room.data[used:wanted])):  # type: ignore[attr-defined]
        used += more
    return used


def _end_of_lines(room: NDArray[np.uint8]) -> int:
    """Where the last whole line ends; 0 where none does.

    Lines end at LF; only where there is none, at a CR that is not the last byte: what follows that one is not known.
    """
    used = room.size
    for begin, end, mark in ((max(0, used - TAIL), used, FEED_BYTE), (0, used, FEED_BYTE), (0, used - 1, RETURN_BYTE)):
        last = room[begin:end].tobytes().rfind(mark)
        if last >= 0:
            return begin + last + 1
    return 0
