"""What reading found doubtful or refused, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, Notice
from kinematics.gcode import state as at

SHOWN_TEXT = 40


def line_text(content: memoryview, offset: int) -> str:
    """The line that begins at `offset`, shortened, as it may be shown."""
    end = offset
    while end < len(content) and content[end] not in b"\r\n" and end - offset < 4 * SHOWN_TEXT:
        end += 1
    text = bytes(content[offset:end]).decode("utf-8", "replace").strip()
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= SHOWN_TEXT else text[: SHOWN_TEXT - 1] + "…"


def error_of(content: memoryview, name: str, whole: NDArray[np.int64]) -> InputError:
    """The error at which reading stopped, with its line."""
    found, allowed = at.ERROR_TEXTS[int(whole[at.ERROR])]
    text = line_text(content, int(whole[at.ERROR_OFFSET]))
    return InputError.at(f"{name}:{whole[at.ERROR_LINE]}", f"{found}: {text!r}", allowed)


def notices_of(notes: NDArray[np.int64], content: memoryview) -> list[Notice]:
    """Everything that was doubtful, by first line."""
    found = []
    for kind, text in at.NOTE_TEXTS.items():
        count, line, offset = (int(value) for value in notes[kind])
        if count:
            found.append(Notice(line, count, f"{text} (first: {line_text(content, offset)!r})"))
    for row in at.NOTE_KINDS + np.flatnonzero(notes[at.NOTE_KINDS :, 0]):
        count, line, offset = (int(value) for value in notes[row])
        word = f"G{(row - at.NOTE_G) / 10:g}" if row < at.NOTE_M else f"M{(row - at.NOTE_M) / 10:g}"
        found.append(Notice(line, count, f"{word} is not understood, not used (first: {line_text(content, offset)!r})"))
    return sorted(found)


def no_motion_hint(notes: NDArray[np.int64], content: memoryview) -> str:
    """The first doubtful line of a file in which nothing moves; empty where there is none."""
    found = notices_of(notes, content)
    return f"line {found[0].line}: {found[0].text}" if found else ""
