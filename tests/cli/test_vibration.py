"""`kinematics vibration` by its screens, its JSON and the files that it writes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from kinematics.machine import load_machine
from tests.cli.conftest import Run
from tests.vibration.shaken import RISING, TAPS, Shaken, recorded

SAMPLES = Path(__file__).parents[2] / "sample_gcode"
BENCH = str(SAMPLES / "machines" / "bench_cartesian.toml")
CUBE = str(SAMPLES / "test_cube.gcode")


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A rising shake of x and taps on y, as files."""
    folder = tmp_path_factory.mktemp("shakes")
    files = []
    for axis, one in (
        ("x", Shaken(RISING, ((51.3, 0.055, 1.0),), 800.0, 30.0, 30.0, 1)),
        ("y", Shaken(TAPS, ((34.6, 0.07, 1.0),), 800.0, 30.0, 30.0, 2)),
    ):
        times, values, _ = recorded(one)
        path = folder / f"{axis}.csv"
        table = np.stack([times, 3000.0 * values / values.std()], axis=1)
        np.savetxt(path, table, delimiter=",", header=f"time (s),{axis} (mm/s2)", comments="", fmt="%.6f")
        files.append(str(path))
    return files[0], files[1]


def test_recordings_to_a_machine_file(run: Run, recordings: tuple[str, str], tmp_path: Path) -> None:
    """Modes of both axes, beside the machine file's; a copy of it with modes, filters and accelerations reads well."""
    copy = tmp_path / "shaken.toml"
    x, y = recordings
    done = run("vibration", "--x", x, "--y", y, "--machine", BENCH, "--write-machine", str(copy), "--json")
    assert done.status == 0, done.err
    document = json.loads(done.out)
    modes = {row["axis"]: row for row in document["modes"]}
    assert modes["x"]["frequency_hz"] == pytest.approx(51.3, rel=0.002)
    assert modes["y"]["frequency_hz"] == pytest.approx(34.6, rel=0.002)
    assert modes["x"]["shake"] == ["rising"]
    assert modes["y"]["shake"] == ["taps"]
    assert modes["x"]["frequency_low_hz"] < modes["x"]["frequency_hz"] < modes["x"]["frequency_high_hz"]
    assert [row["within"] for row in document["agreement"]] == [True, True]
    machine = load_machine(str(copy))
    assert machine.vibration.x.modes is not None
    assert machine.vibration.x.modes[0].frequency_hz == pytest.approx(51.3, rel=0.002)
    assert machine.vibration.x.filter == document["filters"][0]["filter"]
    assert machine.motion.print_acceleration_mm_s2 == document["settings"]["motion.print_acceleration_mm_s2"]
    assert "# Invented, plausible values" in copy.read_text(encoding="utf-8")
    limit = machine.axes.x.max_acceleration_mm_s2
    assert limit is not None
    assert limit <= 2500.0  # what the frame's own notice says stays


def test_screen_with_a_job(run: Run) -> None:
    """The filters by the time of the job, what to set, what may be seen, and the words of one's own controller."""
    dialect = str(SAMPLES / "shop_dialect.toml")
    done = run("vibration", CUBE, "--machine", BENCH, "--dialect", dialect, "--write-settings")
    assert done.status == 0, done.err
    for words in (
        "best: ",
        "against the filters it has now (x ZV 52.0 Hz, y ZVD 34.0 Hz)",
        "with these filters: limit x to ",
        "where axes have no limits of their own",
        "one kick leaves",
        "rounding along what is printed: half of it nothing that could be seen",
        "to type into your controller: print acceleration",
        "for your controller:\n  EASE ramp ",
        "these modes are the machine file's",
    ):
        assert words in done.out, words


def test_ripples_and_no_budgets(run: Run) -> None:
    """Without an accelerometer: ripples on a wall; usual budgets, and it says so."""
    done = run("vibration", "--machine", "middling", "--ripple", "x=2.5@100", "--json")
    document = json.loads(done.out)
    assert document["modes"][0]["frequency_hz"] == pytest.approx(40.0)
    assert document["modes"][0]["source"] == "ripple"
    assert document["budgets"]["told"] is False
    again = run("vibration", "--machine", "middling", "--ripple", "x=2.5@100")
    assert "the machine file names no budgets" in again.out


def test_own_filter_as_a_table(run: Run) -> None:
    """Impulses that sum to 1, more acceleration than the best named type, or as much."""
    done = run("vibration", "--machine", "middling", "--ripple", "x=12.5/5@100", "--own-filter", "--json")
    assert done.status == 0, done.err
    (own,) = json.loads(done.out)["own"]["filters"]
    assert sum(row["share"] for row in own["impulses"]) == pytest.approx(1.0)
    assert own["gained_mm_s2"] >= 0.0


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--machine", "middling"], "no mode of any axis is known"),
        (["--machine", BENCH, "--ripple", "x=2.6"], "--ripple: can't read 'x=2.6'"),
        (["--machine", BENCH, "--column", "w=3"], "--column: can't read 'w=3'"),
        (["--machine", BENCH, "--write-settings"], "--write-settings: no JOB to find settings for"),
        (["--machine", BENCH, "--pictures", "shake.bmp"], "can't draw a picture that ends in '.bmp'"),
        (["--ripple", "x=2.6@120", "--write-machine", "copy.toml"], "--write-machine: no machine file to copy"),
        (["--machine", BENCH, "--x", "nowhere.csv"], "nowhere.csv: no such file"),
    ],
)
def test_bad_input(run: Run, words: list[str], sentence: str) -> None:
    """Each has its sentence and status 2."""
    done = run("vibration", *words)
    assert done.status == 2
    assert sentence in done.err


def test_pictures(run: Run, recordings: tuple[str, str], tmp_path: Path) -> None:
    """Four pictures, of any kind, and none over another file."""
    path = tmp_path / "shake.svg"
    words = ["vibration", CUBE, "--x", recordings[0], "--machine", BENCH, "--pictures", str(path)]
    done = run(*words)
    assert done.status == 0, done.err
    for part, text in (
        ("spectrum", "51.3 Hz, damping 0.055"),
        ("filters", "ringing left"),
        ("corner", "drawn"),
        ("time", "print acceleration to set"),
    ):
        assert text in (tmp_path / f"shake-{part}.svg").read_text(encoding="utf-8"), part
    assert "the file exists already" in run(*words).err


def test_compare_in_detail_tells_quality_against_time(run: Run) -> None:
    """Two columns of `compare --detail`: rounding and ringing along what is printed, under each candidate."""
    words = ["compare", CUBE, "--machine", BENCH, "--candidate", "gentle: quality.rounding_budget_mm=0.02", "--detail"]
    document = json.loads(run(*words, "--json").out)
    now, gentle = document["along_the_path"]
    assert gentle["rounding_worst_mm"] < 0.021 < now["rounding_worst_mm"]
    assert now["rounding_median_mm"] <= now["rounding_most_mm"] <= now["rounding_worst_mm"]
    assert now["ringing_worst_layer"] >= 1
    assert "rounding (half, 95%, worst)\tringing (half, 95%, worst)" in run(*words).out
