"""Answers that are done, kept in a file of the user's own until the run that asked for them has ended."""

from __future__ import annotations

import sqlite3
import threading
import time
import zlib
from contextlib import suppress
from pathlib import Path
from typing import Any

from kinematics.fleet.asking import unpacked

OLDEST = 30 * 86400.0  # s that answers of a run that never ended are kept
PATIENCE = 30.0  # s that two runs of the same command wait for each other


COUNT_ANSWERS = "SELECT count(*) FROM answers"
FIND = "SELECT answer FROM answers WHERE key = ?"
ADD = "INSERT OR REPLACE INTO answers VALUES (?, ?)"


class KeptAnswers:
    """Answers by key, in one file; whoever is asked the same again need not do it twice, whatever has ended between.

    Every answer is on its own: a run that is killed leaves those that it has been told. What cannot be kept or read is
    answered anew.
    """

    def __init__(self, folder: Path, name: str) -> None:
        """`folder` one that nobody else can write to, `name` the run's. Raises OSError where nothing can be kept.

        The file is there from the first answer on.
        """
        folder.mkdir(mode=0o700, exist_ok=True)
        _drop_old(folder)
        self._path = folder / f"{name}.sqlite"
        self._lock = threading.Lock()
        self._file: sqlite3.Connection | None = None
        if self._path.exists():
            try:
                self._file = self._opened()
            except sqlite3.DatabaseError:  # damaged
                self._remove()

    def _opened(self) -> sqlite3.Connection:
        file = sqlite3.connect(self._path, timeout=PATIENCE, isolation_level=None, check_same_thread=False)
        file.execute("PRAGMA journal_mode=WAL")
        file.execute("PRAGMA synchronous=NORMAL")
        file.execute("CREATE TABLE IF NOT EXISTS answers (key TEXT PRIMARY KEY, answer BLOB) WITHOUT ROWID")
        return file

    def __len__(self) -> int:
        """How many there are."""
        with self._lock, suppress(sqlite3.Error):
            return 0 if self._file is None else int(self._file.execute(COUNT_ANSWERS).fetchone()[0])
        return 0

    def of(self, key: str) -> Any:
        """The answer that is kept under a key; None where there is none, or it is damaged."""
        with self._lock, suppress(sqlite3.Error, zlib.error, ValueError, TypeError, EOFError):
            row = None if self._file is None else self._file.execute(FIND, (key,)).fetchone()
            return None if row is None else unpacked(row[0])
        return None

    def keep(self, key: str, answer: bytes) -> None:
        """Keep a packed answer, if that can be done."""
        with self._lock, suppress(sqlite3.Error):
            if self._file is None:
                self._file = self._opened()
            self._file.execute(ADD, (key, answer))

    def close(self, is_done: bool) -> None:
        """End with the file; of a run that is done nothing is kept."""
        with self._lock, suppress(sqlite3.Error):
            if self._file is not None:
                self._file.close()
        if is_done:
            self._remove()

    def _remove(self) -> None:
        for ending in ("", "-wal", "-shm"):
            with suppress(OSError):
                self._path.with_name(self._path.name + ending).unlink()


def _drop_old(folder: Path) -> None:
    for path in folder.iterdir():
        with suppress(OSError):
            if path.stat().st_mtime < time.time() - OLDEST:
                path.unlink()
