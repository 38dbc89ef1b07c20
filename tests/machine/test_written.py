"""Copies of machine files: what is put in holds, and everything else stays byte for byte."""

from __future__ import annotations

import difflib
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.machine import Candidate, Machine, Range, load_machine
from kinematics.machine.file import builtin_text
from kinematics.machine.settings import parse_settings
from kinematics.machine.written import machine_copy, setting_text

ODD = """\
# our own
motors.a = { max_speed_mm_s = 400 } # belt A
axes.x.max_speed_mm_s = 300   # X
[machine]
name = "Odd"
mechanism = "crossed-belt"
[motion]
print_acceleration_mm_s2 = { low = 900, likely = 1000.0, high = 1_200 } # measured
[motion.by_label."outer wall"]
feed_override = 0.5
[motion.speed_step_mm_s]
x = 7 # steps
[[candidate]]
name = "brisk" # try it
set = { acceleration = 4000 }
[hotend]
max_flow_mm3_s = [[200, 9.0], [220, 12.0]]
"""


def changed_lines(before: str, after: str) -> tuple[list[str], list[str]]:
    lines = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [one[2:] for one in lines if one[0] == "-"], [one[2:] for one in lines if one[0] == "+"]


def test_nothing_put_in_changes_nothing() -> None:
    for name in ("gentle", "middling", "quick"):
        assert machine_copy(name) == builtin_text(name)


def test_one_key_changes_one_line_and_keeps_its_comment(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(ODD)
    copy = machine_copy(path, {"motion.print_acceleration_mm_s2": 2500.0, "axes.x.max_speed_mm_s": 320})
    gone, new = changed_lines(ODD, copy)
    assert len(gone) == len(new) == 2
    assert "print_acceleration_mm_s2 = 2500.0 # measured" in new
    assert "axes.x.max_speed_mm_s = 320   # X" in new


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (4000.0, "4000"),
        (0.1, "0.1"),
        (1234567.5, "1234567.5"),
        (12, "12"),
        (True, "true"),
        ("three-hump-EI", "three-hump-EI"),
        ("outer wall", "outer wall"),
        ("true", '"true"'),
        ("12", '"12"'),
        ('red, "best"', '"red, \\"best\\""'),
        (Range(1.0, 2.0, 3.0), "{low = 1.0, likely = 2.0, high = 3.0}"),
        (((200.0, 9.0), (220.0, 12.5)), "[[200.0, 9.0], [220.0, 12.5]]"),
        (({"frequency_hz": 40, "damping_ratio": 0.1},), "[{frequency_hz = 40, damping_ratio = 0.1}]"),
    ],
)
def test_a_setting_is_read_as_it_was(value: Any, text: str) -> None:
    assert setting_text(value) == text
    read = parse_settings(f"key={text}, other=1")["key"]
    plain = value.as_dict() if isinstance(value, Range) else value
    assert read == (json.loads(json.dumps(plain)) if isinstance(plain, tuple) else plain)
    assert parse_settings(f"key={setting_text(Candidate('one', {'key': value}).set['key'])}") == {"key": read}


def test_a_list_of_tables_stands_on_one_line() -> None:
    modes = [{"frequency_hz": 40.0, "damping_ratio": 0.1}, {"frequency_hz": 60.0, "damping_ratio": 0.1}]
    copy = machine_copy("quick", {"vibration.x.modes": modes}, [Candidate("stiffer", {"vibration.y.modes": modes})])
    line = "[{frequency_hz = 40.0, damping_ratio = 0.1}, {frequency_hz = 60.0, damping_ratio = 0.1}]"
    assert f"[vibration.x]\nmodes = {line}\n" in copy
    assert f'set = {{"vibration.y.modes" = {line}}}\n' in copy


@given(st.floats(allow_nan=False, allow_infinity=False) | st.text())
@settings(max_examples=200, deadline=None, derandomize=True)
def test_any_number_or_text_of_a_setting_is_read_as_it_was(value: float | str) -> None:
    assert parse_settings(f"key={setting_text(value)}, other=1") == {"key": value, "other": 1}


def test_the_other_corner_rule_goes(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(ODD)
    machine = Machine.from_toml_text(machine_copy(path, {"motion.junction_deviation_mm": 0.03}), "copy")
    assert machine.motion.junction_deviation_mm == 0.03
    assert machine.motion.speed_step_mm_s is None


def test_ranges_candidates_and_new_sections(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(ODD)
    copy = machine_copy(
        path,
        {"stops.homing_s": Range(20.0, 25.0, 40.0), 'motion.by_label."outer wall".speed_cap_mm_s': 60.0},
        [Candidate("rung 1", {"motion.print_acceleration_mm_s2": 7000, "corner": 0.1})],
    )
    machine = Machine.from_toml_text(copy, "copy")
    assert machine.ranges["stops.homing_s"] == Range(20.0, 25.0, 40.0)
    assert machine.motion.by_label["outer wall"].speed_cap_mm_s == 60.0
    assert [one.name for one in machine.candidates] == ["brisk", "rung 1"]
    gone, _ = changed_lines(ODD, copy)
    assert not gone


def test_a_section_is_written_anew(tmp_path: Path) -> None:
    path = tmp_path / "cooled.toml"
    path.write_text("[cooling]\nshortest_layer_s = 8\n\n[machine]\nname = 'Bench'\n")
    copy = machine_copy(path, sections={"economy": {"currency": "EUR"}, "quality": {"rounding_budget_mm": 0.1}})
    machine = Machine.from_toml_text(copy, "copy")
    assert (machine.economy.currency, machine.cooling.shortest_layer_s) == ("EUR", 8.0)
    assert copy.startswith(path.read_text())


def test_a_name_twice_is_told(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(ODD)
    with pytest.raises(InputError, match="two candidates are named 'brisk'"):
        machine_copy(path, candidates=[Candidate("brisk", {"acceleration": 9000})])


def test_what_is_not_allowed_is_told() -> None:
    with pytest.raises(InputError, match="above 0"):
        machine_copy("gentle", {"acceleration": 0})


NUMBERS = st.floats(1.0, 1e4).map(lambda value: round(value, 3))


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["gentle", "middling", "quick"]),
    st.dictionaries(
        st.sampled_from(
            [
                "motion.print_acceleration_mm_s2",
                "axes.y.max_speed_mm_s",
                "motors.y.max_acceleration_mm_s2",
                "motion.by_kind.travel.speed_cap_mm_s",
                "hotend.max_flow_mm3_s",
                "cooling.shortest_layer_s",
                "motion.speed_step_mm_s.x",
                'motion.by_label."a.b".feed_override',
                "economy.power_w",
            ]
        ),
        st.one_of(NUMBERS, st.none(), NUMBERS.map(lambda value: Range(value / 2, value, value * 2))),
        max_size=5,
    ),
)
def test_a_copy_is_the_machine_with_its_settings(name: str, chosen: dict[str, object]) -> None:
    machine = load_machine(name)
    try:
        wanted = machine.with_settings(chosen)
    except InputError:
        with pytest.raises(InputError):
            machine_copy(name, chosen)
        return
    copy = Machine.from_toml_text(machine_copy(name, chosen), "copy")
    assert copy.as_dict() == wanted.as_dict()
    kept = [line for line in builtin_text(name).splitlines() if line.startswith("#")]
    assert [line for line in machine_copy(name, chosen).splitlines() if line.startswith("#")] == kept
