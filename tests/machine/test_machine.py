"""The loaded machine: defaults, origins, effective values, built-in machines, new files, doubts."""

from __future__ import annotations

import copy
import json
import pickle
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.machine import BUILTIN_NAMES, NEW_MACHINE_QUESTIONS, Machine, load_machine, new_machine_text
from kinematics.machine.file import builtin_text
from kinematics.toml.files import text_in_toml

# Every key of the file with a value that differs from its default.
VALUES: dict[str, Any] = {
    "machine.name": "Bench A",
    "machine.mechanism": "cartesian",
    "machine.bed_mm": [215.0, 225.0, 235.0],
    "machine.home_mm": [-1.0, 0.0, 5.0],
    "machine.keep_out_mm": [[0.0, 100.0, 10.0, 120.0]],
    "machine.delta.arm_mm": 250.0,
    "machine.delta.tower_radius_mm": 125.0,
    "machine.delta.tower_angles_deg": [211.0, 330.0, 90.0],
    **{
        f"axes.{axis}.{key}": value
        for axis in "xyze"
        for key, value in {
            "max_speed_mm_s": 300.0,
            "max_acceleration_mm_s2": 3000.0,
            "moving_mass_kg": 0.45,
            "friction_n": 4.0,
        }.items()
    },
    "motion.print_acceleration_mm_s2": 1000.0,
    "motion.travel_acceleration_mm_s2": 1500.0,
    "motion.junction_deviation_mm": 0.04,
    "motion.speed_step_mm_s.x": 7.0,
    "motion.speed_step_mm_s.y": 6.0,
    "motion.speed_step_mm_s.z": 0.5,
    "motion.extruder_step_mm_s": 5.0,
    "motion.curve_rule": False,
    "motion.short_run_mm": 0.0,
    "motion.curve_window_mm": 0.0,
    "motion.arc_tolerance_mm": 0.02,
    "motion.delta_piece_mm": 3.0,
    "motion.lookahead_moves": 32,
    "motion.feed_override": 1.1,
    "motion.speed_cap_mm_s": 150.0,
    "motion.by_kind.print.print_acceleration_mm_s2": 600.0,
    "motion.by_kind.print.commanded_speed_mm_s": 60.0,
    "motion.by_kind.print.feed_override": 1.2,
    "motion.by_kind.print.speed_cap_mm_s": 90.0,
    "motion.by_kind.travel.travel_acceleration_mm_s2": 2000.0,
    "motion.by_kind.travel.commanded_speed_mm_s": 200.0,
    "motion.by_kind.travel.feed_override": 1.3,
    "motion.by_kind.travel.speed_cap_mm_s": 190.0,
    "motion.first_layers.count": 1,
    "motion.first_layers.keep_commanded_speed": True,
    "controller.moves_per_s": 1500.0,
    "controller.bytes_per_s": 11500.0,
    "filament.diameter_mm": 2.85,
    "filament.density_g_cm3": 1.24,
    "filament.price_per_kg": 22.0,
    "filament.pressure_advance_s": 0.035,
    "hotend.nozzle_mm": 0.4,
    "hotend.max_flow_mm3_s": 11.0,
    "retraction.length_mm": 1.2,
    "retraction.speed_mm_s": 28.0,
    "retraction.acceleration_mm_s2": 1000.0,
    **{
        f"vibration.{axis}.{key}": value
        for axis in "xy"
        for key, value in {
            "modes": [{"frequency_hz": 48.2, "damping_ratio": 0.07, "frequency_uncertainty_share": 0.1}],
            "filter": "ZVD",
            "filter_frequency_hz": 48.0,
            "filter_damping_ratio": 0.06,
            "filter_impulses": [[0.0, 0.5], [0.0125, 0.5]],
        }.items()
    },
    "quality.rounding_budget_mm": 0.1,
    "quality.rounding_split": 0.4,
    "quality.ringing_budget_mm": 0.02,
    "cooling.shortest_layer_s": 0.0,
    "stops.homing_s": 0.0,
    "stops.probing_s": 45.0,
    "stops.pause_s": 60.0,
    "stops.tool_change_s": 12.0,
    "stops.startup_s": 40.0,
    "stops.each_layer_s": 0.3,
    "stops.each_retraction_s": 0.0,
    "stops.nozzle_heating_c_per_s": 1.6,
    "stops.bed_heating_c_per_s": 0.35,
    "stops.ambient_c": -21.0,
    "economy.staffed": ["Mon-Fri 08:00-16:00"],
    "economy.time_zone": "Europe/Vienna",
    "economy.unattended": True,
    "economy.turnaround_min": 6.0,
    "economy.spool_change_min": 4.0,
    "economy.spool_g": 1000.0,
    "economy.failed_share": 0.04,
    "economy.failed_share_per_hour": 0.005,
    "economy.prints_per_month": 40.0,
    "economy.machine_cost_per_hour": 0.6,
    "economy.machine_price": 900.0,
    "economy.machine_years": 3.0,
    "economy.machine_hours_per_year": 3000.0,
    "economy.upkeep_per_year": 150.0,
    "economy.labour_cost_per_hour": 18.0,
    "economy.power_w": 120.0,
    "economy.price_per_kwh": 0.3,
    "economy.discount_rate": 0.05,
    "economy.service_years": 4,
    "economy.currency": "EUR",
    "ladder.kinds": {"hotend.max_flow_mm3_s": "setting"},
    "checked.date": "2026-11-30",
    "checked.prints": 12,
    "checked.bias_share": -0.01,
    "checked.spread_share": 0.02,
    "checked.keys": ["motion.print_acceleration_mm_s2", "stops.startup_s"],
    "checked.covariance": [[0.01, -0.004], [-0.004, 0.04]],
    "proof.start_file": "start.g",
    "proof.end_file": "end.g",
    "proof.nozzle_c": 215.0,
    "proof.bed_c": 60.0,
    "proof.line_width_mm": 0.5,
    "proof.layer_mm": 0.25,
}
DEFAULTS: dict[str, Any] = {
    "machine.mechanism": "cartesian",
    "machine.home_mm": [0.0, 0.0, 0.0],
    "motion.print_acceleration_mm_s2": 600.0,
    "motion.travel_acceleration_mm_s2": 800.0,
    "motion.junction_deviation_mm": 0.05,
    "motion.curve_rule": True,
    "motion.short_run_mm": 0.05,
    "motion.curve_window_mm": 0.25,
    "motion.arc_tolerance_mm": 0.01,
    "motion.delta_piece_mm": 2.0,
    "motion.feed_override": 1.0,
    "motion.first_layers.count": 0,
    "motion.first_layers.keep_commanded_speed": False,
    "filament.diameter_mm": 1.75,
    "quality.rounding_split": 0.5,
    "retraction.acceleration_mm_s2": 800.0,
    "economy.unattended": False,
    "economy.service_years": 3,
    "proof.line_width_mm": 0.45,
    "proof.layer_mm": 0.2,
}
FREE = sorted(key for key in VALUES if not key.startswith("machine.delta."))  # a cartesian machine may have them
STEP = "motion.speed_step_mm_s."
JUNCTION = "motion.junction_deviation_mm"


