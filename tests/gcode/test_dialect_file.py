"""A dialect file becomes a dialect; every mistake in one comes out as a sentence with its line, all of them at once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import canonical_word, dialect_from_text, load_dialect
from kinematics.gcode.dialects import (
    EXTRUSION,
    FILE_LIMITS,
    LIMIT_UNITS,
    LIMIT_WORD,
    MEANINGS,
    NO_EFFECT,
    PAUSE_WORD,
    RETRACT_OR_HEAT,
    RS274,
    LimitWord,
    TextCommand,
)

SHOP = Path(__file__).resolve().parents[2] / "sample_gcode" / "shop_dialect.toml"


def errors_of(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        dialect_from_text(text, "shop.toml")
    return [str(finding) for finding in caught.value.findings]


LIMIT_ROW = '[[limit]]\nword = "M880"\nletter = "A"\nmeans = "speed cap"\nunit = "mm/s"\n'
WRITE_ROW = '[[write]]\nmeans = "speed cap"\ntext = "SET {value}"\nunit = "mm/s"\n'
ONE_MISTAKE = [
    ('nam = "x"', "shop.toml:1: unknown key nam (did you mean 'name'?)"),
    ('[[limits]]\nword = "M880"', "shop.toml:1: unknown key limits (did you mean 'limit'?)"),
    ('based_on = "rs247"',
     "shop.toml:1: based_on = \"rs247\"; allowed: \"extrusion\" or \"rs274\" (did you mean 'rs274'?)"),
    ('dwell_p = "min"', 'shop.toml:1: dwell_p = "min"; allowed: "ms" or "s"'),
    ('semicolon_comments = "yes"', 'shop.toml:1: semicolon_comments = "yes"; allowed: true or false'),
    ('name = " "', 'shop.toml:1: name = " "; allowed: text in quotes, not blank'),
    ("extruder = 5", "shop.toml:1: extruder = 5; allowed: a table [extruder] with letter, unit"),
    ('[extruder]\nletter = "X"',
     'shop.toml:2: extruder.letter = "X"; allowed: "A", "B", "C", "E", "U", "V" or "W"'),
    ('[extruder]\nunit = "inch"', 'shop.toml:2: extruder.unit = "inch"; allowed: "mm" or "mm3"'),
    ("words = 5", 'shop.toml:1: words = 5; allowed: a table [words], "M870" = "no effect on time"'),
    ('[words]\n"M870" = "no efect on time"',
     "shop.toml:2: words.M870 = \"no efect on time\" (did you mean 'no effect on time'?)"),
    ('[words]\n"M870" = "Plane XY"', "shop.toml:2: words.M870 = \"Plane XY\" (did you mean 'plane XY'?)"),
    ('\n[words]\n"T1" = "pause"',
     'shop.toml:3: words.T1 is no word; allowed: G or M with a number up to 999.9, in quotes, such as "M204"'),
    ('[words]\n"M1000" = "pause"',
     'shop.toml:2: words.M1000 is no word; allowed: G or M with a number up to 999.9, in quotes, such as "M204"'),
    ('[words]\n"m5" = "pause"\n"M05" = "pause"',
     "shop.toml:3: M5 is given twice in [words]; allowed: once (first in line 2)"),
    ('[words]\nG92.1 = "rename position"',
     'shop.toml:2: words.G92 has a point without quotes around it (write "G92.1" in quotes)'),
    ('[words]\n"M7" = "limit"',
     'shop.toml:2: words.M7 = "limit" (a [[limit]] block says which letter states which limit)'),
    ("limit = 5",
     "shop.toml:1: limit = 5; allowed: [[limit]] blocks, each with word, letter, means, unit, beside and without"),
    ("limit = [5]", "shop.toml:1: limit has an element 5; allowed: [[limit]] blocks"),
    (LIMIT_ROW.replace("M880", "880"),
     'shop.toml:2: limit.word = "880"; allowed: G or M with a number up to 999.9, in quotes, such as "M204"'),
    (LIMIT_ROW.replace("M880", "G1"), "shop.toml:2: G1 makes moves: it cannot state a limit; allowed: any other word"),
    (LIMIT_ROW.replace('"A"', '"AB"'), 'shop.toml:3: limit.letter = "AB"; allowed: one letter, none of G, M, N'),
    (LIMIT_ROW.replace('"A"', '"M"'), 'shop.toml:3: limit.letter = "M"; allowed: one letter, none of G, M, N'),
    (LIMIT_ROW.replace("letter", "leter"), "shop.toml:3: unknown key limit.leter (did you mean 'letter'?)"),
    (LIMIT_ROW.replace("speed cap", "sped cap"),
     "shop.toml:4: limit.means = \"sped cap\" (did you mean 'speed cap'?)"),
    (LIMIT_ROW.replace("mm/s", "m/s"),
     "shop.toml:5: limit.unit = \"m/s\"; allowed: \"mm/s\" or \"mm/min\" for 'speed cap' (did you mean 'mm/s'?)"),
    (LIMIT_ROW.replace('unit = "mm/s"', ""),
     'shop.toml:1: limit.unit is missing; allowed: a unit in quotes, such as "mm/s2"'),
    (LIMIT_ROW + LIMIT_ROW.replace('"A"', '"a"'),
     "shop.toml:7: M880 A is given twice in [[limit]]; allowed: once (first in line 2)"),
    ('[words]\n"M0880" = "pause"\n' + LIMIT_ROW, "shop.toml:4: M880 stands in [[limit]] and in [words] (line 2);"
     " allowed: one of them: a word that states limits means nothing else"),
    (WRITE_ROW.replace("{value}", "5"),
     'shop.toml:3: write.text = "SET 5"; allowed: text with {value} once, and no other braces'),
    (WRITE_ROW.replace("{value}", "{value} {x}"),
     'shop.toml:3: write.text = "SET {value} {x}"; allowed: text with {value} once, and no other braces'),
    (WRITE_ROW.replace("speed cap", "layer"),
     'shop.toml:2: write.means = "layer"; allowed: print acceleration, travel acceleration, junction deviation, x step,'
     " y step, z step, pressure advance, speed cap"),
    (WRITE_ROW.replace("mm/s", "mm/s2"),
     "shop.toml:4: write.unit = \"mm/s2\"; allowed: \"mm/s\" or \"mm/min\" for 'speed cap'"
     " (did you mean 'mm/s'?)"),
    (WRITE_ROW + WRITE_ROW, "shop.toml:6: 'speed cap' is given twice in [[write]]; allowed: once (first in line 2)"),
    ("[[text]]\npattern = 'a(b'\nmeans = 'pause'", 'shop.toml:2: text.pattern = "a(b" is no regular expression:'
     " missing ), unterminated subpattern at position 1"),
    ("[[text]]\npattern = 'a (?P<time>b)'\nmeans = 'dwell'\nunit = 's'",
     "shop.toml:2: text.pattern = \"a (?P<time>b)\" has no group 'value'; allowed: (?P<value>…) in it"
     " (its groups: time)"),
    ("[[text]]\npattern = 'a'\nmeans = 'paus'", "shop.toml:3: text.means = \"paus\" (did you mean 'pause'?)"),
    ("[[text]]\npattern = 'a'\nmeans = ' pause'", "shop.toml:3: text.means = \" pause\" (did you mean 'pause'?)"),
    ("[[text]]\npattern = 'a'\nmeans = 'pause'\nunit = 's'",
     "shop.toml:4: text.unit = \"s\": 'pause' has no value; allowed: no unit"),
    ("\n[[text]]\npattern = '(?P<value>.)'\nmeans = 'override'",
     "shop.toml:2: text.unit is missing; allowed: \"1\" or \"%\" for 'override'"),
    ("[[text]]\npattern = '(?P<value>.)'\nmeans = 'pressure advance'\nunit = 'us'",
     "shop.toml:4: text.unit = \"us\"; allowed: \"s\" or \"ms\" for 'pressure advance' (did you mean 's'?)"),
    ("[[text]]\nmeans = 'pause'",
     "shop.toml:1: text.pattern is missing; allowed: a regular expression in 'single quotes'"),
    ("[[label]]\npattern = 'x'",
     "shop.toml:2: label.pattern = \"x\" has no group 'label'; allowed: (?P<label>…) in it"),
    ("[[layer]]\npattern = '(?P<label>x)'",
     "shop.toml:2: layer.pattern = \"(?P<label>x)\" has no group 'layer'; allowed: (?P<layer>…) in it"
     " (its groups: label)"),
    ("[[layer]]\npattern = 5", "shop.toml:2: layer.pattern = 5; allowed: a regular expression in 'single quotes'"),
    ("[words]\n\n[words]", "shop.toml:3: words is given twice; allowed: once (first in line 1)"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), ONE_MISTAKE, ids=[text[:40] for text, _ in ONE_MISTAKE])
def test_one_mistake_gives_one_sentence(text: str, expected: str) -> None:
    assert errors_of(text) == [expected]


def test_a_meaning_that_is_near_none_lists_them_all() -> None:
    (error,) = errors_of('[words]\n"M8" = 5')
    assert error.startswith("shop.toml:2: words.M8 = 5; allowed: rapid, line, arc clockwise")
    assert all(meaning in error for meaning in MEANINGS if meaning != "limit")


def test_a_backslash_in_double_quotes_is_told_where_to_stand() -> None:
    (error,) = errors_of('[[text]]\npattern = "REST \\d"\nmeans = "ignore"')
    assert error.startswith("shop.toml:2: not valid TOML: Unescaped '\\'")
    assert error.endswith("(in 'single quotes' a backslash stands for itself)")


def test_all_mistakes_are_told_at_once_in_the_order_of_their_lines() -> None:
    errors = errors_of(
        """
