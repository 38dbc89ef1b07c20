"""The console: what goes to which stream, colour, progress, and files written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.cli.encodings import encodable
from kinematics.errors import InputError

if TYPE_CHECKING:
    from kinematics.reports.layout import Heads, Line

Tell = Callable[[str], None]


class Table(NamedTuple):
    """Heads, and rows of as many cells."""

    heads: Heads
    rows: Sequence[Sequence[str]]


def is_terminal() -> bool:
    """Whether the answer goes to a person's terminal."""
    return sys.stdout.isatty()


def _encodable(text: str) -> str:
    return encodable(text, sys.stdout.encoding or "utf-8")


def say(lines: Sequence[str]) -> None:
    """Print an answer, line by line, to standard output; broken between words where a terminal is narrow."""
    if not is_terminal():
        print("\n".join(lines))
        return
    from kinematics.reports.layout import Line, wrapped

    width = shutil.get_terminal_size().columns
    _print([Line(part) for line in lines for part in wrapped(_encodable(line), width)])


def say_table(heads: Heads, rows: Sequence[Sequence[str]]) -> None:
    """Print a table: laid out for the terminal's width, tab-separated in a pipe."""
    if not is_terminal():
        for cells in ([head for head, _ in heads], *rows):
            print("\t".join(cells))
        return
    from kinematics.reports.layout import table_lines

    plain_heads = [(_encodable(head), right) for head, right in heads]
    plain_rows = [[_encodable(cell) for cell in cells] for cells in rows]
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


def say_json(document: dict[str, Any]) -> None:
    """Print one JSON document and nothing else; in ASCII where the stream is not one of Unicode."""
    unicode = (sys.stdout.encoding or "utf-8").lower().startswith("utf")
    text = json.dumps(document, indent=1, ensure_ascii=not unicode, allow_nan=False)
    if unicode and any("\ud800" <= letter <= "\udfff" for letter in text):  # a file name that is no text
        text = json.dumps(document, indent=1, allow_nan=False)
    print(text)


def remark(text: str) -> None:
    """Tell something beside the answer, on the error stream; broken between words on a terminal."""
    if not sys.stderr.isatty():
        print(text, file=sys.stderr)
        return
    from kinematics.reports.layout import wrapped

    try:
        width = os.get_terminal_size(sys.stderr.fileno()).columns
    except (OSError, ValueError):
        width = shutil.get_terminal_size().columns
    for line in encodable(text, sys.stderr.encoding or "utf-8").splitlines():
        print("\n".join(wrapped(line, width)), file=sys.stderr)


def remark_first_run() -> None:
    """Say once that kernels are compiled now, which makes this run the slowest ever."""
    from kinematics import compiled

    if compiled.CACHE_WAS_WARM:
        return
    if compiled.CACHE_FOLDER is None:
        remark(
            "compiling for this machine; no folder to keep the result in, so every run does it (KINEMATICS_CACHE_DIR)"
        )
    else:
        remark("first run: compiling for this machine, about ten seconds, once")


@contextlib.contextmanager
def progress(steps: int, long: bool) -> Iterator[Tell]:
    """Show on a terminal's error stream how far long work has come; yields a function to call before each step."""
    if not long or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task("reading", total=steps)
        begun = False

        def tell(step: str) -> None:
            nonlocal begun
            shown.update(task, description=step, advance=1 if begun else 0)
            begun = True

        yield tell


@contextlib.contextmanager
def counted_progress(total: int, long: bool) -> Iterator[Callable[[int], None]]:
    """Show on a terminal's error stream how many of many are done, with the time that is left; yields how to tell."""
    if not long or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("candidates"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task("", total=total)
        yield lambda done: shown.update(task, completed=done)


def refuse_to_overwrite(path: Path, force: bool) -> None:
    """Raise InputError where a file is in the way, or its folder is missing."""
    if path.is_dir():
        raise InputError.at(str(path), "this is a directory", "a file to write")
    if path.exists() and not force:
        raise InputError.at(str(path), "the file exists already", "a new name, or --force to overwrite it")
    if not path.parent.is_dir():
        raise InputError.at(str(path), f"the folder {str(path.parent)!r} does not exist", "a folder that does")


def write_whole(path: Path, write: Callable[[Path], None], force: bool) -> None:
    """Let `write` fill a temporary file beside `path` and rename it: the output is there whole, or not at all."""
    refuse_to_overwrite(path, force)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=path.suffix)
        os.close(handle)
        try:
            write(Path(name))
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(name, 0o666 & ~mask)
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise InputError.at(str(path), f"cannot be written: {error.strerror}") from None