def toml_of(key: str) -> str:
    value = VALUES[key]
    if isinstance(value, str):
        return f"{key} = {text_in_toml(value)}"
    if isinstance(value, dict):
        told = ", ".join(f"{text_in_toml(name)} = {text_in_toml(text)}" for name, text in value.items())
        return f"{key} = {{ {told} }}"
    if key.endswith(".modes"):
        inside = ", ".join(f"{name} = {number}" for name, number in value[0].items())
        return f"{key} = [{{ {inside} }}]"
    return f"{key} = {str(value).lower() if isinstance(value, bool) else value}"


def test_nothing_given_gives_the_defaults_and_no_limits() -> None:
    machine = Machine()
    assert {row.key: row.value for row in machine.effective() if row.value is not None} == DEFAULTS
    assert {row.origin for row in machine.effective() if row.value is not None} == {"default"}
    assert {row.origin for row in machine.effective() if row.value is None} == {"not given"}
    assert [row.key for row in machine.effective()] == list(VALUES)
    assert Machine.from_toml_text("", "empty.toml") == machine
    assert machine.limits_not_given() == [
        *(f"axes.{axis}.max_{limit}" for axis in "xyze" for limit in ("speed_mm_s", "acceleration_mm_s2")),
        "hotend.max_flow_mm3_s",
        "cooling.shortest_layer_s",
    ]


