"""Limits by label: any name, in the file, in settings, in candidates and in what is reported."""

from __future__ import annotations

import copy
import json
import pickle
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.machine import Candidate, Machine, load_machine, parse_settings, resolved_keys
from kinematics.machine.keys import LabelMoves
from kinematics.toml.files import quoted

KEYS = (
    "print_acceleration_mm_s2",
    "travel_acceleration_mm_s2",
    "commanded_speed_mm_s",
    "feed_override",
    "speed_cap_mm_s",
)
BENCH = """
[motion]
feed_override = 1.5
[motion.by_label.outer]
print_acceleration_mm_s2 = 600
commanded_speed_mm_s = 60.0
[motion.by_label."outer wall, 2.0"]
speed_cap_mm_s = 90
[[candidate]]
name = "slow outer walls"
set = { motion.by_label.outer.print_acceleration_mm_s2 = 400, 'motion.by_label."outer wall, 2.0".feed_override' = 0.5 }
[[candidate]]
name = "inner"
[candidate.set."motion.by_label"]
"a.b" = { feed_override = 2 }
"""
labels = st.one_of(
    st.text(st.characters(exclude_categories=["Cs"])),
    st.text("\"'.\\=, []{}#ab\n"),
    st.sampled_from(["get", "keys", "outer", "motion.by_label", "_sections", "print_acceleration_mm_s2"]),
)


def bench() -> Machine:
    return Machine.from_toml_text(BENCH, "bench.toml")


def test_a_label_reads_as_a_mapping() -> None:
    by_label = bench().motion.by_label
    assert list(by_label) == ["outer", "outer wall, 2.0"]
    assert by_label["outer"] == LabelMoves(print_acceleration_mm_s2=600.0, commanded_speed_mm_s=60.0)
    assert by_label["outer wall, 2.0"].speed_cap_mm_s == 90.0
    assert by_label["outer"].travel_acceleration_mm_s2 is None
    assert "inner" not in by_label
    assert len(Machine().motion.by_label) == 0


def test_every_key_of_a_label_is_reported_behind_the_kinds() -> None:
    machine = bench()
    rows = {row.key: row for row in machine.effective()}
    keys = list(rows)
    first = keys.index("motion.by_kind.travel.speed_cap_mm_s") + 1
    expected = [f"motion.by_label.{label}.{key}" for label in ("outer", '"outer wall, 2.0"') for key in KEYS]
    assert keys[first : first + 11] == [*expected, "motion.first_layers.count"]
    assert rows["motion.by_label.outer.print_acceleration_mm_s2"][1:] == (600.0, "bench.toml:5")
    assert rows['motion.by_label."outer wall, 2.0".speed_cap_mm_s'][1:] == (90.0, "bench.toml:8")
    assert rows['motion.by_label."outer wall, 2.0".feed_override'][1:] == (None, "not given")
    for row in rows.values():
        assert machine.value_of(row.key) == row.value
        assert machine.origin_of(row.key) == row.origin
    assert machine.origin_of("motion.by_label.'outer'.commanded_speed_mm_s") == "bench.toml:6"
    assert machine.origin_of("motion.by_label.outer") == "bench.toml:5"
    assert machine.origin_of("motion.by_label") == "bench.toml:5"
    assert machine.origin_of("motion.by_label.inner") == "not given"
    assert machine.value_of("motion.by_label.inner.feed_override") is None
    assert machine.origin_of("motion.by_label.inner.feed_override") == "not given"


def test_a_machine_with_labels_survives_copying_pickling_hashing_and_json() -> None:
    machine = bench()
    for other in (copy.deepcopy(machine), pickle.loads(pickle.dumps(machine))):
        assert other == machine
        assert hash(other) == hash(machine)
        assert other.effective() == machine.effective()
    tables = json.loads(json.dumps(machine.as_dict(), allow_nan=False))
    assert tables["motion"]["by_label"]["outer"]["print_acceleration_mm_s2"] == 600.0
    assert tables["motion"]["by_label"]["outer wall, 2.0"]["feed_override"] is None
    again = Machine(**tables | {"candidate": machine.candidates})
    assert again == machine
    assert Machine().as_dict()["motion"]["by_label"] == {}
    with pytest.raises(TypeError):
        machine.motion.by_label["outer"] = LabelMoves()  # type: ignore[index]
    with pytest.raises(ValueError, match="frozen"):
        machine.motion.by_label["outer"].feed_override = 3.0


