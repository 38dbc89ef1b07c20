"""What the comments of a job say about its moves: labels and layers.

Patterns of the dialect come first. Without any, labels are found by counting: the key of comments `key: value` that
occurs most often with few values. No program's own marks are known here.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.dialects import Dialect, compiled_pattern, readable, text_from
from kinematics.gcode.scanning import LINE_FEED, RETURN


def comment_patterns(said: bytes, semicolon_comments: bool) -> list[re.Pattern[bytes]]:
    """A pattern for each kind of comment: those after `;` and those in ( ); in `said`, what they say, `%s` stands for
    the letters that end one.

    What stands in a comment or a message is not looked at: a `;` inside ( ) begins a comment here as well.
    """
    kinds = ((b";", b""), (rb"\(", b")"))[0 if semicolon_comments else 1 :]
    return [re.compile(opening + said % ending) for opening, ending in kinds]


def line_ends(content: bytes | memoryview) -> NDArray[np.int64]:
    """The byte offsets at which lines end, ascending: of an LF, of the LF of CRLF, of a lone CR."""
    letters = np.frombuffer(content, np.uint8)
    feeds, returns = letters == LINE_FEED, letters == RETURN
    if returns.any():
        returns[:-1] &= ~feeds[1:]
        feeds |= returns
    return np.flatnonzero(feeds)


def lines_at(content: bytes | memoryview, offsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """The line (from 1) of each byte offset (int64[m], ascending)."""
    return np.searchsorted(line_ends(content), offsets, side="left").astype(np.int64) + 1


FEWEST_VALUES, MOST_VALUES = 2, 50
FEWEST_COMMENTS = 3
LONGEST_KEY = 40  # bytes; what is longer is a sentence with a colon in it
# A value that names something begins with a letter; 0.45, 12 % and 2:30 are measures. Bytes from 0x80 on are letters of
# UTF-8 and Latin-1.
_KEY_AND_NAME = rb"[ \t]*([A-Za-z_\x80-\xff][^\r\n:;()]*):[ \t]*([A-Za-z_\x80-\xff][^\r\n%s]*)"

Content = bytes | memoryview
Mark = tuple[int, str]  # byte offset of a comment, what it says
Pairs = Counter[tuple[bytes, bytes]]  # of keys and values


class Labels(NamedTuple):
    """The label of every move: `names[of_move]`.

    `of_move` int32[n], 0 without a label; `names` the labels in the order of their first comment, `names[0]` empty;
    `told` whether the dialect's patterns told them, rather than counting; `key` the key that was found by counting,
    None where there is none.
    """

    of_move: NDArray[np.int32]
    names: tuple[str, ...]
    told: bool
    key: str | None

    @property
    def of_job(self) -> LabelNames:
        """What they are called, without the moves."""
        return LabelNames(self.names[1:], self.told, self.key)


class LabelNames(NamedTuple):
    """The labels of a job, `names` in the order of their first comment; `told` and `key` as in `Labels`."""

    names: tuple[str, ...]
    told: bool
    key: str | None


class Marks:
    """What marks of comments say from chunk to chunk: the number in force, and the number of every name."""

    def __init__(self) -> None:
        self.now = 0
        self._last = ""
        self._numbers: dict[str, int] = {"": 0}

    @property
    def names(self) -> tuple[str, ...]:
        """Every name in the order of its first mark, after the empty one."""
        return tuple(self._numbers)

    def labels(self, content: Content, marks: Sequence[Mark], lines: NDArray[np.int32]) -> NDArray[np.int32]:
        """The number of the label in force at each move of a chunk (int32[n]), 0 without one.

        `lines` int32[n] those of its moves, from 1 at the chunk's start, ascending. A label holds from the line of its
        comment to that of the next.
        """
        numbers = [self._numbers.setdefault(name, len(self._numbers)) for _, name in marks]
        of_move = _held(content, [offset for offset, _ in marks], numbers, lines, self.now)
        self.now = numbers[-1] if numbers else self.now
        return of_move

    def layers(self, content: Content, marks: Sequence[Mark], lines: NDArray[np.int32]) -> NDArray[np.int32]:
        """The layer of each move likewise, 0 before the first mark.

        A layer begins at the line of a mark whose name differs from that of the mark before it, so one that is repeated
        within a layer begins none; layers are counted from 1, whatever the marks call them.
        """
        begins: list[int] = []
        for offset, name in marks:
            if name != self._last or (self.now == 0 and not begins):
                begins.append(offset)
            self._last = name
        of_move = _held(content, begins, range(self.now + 1, self.now + 1 + len(begins)), lines, self.now)
        self.now += len(begins)
        return of_move


def labels_of(content: Content, lines_of_moves: NDArray[np.int32], dialect: Dialect) -> Labels:
    """The labels of moves, told by the dialect's patterns, else found by counting comments `key: value`.

    `lines_of_moves` int32[n], ascending. A comment with nothing after its key ends a label. Found is the key that
    occurs most often (of equals the first) whose values are 2 to 50 names, one of them twice at least, in 3 comments at
    least; values that begin with no letter, such as measures, name nothing and do not count.
    """
    key = b"" if dialect.labels else most_frequent_key(count_keys(content, dialect))
    marks = Marks()
    of_move = marks.labels(content, label_marks(content, dialect, key), lines_of_moves)
    return Labels(of_move, marks.names, bool(dialect.labels), text_from(key) if key else None)


def _held(
    content: Content,
    offsets: Sequence[int],
    values: Iterable[int],
    lines_of_moves: NDArray[np.int32],
    before: int,
) -> NDArray[np.int32]:
    """The value in force at every move: that of the last offset on its line or before it, `before` until the first."""
    if not offsets:
        return np.full(lines_of_moves.size, before, np.int32)
    lines = lines_at(content, np.array(offsets, np.int64))
    in_turn = np.array([before, *values], np.int32)
    first_moves = np.searchsorted(lines_of_moves, lines, side="left")
    moves_of_value = np.diff(first_moves, prepend=0, append=lines_of_moves.size)
    return np.repeat(in_turn, moves_of_value)


def label_marks(content: Content, dialect: Dialect, key: bytes) -> list[Mark]:
    """The comments that begin or end a label: by the dialect's patterns, else those of a key (none if it is empty)."""
    if dialect.labels:
        return _marks_by_pattern(content, dialect.labels, "label", dialect.semicolon_comments)
    return _marks_of_key(content, key, dialect.semicolon_comments) if key else []


