"""Ranges in a machine file: read, kept beside plain numbers, changed by settings, and refused in words."""

from __future__ import annotations

import copy
import pickle

import pytest

from kinematics.errors import InputError
from kinematics.machine import Candidate, Machine, Range, load_machine

TEXT = """\
[machine]
name = "Bench"
[motion]
print_acceleration_mm_s2 = { low = 800, likely = 1500, high = 2500 }
[motion.junction_deviation_mm]
low = 0.02
likely = 0.05
high = 0.10
[motion.by_label.low]
feed_override = { low = 1, likely = 1, high = 1.2 }
"""
RANGES = {
    "motion.print_acceleration_mm_s2": Range(800.0, 1500.0, 2500.0),
    "motion.junction_deviation_mm": Range(0.02, 0.05, 0.10),
    "motion.by_label.low.feed_override": Range(1.0, 1.0, 1.2),
}
THREE = "{ low = …, likely = …, high = … }, three numbers"
RISING = "low no more than likely, and likely no more than high"
ANYWHERE = "(only where any number may stand can a range stand as well)"
MISTAKES = [
    ("[motion]\nspeed_cap_mm_s = { low = 3, likely = 2, high = 4 }",
     f"bench.toml:2: motion.speed_cap_mm_s has low = 3 above likely = 2; allowed: {RISING}"),
    ("[motion]\nspeed_cap_mm_s = { low = 1, likely = 2, high = 1.5 }",
     f"bench.toml:2: motion.speed_cap_mm_s has likely = 2 above high = 1.5; allowed: {RISING}"),
    ("[motion]\nspeed_cap_mm_s = { low = nan, likely = 2, high = 3 }",
     f"bench.toml:2: motion.speed_cap_mm_s has low = nan above likely = 2; allowed: {RISING}"),
    ("[motion]\nspeed_cap_mm_s = { low = 1, high = 4 }",
     f"bench.toml:2: motion.speed_cap_mm_s is a range without likely; allowed: {THREE}"),
    ("[motion]\nspeed_cap_mm_s = { low = 1, likly = 2, high = 4 }",
     f"bench.toml:2: motion.speed_cap_mm_s is a range with likly; allowed: {THREE} (did you mean 'likely'?)"),
    ('[motion]\nspeed_cap_mm_s = { low = "1", likely = 2, high = 4 }',
     'bench.toml:2: motion.speed_cap_mm_s.low = "1"; allowed: a number (write it without quotes)'),
    ("[motion]\nspeed_cap_mm_s = { low = 1, likely = true, high = 4 }",
     "bench.toml:2: motion.speed_cap_mm_s.likely = true; allowed: a number"),
    ("[motion]\nspeed_cap_mm_s = { low = 0, likely = 2, high = 4 }",
     "bench.toml:2: motion.speed_cap_mm_s.low = 0; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[motion]\nspeed_cap_mm_s = { low = 1, likely = 2, high = inf }",
     "bench.toml:2: motion.speed_cap_mm_s.high = inf; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[motion]\nspeed_cap_mm_s = { low = -2, likely = -1, high = 4 }",
     "bench.toml:2: motion.speed_cap_mm_s.likely = -1; allowed: a number above 0 (1e-9 to 1e9)"),
    ("[machine]\nname = { low = 1, likely = 2, high = 3 }",
     f"bench.toml:2: machine.name = {{ low = 1, likely = 2, high = 3 }}; allowed: text in quotes {ANYWHERE}"),
    ("[motion]\nlookahead_moves = { low = 8, likely = 16, high = 32 }",
     "bench.toml:2: motion.lookahead_moves = { low = 8, likely = 16, high = 32 }; "
     f"allowed: a whole number, 1 or more {ANYWHERE}"),
    ("[motion]\nspeed_cap_mm_s = { a = 1 }",
     "bench.toml:2: motion.speed_cap_mm_s = { a = 1 }; allowed: a number above 0 (1e-9 to 1e9)"),
    ('[machine]\nmechanism = "linear-delta"\n[machine.delta]\n'
     "arm_mm = { low = 100, likely = 200, high = 210 }\ntower_radius_mm = 125",
     "bench.toml:4: machine.delta.arm_mm.low = 100 does not reach the middle, 125 mm from every tower; "
     "allowed: more than machine.delta.tower_radius_mm"),
    ('[[candidate]]\nname = "odd"\nset = { acceleration = { low = 3, likely = 2, high = 4 } }',
     "bench.toml:3: candidate 'odd': motion.print_acceleration_mm_s2 has low = 3 above likely = 2; "
     f"allowed: {RISING}"),
]  # fmt: skip


