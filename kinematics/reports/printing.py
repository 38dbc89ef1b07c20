"""A page as PDF, printed by a browser that is on this computer."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from kinematics.errors import InputError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
OTHERWISE = "chromium, or open the page in any browser and print it to a file"
LONGEST = 180.0  # s that a browser may take
DATES = re.compile(rb"(/(?:Creation|Mod)Date \(D:)\d{14}[+-]\d\d'\d\d'")
ALWAYS = rb"\g<1>20000101000000+00'00'"  # as long as any date, so that nothing in the file moves
QUIET = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)


def browser() -> str | None:
    """The path of a browser that prints without a window; None where there is none."""
    return next((found for found in map(shutil.which, BROWSERS) if found), None)


def check_browser() -> None:
    """Refuse a PDF where nothing can print one, before any work is done."""
    if browser() is None:
        raise InputError.at("--pdf", "there is no browser here that prints without a window", OTHERWISE)


def write_pdf(text: str, path: Path) -> None:
    """Print a page to a file, the same page to the same bytes. Raises InputError where the browser does not manage."""
    found = browser()
    assert found is not None  # looked for before
    with tempfile.TemporaryDirectory(prefix="kinematics-") as folder:
        page, printed = Path(folder, "page.html"), Path(folder, "page.pdf")
        page.write_text(text, encoding="utf-8")
        words = [found, *QUIET, f"--user-data-dir={folder}/profile", f"--print-to-pdf={printed}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            words.append("--no-sandbox")  # a browser refuses to run as root otherwise; the page holds no script
        try:
            subprocess.run([*words, page.as_uri()], capture_output=True, timeout=LONGEST, check=False)
        except (OSError, subprocess.TimeoutExpired):
            pass  # told below: there is no file then
        if not printed.is_file() or not printed.stat().st_size:
            raise InputError.at("--pdf", f"{Path(found).name} printed nothing", OTHERWISE)
        path.write_bytes(DATES.sub(ALWAYS, printed.read_bytes()))
