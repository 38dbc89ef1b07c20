"""The sample shop and what the README says of it."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from kinematics.cli.program import main
from kinematics.machine import load_machine

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_readme_tells_what_the_shop_says(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.chdir(ROOT)
    _, _, section = README.partition("\n## Parts, people, money\n")
    section, _, _ = section.partition("\n## ")
    (command,) = re.findall(r"^kinematics (shop .*)$", section, re.MULTILINE)
    (said,) = re.findall(r"^prepared faster brings .*$", section, re.MULTILINE)
    arguments = shlex.split(command)
    arguments[arguments.index("--gantt") + 1] = str(tmp_path / "week.png")
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 0
    assert said in capsys.readouterr().out.splitlines()
    assert (tmp_path / "week.png").is_file()


def test_the_machine_of_the_shop_has_what_its_commands_need() -> None:
    machine = load_machine(ROOT / "sample_gcode" / "shop" / "bench.toml")
    assert "stiff frame" in [upgrade.name for upgrade in machine.upgrades]
    assert machine.check() == []


def test_measured_prints_of_the_shop_are_fitted_and_the_wrong_one_is_named() -> None:
    import kinematics

    fit = kinematics.fit(str(ROOT / "sample_gcode/shop/times.csv"), str(ROOT / "sample_gcode/shop/bench.toml"))
    assert fit.left_out == ()
    assert [one.place.rpartition(":")[2] for one in fit.prints if one.apart] == ["10"]
    assert fit.before.off_share > 0.1
    assert fit.after.off_share < 0.03
