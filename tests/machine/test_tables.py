"""Keys that hold a table of two columns: the hotend's flow against °C, and what a torque curve may be."""

from __future__ import annotations

import json
import pickle
from typing import Any

import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine, load_machine
from kinematics.machine.kinds import SHARE_OF_ONE, TORQUE_KIND
from kinematics.reports.documents import machine_document

ROWS = [[200.0, 9.0], [220.0, 12.0]]
TEXT = "[hotend]\nmax_flow_mm3_s = [[200, 9.0], [220, 12]]\n[[candidate]]\nname = 'hot'\nset = { flow = [[200, 14]] }\n"
KEY = "hotend.max_flow_mm3_s"


def bench() -> Machine:
    """A machine whose flow hangs on the temperature."""
    return Machine.from_toml_text(TEXT, "bench.toml")


def test_a_table_is_read_and_told() -> None:
    machine = bench()
    assert machine.hotend.max_flow_mm3_s == ((200.0, 9.0), (220.0, 12.0))
    assert machine.value_of(KEY) == ROWS
    assert machine.origin_of(KEY) == "bench.toml:2"
    assert KEY not in machine.limits_not_given()
    assert repr(machine) == "<Machine 'bench.toml'; hotend [[200, 9], [220, 12]] mm³/s>"
    assert machine.check() == []


def test_a_table_is_data_in_json() -> None:
    document = json.loads(json.dumps(machine_document(bench())))
    assert document["machine"]["hotend"]["max_flow_mm3_s"] == ROWS
    assert [row["value"] for row in document["rows"] if row["key"] == KEY] == [ROWS]


def test_machines_with_tables_are_equal_hashed_and_kept_as_others_are() -> None:
    assert bench() == bench()
    assert hash(bench()) == hash(bench())
    assert bench() != Machine.from_toml_text(TEXT.replace("9.0", "9.5"), "bench.toml")
    assert pickle.loads(pickle.dumps(bench())) == bench()


def test_settings_give_and_take_a_table() -> None:
    machine = load_machine("quick", ["flow=[[200, 9], [220, 12]], speed=2"])
    assert machine.value_of(KEY) == ROWS
    assert machine.with_settings({"corner": 0.1}).value_of(KEY) == ROWS
    assert machine.with_settings({KEY: 12}).hotend.max_flow_mm3_s == 12.0
    assert machine.with_settings({"flow": ((200, 9), (220, 12))}) == machine
    assert machine.with_settings({"flow": None}).limits_not_given().count(KEY) == 1
    (hot,) = bench().candidates
    assert hot.set == {"flow": ((200, 14),)}
    assert bench().with_settings(hot.set).value_of(KEY) == [[200.0, 14.0]]
    with pytest.raises(InputError, match=r"--set: hotend\.max_flow_mm3_s = \[\[220, 9\], \[200, 12\]\].*must rise"):
        load_machine("quick", ["flow=[[220, 9], [200, 12]]"])


def test_every_doubtful_row_is_told() -> None:
    doubts = Machine().with_settings({"flow": [[200, 0.1], [220, 12], [240, 70]]}).check()
    assert doubts == [
        f"{KEY} = 0.1 is below 0.5: is it in mm³/s?",
        f"{KEY} = 70 is above 60: is it in mm³/s?",
    ]


@pytest.mark.parametrize("rows", [[[0, 0.4], [600, 0.34], [1500, 0]], [[600, 0.3]]])
def test_torque_curves_rise_in_speed(rows: Any) -> None:
    assert TORQUE_KIND.read(rows) == tuple((float(n), float(t)) for n, t in rows)


@pytest.mark.parametrize(
    "rows", [[], [[0, 0.4]], [[600, 0.4], [600, 0.3]], [[600, 0.4], [0, 0.3]], [[-1, 0.4], [9, 0.3]], [[9, -0.1]], 0.4]
)
def test_other_torque_curves_are_refused(rows: Any) -> None:
    with pytest.raises((ValueError, TypeError)):
        TORQUE_KIND.read(rows)


def test_a_share_is_above_zero_and_one_at_most() -> None:
    assert SHARE_OF_ONE.read(1) == 1.0
    for wrong in (0.0, 1.01, True, "0.5", float("nan")):
        with pytest.raises((ValueError, TypeError)):
            SHARE_OF_ONE.read(wrong)
