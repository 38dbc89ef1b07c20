"""Settings as text, settings that change a machine, and candidates."""

from __future__ import annotations

import copy
import pickle
from random import Random
from typing import Any

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.machine import Candidate, Machine, load_machine, parse_settings
from kinematics.machine.names import all_keys
from kinematics.toml.sections import plain

READ = [
    ("a=1", {"a": 1}),
    ("a = 1.5 , b=-2", {"a": 1.5, "b": -2}),
    ("a=.5,b=5.,c=007,d=+3,e=1_000,f=1e3", {"a": 0.5, "b": 5.0, "c": 7.0, "d": 3, "e": 1000, "f": 1000.0}),
    ("a=true,b=false,c=True", {"a": True, "b": False, "c": "True"}),
    ("a=\"x, y = 2\",b='p,q'", {"a": "x, y = 2", "b": "p,q"}),
    (r'a="say \"no, no\"", b=1', {"a": 'say "no, no"', "b": 1}),
    ("a={x=8, y=8}, b=[1, [2, 3], 'a,]']", {"a": {"x": 8, "y": 8}, "b": [1, [2, 3], "a,]"]}),
    ("a=two words,b=Anna's bench, c=size [2]", {"a": "two words", "b": "Anna's bench", "c": "size [2]"}),
    ("a=Bench #2", {"a": "Bench #2"}),
    ("a=5 # five", {"a": "5 # five"}),
    ("a=2026-11-25", {"a": "2026-11-25"}),
    ("a=x=y", {"a": "x=y"}),
    ("a=1,", {"a": 1}),
    ('"motion.x"=1', {"motion.x": 1}),
    ("a=\n1", {"a": 1}),
    ("m.\"a, b=c\".d=1, m.'e, f'.g=2", {'m."a, b=c".d': 1, "m.'e, f'.g": 2}),
    ("m.Anna's bench.d=1, e='f'", {"m.Anna's bench.d": 1, "e": "f"}),
    (r'"m.\"a b\".d"=1', {'m."a b".d': 1}),
]


@pytest.mark.parametrize(("text", "expected"), READ)
def test_settings_are_read_as_written(text: str, expected: dict[str, Any]) -> None:
    settings = parse_settings(text)
    assert settings == expected
    assert [type(value) for value in settings.values()] == [type(value) for value in expected.values()]


REFUSED = [
    ("", "nothing is given"),
    ("a", '"a" has no value'),
    ("a=", "a has no value"),
    ("=3", '"=3" has no key'),
    ("a=1,,b=2", "an empty setting"),
    ("a=1,a=2", "a is given twice"),
    ("a=1,000", "1000, not 1,000"),
    ("a=[1, 2", "are all quotes and brackets closed?"),
    ('a="open, b=2', "are all quotes and brackets closed?"),
    ("a={x=}", "are all quotes and brackets closed?"),
    ("a=[1] x", "are all quotes and brackets closed?"),
]


