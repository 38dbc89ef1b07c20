"""Job files to jobs: finds the bytes, runs the compiled reader over them, words its findings."""

from __future__ import annotations

import gzip
import math
import os
import sys
import zlib
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import CHECKED
from kinematics.errors import InputError, Notice
from kinematics.gcode import state as at
from kinematics.gcode.dialects import EXTRUSION, Dialect, dialect_named
from kinematics.gcode.interpreter import RESERVE, read_lines
from kinematics.gcode.job import Job
from kinematics.gcode.layers import number_layers
from kinematics.gcode.moves import Events, Moves

PADDING = 64  # zero bytes after the file, so that the reader may look ahead
BYTES_A_MOVE = 16  # a first guess of the room that is needed; it grows as it must
LARGEST = 1 << 40
SHOWN_TEXT = 40

Home = tuple[float, float, float]
Number = TypeVar("Number", np.float64, np.int32)


def read_gcode(
    source: str | os.PathLike[str] | bytes,
    dialect: str | Dialect = EXTRUSION,
    *,
    name: str | None = None,
    home: Home = (0.0, 0.0, 0.0),
    arc_tolerance: float = 0.01,
) -> Job:
    """Read a job file into a flat tool path.

    `source` a path, `-` for standard input, or the bytes themselves; gzip is recognised by its first bytes. `dialect`
    "extrusion", "rs274" or a Dialect; `home` where homing puts the axes (mm); `arc_tolerance` how far chords may stray
    from their arc (mm). Raises InputError (file:line, found, allowed) where the file cannot be used.
    """
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    if isinstance(source, bytes):
        shown, content = name or "<bytes>", source
    else:
        shown, content = name or os.fspath(source), content_of(source)
    if content[:2] == b"\x1f\x8b":
        content = _unpacked(content, shown)
    _refuse_what_is_no_text(content, shown)
    return _read(content, shown, dialect, home, arc_tolerance)


def content_of(source: str | os.PathLike[str]) -> bytes:
    """The bytes of a file, or of standard input for `-`. Raises InputError where it cannot be read."""
    if os.fspath(source) == "-":
        return sys.stdin.buffer.read()
    path = Path(source)
    try:
        return path.read_bytes()
    except FileNotFoundError:
        siblings = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
        from kinematics.errors import nearest

        raise InputError.at(str(path), "no such file", hint=nearest(path.name, siblings)) from None
    except IsADirectoryError:
        raise InputError.at(str(path), "this is a directory", "a G-code file, or - for standard input") from None
    except OSError as error:
        raise InputError.at(str(path), f"cannot be read: {error.strerror}") from None


def _unpacked(content: bytes, name: str) -> bytes:
    try:
        return gzip.decompress(content)
    except (OSError, EOFError, zlib.error) as error:
        raise InputError.at(name, f"a gzip file that cannot be unpacked ({error})", "a whole gzip file") from None


def _refuse_what_is_no_text(content: bytes, name: str) -> None:
    """Binary noise would come out as a million damaged lines; a few damaged bytes in a text file must not stop it."""
    if not content.strip():
        raise InputError.at(name, "an empty file" if not content else "a file of blanks", "a file with G-code moves")
    head = content[:65536]
    control = sum(head.count(bytes([code])) for code in (*range(9), *range(14, 27), *range(28, 32), 127))
    if control > 0.02 * len(head) + 1:
        raise InputError.at(
            name,
            f"not a text file ({control} control bytes among the first {len(head)})",
            "G-code as text, or gzip of it",
        )


def _room(size: int) -> tuple[NDArray[np.float64], NDArray[np.int32], NDArray[np.float64]]:
    """Fresh buffers for moves (real and whole numbers) and events; pages that stay unused cost nothing."""
    moves = size // BYTES_A_MOVE + RESERVE + 1
    events = size // 256 + RESERVE + 1
    return (
        np.empty((at.PATH_ROWS, moves)),
        np.empty((at.TAG_ROWS, moves), np.int32),
        np.empty((events, at.EVENT_COLUMNS)),
    )


def _wider(old: NDArray[Number], used: int) -> NDArray[Number]:
    """Twice the columns, with those in use."""
    new = np.empty((old.shape[0], 2 * old.shape[1]), old.dtype)
    new[:, :used] = old[:, :used]
    return new


