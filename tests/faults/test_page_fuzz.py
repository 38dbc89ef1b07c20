"""A short search for requests that break the live page; what once did, first."""

from __future__ import annotations

import asyncio

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("plotly", reason="the extra `page` is not installed")

from tests.faults.page_fuzz import Sent, Told, check, requests_of, search

OURS = Sent("GET", b"/total", b"", ())
POLICY = {b"content-security-policy": b"default-src 'none'", b"content-type": b"application/json"}


def test_no_request_breaks_the_page() -> None:
    assert asyncio.run(search(requests_of(40, 1))) == []


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