@pytest.mark.parametrize(("text", "words"), REFUSED)
def test_settings_that_cannot_be_read_say_why(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_settings(text, "--candidate")
    (finding,) = caught.value.findings
    assert finding.place == "--candidate"
    assert words in str(finding)


def test_every_mistake_of_a_text_is_told() -> None:
    with pytest.raises(InputError) as caught:
        parse_settings("a, b=, c=1, =2")
    assert len(caught.value.findings) == 3
    assert {finding.place for finding in caught.value.findings} == {"--set"}


BENCH = """
[machine]
name = "Bench A"
[motion]
speed_step_mm_s = { x = 7, z = 0.5 }
feed_override = 1.5
[[candidate]]
name = "brisk"
set = { "motion.print_acceleration_mm_s2" = 4000, flow = 20 }
[[candidate]]
name = "rounder"
set = { corner = 0.1 }
[[candidate]]
name = "by deviation"
set = { motion.junction_deviation_mm = 0.1 }
"""


def bench() -> Machine:
    return Machine.from_toml_text(BENCH, "bench.toml")


def test_a_setting_changes_one_value_and_its_origin_and_never_the_machine() -> None:
    machine = bench()
    before = copy.deepcopy(machine)
    changed = machine.with_settings({"motion.print_acceleration_mm_s2": 4000.0}, origin="candidate brisk")
    assert changed.motion.print_acceleration_mm_s2 == 4000.0
    assert changed.origin_of("motion.print_acceleration_mm_s2") == "candidate brisk"
    assert changed.origin_of("motion.feed_override") == "bench.toml:6"
    assert (changed.name, changed.candidates) == ("Bench A", machine.candidates)
    assert machine == before
    assert machine.origin_of("motion.print_acceleration_mm_s2") == "default"
    rows = zip(machine.effective(), changed.effective(), strict=True)
    assert [old.key for old, new in rows if old != new] == ["motion.print_acceleration_mm_s2"]


def test_short_names_stand_for_their_keys() -> None:
    machine = Machine().with_settings({"acceleration": 900, "corner": 0.2, "flow": 12, "speed": 1.5})
    assert machine.motion.print_acceleration_mm_s2 == 900.0
    assert machine.motion.junction_deviation_mm == 0.2
    assert machine.hotend.max_flow_mm3_s == 12.0
    assert machine.motion.by_kind.print.feed_override == 1.5
    assert machine.motion.feed_override == 1.0
    assert machine.origin_of("hotend.max_flow_mm3_s") == "--set"


def test_corner_means_the_speed_steps_that_are_in_force() -> None:
    machine = bench().with_settings({"corner": 5})
    assert machine.motion.junction_deviation_mm is None
    steps = machine.motion.speed_step_mm_s
    assert steps is not None
    assert (steps.x, steps.y, steps.z) == (5.0, None, 5.0)


def test_giving_one_corner_rule_takes_the_other_out() -> None:
    by_deviation = bench().with_settings({"motion.junction_deviation_mm": 0.1})
    assert by_deviation.motion.speed_step_mm_s is None
    assert by_deviation.origin_of("motion.speed_step_mm_s") == "not given"
    back = by_deviation.with_settings({"motion.speed_step_mm_s": {"y": 3}})
    assert back.motion.junction_deviation_mm is None
    assert back.value_of("motion.speed_step_mm_s.y") == 3.0
    assert back.value_of("motion.speed_step_mm_s.x") is None
    assert back.with_settings({"motion.speed_step_mm_s.x": 2}).value_of("motion.speed_step_mm_s.y") == 3.0
    assert back.with_settings({"motion.speed_step_mm_s": {"x": 2}}).value_of("motion.speed_step_mm_s.y") is None
    with pytest.raises(InputError, match="both"):
        Machine().with_settings({"motion.speed_step_mm_s.x": 2, "corner": 1})


def test_none_takes_a_key_out_again() -> None:
    machine = load_machine("quick").with_settings(
        {"flow": None, "acceleration": None, "cooling.shortest_layer_s": None}
    )
    assert machine.hotend.max_flow_mm3_s is None
    assert machine.motion.print_acceleration_mm_s2 == 600.0
    assert machine.origin_of("motion.print_acceleration_mm_s2") == "default"
    assert machine.limits_not_given() == ["hotend.max_flow_mm3_s", "cooling.shortest_layer_s"]
    assert bench().with_settings({"motion.speed_step_mm_s": None}).motion.junction_deviation_mm == 0.05


def test_numbers_of_a_sweep_are_numbers() -> None:
    machine = Machine().with_settings({"acceleration": np.float64(900), "motion.lookahead_moves": np.float64(32)})
    assert machine.motion.lookahead_moves == 32
    assert type(machine.motion.lookahead_moves) is int
    assert Machine().with_settings({"motion.lookahead_moves": np.int64(4)}).motion.lookahead_moves == 4
    assert Machine().with_settings({"machine.bed_mm": np.array([1, 2, 3]).tolist()}).machine.bed_mm == (1.0, 2.0, 3.0)
    with pytest.raises(InputError):
        Machine().with_settings({"acceleration": np.float64("nan")})
    with pytest.raises(InputError):
        Machine().with_settings({"acceleration": np.bool_(True)})


def test_every_mistake_of_settings_is_told_in_their_order() -> None:
    with pytest.raises(InputError) as caught:
        Machine().with_settings(
            {
                "flow": -1,
                "axes.x.max_sped_mm_s": 4,
                "motion": 5,
                "acceleration": 5,
                "motion.print_acceleration_mm_s2": 6,
                "print_acceleration_mm_s2": 7,
                "motion.speed_step_mm_s": {"q": 1},
                "machine.mechanism": "x",
            },
            origin="candidate brisk",
        )
    assert [str(finding) for finding in caught.value.findings] == [
        "candidate brisk: hotend.max_flow_mm3_s = -1; "
        "allowed: a number above 0 (1e-9 to 1e9), or rows [[°C, mm³/s], …] with rising °C",
        "candidate brisk: unknown key axes.x.max_sped_mm_s (did you mean 'axes.x.max_speed_mm_s'?)",
        "candidate brisk: motion is a section, not a key;"
        " allowed: one of its keys, such as motion.print_acceleration_mm_s2",
        "candidate brisk: motion.print_acceleration_mm_s2 is given twice; allowed: once",
        "candidate brisk: unknown key print_acceleration_mm_s2 (did you mean 'motion.print_acceleration_mm_s2'?)",
        "candidate brisk: unknown key motion.speed_step_mm_s.q;"
        " allowed: motion.speed_step_mm_s.x, motion.speed_step_mm_s.y, motion.speed_step_mm_s.z",
        'candidate brisk: machine.mechanism = "x"; allowed: "cartesian", "crossed-belt", "linear-delta"',
    ]


def test_a_candidate_of_the_file_can_be_applied() -> None:
    machine = bench()
    assert [candidate.name for candidate in machine.candidates] == ["brisk", "rounder", "by deviation"]
    brisk, rounder, by_deviation = machine.candidates
    assert brisk.set == {"motion.print_acceleration_mm_s2": 4000, "flow": 20}
    assert by_deviation.set == {"motion.junction_deviation_mm": 0.1}
    tried = machine.with_settings(brisk.set, f"candidate {brisk.name}")
    assert tried.hotend.max_flow_mm3_s == 20.0
    assert tried.origin_of("hotend.max_flow_mm3_s") == "candidate brisk"
    assert machine.with_settings(rounder.set).value_of("motion.speed_step_mm_s.x") == 0.1
    assert machine.with_settings(by_deviation.set).motion.speed_step_mm_s is None


def test_a_candidate_is_frozen_hashable_and_made_by_place_or_by_name() -> None:
    values: dict[str, Any] = {"motion.speed_step_mm_s": {"x": 8.0}, "machine.bed_mm": [1, 2, 3]}
    candidate = Candidate("brisk", values)
    values["machine.bed_mm"].append(4)
    assert candidate == Candidate(name="brisk", set={"motion.speed_step_mm_s": {"x": 8.0}, "machine.bed_mm": [1, 2, 3]})
    assert candidate.set["machine.bed_mm"] == (1, 2, 3)
    assert hash(candidate) == hash(copy.deepcopy(candidate))
    assert pickle.loads(pickle.dumps(candidate)) == candidate
    with pytest.raises(TypeError):
        candidate.set["flow"] = 3  # type: ignore[index]
    with pytest.raises(ValueError, match="frozen"):
        candidate.name = "other"
    machine = Machine().with_settings(candidate.set)
    assert machine.value_of("motion.speed_step_mm_s.x") == 8.0
    assert machine.machine.bed_mm == (1.0, 2.0, 3.0)


def test_settings_on_the_command_line_win_over_the_file() -> None:
    machine = load_machine("gentle", ["acceleration=900, machine.name=Bench B", "motion.speed_step_mm_s={x=8,y=6}"])
    assert machine.motion.print_acceleration_mm_s2 == 900.0
    assert machine.name == "Bench B"
    assert machine.motion.junction_deviation_mm is None
    assert machine.origin_of("machine.name") == "--set"
    assert machine.origin_of("motion.speed_step_mm_s") == "--set"
    assert machine.origin_of("axes.x.max_speed_mm_s") == "built-in gentle"


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("vibration.x", "allowed: one of its keys, such as vibration.x.modes"),
        ("sped", "did you mean 'speed'?"),
        ("nozzle", "did you mean 'hotend.nozzle_mm'?"),
        ("motion.by_kind.print.sped_cap_mm_s", "did you mean 'motion.by_kind.print.speed_cap_mm_s'?"),
        ("candidate", "allowed: a dotted key of the machine file"),
        ("", "unknown key"),
        ("..", "unknown key"),
    ],
)
def test_an_unknown_setting_is_helped_only_where_a_name_is_near(key: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        Machine().with_settings({key: 1})
    assert words in str(caught.value)


def test_what_settings_turned_is_known_beside_the_machine_that_they_turned() -> None:
    """Any settings one after the other: whatever they do not name is as it was, and what they name is known."""
    random = Random(3)
    base = load_machine("middling")
    tries: list[dict[str, Any]] = [
        {"acceleration": 900.0, "speed": 2.0},
        {"acceleration": None, "corner": 0.2},
        {"motion.speed_step_mm_s.x": 8.0},
        {"motion.speed_step_mm_s": None},
        {"motion.speed_step_mm_s": {"y": 4.0}},
        {"motion.junction_deviation_mm": 0.08},
        {"motion.by_label.outer.feed_override": 0.5},
        {"motors.x.max_speed_mm_s": 90.0, "machine.bed_mm": [200, 200, 200]},
        {"hotend.max_flow_mm3_s": [[200, 4.0], [220, 9.0]]},
        {"stops.homing_s": {"low": 1.0, "likely": 2.0, "high": 3.0}},
    ]
    for _ in range(200):
        machine = base
        for _ in range(random.randrange(5)):
            machine = machine.with_settings(random.choice(tries))
        origin, turned, parts = machine.turned
        assert origin is base
        assert sorted(key for of_part in parts.values() for key, _ in of_part) == sorted(turned)
        for key in {one.name for one in (*all_keys(machine), *all_keys(base))}:
            now = machine.value_of(key)
            if key in turned:
                assert plain(turned[key], given_only=True) == now
            else:
                assert now == base.value_of(key)