def test_the_order_of_labels_is_no_difference_and_a_label_that_says_nothing_is_none() -> None:
    one = Machine().with_settings({f"motion.by_label.{name}.feed_override": 2 for name in ("a", "b")})
    other = Machine().with_settings({f"motion.by_label.{name}.feed_override": 2 for name in ("b", "a")})
    assert one == other
    assert hash(one) == hash(other)
    assert Machine.from_toml_text("[motion.by_label.outer]", "bench.toml") == Machine()
    assert one != Machine()


@given(labels, st.sampled_from(KEYS), st.floats(1e-3, 1e4))
def test_any_name_works_in_the_file_in_settings_and_as_text(label: str, key: str, value: float) -> None:
    name = f"motion.by_label.{quoted(label)}.{key}"
    machine = Machine.from_toml_text(f"\n[motion.by_label.{quoted(label)}]\n{key} = {value!r}", "bench.toml")
    assert list(machine.motion.by_label) == [label]
    assert getattr(machine.motion.by_label[label], key) == value
    assert machine.value_of(name) == value
    assert machine.origin_of(name) == "bench.toml:3"
    assert Machine().with_settings({name: value}) == machine
    assert Machine().with_settings({"motion": {"by_label": {label: {key: value}}}}) == machine
    assert Machine().with_settings({"motion.by_label": {label: {key: value}}}) == machine
    assert Machine().with_settings({f"motion.by_label.{quoted(label)}": {key: value}}) == machine
    assert parse_settings(f"{name}={value!r}, acceleration=5") == {name: value, "acceleration": 5}
    assert Machine().with_settings(Candidate("tried", {"motion.by_label": {label: {key: value}}}).set) == machine
    assert machine.with_settings({name: None}) == Machine()
    assert machine.with_settings({"acceleration": 600}) == machine


def test_a_candidate_changes_a_label_and_leaves_the_rest() -> None:
    machine = bench()
    slow, inner = machine.candidates
    tried = machine.with_settings(slow.set, "candidate slow")
    assert tried.motion.by_label["outer"].print_acceleration_mm_s2 == 400.0
    assert tried.motion.by_label["outer"].commanded_speed_mm_s == 60.0
    assert tried.motion.by_label["outer wall, 2.0"] == LabelMoves(speed_cap_mm_s=90.0, feed_override=0.5)
    assert tried.origin_of("motion.by_label.outer.print_acceleration_mm_s2") == "candidate slow"
    assert tried.origin_of("motion.by_label.outer.commanded_speed_mm_s") == "bench.toml:6"
    assert list(machine.with_settings(inner.set).motion.by_label) == ["outer", "outer wall, 2.0", "a.b"]
    assert machine.motion.by_label["outer"].print_acceleration_mm_s2 == 600.0


def test_settings_as_text_take_names_with_and_without_quotes() -> None:
    texts = ('motion.by_label."outer wall".feed_override=2', "motion.by_label.outer wall.feed_override=2")
    texts += ('"motion.by_label.outer wall.feed_override" = 2', "motion.by_label.'outer wall'.feed_override = 2,")
    machines = {load_machine("quick", [text]) for text in texts}
    assert [list(machine.motion.by_label) for machine in machines] == [["outer wall"]]
    with pytest.raises(InputError, match=r'motion\.by_label\."a b"\.feed_override is given twice'):
        load_machine("quick", ['motion.by_label."a b".feed_override=2, motion.by_label.a b.feed_override=3'])


