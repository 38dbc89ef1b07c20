"""The console: what goes to which stream, colour, progress."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn

from kinematics.cli.encodings import encodable, harmless_json
from kinematics.errors import EXIT_INTERRUPTED, InputError
from kinematics.wording import harmless

if TYPE_CHECKING:
    from kinematics.reports.layout import Heads, Line
    from kinematics.studies.intervals import Sampling

Tell = Callable[..., None]

MEASURED = 0.5  # s of work after which the rest is foretold …
SLOW_TO_BEGIN = 5.0  # … or this long from the very beginning, where the first part takes long by itself
LONG_WORK = 10.0  # s that are worth saying
FEWEST_STEPS = 5  # of work whose steps take much the same
SOON = 2.0  # s after which there is a bar, whatever was expected
KEEPS = "keeps what is done"


class Table(NamedTuple):
    """Heads, and rows of as many cells."""

    heads: Heads
    rows: Sequence[Sequence[str]]


def is_terminal() -> bool:
    """Whether the answer goes to a person's terminal."""
    return sys.stdout.isatty()


def _encodable(text: str) -> str:
    return encodable(text, sys.stdout.encoding or "utf-8")


@contextlib.contextmanager
def answering() -> Iterator[None]:
    """Write to standard output; a disk that takes no more is an InputError."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        sys.stdout = None  # what is left of the answer cannot be written either, and that is said once
        raise InputError.at("standard output", f"cannot be written: {error.strerror}") from None


def flush_answer() -> None:
    """Have all of the answer written. Raises InputError where it cannot be, BrokenPipeError where nobody reads on."""
    with answering():
        if sys.stdout is not None:
            sys.stdout.flush()


@answering()
def say(lines: Sequence[str]) -> None:
    """Print an answer, line by line, to standard output; broken between words where a terminal is narrow."""
    lines = [harmless(line) for line in lines]
    if not is_terminal():
        print("\n".join(lines))
        return
    from kinematics.reports.layout import Line, wrapped

    width = shutil.get_terminal_size().columns
    _print([Line(part) for line in lines for part in wrapped(_encodable(line), width)])


@answering()
def say_table(heads: Heads, rows: Sequence[Sequence[str]]) -> None:
    """Print a table: laid out for the terminal's width, tab-separated in a pipe."""
    if not is_terminal():
        for cells in ([head for head, _ in heads], *rows):
            print("\t".join(map(harmless, cells)))
        return
    from kinematics.reports.layout import table_lines

    plain_heads = [(_encodable(harmless(head)), right) for head, right in heads]
    plain_rows = [[_encodable(harmless(cell)) for cell in cells] for cells in rows]
    _print(table_lines(plain_heads, plain_rows, shutil.get_terminal_size().columns))


def say_answer(*parts: Table | Sequence[str]) -> None:
    """Print a whole answer to standard output: lines and tables with a blank line between them; empty parts are left
    out.
    """
    between = False
    for part in parts:
        if not part:
            continue
        if between:
            say([""])
        between = True
        if isinstance(part, Table):
            say_table(part.heads, part.rows)
        else:
            say(part)


def _print(lines: Sequence[Line]) -> None:
    """Print lines that are laid out, with colour where the terminal wants it."""
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    for line in lines:
        text = Text(_encodable(line.text), style="bold" if line.head else "")  # never markup: file names hold brackets
        text.highlight_regex(r"█[█▏▎▍▌▋▊▉]*", "cyan")
        console.print(text, soft_wrap=True)


@answering()
def say_json(document: dict[str, Any]) -> None:
    """Print one JSON document and nothing else; in ASCII where the stream is not one of Unicode."""
    import json

    unicode = (sys.stdout.encoding or "utf-8").lower().startswith("utf")
    text = json.dumps(document, indent=1, ensure_ascii=not unicode, allow_nan=False)
    if unicode and any("\ud800" <= letter <= "\udfff" for letter in text):  # a file name that is no text
        text = json.dumps(document, indent=1, allow_nan=False)
    print(harmless_json(text))


def remark(text: str) -> None:
    """Tell something beside the answer, on the error stream; broken between words on a terminal."""
    with contextlib.suppress(OSError, ValueError):  # where that cannot be written, nobody can be told
        for line in _remark_lines(harmless(text)):
            print(line, file=sys.stderr)


def _remark_lines(text: str) -> list[str]:
    if not sys.stderr.isatty():
        return [text]
    from kinematics.reports.layout import wrapped

    return wrapped(encodable(text, sys.stderr.encoding or "utf-8"), _width_of_errors())


def _width_of_errors() -> int:
    """How wide the terminal of the error stream is: as told by COLUMNS, else as it says itself, unless it says 0."""
    if not os.environ.get("COLUMNS"):
        with contextlib.suppress(OSError, ValueError):
            if width := os.get_terminal_size(sys.stderr.fileno()).columns:
                return width
    return shutil.get_terminal_size().columns


def remark_first_run() -> None:
    """Say once that kernels are compiled now, which makes this run the slowest ever."""
    from kinematics import compiled

    compiled.hear_of_faults(remark)
    if compiled.CACHE_WAS_WARM:
        return
    if compiled.CACHE_FOLDER is None:
        remark(
            "compiling for this machine; there is no folder to keep the result in that is yours alone, so every run "
            "does it (KINEMATICS_CACHE_DIR names one)"
        )
    else:
        remark("first run: compiling for this machine, about ten seconds, once")


