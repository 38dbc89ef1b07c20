"""Names that no picture has room or letters for: drawn without a word from the library that draws."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from kinematics.reports.style import lettered
from tests.cli.conftest import HOOK, Run

FOREIGN, LONG = "部品", "n" * 230
MIDDLING = ("--machine", "middling")
LABEL = f"motion.by_label.{'q' * 200}.speed_cap_mm_s"


@pytest.mark.parametrize(
    ("text", "most", "expected"),
    [
        ("hook", 9, "hook"),
        ("Bügel·µ", 9, "Bügel·µ"),
        ("部", 40, "\\u90e8"),
        ("$x^2$", 9, r"\$x^2\$"),
        ("abcdefghijkl", 7, "abc…jkl"),
        ("abcdefghijkl", 8, "abcd…jkl"),
        ("\x1b[31m", 40, "\\x1b[31m"),
        ("caf\udce9", 40, "caf\\udce9"),
    ],
)
def test_a_name_as_a_picture_takes_it(text: str, most: int, expected: str) -> None:
    assert lettered(text, most) == expected
    assert len(lettered(text, most).replace("\\$", "$")) <= most


@pytest.mark.parametrize("name", [FOREIGN, LONG])
@pytest.mark.parametrize(
    "words",
    [
        ("sweep", *MIDDLING, "--vary", "speed=1,2,3", "--picture", "made.png"),
        ("sweep", *MIDDLING, "--vary", "speed=1,2,3", "--vary", "flow=200,300", "--picture", "made.svg"),
        ("sweep", *MIDDLING, "--vary", f"{LABEL}=100,200", "--picture", "made.png"),
        ("estimate", *MIDDLING, "--set", f"{LABEL}=100", "--limits", "--picture", "made.png"),
    ],
    ids=["curve", "map that now lies outside of", "knob", "limits"],
)
def test_jobs_and_limits(run: Run, folder: Path, name: str, words: tuple[str, ...]) -> None:
    (folder / f"{name}.gcode").write_text("; road: " + "q" * 200 + "\n" + HOOK)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ran = run(words[0], f"{name}.gcode", *words[1:])
    assert ran.status == 0, ran.err
    assert (folder / words[-1]).stat().st_size > 5000


def test_a_shop(run: Run, folder: Path) -> None:
    orders = "".join(f"{name},{hours},{count}\n" for name, hours, count in ((FOREIGN, 2, 40), (LONG, 3, 9)))
    orders += "".join(f"{k} {LONG},0.1,1\n" for k in range(90))
    (folder / "orders.csv").write_text("order,hours,quantity\n" + orders)
    (folder / "printers.csv").write_text(f"name,machine\n{FOREIGN},quick\n{LONG},middling\n")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ran = run("shop", "orders.csv", "--printers", "printers.csv", "--start", "2026-03-02", "--gantt", "made.png")
    assert ran.status == 0, ran.err
    assert (folder / "made.png").stat().st_size > 5000
