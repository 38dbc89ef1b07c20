"""Dotted keys: quoted where they must be, and split again into the same parts."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.toml.files import dotted_name, quoted, split_key

parts = st.text(st.characters(exclude_categories=["Cs"]))


@given(st.lists(st.one_of(parts, st.text("\"'.\\ =ab\n")), min_size=1).map(tuple))
def test_any_path_is_the_key_that_toml_reads_and_comes_back(path: tuple[str, ...]) -> None:
    text = dotted_name(path)
    assert split_key(text) == path
    value: Any = tomllib.loads(f"{text} = 7")
    for part in path:
        value = value[part]
    assert value == 7
    assert text.isprintable()


@given(st.text())
def test_any_text_has_parts(text: str) -> None:
    assert split_key(dotted_name(split_key(text))) == split_key(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("motion.feed_override", ("motion", "feed_override")),
        ("motion.by_label.outer wall.x", ("motion", "by_label", "outer wall", "x")),
        ("""motion."outer 'wall'.1".'x"y'""", ("motion", "outer 'wall'.1", 'x"y')),
        (r'"a\"b\\.\u00e9\U0001F600\t".c', ('a"b\\.\u00e9\U0001f600\t', "c")),
        ('motion . "a b" . c', ("motion", "a b", "c")),
        ("Anna's wall.x", ("Anna's wall", "x")),
        ('"open.x', ('"open', "x")),
        (r'"\UFFFFFFFF"', (r"\UFFFFFFFF",)),
        ("", ("",)),
        ("..", ("", "", "")),
    ],
)
def test_keys_as_people_write_them(text: str, expected: tuple[str, ...]) -> None:
    assert split_key(text) == expected


def test_a_name_is_quoted_only_where_it_must_be() -> None:
    names = ("outer", "2-A_b", "outer wall", "", "\u00e4", 'a"b', "\u2028", "\ud800")
    expected = ["outer", "2-A_b", '"outer wall"', '""', '"\u00e4"', r'"a\"b"', r'"\u2028"', r'"\uD800"']
    assert [quoted(name) for name in names] == expected