@given(st.sets(st.sampled_from(FREE)), st.randoms())
def test_any_keys_load_and_are_reported_with_their_lines(keys: set[str], order: Any) -> None:
    if any(key.startswith(STEP) for key in keys):
        keys.discard(JUNCTION)
    if "checked.keys" not in keys:
        keys.discard("checked.covariance")
    shuffled = sorted(keys)
    order.shuffle(shuffled)
    machine = Machine.from_toml_text("\n".join(toml_of(key) for key in shuffled), "bench.toml")
    expected = dict.fromkeys(VALUES) | DEFAULTS
    if any(key.startswith(STEP) for key in keys):
        expected[JUNCTION] = None
    expected |= {key: VALUES[key] for key in keys}
    assert {row.key: row.value for row in machine.effective()} == expected
    for row in machine.effective():
        assert machine.value_of(row.key) == row.value
        assert machine.origin_of(row.key) == row.origin
        if row.key in keys:
            assert row.origin == f"bench.toml:{shuffled.index(row.key) + 1}"
        else:
            assert row.origin == ("not given" if row.value is None else "default")
    again = Machine().with_settings({key: VALUES[key] for key in shuffled})
    assert again == machine
    assert hash(again) == hash(machine)
    assert set(machine.limits_not_given()).isdisjoint(keys)


UNFIT = ("nan", "-inf", "[[]]", "{}", "'x'", "-300.5", "[1, 2, true]")
TEXTS = {"machine.name", "economy.currency", "proof.start_file", "proof.end_file"}
FIT = {(key, "'x'") for key in TEXTS} | {("checked.bias_share", "-300.5")}  # prints may take less than estimated


@pytest.mark.parametrize("value", UNFIT)
@pytest.mark.parametrize("key", FREE)
def test_a_value_that_does_not_fit_is_refused_at_its_key(key: str, value: str) -> None:
    if (key, value) in FIT:
        assert Machine.from_toml_text(f"\n{key} = {value}", "bench.toml").check() is not None
        return
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(f"\n{key} = {value}", "bench.toml")
    findings = caught.value.findings
    assert len(findings) == 1 or key.endswith(".modes")  # each of an array of tables is told by itself
    for finding in findings:
        assert finding.place == "bench.toml:2"
        assert finding.found.startswith((f"{key} = ", f"{key} has an element "))
        assert finding.allowed


def test_the_corner_rule_that_is_not_in_force_is_none() -> None:
    machine = Machine.from_toml_text("[motion.speed_step_mm_s]\nx = 8\n", "bench.toml")
    assert machine.motion.junction_deviation_mm is None
    assert machine.motion.speed_step_mm_s is not None
    assert machine.motion.speed_step_mm_s.y is None
    assert machine.origin_of(JUNCTION) == "not given"
    assert machine.origin_of("motion.speed_step_mm_s.x") == "bench.toml:2"
    assert machine.origin_of("motion.speed_step_mm_s") == "bench.toml:2"


def test_the_models_are_frozen_all_the_way_down() -> None:
    machine = Machine()
    with pytest.raises(ValueError, match="frozen"):
        machine.motion.feed_override = 2.0
    with pytest.raises(ValueError, match="frozen"):
        machine.hotend = machine.hotend


def test_a_machine_survives_copying_pickling_and_json() -> None:
    machine = load_machine("quick", ["corner=0.1"])
    for other in (copy.deepcopy(machine), pickle.loads(pickle.dumps(machine))):
        assert other == machine
        assert other.effective() == machine.effective()
    tables = json.loads(json.dumps(machine.as_dict(), allow_nan=False))
    assert tables["axes"]["x"]["max_speed_mm_s"] == machine.axes.x.max_speed_mm_s
    assert tables["machine"]["bed_mm"] == [260.0, 240.0, 255.0]
    assert "candidate" not in tables
    assert Machine(**tables) == machine
    for row in machine.effective():
        value: Any = tables
        for part in row.key.split("."):
            value = value and value[part]
        assert value == row.value