def _fresh_state(dialect: Dialect, home: Home, arc_tolerance: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    real = np.zeros(at.REAL_STATE)
    real[at.SCALE] = real[at.FEED_SHARE] = real[at.FLOW_SHARE] = 1.0
    real[at.FEED] = math.nan
    real[at.HOME_X : at.HOME_Z + 1] = home
    real[at.DWELL_UNIT] = dialect.dwell_p_seconds
    real[at.ARC_TOLERANCE] = arc_tolerance
    real[at.LOW_X : at.LOW_Z + 1] = math.inf
    real[at.HIGH_X : at.HIGH_Z + 1] = -math.inf
    whole = np.zeros(at.WHOLE_STATE, np.int64)
    whole[at.MOTION] = 1
    whole[at.TOOL_IN_USE] = -1
    whole[at.STRICT] = dialect.strict
    return real, whole


def _read(content: bytes, name: str, dialect: Dialect, home: Home, arc_tolerance: float) -> Job:
    size = len(content)
    buffer = np.empty(size + PADDING, np.uint8)
    buffer[:size] = np.frombuffer(content, np.uint8)
    buffer[size:] = 0
    source = buffer if CHECKED else buffer.ctypes.data
    real, whole = _fresh_state(dialect, home, arc_tolerance)
    notes = np.zeros((at.NOTE_ROWS, 3), np.int64)
    path, tags, events = _room(size)
    begin = 3 if content[:3] == b"\xef\xbb\xbf" else 0  # byte order mark
    while True:
        begin = read_lines(source, begin, size, real, whole, dialect.meanings, notes, path, tags, events)
        if whole[at.STATUS] == at.STATUS_ERROR:
            raise _error(content, name, whole, dialect)
        if whole[at.STATUS] == at.STATUS_DONE:
            break
        path, tags = _wider(path, int(whole[at.MOVES])), _wider(tags, int(whole[at.MOVES]))
        events = np.concatenate([events, np.empty_like(events)])
    n, m = int(whole[at.MOVES]), int(whole[at.EVENTS])
    if n == 0:
        raise InputError.at(
            name, "no motion in this file", "at least one G0 to G3 move", _no_motion_hint(notes, content)
        )
    dx, dy, dz, de, speed, height = (row[:n] for row in path)
    kind, line, stop = tags[at.KIND, :n].astype(np.int8), tags[at.LINE, :n], tags[at.STOP, :n].astype(np.uint8)
    layer = np.empty(n, np.int32)
    layers = number_layers(dx, dy, dz, kind, height, layer)
    low, high = real[at.LOW_X : at.LOW_Z + 1], real[at.HIGH_X : at.HIGH_Z + 1]
    printed = bool(np.isfinite(low).all())
    return Job(
        name=name,
        moves=Moves(dx, dy, dz, de, speed, kind, line, layer, stop),
        events=_events(events[:m]),
        layers=int(layers),
        extent=((*map(float, low),), (*map(float, high),)) if printed else None,  # type: ignore[arg-type]
        filament=float(real[at.FED_MOST]),
        lines=int(whole[at.LINE_NUMBER]),
        size=size,
        dialect=dialect.name,
        notices=tuple(_notices(notes, content)),
    )


def _events(table: NDArray[np.float64]) -> Events:
    return Events(
        table[:, at.EVENT_MOVE].astype(np.int64),
        table[:, at.EVENT_KIND].astype(np.int8),
        table[:, at.EVENT_VALUE].copy(),
        table[:, at.EVENT_TOOL].astype(np.int32),
        table[:, at.EVENT_LINE].astype(np.int32),
    )


def _line_text(content: bytes, offset: int) -> str:
    """The line that begins at `offset`, shortened, as it may be shown."""
    end = offset
    while end < len(content) and content[end] not in b"\r\n" and end - offset < 4 * SHOWN_TEXT:
        end += 1
    text = content[offset:end].decode("utf-8", "replace").strip()
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= SHOWN_TEXT else text[: SHOWN_TEXT - 1] + "…"


def _error(content: bytes, name: str, whole: NDArray[np.int64], dialect: Dialect) -> InputError:
    found, allowed = at.ERROR_TEXTS[int(whole[at.ERROR])]
    text = _line_text(content, int(whole[at.ERROR_OFFSET]))
    return InputError.at(f"{name}:{whole[at.ERROR_LINE]}", f"{found}: {text!r}", allowed)


def _notices(notes: NDArray[np.int64], content: bytes) -> list[Notice]:
    """Everything that was doubtful, by first line."""
    found = []
    for kind, text in at.NOTE_TEXTS.items():
        count, line, offset = (int(value) for value in notes[kind])
        if count:
            found.append(Notice(line, count, f"{text} (first: {_line_text(content, offset)!r})"))
    for row in at.NOTE_KINDS + np.flatnonzero(notes[at.NOTE_KINDS :, 0]):
        count, line, offset = (int(value) for value in notes[row])
        word = f"G{(row - at.NOTE_G) / 10:g}" if row < at.NOTE_M else f"M{(row - at.NOTE_M) / 10:g}"
        found.append(
            Notice(line, count, f"{word} is not understood, not used (first: {_line_text(content, offset)!r})")
        )
    return sorted(found)


def _no_motion_hint(notes: NDArray[np.int64], content: bytes) -> str:
    found = _notices(notes, content)
    return f"line {found[0].line}: {found[0].text}" if found else ""
