"""Every kind of mistake in a machine file comes out as a sentence with its line, and all of them at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine, load_machine


def errors_of(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    return [str(finding) for finding in caught.value.findings]


FLOW = "a number above 0 (1e-9 to 1e9), or rows [[°C, mm³/s], …] with rising °C"
ONE_MISTAKE = [
    ("[axes.x]\nmax_sped_mm_s = 3", "bench.toml:2: unknown key axes.x.max_sped_mm_s (did you mean 'max_speed_mm_s'?)"),
    ("[axis.x]\nmax_speed_mm_s = 3", "bench.toml:1: unknown key axis (did you mean 'axes'?)"),
    ("\n[axes.w]\nmax_speed_mm_s = 3", "bench.toml:2: unknown key axes.w; allowed: x, y, z, e"),
    ("[motion]\nmax_flow_mm3_s = 3", "bench.toml:2: unknown key motion.max_flow_mm3_s"
     " (did you mean 'hotend.max_flow_mm3_s'?)"),
    ("[first_layers]\ncount = 1", "bench.toml:1: unknown key first_layers (did you mean 'motion.first_layers'?)"),
    ("print_acceleration = 900", "bench.toml:1: unknown key print_acceleration"
     " (did you mean 'motion.print_acceleration_mm_s2'?)"),
    ("[motion.by_kind.print]\ntravel_acceleration_mm_s2 = 3", "bench.toml:2: unknown key"
     " motion.by_kind.print.travel_acceleration_mm_s2"
     " (did you mean 'motion.by_kind.travel.travel_acceleration_mm_s2'?)"),
    ("[motion]\nspeed_step_mm_s = { x = 8, q = 1 }",
     "bench.toml:2: unknown key motion.speed_step_mm_s.q; allowed: x, y, z"),
    ("[hotend]\nMAX_FLOW_MM3_S = 3",
     "bench.toml:2: unknown key hotend.MAX_FLOW_MM3_S (did you mean 'max_flow_mm3_s'?)"),
    ('[hotend]\n"a b" = 3', 'bench.toml:2: unknown key hotend."a b"; allowed: nozzle_mm, max_flow_mm3_s'),
    ("[hotend]\nmax_flow_mm3_s = -3",
     f"bench.toml:2: hotend.max_flow_mm3_s = -3; allowed: {FLOW}"),
    ("[hotend]\nmax_flow_mm3_s = 0",
     f"bench.toml:2: hotend.max_flow_mm3_s = 0; allowed: {FLOW} "
     "(leave the key out for no limit)"),
    ("[hotend]\nmax_flow_mm3_s = inf",
     f"bench.toml:2: hotend.max_flow_mm3_s = inf; allowed: {FLOW} "
     "(leave the key out for no limit)"),
    ("[hotend]\nmax_flow_mm3_s = []",
     f"bench.toml:2: hotend.max_flow_mm3_s = []; allowed: {FLOW} (one row or more, each [°C, mm³/s])"),
    ("[hotend]\nmax_flow_mm3_s = [200, 9]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [200, 9]; allowed: {FLOW} (one row or more, each [°C, mm³/s])"),
    ("[hotend]\nmax_flow_mm3_s = [[200, 9],\n [220]]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [[200, 9], [220]]; allowed: {FLOW} (one row or more, each [°C, mm³/s])"),
    ("[hotend]\nmax_flow_mm3_s = [[220, 9], [200, 12]]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [[220, 9], [200, 12]]; allowed: {FLOW}"
     " (°C must rise from row to row, and 200 stands after 220)"),
    ("[hotend]\nmax_flow_mm3_s = [[200, 9], [200, 12]]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [[200, 9], [200, 12]]; allowed: {FLOW}"
     " (°C must rise from row to row, and 200 stands after 200)"),
    ("[hotend]\nmax_flow_mm3_s = [[200, 9], [220, 0]]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [[200, 9], [220, 0]]; allowed: {FLOW}"),
    ("[hotend]\nmax_flow_mm3_s = [[-300, 9]]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [[-300, 9]]; allowed: {FLOW}"),
    ("[hotend]\nmax_flow_mm3_s = [[true, 9], [false, 9]]",
     f"bench.toml:2: hotend.max_flow_mm3_s = [[true, 9], [false, 9]]; allowed: {FLOW}"),
    ("[hotend]\nnozzle_mm = nan", "bench.toml:2: hotend.nozzle_mm = nan; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[hotend]\nnozzle_mm = true", "bench.toml:2: hotend.nozzle_mm = true; allowed: a number above 0 (1e-9 to 1e9)"),
    ('[hotend]\nnozzle_mm = "0.4"',
     'bench.toml:2: hotend.nozzle_mm = "0.4"; allowed: a number above 0 (1e-9 to 1e9) '
     '(write it without quotes)'),
    ('[hotend]\nnozzle_mm = "wide"',
     'bench.toml:2: hotend.nozzle_mm = "wide"; allowed: a number above 0 (1e-9 to 1e9)'),
    ("[hotend]\nnozzle_mm = 1979-05-27",
     "bench.toml:2: hotend.nozzle_mm = 1979-05-27; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[hotend]\nnozzle_mm = 0x" + "f" * 9000,
     "bench.toml:2: hotend.nozzle_mm = a huge whole number; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[motion]\njunction_deviation_mm = 0",
     "bench.toml:2: motion.junction_deviation_mm = 0; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[motion]\ncurve_rule = 1", "bench.toml:2: motion.curve_rule = 1; allowed: true or false"),
    ("[motion]\nlookahead_moves = 0", "bench.toml:2: motion.lookahead_moves = 0; allowed: a whole number, 1 or more"),
    ("[motion]\nlookahead_moves = 2.5",
     "bench.toml:2: motion.lookahead_moves = 2.5; allowed: a whole number, 1 or more"),
    ("[motion]\nlookahead_moves = true",
     "bench.toml:2: motion.lookahead_moves = true; allowed: a whole number, 1 or more"),
    ("[motion]\nspeed_step_mm_s = {}",
     "bench.toml:2: motion.speed_step_mm_s = {}; allowed: a table with at least one of x, y, z"),
    ("[motion]\nspeed_step_mm_s = 8",
     "bench.toml:2: motion.speed_step_mm_s = 8; allowed: a table with at least one of x, y, z"),
    ("[motion.first_layers]\ncount = -1",
     "bench.toml:2: motion.first_layers.count = -1; allowed: a whole number, 0 or more"),
    ("[stops]\nhoming_s = -0.1", "bench.toml:2: stops.homing_s = -0.1; allowed: a number, 0 or more (up to 1e9)"),
    ("[stops]\nambient_c = -300",
     "bench.toml:2: stops.ambient_c = -300; allowed: a temperature in °C, a number above -273.15"),
    ('[machine]\nmechanism = "cartesan"',
     "bench.toml:2: machine.mechanism = \"cartesan\"; allowed: \"cartesian\", \"crossed-belt\", \"linear-delta\""
     " (did you mean 'cartesian'?)"),
    ("[machine]\nbed_mm = [220, 220]",
     "bench.toml:2: machine.bed_mm = [220, 220]; allowed: three numbers above 0, [x, y, z]"),
    ("[machine]\nbed_mm = [\n220,\n0,\n-4]",
     "bench.toml:2: machine.bed_mm = [220, 0, -4]; allowed: three numbers above 0, [x, y, z]"),
    ("[machine]\nkeep_out_mm = [[10, 0, 0, 20]]",
     "bench.toml:2: machine.keep_out_mm = [[10, 0, 0, 20]]; allowed: rectangles [[x0, y0, x1, y1], …] with x0 below x1 "
     "and y0 below y1"),
    ("[machine]\nhome_mm = [0, nan, 0]",
     "bench.toml:2: machine.home_mm = [0, nan, 0]; allowed: three numbers, [x, y, z]"),
    ("[machine]\nname = 4", "bench.toml:2: machine.name = 4; allowed: text in quotes"),
    ("hotend = 5", "bench.toml:1: hotend = 5; allowed: a table [hotend] with nozzle_mm, max_flow_mm3_s"),
    ("\n[[hotend]]\nnozzle_mm = 1",
     "bench.toml:2: hotend = an array of tables; allowed: a table [hotend] with nozzle_mm, max_flow_mm3_s"),
    ("[candidate]\nname = 'a'\nset = {}",
     "bench.toml:1: candidate = { name = \"a\", set = {} }; allowed: [[candidate]] blocks, each with name and set"),
    ("candidate = [3]", "bench.toml:1: candidate has an element 3; allowed: [[candidate]] blocks"),
    ("[[candidates]]\nname = 'a'\nset = {}", "bench.toml:1: unknown key candidates (did you mean 'candidate'?)"),
    ("[[candidate]]\nnam = 'a'\nset = {}", "bench.toml:2: unknown key candidate.nam (did you mean 'name'?)"),
    ("[[candidate]]\nset = {}", "bench.toml:1: candidate.name is missing; allowed: text in quotes, not blank"),
    ("[[candidate]]\nname = ' '\nset = {}",
     'bench.toml:2: candidate.name = " "; allowed: text in quotes, not blank'),
    ("[[candidate]]\nname = 'a'\nset = 4",
     'bench.toml:3: candidate.set = 4; allowed: a table of settings, { "dotted.key" = value }'),
    ("[[candidate]]\nname = 'a'\nset = { 'motion.feed_overide' = 2 }",
     "bench.toml:3: candidate 'a': unknown key motion.feed_overide (did you mean 'motion.feed_override'?)"),
    ("[[candidate]]\nname = 'a'\nset = { motion.feed_override = -2 }",
     "bench.toml:3: candidate 'a': motion.feed_override = -2; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[[candidate]]\nname = 'a'\n[candidate.set]\nflow = 5\n'hotend.max_flow_mm3_s' = 6",
     "bench.toml:5: candidate 'a': hotend.max_flow_mm3_s is given twice; allowed: once"),
    ("[[candidate]]\nname = 'a'\nset = { corner = 1, 'motion.speed_step_mm_s' = { x = 8 } }",
     "bench.toml:3: candidate 'a': both motion.junction_deviation_mm and motion.speed_step_mm_s are given;"
     " allowed: one of them: a machine has one corner rule"),
    ("[motion]\nspeed_step_mm_s = { x = 8 }\njunction_deviation_mm = 0.05",
     "bench.toml:3: both motion.junction_deviation_mm and motion.speed_step_mm_s are given;"
     " allowed: one of them: a machine has one corner rule"),
    ("[[candidate]]\nname = 'a'\nset = {}\n[[candidate]]\nname = 'a'\nset = {}",
     "bench.toml:5: two candidates are named 'a'; allowed: each name once (first in line 2)"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), ONE_MISTAKE, ids=[text[:40] for text, _ in ONE_MISTAKE])
def test_one_mistake_gives_one_sentence(text: str, expected: str) -> None:
    assert errors_of(text) == [expected]


def test_names_that_differ_by_blanks_only_are_the_same() -> None:
    (error,) = errors_of("[[candidate]]\nname = 'a'\nset = {}\n[[candidate]]\nname = ' a'\nset = {}")
    assert error.startswith("bench.toml:5: two candidates are named")


def test_all_mistakes_are_told_at_once_in_the_order_of_their_lines() -> None:
    text = """