def test_a_machine_reads_as_its_name_and_limits() -> None:
    text = "[machine]\nname = 'Bench A'\n[axes.x]\nmax_speed_mm_s = 300\n[hotend]\nmax_flow_mm3_s = 11.5"
    machine = Machine.from_toml_text(text, "bench.toml")
    assert repr(machine) == "<Machine 'Bench A'; axes.x 300 mm/s; hotend 11.5 mm³/s>"
    assert Machine.from_toml_text("", "bench.toml").name == "bench.toml"
    assert Machine().name == "unnamed"


def test_an_unknown_key_has_no_origin() -> None:
    for ask in (Machine().origin_of, Machine().value_of):
        with pytest.raises(
            InputError, match=r"unknown key motion\.feed_overide \(did you mean 'motion\.feed_override'"
        ):
            ask("motion.feed_overide")


def test_the_built_in_machines_are_in_order_and_without_doubt() -> None:
    machines = [load_machine(name) for name in BUILTIN_NAMES]
    assert BUILTIN_NAMES == ("gentle", "middling", "quick")
    rising = [
        *Machine().limits_not_given()[:9],
        "motion.print_acceleration_mm_s2",
        "motion.travel_acceleration_mm_s2",
        JUNCTION,
        "motion.lookahead_moves",
        "retraction.acceleration_mm_s2",
        "stops.nozzle_heating_c_per_s",
        "stops.bed_heating_c_per_s",
    ]
    for key in rising:
        gentle, middling, quick = (machine.value_of(key) for machine in machines)
        assert gentle < middling < quick, key
    for key in ("cooling.shortest_layer_s", "stops.homing_s", "stops.probing_s"):
        gentle, middling, quick = (machine.value_of(key) for machine in machines)
        assert gentle > middling > quick, key
    for name, machine in zip(BUILTIN_NAMES, machines, strict=True):
        assert machine.check() == []
        assert machine.limits_not_given() == []
        assert machine.source == f"built-in {name}"
        origins = {row.origin for row in machine.effective()}
        assert origins == {f"built-in {name}", "default", "not given"}


@pytest.mark.parametrize("name", BUILTIN_NAMES)
def test_what_the_built_in_files_leave_commented_out_is_valid_and_doubtless(name: str) -> None:
    lines = builtin_text(name).splitlines()
    live = [line[2:] if line.startswith(("# [[", "# name =", "# set =", "# p", "# tool_")) else line for line in lines]
    machine = Machine.from_toml_text("\n".join(live), "live.toml")
    assert machine.stops.tool_change_s is not None
    assert machine.filament.price_per_kg is not None
    assert [candidate.name for candidate in machine.candidates] == ["brisk"]
    assert machine.check() == []


names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(lambda name: bool(name.strip()))
lengths = st.floats(1e-3, 1e7)


@given(names, st.tuples(lengths, lengths, lengths), st.sampled_from(BUILTIN_NAMES))
def test_a_new_file_loads_with_the_answers_it_was_made_from(
    name: str, bed: tuple[float, float, float], like: str
) -> None:
    machine = Machine.from_toml_text(new_machine_text(name, bed, like), "new.toml")
    assert machine.machine.name == name.strip()
    assert machine.machine.bed_mm == bed
    rest: dict[str, Any] = {"machine.name": "x", "machine.bed_mm": [1, 1, 1]}
    assert machine.with_settings(rest) == load_machine(like).with_settings(rest)


def test_the_questions_have_answers_that_work() -> None:
    defaults = {question.key: question.default for question in NEW_MACHINE_QUESTIONS}
    assert list(defaults) == ["name", "bed_mm", "like"]
    assert Machine.from_toml_text(new_machine_text(**defaults), "new.toml").machine.bed_mm == (215.0, 225.0, 235.0)
    for text in ("220x200x 180", "[220, 200, 180]", "220 200 180", "220 × 200 × 180", "220;200;180.0"):
        machine = Machine.from_toml_text(new_machine_text("Bench", text), "new.toml")
        assert machine.machine.bed_mm == (220.0, 200.0, 180.0)