dwell_p = 4
[words]
"M5" = "nothing"
G92.1 = "pause"
[[limit]]
word = "M300"
leter = "S"
means = "speed cup"
unit = 7
[[text]]
pattern = '('
means = "dwell"
[[label]]
patern = 'x'
[extruder]
leter = "E"
"""
    )
    assert [int(error.split(":")[1]) for error in errors] == [2, 4, 5, 8, 9, 10, 11, 12, 15, 17]


def test_the_sample_dialect_is_what_it_says() -> None:
    dialect = load_dialect(SHOP)
    assert dialect.name == "co-op bench controller"
    assert (dialect.strict, dialect.dwell_p_seconds, dialect.semicolon_comments) == (False, 0.001, True)
    assert dialect.words["M871"] == "pause"
    assert dialect.words["M104"] == EXTRUSION.words["M104"]
    assert dialect.meanings[1, 8710] == PAUSE_WORD
    assert dialect.meanings[1, 8800] == LIMIT_WORD
    assert LimitWord("M880", "Q", "pressure advance", "ms") in dialect.limits
    assert [row for row in dialect.limits if row.word == "M881"] == [
        LimitWord("M881", "H", "travel acceleration", "mm/s2", "A", "Q"),
        LimitWord("M881", "H", "retraction acceleration", "mm/s2"),
    ]
    assert dialect.meanings[0, 8850] == RETRACT_OR_HEAT
    assert {row.means for row in dialect.texts} == {
        "acceleration", "junction deviation", "override", "dwell", "pause", "ignore",
    }  # fmt: skip
    assert dialect.labels == ("road: (?P<label>.*)",)
    assert len(dialect.layers) == 1


def test_an_empty_file_is_the_extrusion_dialect_under_its_own_name(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("")
    dialect = load_dialect(path)
    assert dialect.name == "bench"
    assert dict(dialect.words) == {
        word: means for word, means in EXTRUSION.words.items() if word not in {row.word for row in EXTRUSION.limits}
    }
    assert dialect.limits == EXTRUSION.limits
    assert (dialect.meanings == EXTRUSION.meanings).all()


def test_what_is_left_out_comes_from_the_base() -> None:
    dialect = dialect_from_text('based_on = "rs274"\ndwell_p = "ms"\n[extruder]\nletter = "A"\nunit = "mm3"', "x")
    assert (dialect.strict, dialect.semicolon_comments) == (True, False)
    assert (dialect.dwell_p_seconds, dialect.extruder_letter, dialect.extruder_is_volume) == (0.001, "A", True)
    assert dict(dialect.words) == dict(RS274.words)
    assert dialect_from_text('based_on = "rs274"', "x").dwell_p_seconds == 1.0
    assert dialect_from_text('dwell_p = "s"\nsemicolon_comments = false', "x").semicolon_comments is False


def test_a_limit_row_replaces_the_one_of_the_same_word_and_letter() -> None:
    row = '[[limit]]\nword = "m0203"\nletter = "x"\nmeans = "x speed"\nunit = "mm/min"'
    dialect = dialect_from_text(row, "x")
    assert len(dialect.limits) == len(EXTRUSION.limits)
    position = EXTRUSION.limits.index(LimitWord("M203", "X", "x speed", "mm/s"))
    assert dialect.limits[position] == LimitWord("M203", "X", "x speed", "mm/min")


def test_a_word_with_a_meaning_states_no_limits_any_more_and_the_other_way_round() -> None:
    silent = dialect_from_text('[words]\n"M204" = "no effect on time"', "x")
    assert not [row for row in silent.limits if row.word == "M204"]
    assert silent.meanings[1, 2040] == NO_EFFECT
    stating = dialect_from_text(LIMIT_ROW.replace("M880", "M106"), "x")
    assert "M106" not in stating.words
    assert stating.meanings[1, 1060] == LIMIT_WORD


def test_texts_and_patterns_are_taken_as_they_stand() -> None:
    text = "[[text]]\npattern = 'REST (?P<value>\\d+)'\nmeans = 'dwell'\nunit = 'ms'\n[[text]]\npattern = 'LAMP'\n"
    dialect = dialect_from_text(text + "means = 'ignore'", "x")
    assert dialect.texts == (TextCommand(r"REST (?P<value>\d+)", "dwell", "ms"), TextCommand("LAMP", "ignore"))


@pytest.mark.parametrize("means", FILE_LIMITS)
def test_every_limit_can_be_stated_in_each_of_its_units(means: str) -> None:
    for unit in LIMIT_UNITS[FILE_LIMITS[means][1]]:
        row = f"[[limit]]\nword = 'M880'\nletter = 'A'\nmeans = '{means}'\nunit = '{unit}'"
        assert dialect_from_text(row, "x").limits[-1].means == means


def test_words_have_one_way_of_writing() -> None:
    written = {
        "g01": "G1",
        "G1.0": "G1",
        "G92.1": "G92.1",
        " m0204 ": "M204",
        "G0": "G0",
        "G00": "G0",
        "M999.9": "M999.9",
    }
    assert {word: canonical_word(word) for word in written} == written
    assert [canonical_word(word) for word in ("", "G", "T1", "G1.25", "G1000", "M-1", "M4 M5", "M٣")] == [""] * 8


def test_a_bare_name_is_a_built_in_first_and_a_file_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert load_dialect("rs274") is RS274
    (tmp_path / "rs274").write_text("name = 'not the built-in'")
    (tmp_path / "bench").write_text("name = 'Bench'")
    assert load_dialect("rs274") is RS274
    assert load_dialect("./rs274").name == "not the built-in"
    assert load_dialect("bench").name == "Bench"
    expected = "--dialect: no dialect 'extrusio'; allowed: extrusion, rs274, or the path of a dialect file (TOML)"
    with pytest.raises(InputError, match=re.escape(expected) + r".*did you mean 'extrusion'\?"):
        load_dialect("extrusio")
    with pytest.raises(InputError, match=r"the built-in dialect is called 'rs274'"):
        load_dialect("rs274.toml")
    (tmp_path / "shop.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(InputError, match=r"shop\.toml:1: is not text in UTF-8; allowed: a dialect file \(TOML\)"):
        load_dialect("shop.toml")
    with pytest.raises(InputError, match=r"no such file; .*did you mean 'shop\.toml'\?"):
        load_dialect("shopp.toml")
