"""`kinematics fit`: against the stopwatch, from one print to a log of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask
from kinematics.machine import load_machine
from kinematics.measured import fit
from tests.cli.conftest import INTERRUPTED, ROOT, Run, interrupting, rows_of

BENCH = """\
# A bench of ours.
[machine]
name = "Bench"   # beside the window
[motion]
print_acceleration_mm_s2 = 1000.0  # a guess
travel_acceleration_mm_s2 = 1500.0
[stops]
homing_s = 20.0
nozzle_heating_c_per_s = 2.0
bed_heating_c_per_s = 0.5
ambient_c = 20.0
"""
SAMPLES = ("bracket", "test_cube", "parts_bin")
TRUTH = {"motion.print_acceleration_mm_s2": 500.0, "stops.startup_s": 80.0}
WOBBLE = (1.01, 0.99, 1.005, 0.985, 1.015, 0.995, 1.0, 1.02)


@pytest.fixture
def measured(folder: Path) -> Path:
    """Samples, a bench, and eight measured prints of a bench that is slower than its file says."""
    (folder / "bench.toml").write_text(BENCH)
    truth = load_machine("bench.toml").with_settings(TRUTH)
    rows = ["job,minutes,machine,counted_from,date"]
    for number, wobble in enumerate(WOBBLE):
        name = SAMPLES[number % len(SAMPLES)]
        path = folder / f"{name}.gcode"
        if number < len(SAMPLES):
            sample = next((ROOT / "sample_gcode").rglob(f"{name}.gcode"))
            path.write_bytes(sample.read_bytes())
        seconds = PreparedJob(str(path)).totals([Ask(truth)])[0] * wobble
        rows.append(f"{name}.gcode,{seconds / 60.0:.2f},bench.toml,start of heating,2999-01-{number + 1:02d}")
    (folder / "times.csv").write_text("\n".join(rows) + "\n")
    return folder


AT_BENCH = ("--machine", "bench.toml")
FIT = ("fit", "times.csv", *AT_BENCH)


def test_one_print_says_what_could_explain_it(run: Run, measured: Path) -> None:
    found = run("fit", "bracket.gcode=34m", *AT_BENCH)
    assert found.status == 0
    lines = found.out.splitlines()
    assert lines[0] == "on Bench"
    assert lines[1].startswith("bracket.gcode: estimate ")
    assert "stopwatch 34 min 00 s" in lines[1]
    assert "unexplained" in lines[1]
    heads, *rows = rows_of(found.out)
    assert heads == ["what could explain it", "would be", "in the file", "how likely", "how to tell"]
    assert rows[0][0] == "start-up"
    assert rows[0][4] == "look at the clock at the first move of the next print as well"
    assert "next: kinematics fit bracket.gcode=34m --log times.csv --machine bench.toml" in lines


def test_a_table_is_fitted(run: Run, measured: Path) -> None:
    found = run(*FIT)
    assert found.status == 0
    assert "kinematics:" not in found.err  # on a busy machine it may say how long it takes
    assert found.out.startswith("8 prints on Bench\nas the machine file is, prints take ")
    heads = ["job", "stopwatch", "estimate", "takes", "fitted", "95 % between", "remark"]
    rows = rows_of(found.out)
    assert rows[0] == heads
    assert ["what explains it", "in the file", "fitted", "95 % between"] in rows
    assert "fitted, and each print foretold by the others: " in found.out
    assert "next: kinematics fit times.csv --machine bench.toml --write-machine fitted.toml" in found.out


def test_the_document_has_what_the_screen_says(run: Run, measured: Path) -> None:
    found = run(*FIT, "--json")
    document = json.loads(found.out)
    assert document["before"]["bias_share"] > 3.0 * abs(document["after"]["bias_share"])
    by_name = {one["name"]: one for one in document["parameters"]}
    start = by_name["start-up"]
    assert start["low"] <= 80.0 <= start["high"]
    assert start["key"] == "stops.startup_s"
    job = document["jobs"][0]
    assert job.keys() >= {"job", "measured_s", "estimated_s", "fitted_s", "interval_s", "parts_s", "stands_apart"}
    keys = document["covariance_of_logarithms"]["keys"]
    assert len(document["covariance_of_logarithms"]["rows"]) == len(keys) > 0
    assert document["left_out"] == document["warnings"] == []


def test_a_machine_file_is_written_with_what_was_found(run: Run, measured: Path) -> None:
    found = run(*FIT, "--write-machine", "fitted.toml")
    assert "fitted.toml written" in found.err
    text = (measured / "fitted.toml").read_text()
    assert "# A bench of ours." in text
    assert '"Bench"   # beside the window' in text
    assert text.index("[motion]") < text.index("[stops]") < text.index("[checked]")
    machine = load_machine("fitted.toml")
    assert machine.checked.prints == 8
    assert set(machine.checked.keys or ()) == set(machine.ranges)
    assert (measured / "bench.toml").read_text() == BENCH
    again = run(*FIT, "--write-machine", "fitted.toml")
    assert (again.status, "--force" in again.err) == (2, True)


def test_the_machine_file_itself_is_written_only_when_forced(run: Run, measured: Path) -> None:
    refused = run(*FIT, "--write-machine", "bench.toml")
    assert (refused.status, "--force" in refused.err) == (2, True)
    assert (measured / "bench.toml").read_text() == BENCH
    forced = run(*FIT, "--write-machine", "bench.toml", "--force")
    assert forced.status == 0
    assert "the file as it was is kept as bench.toml.before" in forced.err
    assert (measured / "bench.toml.before").read_text() == BENCH
    assert "[checked]" in (measured / "bench.toml").read_text()


def test_from_then_on_estimates_say_what_they_were_held_against(run: Run, measured: Path) -> None:
    run(*FIT, "--write-machine", "fitted.toml")
    line = run("estimate", "bracket.gcode", "--machine", "fitted.toml").out.splitlines()[2]
    assert line.startswith("bracket.gcode  ")
    assert "), checked against 8 prints, off by " in line
    assert line.endswith("%)")
    assert "(95 % of them within " in line
    assert "since" not in line
    changed = run("estimate", "bracket.gcode", "--machine", "fitted.toml", "--set", "acceleration=700").out
    assert "not yet checked against a stopwatch with these settings" in changed
    document = json.loads(run("estimate", "bracket.gcode", "--machine", "fitted.toml", "--json").out)
    assert document["machine"]["checked"]["prints"] == 8
    low, high = document["jobs"][0]["interval_s"]
    assert low < document["total_s"] < high
    compared = run("compare", "bracket.gcode", "--machine", "fitted.toml", "--candidate", "acceleration=3000")
    assert "draws from the fit to measured prints" in compared.out
    assert "as it is, the machine is checked against 8 prints" in compared.out


def test_ranges_of_the_user_are_told_beside_those_of_the_fit(run: Run, measured: Path) -> None:
    run(*FIT, "--write-machine", "fitted.toml")
    text = (measured / "fitted.toml").read_text()
    known = "homing_s = { low = 5, likely = 20, high = 60 }"
    (measured / "fitted.toml").write_text(text.replace("homing_s = 20.0", known))
    line = run("estimate", "bracket.gcode", "--machine", "fitted.toml").out.splitlines()[2]
    assert ", since 1 value is given as a range), checked against 8 prints" in line
    compared = run("compare", "bracket.gcode", "--machine", "fitted.toml", "--candidate", "acceleration=3000")
    assert "draws from the fit to measured prints and the ranges" in compared.out


def test_a_log_grows_by_a_line_a_print(run: Run, measured: Path) -> None:
    first = run("fit", "bracket.gcode=34m", *AT_BENCH, "--log", "log.csv", "--note", "first layer redone")
    assert "1 print added to log.csv" in first.err
    second = run("fit", "test_cube.gcode=22m30s", *AT_BENCH, "--log", "log.csv", "--from-first-move")
    assert second.out.startswith("2 prints on Bench")
    lines = (measured / "log.csv").read_text().splitlines()
    assert len(lines) == 3
    assert lines[1].startswith("bracket.gcode,34,bench.toml,,first layer redone,start of heating,")
    assert lines[2].startswith("test_cube.gcode,22.5,bench.toml,,,first move,")
    alone = run("fit", "--log", "log.csv", *AT_BENCH)
    assert alone.out.startswith("2 prints on Bench")
    (measured / "bracket.gcode").write_text((measured / "bracket.gcode").read_text() + "G1 X1\n")
    changed = run("fit", "log.csv")
    assert changed.status == 1
    assert "left out: log.csv:2: bracket.gcode has changed since it was printed" in changed.err


def test_a_log_takes_nothing_that_cannot_be(run: Run, measured: Path) -> None:
    found = run("fit", "bracket.gcode=20h", *AT_BENCH, "--log", "log.csv")
    assert found.status == 2
    assert "were these" in found.err or "was another file printed" in found.err
    assert not (measured / "log.csv").exists()
    nothing = run("fit", "--log", "log.csv", *AT_BENCH)
    assert (nothing.status, "nothing to add" in nothing.err) == (2, True)


def test_rows_that_cannot_be_used_are_named_and_left_out(run: Run, measured: Path) -> None:
    text = (measured / "times.csv").read_text()
    rows = ("bracket.gcode,0,bench", "gone.gcode,12,bench", "bracket.gcode,0.5,bench", "bracket.gcode,31,attic")
    (measured / "times.csv").write_text(text + "".join(f"{row}.toml,,\n" for row in rows))
    found = run(*FIT)
    assert found.status == 1
    assert "8 prints on Bench" in found.out
    for words in (
        "left out: times.csv:10: minutes is 0",
        "left out: times.csv:11: there is no file 'gone.gcode'",
        "left out: times.csv:12: 30.0 s for bracket.gcode",
        "were these hours, not minutes?",
        "left out: times.csv:13: printed on 'attic.toml', and this is about Bench",
    ):
        assert words in found.err
    assert len(json.loads(run(*FIT, "--json").out)["left_out"]) == 4


def test_a_time_that_stands_apart_is_named_with_its_line(run: Run, measured: Path) -> None:
    lines = (measured / "times.csv").read_text().splitlines()
    cells = lines[3].split(",")
    cells[1] = f"{3.0 * float(cells[1]):.2f}"
    (measured / "times.csv").write_text("\n".join([*lines[:3], ",".join(cells), *lines[4:]]) + "\n")
    found = run(*FIT)
    assert "stands apart and counts for little: parts_bin.gcode (times.csv:4)" in found.out
    assert [row[-1] for row in rows_of(found.out) if "times.csv:4" in row[-1]] == ["stands apart (times.csv:4)"]


def test_two_machines_in_a_table_need_a_name(run: Run, measured: Path) -> None:
    (measured / "two.csv").write_text("job,minutes,machine\nhook.gcode,1,quick\nhook.gcode,1,gentle\n")
    found = run("fit", "two.csv")
    assert found.status == 2
    assert "two.csv:2: printed on 'quick'; allowed: one machine at a time: --machine FILE|NAME says which" in found.err
    assert "two.csv:3: printed on 'gentle'" in found.err


QUICK = ("--machine", "quick")
BAD = [
    (("fit",), "no measured print"),
    (("fit", "hook.gcode"), "no measured print"),
    (("fit", "hook.gcode=112"), "(112m or 112h?)"),
    (("fit", "hook.gcode=1:52"), "(1h52m or 1m52s?)"),
    (("fit", "hook.gcode=0m"), "is no time at all"),
    (("fit", "gone.gcode=1h"), "there is no file 'gone.gcode'"),
    (("fit", "gone.csv"), "gone.csv: cannot be read"),
    (("fit", "hook.gcode=4m", "--picture", "fit.gif"), "can't draw a picture that ends in '.gif'"),
    (
        ("fit", "hook.gcode=1m", "--machine", "quick", "--set", "speed=1", "--write-machine", "w.toml"),
        "a fit with --set",
    ),
]


@pytest.mark.parametrize(("arguments", "words"), BAD, ids=[" ".join(arguments) for arguments, _ in BAD])
def test_what_cannot_be_read_is_told(run: Run, arguments: tuple[str, ...], words: str) -> None:
    found = run(*arguments)
    assert (found.status, found.out) == (2, "")
    assert words in found.err


def test_a_job_without_a_time_may_be_the_next(run: Run, measured: Path) -> None:
    (measured / "few.csv").write_text("".join((measured / "times.csv").read_text().splitlines(keepends=True)[:5]))
    found = run("fit", "few.csv", "hook.gcode", *AT_BENCH, "--json")
    assert json.loads(found.out)["next_print"] is None or found.status == 0


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_a_picture_is_drawn_the_same_every_time(run: Run, measured: Path, ending: str) -> None:
    for name in ("one", "two"):
        assert run(*FIT, "--picture", f"{name}.{ending}").status == 0
    one, two = ((measured / f"{name}.{ending}").read_bytes() for name in ("one", "two"))
    assert one == two
    if ending == "svg":
        words = one.decode()
        assert "stopwatch as estimated" in words
        assert "unexplained" in words
        assert "bracket.gcode" in words


def test_a_fit_that_is_interrupted_is_told_as_it_is(run: Run, measured: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The coarser one is near the other; no machine file is made of it."""
    whole = {one["name"]: one for one in json.loads(run(*FIT, "--json").out)["parameters"]}
    surfaces = fit._Jobs.surfaces
    monkeypatch.setattr(fit._Jobs, "surfaces", interrupting(1, surfaces))
    ran = run(*FIT, "--json", "--write-machine", "new.toml")
    assert ran.status == INTERRUPTED
    assert "interrupted: this fit is rougher than it would have been; new.toml is not written" in ran.err
    assert not Path("new.toml").exists()
    for one in json.loads(ran.out)["parameters"]:
        if one["chosen"]:
            assert one["value"] == pytest.approx(whole[one["name"]]["value"], rel=0.1)
    monkeypatch.setattr(fit._Jobs, "surfaces", interrupting(0, surfaces))
    assert (run(*FIT).out, run(*FIT).status) == ("", 0)
