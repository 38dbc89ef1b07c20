"""Failures a user can read: where, what was found, what is allowed, what to try.

Every failure on input is an :class:`InputError` (exit status 2). Doubtful input that can still be used
becomes a :class:`Notice`, collected on the result and shown alike on the terminal, in JSON and on a page.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

EXIT_DONE = 0
EXIT_ANSWER_IS_NO = 1
EXIT_BAD_INPUT = 2
EXIT_UNFORESEEN = 3
EXIT_INTERRUPTED = 130
EXIT_READER_GONE = 141  # 128 + 13, as a shell tells of any program whose reader has gone


# What a notice may be about, the gravest first (Notice.weight): what may cost time, text with numbers in it, what is
# not known, and all else.
MAY_COST, HOLDS_NUMBERS, NOT_KNOWN, SMALL_MATTER = range(4)


@dataclass(frozen=True, order=True)
class Notice:
    """Something doubtful in the input: first line (1-based, None where no line applies), how often, and a sentence.

    `counted` is what `count` counts; `weight` how much it may matter, 0 most (see `by_weight`).
    """

    line: int | None
    count: int
    text: str
    counted: str = field(default="lines", compare=False)
    weight: int = field(default=SMALL_MATTER, compare=False)


def by_weight(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Notices with the gravest first, among equals those that count most, then by line."""
    return tuple(sorted(notices, key=lambda one: (one.weight, -one.count, one.line or 0, one.text)))


_ENDLESS = re.compile(r"\S{201,}")  # a word of more letters than anybody reads


@dataclass(frozen=True)
class Finding:
    """One thing wrong with an input.

    `place` is `file`, `file:line` or an option; `found` what stands there; `allowed` what may stand there;
    `hint` what to try.
    """

    place: str
    found: str
    allowed: str = ""
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.place}: {self.found}" if self.place else self.found
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.hint:
            text += f" ({self.hint})"
        # One finding is one line, whatever stands in the input, and no longer than can be read.
        text = _ENDLESS.sub(lambda found: f"{found[0][:80]}…{found[0][-40:]}", text)
        return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class InputError(Exception):
    """Input that cannot be used; carries every :class:`Finding`, so that all are shown at once."""

    exit_status = EXIT_BAD_INPUT

    def __init__(self, *findings: Finding) -> None:
        super().__init__("\n".join(str(finding) for finding in findings))
        self.findings = findings

    @classmethod
    def at(cls, place: str, found: str, allowed: str = "", hint: str = "") -> InputError:
        """Make the error of a single finding."""
        return cls(Finding(place, found, allowed, hint))


class LostWorkersError(Exception):
    """Others who were to do the work have gone, or cannot be reached any more; the sentence says what is kept."""


def nearest(name: str, known: Iterable[str]) -> str:
    """The sentence "did you mean …?" for the known name closest to `name`; empty where none is close."""
    found = closest(name, known)
    return f"did you mean {found!r}?" if found else ""


def closest(name: str, known: Iterable[str], cutoff: float = 0.6) -> str:
    """The known name that is most like `name`, by at least a share of `cutoff`; empty where none is."""
    import difflib  # takes time to load, and most names are right

    matches: Sequence[str] = difflib.get_close_matches(name, list(known), n=1, cutoff=cutoff)
    return matches[0] if matches else ""