MISTAKES = [
    ("[motion.by_label.outer]\nprint_aceleration_mm_s2 = 3",
     "bench.toml:2: unknown key motion.by_label.outer.print_aceleration_mm_s2"
     " (did you mean 'print_acceleration_mm_s2'?)"),
    ("[motion.by_label.outer]\njunction_deviation_mm = 3",
     "bench.toml:2: unknown key motion.by_label.outer.junction_deviation_mm"
     " (did you mean 'motion.junction_deviation_mm'?)"),
    ('\n[motion.by_label."a.b"]\nfeed_override = 0',
     'bench.toml:3: motion.by_label."a.b".feed_override = 0; allowed: a number above 0 (1e-9 to 1e9)'),
    ("[motion.by_label.outer]\nfeed_override = '2'",
     'bench.toml:2: motion.by_label.outer.feed_override = "2"; allowed: a number above 0 (1e-9 to 1e9) '
     '(write it without quotes)'),
    ("[motion.by_label]\nfeed_override = 2",
     "bench.toml:2: motion.by_label.feed_override = 2; allowed: a table [motion.by_label.NAME] with"
     " print_acceleration_mm_s2, travel_acceleration_mm_s2, commanded_speed_mm_s, feed_override, speed_cap_mm_s"),
    ("[motion]\nby_label = 2", "bench.toml:2: motion.by_label = 2; allowed: a table a label, [motion.by_label.NAME]"),
    ("[[motion.by_label]]\nouter = 2",
     "bench.toml:1: motion.by_label = an array of tables; allowed: a table a label, [motion.by_label.NAME]"),
    ("[motion.by_label.outer.wall]\nfeed_override = 2",
     "bench.toml:1: unknown key motion.by_label.outer.wall; allowed: print_acceleration_mm_s2,"
     " travel_acceleration_mm_s2, commanded_speed_mm_s, feed_override, speed_cap_mm_s"),
    ("[by_label.outer]\nfeed_override = 2", "bench.toml:1: unknown key by_label (did you mean 'motion.by_label'?)"),
    ("[motion.by_label.a]\nfeed_override = 2\n[motion.by_label.'a']",
     "bench.toml:3: motion.by_label.a is given twice; allowed: once (first in line 1)"),
    ("[[candidate]]\nname = 'a'\nset = { 'motion.by_label.\"a.b\".feed_override' = 0 }",
     "bench.toml:3: candidate 'a': motion.by_label.\"a.b\".feed_override = 0; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[[candidate]]\nname = 'a'\n[candidate.set]\nflow = 3\nmotion.by_label.\"a.b\".feed_override = 0",
     "bench.toml:5: candidate 'a': motion.by_label.\"a.b\".feed_override = 0; allowed: a number above 0 (1e-9 to 1e9)"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), MISTAKES, ids=[text[:40] for text, _ in MISTAKES])
def test_mistakes_at_a_label_are_told_with_their_lines(text: str, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    assert [str(finding) for finding in caught.value.findings] == [expected]


@pytest.mark.parametrize(
    ("setting", "value", "words"),
    [
        ("motion.by_label.outer.fed_override", 2, "did you mean 'motion.by_label.outer.feed_override'?"),
        ("motion.by_label.a b.fed_override", 2, "did you mean 'motion.by_label.\"a b\".feed_override'?"),
        ("motion.by_label", 2, "such as motion.by_label.NAME.print_acceleration_mm_s2"),
        ("motion.by_label.outer", 2, "such as motion.by_label.outer.print_acceleration_mm_s2"),
        ("motion.by_label.feed_override", 2, "such as motion.by_label.NAME.feed_override"),
        ("motion.by_label.outer.feed_override", 0, "motion.by_label.outer.feed_override = 0; allowed: a number above"),
        ("motion.by_label.outer wall.feed_override.x", 2, "unknown key motion.by_label.outer wall.feed_override.x"),
    ],
)
def test_a_wrong_setting_of_a_label_is_helped(setting: str, value: Any, words: str) -> None:
    with pytest.raises(InputError) as caught:
        Machine().with_settings({setting: value})
    (finding,) = caught.value.findings
    assert words in str(finding)


STEP = "motion.speed_step_mm_s"
TOUCHED = [
    ({"acceleration": 900}, {"motion.print_acceleration_mm_s2"}),
    ({"corner": 0.1, "flow": 3}, {"motion.junction_deviation_mm", "hotend.max_flow_mm3_s"}),
    ({"speed": 1.5}, {"motion.by_kind.print.feed_override"}),
    ({STEP: {"x": 8}}, {f"{STEP}.{axis}" for axis in "xyz"}),
    ({STEP: None}, {f"{STEP}.{axis}" for axis in "xyz"}),
    ({f"{STEP}.x": 8}, {f"{STEP}.x"}),
    ({"motion": {"by_label": {"a.b": {"feed_override": 2}}}}, {'motion.by_label."a.b".feed_override'}),
    ({"motion.by_label.'a'.feed_override": 2}, {"motion.by_label.a.feed_override"}),
    ({"flow": None}, {"hotend.max_flow_mm3_s"}),
    ({"no such key": 3}, set()),
    ({}, set()),
]


@pytest.mark.parametrize(("settings", "keys"), TOUCHED, ids=[str(settings) for settings, _ in TOUCHED])
def test_the_keys_that_settings_touch(settings: dict[str, Any], keys: set[str]) -> None:
    assert resolved_keys(settings, Machine()) == keys
    assert resolved_keys(Candidate("tried", settings).set, Machine()) == keys


def test_corner_touches_the_rule_that_is_in_force() -> None:
    machine = Machine().with_settings({STEP: {"x": 8, "z": 1}})
    assert resolved_keys({"corner": 0.1}, machine) == {f"{STEP}.x", f"{STEP}.z"}
