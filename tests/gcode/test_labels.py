"""Labels and layers from comments: told by a dialect's patterns, or found by counting."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.gcode.dialects import EXTRUSION, RS274, Dialect
from kinematics.gcode.labels import Labels, Marks, labels_of, layer_marks, lines_at

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
NAMES = ("bracket", "test_cube", "cable_guide", "cable_guide_arcs", "spiral_cup", "tall_pin")
ENDS = (b"\n", b"\r\n", b"\r")


def rows_of(content: bytes) -> list[str]:
    """The lines of a file, by another way than the package's: Latin-1 text, split at LF, CRLF and CR alone."""
    return re.split("\r\n|\n|\r", content.decode("latin-1"))


def move_lines(content: bytes) -> NDArray[np.int32]:
    """Lines that begin with G0 to G3."""
    lines = [number for number, row in enumerate(rows_of(content), start=1) if re.match("G[0-3] ", row)]
    return np.array(lines, np.int32)


def label_of_each(content: bytes, dialect: Dialect = EXTRUSION) -> list[str]:
    labels = labels_of(content, move_lines(content), dialect)
    return [labels.names[number] for number in labels.of_move]


def marked_layers(content: bytes, dialect: Dialect) -> tuple[NDArray[np.int32], int]:
    """The layer of each move by the dialect's marks, and how many there are."""
    marks = Marks()
    return marks.layers(content, layer_marks(content, dialect), move_lines(content)), marks.now


def found_in(*comments: str) -> Labels:
    return labels_of("\n".join(comments).encode(), np.zeros(0, np.int32), EXTRUSION)


@pytest.mark.parametrize("name", NAMES)
def test_the_labels_of_the_samples_are_found_by_counting(name: str) -> None:
    content = (SAMPLES / f"{name}.gcode").read_bytes()
    labels = labels_of(content, move_lines(content), EXTRUSION)
    assert (labels.key, labels.told) == ("road", False)
    assert set(labels.names) <= {"", "prime", "outer", "inner", "solid", "infill", "wall"}
    assert labels.of_move.dtype == np.int32
    expected, road = [], ""
    for row in rows_of(content):
        if row.startswith("; road: "):
            road = row.removeprefix("; road: ")
        elif re.match("G[0-3] ", row):
            expected.append(road)
    assert label_of_each(content) == expected


@pytest.mark.parametrize("end", ENDS)
def test_every_line_end_gives_the_same_labels(end: bytes) -> None:
    content = (SAMPLES / "test_cube.gcode").read_bytes()
    other = content.replace(b"\n", end)
    assert Counter(label_of_each(other)) == Counter(label_of_each(content))
    assert label_of_each(other) == label_of_each(content)


def test_a_label_holds_from_its_line_to_the_next_and_nothing_after_the_key_ends_it() -> None:
    content = b"""G1 X1 E1
; part: rim
G1 X2 E1
G1 X3 E1 ; part: hub
G1 X4 E1
(part: rim)
G1 X5 E1
; part:
G1 X6 E1
;part : hub
G1 X7 E1"""
    assert label_of_each(content) == ["", "rim", "hub", "hub", "rim", "", "hub"]


def test_a_file_without_labels_has_none() -> None:
    labels = labels_of(b"G1 X1 E1\nG1 X2 E1 ; fast\n", np.array([1, 2], np.int32), EXTRUSION)
    assert labels.of_move.tolist() == [0, 0]
    assert (labels.names, labels.told, labels.key) == (("",), False, None)
    assert found_in("").names == ("",)


@pytest.mark.parametrize(
    ("comments", "key"),
    [
        (["; a: rim", "; a: hub", "; a: rim"], "a"),
        (["; a: rim", "; a: rim", "; a: rim"], None),  # one value tells nothing apart
        (["; a: rim", "; a: hub"], None),  # too few
        (["; a: rim", "; a: hub", "; a: spoke"], None),  # nothing is repeated
        (["; a: 0.2", "; a: 0.3", "; a: 0.2", "; a: 12 mm", "; a: 12 mm"], None),  # measures
        (["; a: rim", "; a: hub", "; a: rim", *["; b: 1", "; b: 2"] * 9], "a"),
        (["; a: rim", "; a: hub", "; a: rim", *["; b: on", "; b: off"] * 2], "b"),  # more often
        (["; b: rim", "; b: hub", "; b: rim", "; a: x", "; a: y", "; a: x"], "b"),  # the first of equals
        (["; a: rim", "; a: hub", "; a: rim", *[f"; b: n{i % 51}" for i in range(200)]], "a"),  # too many values
        ([f"; b: n{i % 50}" for i in range(200)], "b"),
        (["; " + "long " * 9 + ": x", "; " + "long " * 9 + ": y"] * 3, None),  # sentences
        (["(a: rim)", "(a: hub)", "(a: rim)"], "a"),
        (["; A: rim", "; a: hub", "; a: rim"], None),  # two keys
        (["; 12:30", "; 12:40", "; 12:30"], None),
        (["; two words: rim", ";two words :hub", ";  two words:  rim  "], "two words"),
    ],
)
def test_which_key_is_found(comments: list[str], key: str | None) -> None:
    assert found_in(*comments).key == key


