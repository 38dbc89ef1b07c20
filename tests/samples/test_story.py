"""The README's year at the co-op: every number and every quoted sentence is what the command above it says."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.samples.readme import again, made_anew

ROOT = Path(__file__).resolve().parents[2]
SHOP = ROOT / "sample_gcode" / "shop"
LONGEST_STORY = 60  # lines
LONGEST_README = 250
FENCE = re.compile(r"^```(sh)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
QUOTE = re.compile(r"\*\*(.+?)\*\*", re.DOTALL)
CODE = re.compile(r"`[^`]+`")


class Passage(NamedTuple):
    """A command of the story, the lines shown as its output, and the text up to the next command."""

    command: str
    shown: tuple[str, ...]
    text: str


def story() -> str:
    """The section of the README, without its heading."""
    _, _, after = (ROOT / "README.md").read_text(encoding="utf-8").partition("\n## A year at the co-op\n")
    section, _, _ = after.partition("\n## ")
    return section


def passages() -> list[Passage]:
    """The story cut at its commands; what stands before the first one goes with no command."""
    command, shown, text, place = "", (), "", 0
    found: list[Passage] = []
    for fence in FENCE.finditer(story()):
        text += story()[place : fence.start()]
        place = fence.end()
        if fence[1]:
            found.append(Passage(command, shown, text))
            command, shown, text = fence[2].strip(), (), ""
        else:
            shown += tuple(fence[2].splitlines())
    return [*found, Passage(command, shown, text + story()[place:])]


def test_the_readme_is_short_and_shows_a_picture() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(readme.splitlines()) < LONGEST_README
    (shown,) = re.findall(r"!\[[^]]+\]\((.+?)\)", readme)
    assert (ROOT / shown).read_bytes().startswith(b"\x89PNG")


def test_the_story_is_short_and_asks_every_question() -> None:
    assert len(story().splitlines()) + 1 < LONGEST_STORY  # and its heading
    asked = [passage.command.split()[:2] for passage in passages() if passage.command]
    names = [name for _, name in asked]
    assert {program for program, _ in asked} == {"kinematics"}
    assert list(dict.fromkeys(names)) == ["estimate", "target", "caps", "upgrades", "shop", "bedful"]


@pytest.mark.parametrize("passage", passages(), ids=lambda passage: " ".join(passage.command.split()[1:2]) or "opening")
def test_a_number_stands_only_in_quotes(passage: Passage) -> None:
    loose = CODE.sub("", QUOTE.sub("", passage.text))
    assert re.findall(r"\d[\d.,]*", loose) == []


def test_every_number_of_the_readme_is_what_its_command_says() -> None:
    """Made anew by `python -m tests.samples.readme`, which runs every example of it, the ones in Python too."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    made, problems = made_anew(text)
    assert problems == []
    assert made.splitlines() == text.splitlines()


def test_an_excerpt_is_found_again_by_its_words() -> None:
    assert again("takes 3 h 41 min", "it takes 3 h 41 min now") == ("takes 3 h 41 min", "")
    assert again("takes 3 h 41 min", "it takes 4 h 05 min now") == ("takes 4 h 05 min", "")
    assert again("7.2 parts", "17.2 parts")[0] == "17.2 parts"
    assert "0 places" in again("7.2 parts", "7.2 prints")[1]
    assert "2 places" in again("7 parts", "8 parts or 9 parts")[1]


def test_the_parts_bin_is_what_its_script_makes(tmp_path: Path) -> None:
    for script in [*SHOP.parent.glob("*.py"), SHOP / "make_parts_bin.py"]:
        copy = tmp_path / script.relative_to(SHOP.parent)
        copy.parent.mkdir(exist_ok=True)
        copy.write_bytes(script.read_bytes())
    subprocess.run([sys.executable, "-B", str(tmp_path / "shop" / "make_parts_bin.py")], check=True)
    assert (SHOP / "parts_bin.gcode").read_bytes() == (tmp_path / "shop" / "parts_bin.gcode").read_bytes()


def test_the_months_of_the_story_are_a_twelfth_of_its_year() -> None:
    (command,) = [passage.command for passage in passages() if passage.command.startswith("kinematics upgrades")]
    a_month = dict(re.findall(r"--per-month (\S+)=(\d+)", command))
    rows = [row.split(",") for row in (SHOP / "year.csv").read_text(encoding="utf-8").splitlines()[1:]]
    assert {Path(job).name: int(quantity) for _, job, quantity, *_ in rows} == {
        job: 12 * int(number) for job, number in a_month.items()
    }