def bench() -> Machine:
    """A machine with three ranges."""
    return Machine.from_toml_text(TEXT, "bench.toml")


def test_a_range_stands_beside_its_likely_value() -> None:
    machine = bench()
    assert machine.ranges == RANGES
    for key, known in RANGES.items():
        assert machine.value_of(key) == known.likely
    assert machine.motion.print_acceleration_mm_s2 == 1500.0
    assert machine.origin_of("motion.print_acceleration_mm_s2") == "bench.toml:4"
    assert Machine().ranges == {}


def test_what_is_shown_has_the_range() -> None:
    machine = bench()
    rows = {row.key: row.value for row in machine.effective()}
    assert rows["motion.junction_deviation_mm"] == {"low": 0.02, "likely": 0.05, "high": 0.10}
    assert rows["motion.feed_override"] == 1.0
    told = machine.as_dict()
    assert told["ranges"] == {key: known.as_dict() for key, known in RANGES.items()}
    assert told["motion"]["junction_deviation_mm"] == 0.05
    assert "ranges" not in Machine().as_dict()


def test_ranges_are_part_of_what_makes_machines_equal() -> None:
    machine, likely = bench(), bench().with_settings({key: known.likely for key, known in RANGES.items()})
    assert likely.ranges == {}
    assert machine != likely
    assert machine == bench()
    assert hash(machine) == hash(bench())
    assert copy.deepcopy(machine) == machine
    assert pickle.loads(pickle.dumps(machine)).ranges == RANGES


def test_a_setting_takes_the_range_of_its_own_key_alone() -> None:
    machine = bench().with_settings({"acceleration": 2000.0})
    assert machine.ranges == {key: known for key, known in RANGES.items() if key != "motion.print_acceleration_mm_s2"}
    other = bench().with_settings({"motion.speed_step_mm_s": {"x": 8.0}})
    assert "motion.junction_deviation_mm" not in other.ranges  # one corner rule takes the other out
    assert bench().with_settings({"corner": None}).ranges.keys() == other.ranges.keys()


def test_settings_and_candidates_may_give_ranges() -> None:
    machine = load_machine("middling", ["flow={ low = 9, likely = 11, high = 12 }", "speed=1.2"])
    assert machine.ranges == {"hotend.max_flow_mm3_s": Range(9.0, 11.0, 12.0)}
    assert machine.origin_of("hotend.max_flow_mm3_s") == "--set"
    stepping = Machine().with_settings({"motion.speed_step_mm_s": {"x": Range(6.0, 8.0, 9.0), "y": 8.0}})
    assert stepping.ranges == {"motion.speed_step_mm_s.x": Range(6.0, 8.0, 9.0)}
    candidate = Candidate("brisk", {"acceleration": Range(3000.0, 4000.0, 4500.0)})
    assert candidate.as_dict()["set"] == {"acceleration": {"low": 3000.0, "likely": 4000.0, "high": 4500.0}}
    brisk = bench().with_settings(candidate.set)
    assert brisk.ranges["motion.print_acceleration_mm_s2"] == Range(3000.0, 4000.0, 4500.0)


@pytest.mark.parametrize(("text", "expected"), MISTAKES)
def test_mistakes_come_out_as_sentences_with_their_line(text: str, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    assert [str(finding) for finding in caught.value.findings] == [expected]


def test_all_mistakes_at_once() -> None:
    text = (
        "[motion]\nspeed_cap_mm_s = { low = 1 }\nshort_run_mm = -1\ncurve_window_mm = { low = 2, likely = 1, high = 3 }"
    )
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    assert [finding.place for finding in caught.value.findings] == ["bench.toml:2", "bench.toml:3", "bench.toml:4"]


def test_mistakes_in_settings_name_the_setting() -> None:
    with pytest.raises(InputError, match=r"--set: motion.print_acceleration_mm_s2.high = 10000000000.0; allowed"):
        bench().with_settings({"acceleration": {"low": 1.0, "likely": 2.0, "high": 1e10}})
