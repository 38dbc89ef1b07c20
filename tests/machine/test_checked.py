"""[checked] in a machine file: read, kept with the machine, and refused in words where it contradicts itself."""

from __future__ import annotations

import datetime

import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine

KEYS = 'keys = ["motion.print_acceleration_mm_s2", "stops.startup_s"]'
RISING = "variances in the diagonal, and the same on both sides of it"
MISTAKES = [
    ("covariance = [[0.1]]", "bench.toml:2: checked.covariance has 1 rows for 0 keys"),
    (f"{KEYS}\ncovariance = [[0.1]]", "bench.toml:3: checked.covariance has 1 rows for 2 keys"),
    (f"{KEYS}\ncovariance = [[0.1, 0.2], [0.1, 0.4]]", f"column 2; allowed: {RISING}"),
    (f"{KEYS}\ncovariance = [[-0.1, 0.0], [0.0, 0.4]]", "checked.covariance has -0.1 in row 1, column 1"),
    (f"{KEYS}\ncovariance = [[0.1, 0.9], [0.9, 0.4]]", "checked.covariance has 0.9 in row 1, column 2"),
    (f"{KEYS}\ncovariance = [[0.1, 0.0], [0.0]]", "a square table of numbers, a row a key"),
    ('keys = ["motion.print_aceleration_mm_s2"]', "did you mean 'motion.print_acceleration_mm_s2'?"),
    ('keys = ["machine.name"]', "machine.name, which is no number"),
    ('keys = ["stops.homing_s", "stops.homing_s"]', "stops.homing_s twice; allowed: each key once"),
    ("keys = [7]", "dotted keys of the file"),
    ('date = "yesterday"', "a date, such as 2026-11-30"),
    ("prints = 0", "a whole number, 1 or more"),
    ("spread_share = -0.1", "a number, 0 or more"),
]


def test_a_checked_machine_tells_what_it_was_held_against() -> None:
    text = f"[checked]\ndate = 2026-11-30\nprints = 12\nbias_share = -0.01\nspread_share = 0.02\n{KEYS}\n"
    machine = Machine.from_toml_text(text + "covariance = [[0.01, -0.004], [-0.004, 0.04]]\n", "bench.toml")
    checked = machine.checked
    assert (checked.date, checked.prints, checked.bias_share, checked.spread_share) == ("2026-11-30", 12, -0.01, 0.02)
    assert checked.keys == ("motion.print_acceleration_mm_s2", "stops.startup_s")
    assert checked.covariance == ((0.01, -0.004), (-0.004, 0.04))
    assert hash(machine) == hash(Machine(checked=checked.as_dict()))
    assert machine.with_settings({"acceleration": 900.0}).checked == checked
    assert machine != Machine()


def test_a_date_may_be_a_date_or_its_text() -> None:
    assert Machine(checked={"date": datetime.date(2026, 3, 2)}) == Machine(checked={"date": "2026-03-02"})


@pytest.mark.parametrize(("text", "found"), MISTAKES, ids=[text for text, _ in MISTAKES])
def test_what_contradicts_itself_is_refused(text: str, found: str) -> None:
    with pytest.raises(InputError) as failure:
        Machine.from_toml_text(f"[checked]\n{text}\n", "bench.toml")
    assert found in str(failure.value)


def test_settings_of_the_section_are_judged_together() -> None:
    settings = {"checked.keys": ["stops.homing_s"], "checked.covariance": [[0.04]]}
    assert Machine().with_settings(settings).checked.covariance == ((0.04,),)
    with pytest.raises(InputError, match="1 rows for 0 keys"):
        Machine().with_settings({"checked.covariance": [[0.04]]})
