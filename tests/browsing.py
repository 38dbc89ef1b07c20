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
PATIENCE = 60_000  # ms


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """The browser, for all tests of a file."""
    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=browser(), args=sandbox)
        yield opened
        opened.close()


class OpenedPage:
    """A page at an address, and what it said and asked for meanwhile; `offline` without a network."""

    def __init__(
        self, chromium: Any, address: str, width: int = DESK, scheme: str = "light", offline: bool = False
    ) -> None:
        self.address = address
        self.context = chromium.new_context(
            viewport={"width": width, "height": 840}, color_scheme=scheme, offline=offline
        )
        self.page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.said.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(address)
