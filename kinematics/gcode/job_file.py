"""A job file chunk by chunk: never more of it in memory than a few chunks, and from its start as often as is needed."""

from __future__ import annotations

import gzip
import os
import shutil
import sys
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.chunks import Chunk
from kinematics.gcode.findings import SEEN_AS_TEXT, cannot_be_unpacked, refuse_what_is_no_text
from kinematics.gcode.stretches import PADDING

LINE_FEED, RETURN = b"\n", b"\r"
TAIL = 4096  # bytes at the end of a chunk that are looked through for the end of a line before all others
GZIP = b"\x1f\x8b"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class JobFile:
    """A job file on a disk, plain or gzip; what comes from standard input is kept in a temporary file meanwhile."""

    def __init__(self, source: str, name: str | None = None, begun: bytes = b"") -> None:
        """`source` a path, or `-` for standard input, of which `begun` has been taken already."""
        self.name = name or source
        self._path = Path(source)
        self._kept: IO[bytes] | None = None
        if source == "-":
            self._kept = tempfile.TemporaryFile()  # noqa: SIM115 (lives as long as this object)
            self._kept.write(begun)
            shutil.copyfileobj(sys.stdin.buffer, self._kept)

    @property
    def path(self) -> str:
        """Where the file lies; empty for what came from standard input."""
        return "" if self._kept is not None else str(self._path)

    def content(self) -> bytes:
        """All of its bytes, unpacked."""
        with self._opened() as file:
            return file.read()

    @contextmanager
    def _opened(self) -> Iterator[IO[bytes]]:
        """The bytes from the start, unpacked; whatever cannot be read is an InputError."""
        try:
            if self._kept is not None:
                self._kept.seek(0)
                file: IO[bytes] = os.fdopen(os.dup(self._kept.fileno()), "rb", buffering=0)
            else:
                file = self._path.open("rb", buffering=0)
            with file:
                if hasattr(os, "posix_fadvise"):
                    with suppress(OSError):  # a pipe is read in order anyway
                        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_SEQUENTIAL)
                packed = file.read(len(GZIP)) == GZIP
                file.seek(0)
                if not packed:
                    yield file
                    return
                try:
                    with gzip.GzipFile(fileobj=file) as unpacked:
                        yield unpacked  # type: ignore[misc]
                except (OSError, EOFError, zlib.error) as error:
                    raise cannot_be_unpacked(self.name, error) from None
        except OSError as error:
            raise InputError.at(self.name, f"cannot be read: {error.strerror}") from None

    def refuse_what_is_no_text(self, size: int) -> None:
        """Raise InputError for an empty file, one of blanks, and one that is no text; read `size` bytes at a time."""
        with self._opened() as file:
            head = block = file.read(SEEN_AS_TEXT)
            while block.isspace():
                block = file.read(size)
            refuse_what_is_no_text(head, not block, self.name)

    def chunks(self, size: int) -> Iterator[Chunk]:
        """Cut the file into chunks of whole lines of about `size` bytes; larger only where a line is."""
        rest = np.empty(0, np.uint8)
        begin = None
        with self._opened() as file:
            while True:
                wanted = rest.size + max(size, rest.size)
                room = np.empty(wanted + PADDING, np.uint8)
                room[: rest.size] = rest
                used = _fill(file, room, rest.size, wanted)
                room[used:] = 0
                ended = used < wanted
                end = used if ended else _end_of_lines(room, used)
                rest = room[end:used]
                if end == 0 and not ended:
                    continue
                if begin is None:
                    begin = len(BYTE_ORDER_MARK) if room[: len(BYTE_ORDER_MARK)].tobytes() == BYTE_ORDER_MARK else 0
                if end:
                    yield Chunk(room, begin, end)
                begin = 0
                if ended:
                    return


def _fill(file: IO[bytes], room: NDArray[np.uint8], used: int, wanted: int) -> int:
    """Read on until so many bytes are in use, or the file ends; return how many are."""
    while used < wanted and (more := file.readinto(room.data[used:wanted])):  # type: ignore[attr-defined]
        used += more
    return used


def _end_of_lines(room: NDArray[np.uint8], used: int) -> int:
    """Where the last whole line ends; 0 where none does.

    Lines end at LF; only where there is none, at a CR that is not the last byte: what follows that one is not known.
    """
    for begin, end, mark in ((max(0, used - TAIL), used, LINE_FEED), (0, used, LINE_FEED), (0, used - 1, RETURN)):
        last = room[begin:end].tobytes().rfind(mark)
        if last >= 0:
            return begin + last + 1
    return 0
