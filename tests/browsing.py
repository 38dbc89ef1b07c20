"""A real browser for tests of pages; they are skipped, with a reason, where there is none."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest

from kinematics.reports.printing import browser

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
NEEDS_A_BROWSER = pytest.mark.skipif(browser() is None, reason="there is no chromium here")

SCHEMES = pytest.mark.parametrize("scheme", ["light", "dark"])
PHONE, DESK = 390, 1280  # pixels


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """The browser, for all tests of a file."""
    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=browser(), args=sandbox)
        yield opened
        opened.close()
