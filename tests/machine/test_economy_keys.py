"""[economy] and [[upgrade]]: staffed hours as text, and what is wrong with them told with its line."""

from __future__ import annotations

import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine, Upgrade
from kinematics.machine.kinds import Shift, shift_of

TEXT = """\
[economy]
staffed = ["Mon-Fri 08:00-16:00", "Sat 09:00-12:30"]
unattended = true
[[upgrade]]
name = "larger melt zone"
price = 68.0
fitting_hours = 1.5
set = { "hotend.max_flow_mm3_s" = 22 }
[[upgrade]]
name = "accelerometer evening"
set = { acceleration = 3000, "economy.failed_share" = 0.01 }
"""


@pytest.mark.parametrize(
    ("text", "shift"),
    [
        ("Mon-Fri 08:00-16:00", Shift((0, 1, 2, 3, 4), 480, 960)),
        ("Sat 9:30-12:05", Shift((5,), 570, 725)),
        ("sat,SUN,Tue 00:00-24:00", Shift((1, 5, 6), 0, 1440)),
        ("Fri-Mon 22:00-06:00", Shift((0, 4, 5, 6), 1320, 1800)),
        ("Sun-Sun 10:00-10:00", Shift((6,), 600, 2040)),
        ("Mon-Tue,Thu 00:00-00:01", Shift((0, 1, 3), 0, 1)),
    ],
)
def test_shifts(text: str, shift: Shift) -> None:
    assert shift_of(text) == shift


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Mon-Fry 08:00-16:00", "'Fry' is no day: Mon, Tue, Wed, Thu, Fri, Sat, Sun; did you mean 'Fri'?"),
        ("Mon 08:00", "'08:00' has no end"),
        ("Mon 8-16", "'8' is no time of day, such as 08:00"),
        ("Mon 08:60-16:00", "there is no 08:60 on a clock"),
        ("Mon 08:00-24:01", "there is no 24:01 on a clock"),
        ("Mon 24:00-08:00", "cannot begin at 24:00"),
        ("08:00-16:00", "is not days, a space, and times"),
        ("Mon - Fri 08:00-16:00", "is not days, a space, and times"),
        ("", "is not days, a space, and times"),
    ],
)
def test_what_is_no_shift_is_told(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(f"[economy]\nstaffed = ['Tue 10:00-11:00', '{text}']\n", "bench.toml")
    (finding,) = caught.value.findings
    assert finding.place == "bench.toml:2"
    assert words in finding.hint


def test_one_text_is_a_list_of_one() -> None:
    machine = Machine().with_settings({"economy.staffed": "Mon 08:00-09:00"})
    assert machine.value_of("economy.staffed") == ["Mon 08:00-09:00"]
    assert hash(machine) == hash(Machine().with_settings({"economy.staffed": ["Mon 08:00-09:00"]}))


def test_a_zone_that_nobody_knows_is_refused() -> None:
    with pytest.raises(InputError, match=r'economy\.time_zone = "Europe/Atlantis"; allowed: the name'):
        Machine().with_settings({"economy.time_zone": "Europe/Atlantis"})


def test_upgrades_hold_price_and_hours_beside_their_settings() -> None:
    machine = Machine.from_toml_text(TEXT, "bench.toml")
    first, second = machine.upgrades
    assert first == Upgrade("larger melt zone", {"hotend.max_flow_mm3_s": 22}, price=68.0, fitting_hours=1.5)
    assert (second.price, second.fitting_hours) == (0.0, 0.0)
    assert machine.with_settings(second.set).economy.failed_share == 0.01
    assert machine.with_settings(second.set).upgrades == machine.upgrades
    assert "upgrades" not in machine.as_dict()
    assert machine.origin_of("economy.unattended") == "bench.toml:3"


def test_what_is_wrong_with_upgrades_is_told_with_its_line() -> None:
    text = TEXT + '[[upgrade]]\nname = "accelerometer evening"\nprice = -1\nset = { "hotend.max_flow" = 3 }\n'
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    told = [str(finding) for finding in caught.value.findings]
    assert [one.split(";")[0] for one in told] == [
        "bench.toml:13: two upgrades are named 'accelerometer evening'",
        "bench.toml:14: upgrade.price = -1",
        "bench.toml:15: upgrade 'accelerometer evening': unknown key hotend.max_flow (did you mean "
        "'hotend.max_flow_mm3_s'?)",
    ]
