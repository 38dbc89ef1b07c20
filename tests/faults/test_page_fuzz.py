"""A short search for requests that break the live page; what once did, first."""

from __future__ import annotations

import asyncio
import ctypes
import gc
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("plotly", reason="the extra `page` is not installed")

from tests.faults.page_fuzz import (
    WHILE_COMPILING,
    Sent,
    Told,
    a_page,
    answer,
    check,
    memory,
    requests_of,
    search,
    sound,
)

OURS = Sent("GET", b"/total", b"", ())
FEW_OBJECTS = 500  # a report is drawn from some 20,000 …
LITTLE_MEMORY = 15_000_000  # … and 23 million bytes
POLICY = {b"content-security-policy": b"default-src 'none'", b"content-type": b"application/json"}


def test_no_request_breaks_the_page() -> None:
    assert asyncio.run(search(requests_of(40, 1))).broken == []


class Held(NamedTuple):
    """What a process holds: objects that Python's collector sees, and bytes of memory."""

    objects: int
    memory: int


def held() -> Held:
    """What this process holds once its garbage is gone, without what the allocator keeps for the next request."""
    gc.collect()
    if trim := getattr(ctypes.CDLL(None), "malloc_trim", None):
        trim(0)
    return Held(len(gc.get_objects()), memory())


ROOT = Path(__file__).resolve().parents[2]
ALONE = """
import asyncio, sys
from pathlib import Path
from tests.faults.test_page_fuzz import grown
print(*asyncio.run(grown(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))))
"""


async def grown(folder: Path, address: str, warm: int, more: int) -> Held:
    """What the page holds after so many more requests than it held once it was warm."""
    with a_page(folder) as (_, application):
        for number in range(warm + more):
            if number == warm:
                before = held()
            query = f"acceleration={300 + number}&layer=1&knob=speed&by={'speed' if number % 2 else 'binds'}"
            told = await answer(application, sound(address, query), WHILE_COMPILING)
            assert told.status == 200
        after = held()
    return Held(after.objects - before.objects, after.memory - before.memory)


@pytest.mark.parametrize(
    ("address", "warm", "more"),
    [
        ("/total", 100, 300),
        ("/rest", 100, 100),
        ("/curve", 100, 100),
        ("/estimate.json", 20, 40),
        ("/layer", 10, 20),
        ("/report.html", 3, 5),
    ],
)
def test_nothing_of_a_request_is_kept(tmp_path: Path, address: str, warm: int, more: int) -> None:
    """In a process of its own: what earlier tests leave in this one's memory comes and goes."""
    words = [str(tmp_path), address, str(warm), str(more)]
    told = subprocess.run([sys.executable, "-c", ALONE, *words], cwd=ROOT, capture_output=True, text=True, check=True)
    found = Held(*map(int, told.stdout.split()))
    assert found.objects < FEW_OBJECTS
    assert found.memory < LITTLE_MEMORY


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (Told(500, POLICY, b"{}", 0.1), "status 500"),
        (Told(200, {}, b"{}", 0.1), "no policy"),
        (Told(200, POLICY, b"{}", 1.1), "1.1 s"),
        (Told(200, POLICY, b'"/secret/job.gcode"', 0.1), "a path of the disk"),
        (Told(307, {**POLICY, b"location": b"http://elsewhere/"}, b"", 0.1), "sent elsewhere"),
    ],
)
def test_the_search_would_see_it(told: Told, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        check(OURS, told, "/secret")
