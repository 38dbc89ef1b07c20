"""The line of every key, through all that TOML allows around one."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from kinematics.toml.files import toml_lines

WINDING = '''# [not.a.table]
top = 1
[a]
text = "[b] # no comment \\" x = 1"
several = """
x = 1
[c] "quoted" \\""" still
"""
raw = \'\'\'
y = 2 \\\'\'\'
list = [ # a = 1
  "]", { inside = 1 },
  # ]
]
four_quotes = [ """x"""", "[" ]
after = 3
"quoted key" = 4
'it''s.dotted'.sub = 5
[ a . "b.c" ]   # comment
deep.er.key = 6
table = { one = 1, two = "}" }

[[rows]]
first = 1
[[rows]]
first = 2
[rows.set]
"motion.x" = 3
[[rows.inner]]
k = 1
[[rows]]
[[rows.inner]]
k = 2
'''.replace("'it''s.dotted'", '"it\\u0027s.dotted"')


def test_the_winding_text_is_toml_and_every_line_is_found() -> None:
    tomllib.loads(WINDING)
    lines = toml_lines(WINDING)
    assert not lines.repeats
    rows = WINDING.split("\n")
    expected = {
        ("top",): "top = 1",
        ("a", "text"): 'text = "',
        ("a", "several"): "several =",
        ("a", "raw"): "raw =",
        ("a", "list"): "list =",
        ("a", "after"): "after = 3",
        ("a", "quoted key"): '"quoted key"',
        ("a", "it's.dotted", "sub"): '"it\\u0027',
        ("a", "b.c"): "[ a .",
        ("a", "b.c", "deep", "er", "key"): "deep.er.key",
        ("a", "b.c", "table"): "table =",
    }
    for path, start in expected.items():
        assert rows[lines.lines[path] - 1].startswith(start), path
    assert lines.lines["rows", 0, "first"] == lines.lines["rows", 0] + 1
    assert lines.lines["rows", 1, "first"] == lines.lines["rows", 1] + 1
    assert rows[lines.lines["rows", 1, "set", "motion.x"] - 1] == '"motion.x" = 3'
    assert lines.lines["rows", 1, "inner", 0, "k"] < lines.lines["rows", 2, "inner", 0, "k"]
    assert ("b",) not in lines.lines
    assert ("a", "x") not in lines.lines


def test_what_stands_inside_a_value_has_the_line_of_the_key_around_it() -> None:
    lines = toml_lines("a = 1\nb = { c = [\n1,\n2] }")
    assert lines.line_of(("b", "c", 1)) == 2
    assert lines.line_of(("nowhere",)) is None


names = st.sampled_from(["a", "b", "c-1", "d_2", '"q.t"', "'l # t'"])
values = st.sampled_from(
    [
        "1",
        '"a # b = 1"',
        "[1,\n 2, # ]\n 3]",
        "'''\nz = 1\n[t]'''",
        '"""\n\\"""\n"""',
        "{ p = 1, q.r = [2] }",
        "''",
        '""',
    ]
)


@given(st.lists(st.tuples(names, values), unique_by=lambda pair: pair[0], max_size=6), st.sampled_from(["\n", "\r\n"]))
def test_every_key_that_is_read_has_the_line_where_it_was_written(pairs: list[tuple[str, str]], end: str) -> None:
    text = ""
    expected = []
    for name, value in pairs:
        text += "# remark" + end
        expected.append(text.count("\n") + 1)
        text += f"{name} = {value}".replace("\n", end) + end
    tables: dict[str, Any] = tomllib.loads(text)
    lines = toml_lines(text)
    assert [lines.lines[(key,)] for key in tables] == expected
    assert len(lines.lines) == len(tables)


@given(st.text(alphabet="ab[]{}=\"'#.,\n\\ 1", max_size=60))
def test_any_text_comes_to_an_end(text: str) -> None:
    toml_lines(text)