def test_wrong_answers_are_told_together() -> None:
    for bed in ("220", "a, b, c", "1, 2, -3", "1, 2, inf", "", [1, 2], [1, 2, float("nan")], None):
        with pytest.raises(InputError) as caught:
            new_machine_text(" ", bed, "quik")  # type: ignore[arg-type]
        assert [finding.place for finding in caught.value.findings] == ["name", "bed_mm", "like"]
        assert "did you mean 'quick'?" in str(caught.value)
    with pytest.raises(InputError):
        new_machine_text("\udc80", "1,1,1")


DOUBTS = [
    ({"axes.x.max_speed_mm_s": 18000}, "is it in mm/s, not mm/min?"),
    ({"axes.x.max_acceleration_mm_s2": 500}, "print_acceleration_mm_s2 = 600 (the default) is above axes.x.max_acc"),
    ({"axes.y.max_speed_mm_s": 50, "motion.by_kind.print.commanded_speed_mm_s": 60}, "the axis holds it back"),
    ({"axes.e.max_acceleration_mm_s2": 700}, "retraction.acceleration_mm_s2 = 800 (the default) is above axes.e"),
    ({"corner": 0.6}, "motion.junction_deviation_mm = 0.6 is above 0.5"),
    ({"flow": 61}, "hotend.max_flow_mm3_s = 61 is above 60"),
    ({"motion.feed_override": 3.5}, "motion.feed_override = 3.5 is above 3"),
    ({"speed": 0.05}, "motion.by_kind.print.feed_override = 0.05 is below 0.1"),
    ({"motion.first_layers.count": 1}, "without keep_commanded_speed"),
    ({"motion.curve_rule": False}, "curve_rule is off"),
    ({"motion.speed_step_mm_s.x": 8}, "leaves out y"),
    ({"hotend.nozzle_mm": 1.8}, "no smaller than filament.diameter_mm"),
    ({"retraction.speed_mm_s": 2100}, "retraction.speed_mm_s = 2100 is above 300: is it in mm/s, not mm/min?"),
    ({"retraction.speed_mm_s": 35}, "retraction.speed_mm_s is given without retraction.length_mm: it has no effect."),
    ({"retraction.length_mm": 1, "retraction.speed_mm_s": 60, "axes.e.max_speed_mm_s": 50}, "the axis holds it back"),
    ({"motion.by_label.outer.speed_cap_mm_s": 9000}, "motion.by_label.outer.speed_cap_mm_s = 9000 is above 1500"),
    (
        {"axes.x.max_acceleration_mm_s2": 900, 'motion.by_label."a.b".print_acceleration_mm_s2': 1000},
        'motion.by_label."a.b".print_acceleration_mm_s2 = 1000 is above axes.x.max_acceleration_mm_s2',
    ),
    ({"motion.lookahead_moves": 1}, "every move must be able to stop"),
]


@pytest.mark.parametrize(("settings", "words"), DOUBTS)
def test_doubtful_values_are_told_in_a_sentence(settings: dict[str, Any], words: str) -> None:
    doubts = Machine().with_settings(settings).check()
    assert any(words in doubt for doubt in doubts), doubts
    assert all(doubt[-1] in ".?" for doubt in doubts)


def test_values_at_the_bounds_are_not_doubtful() -> None:
    assert Machine().check() == []
    assert Machine().with_settings({"corner": 0.5, "flow": 60, "motion.feed_override": 3, "speed": 0.1}).check() == []


def test_a_candidate_is_doubted_only_for_what_it_changes() -> None:
    text = "[hotend]\nmax_flow_mm3_s = 70\n[[candidate]]\nname = 'wild'\nset = { corner = 0.9 }"
    first, second = Machine.from_toml_text(text, "bench.toml").check()
    assert first.startswith("hotend.max_flow_mm3_s")
    assert second.startswith("Candidate wild: motion.junction_deviation_mm")


def test_loading_a_machine_loads_no_heavy_library() -> None:
    code = (
        "import sys; from kinematics.machine import load_machine; load_machine('quick');"
        "print([name for name in ('numpy', 'numba', 'pandas', 'rich', 'click') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
