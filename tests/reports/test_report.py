"""`kinematics report`: one file that needs nothing else, the same for the same input, whatever names are in it."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.reports.conftest import JOB
from tests.reports.test_pictures import BENCH, SAMPLES

VOID = {"meta", "link", "source", "img", "br"}
TEN_MEGABYTES, THREE_MEGABYTES = 10_000_000, 3_000_000


class Strict(HTMLParser):
    """Reads a page: its tags in order, texts, and whatever opens and is not closed."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def read(text: str) -> Strict:
    """A page, read."""
    page = Strict()
    page.feed(text)
    page.close()
    return page


@pytest.fixture(scope="module")
def made(hostile: Path) -> Strict:
    """The page with everything in it, read."""
    return read((hostile / "page.html").read_text())


def test_the_page_is_whole_and_holds_nothing_that_runs_or_loads(made: Strict, hostile: Path) -> None:
    assert made.open == []
    assert made.wrong == []
    assert "script" not in made.tags
    assert not {"b", "i", "u", "em", "iframe", "object", "embed", "form"} & set(made.tags)
    assert not [name for _, name, _ in made.attributes if name.startswith("on")]
    loads = [
        value for _, name, value in made.attributes if name in ("src", "href", "srcset", "xlink:href", "action", "data")
    ]
    assert loads
    assert all(value.startswith(("#", "data:")) for value in loads)
    (policy,) = [value for tag, name, value in made.attributes if tag == "meta" and "default-src" in value]
    assert "default-src 'none'" in policy
    assert "script" not in policy
    assert "url(http" not in (hostile / "page.html").read_text()


def test_names_and_comments_stand_there_as_text(made: Strict) -> None:
    words = "".join(made.words)
    for name in (JOB, "<i>bench</i> & co", "<em>brisk</em>", "<u>stays</u>"):
        assert name in words


def test_no_path_of_the_disk_is_on_the_page(made: Strict, hostile: Path) -> None:
    text = (hostile / "page.html").read_text()
    assert str(hostile) not in text
    assert hostile.name not in text
    assert "/tmp" not in re.sub(r"data:[^\"]*", "", text)


def test_every_part_is_there_with_its_numbers(made: Strict, hostile: Path) -> None:
    words = " ".join(" ".join(made.words).split())
    for part in (
        "What was asked",
        "The time now, and under each candidate",
        "Then and now",
        "Step by step",
        "Where the time goes",
        "What each limit is worth",
        "Layer by layer",
        "The path",
        "Where more acceleration stops paying",
        "How far each limit may go",
        "Which filter against vibration",
        "Promised and measured",
        "How many on the bed at a time",
        "Is an upgrade worth it",
        "How many parts a day",
        "Warnings and cautions",
        "How this page was made",
    ):
        assert part in words, part
    assert "hot parts and fast machines injure people" in words
    assert "motion.print_acceleration_mm_s2 1200 1100" in words  # what changed since
    assert "kinematics report '<b>&" in words
    assert made.tags.count("figure") == len(list((hostile / "figures").iterdir()))
    for section in (hostile / "page.html").read_text().split("<section")[1:]:
        assert section.count("<figure>") <= section.count("<table>")  # a table behind every figure


def test_hashes_are_those_of_the_files(made: Strict, hostile: Path) -> None:
    import hashlib

    words = "".join(made.words)
    for name in (JOB, "machine.toml", "before.json"):
        assert hashlib.sha256((hostile / name).read_bytes()).hexdigest() in words


def test_ids_are_unique(made: Strict) -> None:
    ids = [value for _, name, value in made.attributes if name == "id"]
    assert len(ids) == len(set(ids))


def test_the_same_input_gives_the_same_bytes(run: Run, folder: Path) -> None:
    asked = ("report", "bracket.gcode", "--machine", str(BENCH), "--candidate", "brisk: acceleration=4000")
    assert run(*asked, "-o", "page.html").status == 0
    first = (folder / "page.html").read_bytes()
    assert run(*asked, "-o", "page.html", "--force").status == 0
    assert (folder / "page.html").read_bytes() == first


def test_a_page_of_ten_megabytes_of_job_stays_below_three(run: Run, folder: Path) -> None:
    sample = (SAMPLES / "cable_guide.gcode").read_text()
    times = TEN_MEGABYTES // len(sample) + 1
    (folder / "large.gcode").write_text(sample * times)
    assert run("report", "large.gcode", "--machine", str(BENCH), "-o", "page.html").status == 0
    assert (folder / "page.html").stat().st_size < THREE_MEGABYTES


def test_without_a_machine_a_built_in_one_stands_in_and_is_named(run: Run, folder: Path) -> None:
    ran = run("report", "hook.gcode", "-o", "page.html", "--json")
    assert ran.status == 0
    told = json.loads(ran.out)
    assert told["title"] == "hook.gcode: print time on Middling"
    assert told["sections"][0]["title"] == "What was asked"
    assert "On Middling." in (folder / "page.html").read_text()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("-o", "page.txt"), "can't write a page that ends in '.txt'; allowed: FILE.html"),
        (("-o", "bracket.gcode"), "can't write a page that ends in '.gcode'"),
        (("-o", "page.html", "--before", "hook.gcode"), "this is no JSON document"),
        (("-o", "page.html", "--before", "list.json"), "this is no document of this program"),
        (("-o", "page.html", "--before", "caps.json"), "this document holds no times of jobs"),
        (("-o", "page.html", "--orders", "orders.csv"), "--orders, --printers and --start together"),
        (("-o", "page.html", "--layer", "7"), "there is no layer 7"),
        (("-o", "page.html", "--figures", "hook.gcode"), "'hook.gcode' is a file"),
        (("-o", "page.html", "--pdf", "page.png"), "can't write a page that ends in '.png'; allowed: FILE.pdf"),
    ],
)
def test_what_cannot_be_is_told(run: Run, folder: Path, arguments: tuple[str, ...], told: str) -> None:
    (folder / "list.json").write_text("[1, 2]")
    (folder / "caps.json").write_text('{"schema_version": 1, "jobs": [{"file": "a", "total_s": true}]}')
    ran = run("report", "bracket.gcode", "--machine", "middling", *arguments)
    assert ran.status == 2
    assert told in ran.err
    assert not (folder / "page.html").exists()


def test_a_page_is_not_overwritten_unasked(run: Run, folder: Path) -> None:
    (folder / "page.html").write_text("mine")
    ran = run("report", "hook.gcode", "-o", "page.html")
    assert ran.status == 2
    assert (folder / "page.html").read_text() == "mine"