[[candidate]]
name = "brisk"
set = { "motion.print_aceleration_mm_s2" = 4000, "motion.feed_override" = nan }
[hotend]
nozzle_mm = 0
[axes.x]
max_sped_mm_s = 300  # and "another = 1"
max_acceleration_mm_s2 = "3000"
[motion]
junction_deviation_mm = 0.05
speed_step_mm_s = { x = -8 }
[machine]
bed_mm = [1, 2, 3, 4]
[[candidate]]
name = "brisk"
set = { acceleration = true }
"""
    errors = errors_of(text)
    lines = [int(error.split(":")[1]) for error in errors]
    assert lines == [4, 4, 6, 8, 9, 11, 12, 14, 16, 17]
    assert "print_aceleration_mm_s2" in errors[0]
    assert "motion.feed_override = nan" in errors[1]


SYNTAX = [
    ("[motion]\nfeed_override 2", 2, "not valid TOML"),
    ("[motion]\n\nfeed_override = ", 3, "not valid TOML"),
    ("[motion\nfeed_override = 2", 1, "not valid TOML"),
    ("[motion]\nfeed_override = 2,5", 2, "not valid TOML"),
    ("[motion]\nfeed_override = .5", 2, "not valid TOML"),
    ('[machine]\nname = "open', 2, "not valid TOML"),
    ("a = [1,\n2", 2, "not valid TOML"),
    ("a = 1\n\0", 2, "not valid TOML"),
    ("[motion]\nfeed_override = 2\n\nfeed_override = 3", 4, "motion.feed_override is given twice"),
    ("[hotend]\nnozzle_mm = 1\n[motion]\n[hotend]", 4, "hotend is given twice"),
    ("a = " + "9" * 5000, 1, "not valid TOML"),
    ("a = " + "[" * 100_000, None, "nested more than 50 deep"),
    ("G1 X10 Y10 F3000\nG1 X20", 1, "not valid TOML"),
]


@pytest.mark.parametrize(("text", "line", "words"), SYNTAX, ids=[text[:30] for text, _, _ in SYNTAX])
def test_what_is_not_toml_is_told_with_its_line(text: str, line: int | None, words: str) -> None:
    (error,) = errors_of(text)
    assert words in error
    assert error.startswith(f"bench.toml:{line}: " if line else "bench.toml: ")


def test_a_repeated_key_names_its_first_line() -> None:
    (error,) = errors_of("[motion]\nfeed_override = 2\nfeed_override = 3")
    assert error == "bench.toml:3: motion.feed_override is given twice; allowed: once (first in line 2)"


def test_missing_file_names_the_nearest_machine_file(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("")
    with pytest.raises(InputError, match=r"bnch\.toml: no such file.*did you mean 'bench\.toml'\?"):
        load_machine(tmp_path / "bnch.toml")
    with pytest.raises(InputError, match=r"the built-in machine is called 'quick'"):
        load_machine(str(tmp_path / "quick.toml"))


def test_folders_binary_files_and_large_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder"):
        load_machine(tmp_path)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"[machine]\nname = '\xff\xfe'\n")
    with pytest.raises(InputError, match=r"binary\.toml:2: is not text in UTF-8"):
        load_machine(binary)
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 4_000_001)
    with pytest.raises(InputError, match="is larger than 4 MB"):
        load_machine(large)
    with pytest.raises(InputError, match="cannot be read"):
        load_machine("nul\0byte.toml")


def test_a_mark_in_front_and_other_line_ends_are_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xef\xbb\xbf[motion]\r\n\r\nfeed_override = 2\r\n")
    machine = load_machine(path)
    assert machine.motion.feed_override == 2.0
    assert machine.origin_of("motion.feed_override") == "bench.toml:3"


def test_a_bare_name_is_a_built_in_first_and_a_file_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "gentle").write_text("machine.name = 'not the built-in'")
    (tmp_path / "bench").write_text("machine.name = 'Bench'")
    assert load_machine("gentle").name == "Gentle"
    assert load_machine(Path("gentle")).name == "not the built-in"
    assert load_machine("./gentle").name == "not the built-in"
    assert load_machine("bench").name == "Bench"
    for name, nearest in (("gentl", "gentle"), ("QUICK", "quick")):
        with pytest.raises(InputError, match=f"gentle, middling, quick.*did you mean '{nearest}'"):
            load_machine(name)
    with pytest.raises(InputError, match="gentle, middling, quick"):
        load_machine("")


def test_mistakes_of_the_file_and_of_settings_come_together(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("[hotend]\nnozzle_mm = -1\n")
    with pytest.raises(InputError) as caught:
        load_machine(path, ["flow=-3", "nonsense", "acceleration=1, corner=0", "flow=2"])
    assert [str(finding).removeprefix(f"{tmp_path}/") for finding in caught.value.findings] == [
        "bench.toml:2: hotend.nozzle_mm = -1; allowed: a number above 0 (1e-9 to 1e9)",
        '--set: "nonsense" has no value; allowed: key=value, several separated by commas',
        "--set: motion.junction_deviation_mm = 0; allowed: a number above 0 (1e-9 to 1e9)",
    ]
