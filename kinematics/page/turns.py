"""What threads do for a live page, in turn: questions that a newer one of the same tab has overtaken are dropped."""

from __future__ import annotations

import asyncio
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple, TypeVar

Answer = TypeVar("Answer")

TOTALS, REST, DOWNLOADS = "totals", "rest", "downloads"  # a thread each: a total never waits for a picture
MOST_TABS = 256


class OvertakenError(Exception):
    """A newer question of the same tab has come meanwhile."""


class Place(NamedTuple):
    """Where a question stands: the tab it comes from, what it is about, and its number there."""

    tab: str
    about: str
    number: int


class Turns:
    """Threads, and the newest question of each tab."""

    def __init__(self) -> None:
        self._threads = {name: ThreadPoolExecutor(1, f"page-{name}") for name in (TOTALS, REST, DOWNLOADS)}
        self._newest: OrderedDict[tuple[str, str], int] = OrderedDict()
        self._lock = threading.Lock()

    def note(self, place: Place) -> None:
        """Take note that a question has come."""
        key = place.tab, place.about
        with self._lock:
            self._newest[key] = max(place.number, self._newest.get(key, place.number))
            self._newest.move_to_end(key)
            while len(self._newest) > MOST_TABS:
                self._newest.popitem(last=False)

    def is_overtaken(self, place: Place) -> bool:
        """Whether a newer question has come from the same tab."""
        with self._lock:
            return self._newest.get((place.tab, place.about), place.number) > place.number

    async def answered(self, thread: str, work: Callable[[], Answer], place: Place | None = None) -> Answer:
        """What `work` gives, done by a thread in its turn. Raises OvertakenError where nobody waits for it any more."""
        if place is not None:
            self.note(place)

        def run() -> Answer:
            if place is not None and self.is_overtaken(place):
                raise OvertakenError
            return work()

        return await asyncio.get_running_loop().run_in_executor(self._threads[thread], run)

    def now(self, thread: str, work: Callable[[], Answer]) -> Answer:
        """What `work` gives, done by a thread while this one waits: so its arrays are there for the next question."""
        return self._threads[thread].submit(work).result()

    def stop(self) -> None:
        """Wait for nothing that has not begun."""
        for one in self._threads.values():
            one.shutdown(wait=False, cancel_futures=True)
