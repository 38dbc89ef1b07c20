"""What reading found doubtful or refused, in words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from kinematics.errors import HOLDS_NUMBERS, MAY_COST, NOT_KNOWN, SMALL_MATTER, InputError, Notice
from kinematics.gcode import state as codes
from kinematics.gcode.file_limits import Unused

Notes = dict[int, tuple[int, int, int]]  # of what was doubtful, by row of `state` or key: lines, the first, its offset

SHOWN_TEXT = 40
_ENDS_A_LINE = re.compile(rb"[\r\n]")
# What else is often given for a job: where its mark stands, the mark, what to call it (the formats' own descriptions).
PACKED = (
    (0, b"PK\x03\x04", "a zip archive"),
    (4, b"1AY&SY", "a bzip2 file"),
    (0, b"\xfd7zXZ\x00", "an xz file"),
    (0, b"\x28\xb5\x2f\xfd", "a zstd file"),
    (257, b"ustar", "a tar archive"),
)
SEEN_AS_TEXT = 65_536  # bytes at the start of a file that must look like text


def end_of_line(content: bytes | memoryview, begin: int, end: int) -> int:
    """Where the line that begins at a byte ends, at `end` at the latest."""
    found = _ENDS_A_LINE.search(content, begin, end)
    return end if found is None else found.start()


def line_text(content: memoryview, offset: int) -> str:
    """The line that begins at `offset`, shortened, as it may be shown."""
    text = (
        bytes(content[offset : end_of_line(content, offset, offset + 4 * SHOWN_TEXT)])
        .decode("utf-8", "replace")
        .strip()
    )
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= SHOWN_TEXT else text[: SHOWN_TEXT - 1] + "…"


def error_of(content: memoryview, name: str, state: codes.State) -> InputError:
    """The error at which reading stopped, with its line."""
    found, allowed = codes.ERROR_TEXTS[int(state.error)]
    text = line_text(content, int(state.error_offset))
    return InputError.at(f"{name}:{state.error_line}", f"{found}: {text!r}", allowed)


# What may cost time: moves that were not read, waits of no known length, moves of no known speed.
_WEIGHTS = dict.fromkeys(
    (
        codes.NOTE_DAMAGED,
        codes.NOTE_MANY_WORDS,
        codes.NOTE_NO_FEED,
        codes.NOTE_ARC_IMPOSSIBLE,
        codes.NOTE_EMPTY_DWELL,
        codes.NOTE_FEED_PER_TURN,
        codes.NOTE_FEED_MISSING,
        codes.NOTE_FEED_TINY,
        codes.NOTE_PROBED_ALREADY,
        codes.NOTE_RETRACTION_WORDS,
    ),
    MAY_COST,
) | {codes.NOTE_TEXT: NOT_KNOWN}
# The first word of a line of text, as `scanning.text_key` takes it.
_FIRST_WORD = re.compile(rb"(?:[ \t/]|\([^)\r\n]*\)?)*([GM]\d[\d.]*|[^\0-\x20\d:;<=>(\"',\[{]+|[^\r\n])", re.IGNORECASE)


def word_text(content: memoryview, offset: int) -> str:
    """The first word of the line of text that begins at `offset`, shortened, as it may be shown."""
    match = _FIRST_WORD.match(content, offset)
    return line_text(memoryview(match[1]), 0) if match else ""


def _code_text(letter: str, tenfold: int) -> str:
    """A G or M word by ten times its number."""
    if abs(tenfold) >= codes.BEYOND_NAMING:
        return f"{letter} with a number of ten digits or more"
    whole, tenth = divmod(abs(tenfold), 10)
    return f"{letter}{'-' if tenfold < 0 else ''}{whole}{f'.{tenth}' if tenth else ''}"


def _doubt(row: int, content: memoryview, offset: int) -> tuple[str, int]:
    """What was doubtful, by row or key of `state`, and how much that weighs."""
    if row < codes.NOTE_KINDS:
        return codes.NOTE_TEXTS[row], _WEIGHTS.get(row, SMALL_MATTER)
    if row < codes.NOTE_G:
        letter = chr(ord("A") + row - codes.NOTE_LETTER)
        hint = f'where it moves the filament, put [extruder] letter = "{letter}" into a dialect table'
        return f"{letter} is no axis here, not used; {hint}", MAY_COST
    if row < codes.TEXT_KEY:
        is_m = row >= codes.NOTE_M
        tenfold = row - (codes.NOTE_M if is_m else codes.NOTE_G)
    elif row < codes.CODE_KEY:
        text = f"{word_text(content, offset)}: {codes.NOTE_TEXTS[codes.NOTE_TEXT]}"
        return text, HOLDS_NUMBERS if row & 1 else NOT_KNOWN  # the last bit tells of numbers in the text
    else:
        is_m = bool(row & codes.M_KEY)
        tenfold = (row & (codes.M_KEY - 1)) - codes.CODE_MIDDLE
    return f"{_code_text('M' if is_m else 'G', tenfold)} is not understood, not used", NOT_KNOWN if is_m else MAY_COST


def joined(seen: Notice | None, more: Notice) -> Notice:
    """One notice of what was seen before, if it was, and of more of the same in later lines."""
    if seen is None:
        return more
    return replace(seen, count=seen.count + more.count, weight=min(seen.weight, more.weight))


def first_findings(notes: Notes, content: memoryview) -> dict[int, Notice]:
    """Everything that was doubtful in some content, by row or key of `state`; text with and without numbers as one."""
    found: dict[int, Notice] = {}
    for row, (count, line, offset) in sorted(notes.items(), key=lambda item: item[1][1]):
        text, weight = _doubt(row, content, offset)
        notice = Notice(line, count, f"{text} (first: {line_text(content, offset)!r})", weight=weight)
        key = row & ~1 if codes.TEXT_KEY <= row < codes.CODE_KEY else row
        found[key] = joined(found.get(key), notice)
    return found


def notice_of(unused: Unused) -> Notice:
    """Letters of a word for limits that state none, as a notice."""
    some = "states no limit that is" if len(unused.letters) == 1 else "state no limits that are"
    return Notice(unused.line, unused.times, f"{unused.word} {', '.join(unused.letters)} {some} known, not used")


def nothing_moves(name: str, found: Sequence[Notice]) -> InputError:
    """The error of a file without motion; `found` what was doubtful in it, of which the first is its hint."""
    hint = next((f"line {one.line}: {one.text}" for one in sorted(found)), "")
    return InputError.at(name, "no motion in this file", "at least one G0 to G3 move", hint)


def refuse_what_is_no_text(head: bytes, is_blank: bool, name: str) -> None:
    """Binary noise would come out as a million damaged lines; a few damaged bytes in a text file must not stop it.

    `head` the first SEEN_AS_TEXT bytes; `is_blank` whether the whole file holds nothing but blanks.
    """
    if not head or is_blank:
        raise InputError.at(name, "an empty file" if not head else "a file of blanks", "a file with G-code moves")
    for begin, mark, what in PACKED:
        if head.startswith(mark, begin):
            raise InputError.at(name, f"this is {what}", "G-code as text, or gzip of it", "unpack it first")
    control = sum(head.count(bytes([code])) for code in (*range(9), *range(14, 27), *range(28, 32), 127))
    if control > 0.02 * len(head) + 1:
        found = f"not a text file ({control} control bytes among the first {len(head)})"
        raise InputError.at(name, found, "G-code as text, or gzip of it")
