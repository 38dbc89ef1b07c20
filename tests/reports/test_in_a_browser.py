"""The page in a real browser: offline, light and dark, on a phone, by keyboard, on paper."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from kinematics.reports.printing import write_pdf
from tests.browsing import DESK, NEEDS_A_BROWSER, PHONE, SCHEMES, OpenedPage, chromium
from tests.reports.conftest import JOB

__all__ = ["chromium"]  # the fixture
pytestmark = NEEDS_A_BROWSER


def opened_offline(chromium: Any, where: Path, width: int, scheme: str) -> OpenedPage:
    """The page of a folder, opened without a network."""
    return OpenedPage(chromium, (where / "page.html").as_uri(), width, scheme, offline=True)


@pytest.mark.parametrize("width", [PHONE, 820, DESK])
@SCHEMES
def test_it_asks_for_nothing_says_nothing_and_fits(chromium: Any, hostile: Path, width: int, scheme: str) -> None:
    opened = opened_offline(chromium, hostile, width, scheme)
    page = opened.page
    assert [url for url in opened.asked if not url.startswith(("data:", (hostile / "page.html").as_uri()))] == []
    assert opened.said == []
    over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert over == 0
    assert page.title() == f"{JOB}: print time on <i>bench</i> & co"
    assert page.locator("h1").inner_text() == page.title()
    paper = page.evaluate("getComputedStyle(document.querySelector('.frame')).backgroundColor")
    assert paper == ("rgb(251, 250, 245)" if scheme == "light" else "rgb(20, 25, 30)")
    sizes = page.evaluate("[...document.querySelectorAll('img')].map(one => one.naturalWidth)")
    assert sizes
    assert min(sizes) > 500
    opened.context.close()


@SCHEMES
def test_no_serious_fault_of_accessibility(chromium: Any, hostile: Path, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    opened = opened_offline(chromium, hostile, DESK, scheme)
    opened.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    found = axe.Axe().run(opened.page).response["violations"]
    grave = [(one["id"], one["nodes"][0]["html"][:120]) for one in found if one["impact"] in ("serious", "critical")]
    assert grave == []
    opened.context.close()


def test_the_keyboard_reaches_sections_and_tables(chromium: Any, hostile: Path) -> None:
    opened = opened_offline(chromium, hostile, DESK, "light")
    page = opened.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the first section"
    page.keyboard.press("Enter")
    assert page.url.endswith("#asked")
    page.locator("summary").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("details").first.get_attribute("open") is not None
    opened.context.close()


def test_it_reads_without_styles_running_or_scripts(chromium: Any, hostile: Path) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((hostile / "page.html").as_uri())
    assert "How far each limit may go" in page.locator("main").inner_text()
    context.close()


def test_it_prints_to_paper(hostile: Path, tmp_path: Path) -> None:
    for name in ("page.pdf", "again.pdf"):
        write_pdf((hostile / "page.html").read_text(), tmp_path / name)
        time.sleep(1.1)  # a date would be another
    printed = (tmp_path / "page.pdf").read_bytes()
    assert printed == (tmp_path / "again.pdf").read_bytes()
    assert printed.startswith(b"%PDF")
    assert len(printed) > 30_000
