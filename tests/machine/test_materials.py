"""What changes with a spool: a material laid over the machine, under the settings of the command."""

from __future__ import annotations

from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine, load_machine

TEXT = """\
[hotend]
max_flow_mm3_s = 11.0
[[material]]
name = "PETG black"
set = { "hotend.max_flow_mm3_s" = 8.5, "filament.density_g_cm3" = 1.27 }
[[material]]
name = "soft"
set = { flow = 3 }
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(TEXT)
    return path


def test_a_material_changes_what_it_names(file: Path) -> None:
    plain, black, soft = (load_machine(file, (), name) for name in (None, "PETG black", " soft "))
    assert [machine.hotend.max_flow_mm3_s for machine in (plain, black, soft)] == [11.0, 8.5, 3.0]
    assert black.filament.density_g_cm3 == 1.27
    assert black.origin_of("hotend.max_flow_mm3_s") == "material PETG black"
    assert [one.name for one in black.materials] == ["PETG black", "soft"]


def test_what_the_command_sets_wins_over_the_material(file: Path) -> None:
    machine = load_machine(file, ["flow=20"], "soft")
    assert machine.hotend.max_flow_mm3_s == 20.0
    assert machine.origin_of("hotend.max_flow_mm3_s") == "--set"


def test_an_unknown_material_is_named_with_the_known_ones(file: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_machine(file, (), "PETG blak")
    assert str(caught.value) == (
        "--material: no material 'PETG blak'; allowed: PETG black, soft (did you mean 'PETG black'?)"
    )
    with pytest.raises(InputError, match=r"allowed: a \[\[material\]\] block in built-in quick first"):
        load_machine("quick", (), "PETG")


def test_what_a_material_cannot_set_is_told_with_its_line() -> None:
    text = TEXT + '[[material]]\nname = "soft"\nset = { "hotend.max_flow" = 3 }\n'
    with pytest.raises(InputError) as caught:
        Machine.from_toml_text(text, "bench.toml")
    assert [str(finding) for finding in caught.value.findings] == [
        "bench.toml:10: two materials are named 'soft'; allowed: each name once (first in line 7)",
        "bench.toml:11: material 'soft': unknown key hotend.max_flow (did you mean 'hotend.max_flow_mm3_s'?)",
    ]
