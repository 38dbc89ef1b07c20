"""The README's year at the co-op: every number and every quoted sentence is what the command above it says."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from kinematics.cli.program import main

ROOT = Path(__file__).resolve().parents[2]
SHOP = ROOT / "sample_gcode" / "shop"
LONGEST_STORY = 60  # lines
FENCE = re.compile(r"^```(sh)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
QUOTE = re.compile(r"\*\*(.+?)\*\*", re.DOTALL)
CODE = re.compile(r"`[^`]+`")


class Passage(NamedTuple):
    """A command of the story, the lines shown as its output, and the text up to the next command."""

    command: str
    shown: tuple[str, ...]
    text: str


def one_line(text: str) -> str:
    """Text with every run of white space as one space."""
    return " ".join(text.split())


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


def test_the_story_is_short_and_asks_every_question() -> None:
    assert len(story().splitlines()) + 1 < LONGEST_STORY  # and its heading
    asked = [passage.command.split()[:2] for passage in passages() if passage.command]
    names = [name for _, name in asked]
    assert {program for program, _ in asked} == {"kinematics"}
    assert list(dict.fromkeys(names)) == ["estimate", "target", "caps", "upgrades", "shop"]


@pytest.mark.parametrize("passage", passages(), ids=lambda passage: " ".join(passage.command.split()[1:2]) or "opening")
def test_a_number_stands_only_in_quotes(passage: Passage) -> None:
    loose = CODE.sub("", QUOTE.sub("", passage.text))
    assert re.findall(r"\d[\d.,]*", loose) == []


@pytest.mark.parametrize("passage", passages()[1:], ids=lambda passage: passage.command.split()[1])
def test_what_is_quoted_is_what_the_command_says(
    passage: Passage, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    with pytest.raises(SystemExit) as left:
        main(shlex.split(passage.command)[1:])
    assert left.value.code == 0
    said = capsys.readouterr()
    lines = [one_line(line) for line in (said.out + said.err).splitlines()]
    quotes = [one_line(quote) for quote in QUOTE.findall(passage.text)]
    assert quotes or passage.shown
    assert [line for line in passage.shown if line not in lines] == []
    assert [quote for quote in quotes if not any(stands_in(quote, line) for line in lines)] == []


def stands_in(quote: str, line: str) -> bool:
    """Whether a line holds a quote, and not as part of a longer word or number."""
    return re.search(rf"(?<![\w.,]){re.escape(quote)}(?![\w]|[.,]\d)", line) is not None


def test_part_of_a_number_is_no_quote() -> None:
    assert stands_in("3 h 41 min", "takes 3 h 41 min now")
    assert not stands_in("3 h 41 min", "takes 13 h 41 min now")
    assert not stands_in("7.2", "7.22 parts")


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