class Foretold:
    """Says beforehand how long some work will take: measured on its first part, and carried forward."""

    def __init__(self, what: str, ends: str = "ends it") -> None:
        """`what` is done; `ends` says what Ctrl-C does."""
        self._what, self._ends = what, ends
        self._begun = time.monotonic()
        self._first: tuple[float, float] | None = None
        self._said = False

    def hear(self, share: float) -> None:
        """Take the share of the work that is done; the first time it is told may hold what is done but once."""
        now = time.monotonic()
        if self._said or not share > 0.0:
            return
        if self._first is None:
            self._first = now, share
            since, done = self._begun, share
            if now - since < SLOW_TO_BEGIN:
                return
        else:
            since, done = self._first[0], share - self._first[1]
            if now - since < MEASURED or not done > 0.0:
                return
        self._said = True
        left = (now - since) / done * (1.0 - share)
        if left > LONG_WORK:
            remark(f"{self._what}: this will take about {_in_round_numbers(left)} (Ctrl-C {self._ends})")


def _in_round_numbers(seconds: float) -> str:
    """A time with no more digits than a forecast deserves: `40 s`, `7 min`, `35 min`, `12 h`, `3 days`."""
    for unit, size, most, step in (("s", 1.0, 100.0, 5), ("min", 60.0, 90.0, 1), ("h", 3600.0, 48.0, 1)):
        if seconds < most * size:
            return f"{max(step, round(seconds / size / step) * step)} {unit}"
    return f"{round(seconds / 86400.0):,} days"


def end_where_cut_short(sampling: Sampling | None) -> None:
    """Say how many draws an answer is from that was interrupted, and end; nothing where all of them were made."""
    if sampling is not None and sampling.of:
        end_interrupted(f"this answer is from the {sampling.draws:,} of {sampling.of:,} draws made by then")


def end_interrupted(what: str) -> NoReturn:
    """Say what an answer is that was interrupted, and end."""
    remark(f"kinematics: interrupted: {what}")
    sys.exit(EXIT_INTERRUPTED)


@contextlib.contextmanager
def progress(steps: int, long: bool, ends: str = "ends it") -> Iterator[Tell]:
    """Show on a terminal's error stream how far long work has come; yields a function to call before each step.

    It also takes the share of a step that is done: of a step that will take long this is said beforehand, with what
    Ctrl-C does.
    """
    with _bar("reading", steps, long) as advance:
        begun, foretold, all_steps = 0, Foretold("", ends), Foretold(f"{steps} steps", ends)

        def tell(step: str, share: float = 0.0) -> None:
            nonlocal begun, foretold
            if share == 0.0:
                if steps >= FEWEST_STEPS:
                    all_steps.hear(begun / steps)
                begun, foretold = begun + 1, Foretold(step, ends)
            else:
                foretold.hear(share)
            advance(max(0, begun - 1) + share, step)

        yield tell


@contextlib.contextmanager
def counted_progress(total: int, long: bool) -> Iterator[Callable[[float], None]]:
    """Show on a terminal's error stream how many candidates of many are done, with the time that is left; yields how to
    tell.
    """
    foretold = Foretold(f"{total:,} candidates", KEEPS)
    with _bar("candidates", total, long, counted=True) as advance:

        def hear(done: float) -> None:
            foretold.hear(done / total)
            advance(done)

        yield hear


@contextlib.contextmanager
def shared_progress(
    what: str, ends: str = "ends it"
) -> Iterator[tuple[Callable[[str], None], Callable[[float], None]]]:
    """Show on a terminal's error stream which share of some work is done; yields how to tell its steps, and the
    share. `ends` says what Ctrl-C does.
    """
    foretold = Foretold(what, ends)
    with _bar(what, 1, True) as advance:

        def hear(share: float) -> None:
            foretold.hear(share)
            advance(share)

        yield lambda step: advance(None, step), hear


@contextlib.contextmanager
def _bar(what: str, total: int, long: bool, counted: bool = False) -> Iterator[Callable[..., None]]:
    """A bar on a terminal's error stream for work that is long, or turns out to be; yields a function of how much is
    done, and of its step.
    """
    if not sys.stderr.isatty():
        yield lambda *_: None
        return
    begun = time.monotonic()
    with contextlib.ExitStack() as kept:
        shown: Callable[..., None] | None = None

        def advance(done: float | None, step: str = what) -> None:
            nonlocal shown
            if shown is None and (long or time.monotonic() - begun > SOON):
                shown = kept.enter_context(_shown_bar(what, total, counted))
            if shown is not None:
                shown(done, step)

        yield advance


@contextlib.contextmanager
def _shown_bar(what: str, total: int, counted: bool) -> Iterator[Callable[..., None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, TextColumn, TimeRemainingColumn

    columns: list[ProgressColumn] = [TextColumn("{task.description}", markup=False), BarColumn()]
    columns += [MofNCompleteColumn()] if counted else []
    with Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(what, total=total)
        yield lambda done, step: shown.update(task, description=harmless(step), completed=done)
