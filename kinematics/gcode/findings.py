"""What reading found doubtful or refused, in words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import LIMITS, UNREAD, InputError, Notice, in_file_order
from kinematics.gcode import state as at

Notes = dict[int, tuple[int, int, int]]  # of what was doubtful, by row of `state`: count, first line, first byte offset

SHOWN_TEXT = 40
SEEN_AS_TEXT = 65_536  # bytes at the start of a file that must look like text


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


def first_findings(notes: Notes, content: memoryview) -> dict[int, Notice]:
    """Everything that was doubtful in some content, by row of `state`."""
    found = {}
    for row, (count, line, offset) in notes.items():
        if row < at.NOTE_KINDS:
            text = at.NOTE_TEXTS[row]
        else:
            word = f"G{(row - at.NOTE_G) / 10:g}" if row < at.NOTE_M else f"M{(row - at.NOTE_M) / 10:g}"
            text = f"{word} is not understood, not used"
        cost = at.NOTE_COSTS.get(row, LIMITS) if row < at.NOTE_KINDS else UNREAD
        found[row] = Notice(line, count, f"{text} (first: {line_text(content, offset)!r})", cost)
    return found


def no_motion_hint(found: Iterable[Notice]) -> str:
    """The first doubtful line of a file in which nothing moves; empty where there is none."""
    return next((f"line {one.line}: {one.text}" for one in in_file_order(found)), "")


def nothing_moves(name: str, found: Iterable[Notice]) -> InputError:
    """The error of a file without motion; `found` what was doubtful in it."""
    return InputError.at(name, "no motion in this file", "at least one G0 to G3 move", no_motion_hint(found))


def no_second_percent(name: str) -> InputError:
    """The error of a program that a percent line opens and none closes."""
    return InputError.at(name, *at.ERROR_TEXTS[at.ERROR_PERCENT])


def cannot_be_unpacked(name: str, error: Exception) -> InputError:
    """The error of a damaged gzip file."""
    return InputError.at(name, f"a gzip file that cannot be unpacked ({error})", "a whole gzip file")


def refuse_what_is_no_text(head: bytes, is_blank: bool, name: str) -> None:
    """Binary noise would come out as a million damaged lines; a few damaged bytes in a text file must not stop it.

    `head` the first SEEN_AS_TEXT bytes; `is_blank` whether the whole file holds nothing but blanks.
    """
    if not head or is_blank:
        raise InputError.at(name, "an empty file" if not head else "a file of blanks", "a file with G-code moves")
    control = sum(head.count(bytes([code])) for code in (*range(9), *range(14, 27), *range(28, 32), 127))
    if control > 0.02 * len(head) + 1:
        found = f"not a text file ({control} control bytes among the first {len(head)})"
        raise InputError.at(name, found, "G-code as text, or gzip of it")
