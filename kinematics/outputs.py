"""Files that the program writes: each is there whole or not at all, and none takes the place of one that was read."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from kinematics.errors import InputError

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet takes what begins so for a formula (common practice)


def spreadsheet_text(text: str) -> str:
    """A text cell of a CSV file as it is written: one that a spreadsheet would take for a formula is quoted."""
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def refuse_to_overwrite(path: Path, force: bool, inputs: Iterable[str | os.PathLike[str]] = ()) -> None:
    """Raise InputError where a file is in the way, nothing can be written, or `path` is one of the `inputs`, under
    any name.
    """
    name = str(path)
    try:
        os.lstat(path)
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:
        raise InputError.at(name, f"cannot be written: {_reason(error)}") from None
    if path.is_dir():
        raise InputError.at(name, "this is a directory", "a file to write")
    if path.exists():
        if any(_is_same(path, one) for one in inputs):
            raise InputError.at(name, "this file is read by the same command", "another name")
        if not force:
            raise InputError.at(name, "the file exists already", "a new name, or --force to overwrite it")
        if not path.is_file():
            raise InputError.at(name, "this is no ordinary file", "a file to write")
    folder = _written_to(path).parent
    if not folder.is_dir():
        raise InputError.at(name, f"the folder {str(folder)!r} does not exist", "a folder that does")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise InputError.at(name, f"nothing can be written in the folder {str(folder)!r}", "another folder")


@contextlib.contextmanager
def whole_file(path: Path, force: bool, inputs: Iterable[str | os.PathLike[str]] = ()) -> Iterator[Path]:
    """A temporary file to be filled, which takes the place of `path` at the end, once it is on the disk.

    Through a link the file that it leads to is written. Raises InputError as `refuse_to_overwrite` does, and where the
    disk takes no more; what was there before then stands as it was.
    """
    refuse_to_overwrite(path, force, inputs)
    target = _written_to(path)
    with disk_told(path):
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=".kinematics-", suffix=target.suffix)
        os.close(handle)
    try:
        yield Path(name)
        refuse_to_overwrite(path, force, inputs)  # what came there meanwhile
        with disk_told(path):
            os.chmod(name, _mode_of(target))
            put_in_place(Path(name), target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


@contextlib.contextmanager
def disk_told(path: Path) -> Iterator[None]:
    """What the disk refuses of a file is an InputError with its name."""
    try:
        yield
    except OSError as error:
        raise InputError.at(str(path), f"cannot be written: {_reason(error)}") from None


def write_whole(
    path: Path, write: Callable[[Path], object], force: bool, inputs: Iterable[str | os.PathLike[str]] = ()
) -> None:
    """Let `write` fill a `whole_file`. Raises InputError as that does."""
    with whole_file(path, force, inputs) as temporary, disk_told(path):
        write(temporary)


def write_text_whole(
    path: Path, text: str, force: bool, inputs: Iterable[str | os.PathLike[str]] = (), errors: str = "strict"
) -> None:
    """The same for a text in UTF-8, line ends as they are; letters that are none by the rule of `errors`."""
    content = text.encode("utf-8", errors)
    write_whole(path, lambda temporary: temporary.write_bytes(content), force, inputs)


def put_in_place(written: Path, target: Path) -> None:
    """Give a file that has been written its final name, once all of it is on the disk."""
    with written.open("rb+") as file:
        os.fsync(file.fileno())
    os.replace(written, target)
    flush_folder(target.parent)


def flush_folder(folder: Path) -> None:
    """Have the names in a folder on the disk; not every system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _written_to(path: Path) -> Path:
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def _is_same(path: Path, other: str | os.PathLike[str]) -> bool:
    try:
        return os.path.samefile(path, other)
    except (OSError, ValueError):
        return False


def _mode_of(target: Path) -> int:
    """The rights of the file that is there, or those of any new one."""
    with contextlib.suppress(OSError):
        return os.stat(target).st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