def layer_marks(content: Content, dialect: Dialect) -> list[Mark]:
    """The comments that a layer pattern of the dialect fits."""
    return _marks_by_pattern(content, dialect.layers, "layer", dialect.semicolon_comments)


def _marks_by_pattern(content: Content, patterns: Sequence[str], group: str, semicolon_comments: bool) -> list[Mark]:
    """Every comment that a pattern fits, with the text of the group; the first pattern that fits counts."""
    compiled = [compiled_pattern(pattern) for pattern in patterns]

    def name_of(raw: bytes) -> str | None:
        text = text_from(raw).strip()
        fits = (match for pattern in compiled if (match := pattern.fullmatch(text)))
        return next((readable(match[group] or "") for match in fits), None)

    return _marks(content, comment_patterns(rb"([^\r\n%s]*)", semicolon_comments), name_of)


def _marks(
    content: Content, patterns: Iterable[re.Pattern[bytes]], name_of: Callable[[bytes], str | None]
) -> list[Mark]:
    """The comments of some patterns that have a name, by what they say in their first group."""
    names: dict[bytes, str | None] = {}
    marks: list[Mark] = []
    for comment in chain.from_iterable(pattern.finditer(content) for pattern in patterns):
        if comment[1] not in names:
            names[comment[1]] = name_of(comment[1])
        if (name := names[comment[1]]) is not None:
            marks.append((comment.start(), name))
    return sorted(marks)


def count_keys(content: Content, dialect: Dialect) -> tuple[Pairs, ...]:
    """How often each `key: value` occurs, by kind of comment."""
    patterns = comment_patterns(_KEY_AND_NAME, dialect.semicolon_comments)
    return tuple(Counter(pattern.findall(content)) for pattern in patterns)


def most_frequent_key(counts_by_kind: Sequence[Pairs]) -> bytes:
    """The key of repeated comments `key: value`; empty where no key qualifies."""
    pairs: Pairs = Counter()
    for of_kind in counts_by_kind:
        pairs.update(of_kind)
    values: dict[bytes, Counter[bytes]] = {}
    for (key, value), count in pairs.items():
        key = key.rstrip()
        if len(key) <= LONGEST_KEY:
            values.setdefault(key, Counter())[value.rstrip()] += count
    best, most = b"", FEWEST_COMMENTS - 1
    for key, counts in values.items():
        total = counts.total()
        if total > most and FEWEST_VALUES <= len(counts) <= MOST_VALUES and max(counts.values()) > 1:
            best, most = key, total
    return best


def _marks_of_key(content: Content, key: bytes, semicolon_comments: bool) -> list[Mark]:
    patterns = comment_patterns(rb"[ \t]*%b[ \t]*:([^\r\n%%s]*)" % re.escape(key), semicolon_comments)
    return _marks(content, patterns, lambda raw: readable(text_from(raw)))