def test_numbers_among_the_names_of_a_key_are_labels_once_it_is_found() -> None:
    content = b"; a: rim\nG1 X1\n; a: hub\nG1 X2\n; a: 7\nG1 X3\n; a: rim\nG1 X4\n"
    assert label_of_each(content) == ["rim", "hub", "7", "rim"]


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8"])
def test_names_may_be_written_in_latin_1_or_utf_8(encoding: str) -> None:
    content = "; Teil: Öse\nG1 X1\n; Teil: Nabe\nG1 X2\n; Teil: Öse\nG1 X3\n; naïve\xff".encode(encoding)
    assert label_of_each(content) == ["Öse", "Nabe", "Öse"]


def test_what_cannot_be_printed_is_not_shown() -> None:
    content = b"; a: r\x1b[2Jm\nG1 X1\n; a: hub\nG1 X2\n; a: hub"
    assert label_of_each(content) == ["r?[2Jm", "hub"]


def test_semicolons_begin_no_comment_where_the_dialect_says_so() -> None:
    content = b"; a: x\n; a: y\n; a: x\n(b: x)\n(b: y)\n(b: x)\n(b: y)\n"
    assert labels_of(content, np.zeros(0, np.int32), RS274).key == "b"
    assert labels_of(content[:21], np.zeros(0, np.int32), RS274).key is None


def test_patterns_tell_labels_and_nothing_is_counted_then() -> None:
    dialect = replace(EXTRUSION, labels=(r"now (?P<label>\w+)", r"(?P<label>rim|hub) ahead"))
    content = b"; road: a\n; road: b\n; road: a\nG1 X1\n; Now spoke \nG1 X2\n(HUB ahead)\nG1 X3\n"
    content += b"; now spoke, later\nG1 X4"
    labels = labels_of(content, move_lines(content), dialect)
    assert (labels.names, labels.told, labels.key) == (("", "spoke", "HUB"), True, None)
    assert labels.of_move.tolist() == [0, 1, 2, 2]
    empty = labels_of(b"G1 X1", np.array([1], np.int32), dialect)
    assert (empty.names, empty.told, empty.of_move.tolist()) == (("",), True, [0])


def test_a_group_that_took_no_part_ends_a_label() -> None:
    dialect = replace(EXTRUSION, labels=(r"begin (?P<label>\w+)|end",))
    assert label_of_each(b";begin rim\nG1 X1\n;end\nG1 X2\n", dialect) == ["rim", ""]


def test_layers_are_numbered_by_their_marks() -> None:
    dialect = replace(EXTRUSION, layers=(r"storey (?P<layer>\d+)",))
    content = b"G1 X1\n; storey 0\nG1 X2\n; storey 0\nG1 X3\n; storey 5\nG1 X4\n; storey 0\nG1 X5"
    of_move, layers = marked_layers(content, dialect)
    assert of_move.tolist() == [0, 1, 1, 2, 3]
    assert of_move.dtype == np.int32
    assert layers == 3


def test_without_patterns_or_marks_there_are_no_marked_layers() -> None:
    for dialect in (EXTRUSION, replace(EXTRUSION, layers=("storey (?P<layer>.)",))):
        of_move, layers = marked_layers(b"G1 X1\nG1 X2 ; layer 1\n", dialect)
        assert of_move.tolist() == [0, 0]
        assert layers == 0


@pytest.mark.parametrize("name", NAMES)
def test_the_courses_of_the_samples_are_their_layers(name: str) -> None:
    content = (SAMPLES / f"{name}.gcode").read_bytes()
    dialect = replace(EXTRUSION, layers=(r"course (?P<layer>\d+) .*",))
    of_move, layers = marked_layers(content, dialect)
    courses = [row for row in rows_of(content) if row.startswith("; course ")]
    assert layers == len(set(courses))
    assert of_move.max() == layers


@given(st.lists(st.sampled_from([b"a", b"\n", b"\r", b"\r\n", b";"]), max_size=40))
def test_lines_are_counted_as_text_has_them(parts: list[bytes]) -> None:
    content = b"".join(parts)
    # the twin: a byte's line is one more than the ends that are complete before it
    expected, number, i = [], 1, 0
    while i < len(content):
        pair = content[i : i + 2] == b"\r\n"
        expected += [number] * (2 if pair else 1)
        number += content[i : i + 1] in (b"\r", b"\n")
        i += 2 if pair else 1
    assert lines_at(content, np.arange(len(content))).tolist() == expected


comments = st.sampled_from(["a: rim", "a: hub", "b: on", "b: off", "a: 1", "a:", "prose", "b:on "])


@given(st.lists(st.tuples(st.sampled_from("mm;("), comments), max_size=40), st.sampled_from(ENDS))
def test_labels_are_those_of_a_slow_reader(pieces: list[tuple[str, str]], end: bytes) -> None:
    rows = ["G1 X1" if kind == "m" else f";{text}" if kind == ";" else f"({text})" for kind, text in pieces]
    content = end.join(row.encode() for row in rows)
    labels = labels_of(content, move_lines(content), EXTRUSION)
    expected, now = [], ""
    for kind, text in pieces:
        key, colon, value = text.partition(":")
        if kind == "m":
            expected.append(now)
        elif colon and key == labels.key:
            now = value.strip()
    assert [labels.names[number] for number in labels.of_move] == expected
    said = [text.replace(" ", "") for kind, text in pieces if kind != "m"]
    names = {key: [one for one in said if re.fullmatch(key + ":[a-z]+", one)] for key in "ab"}
    fit = {key: len(one) for key, one in names.items() if len(one) > 2 and len(set(one)) == 2}
    assert (labels.key is None) == (not fit)
    assert labels.key is None or fit[labels.key] == max(fit.values())
