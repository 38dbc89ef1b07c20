"""`kinematics sweep`: rows on the screen, in files that go on where they were left, in JSON and as pictures."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from kinematics.studies import sweep
from kinematics.wording import duration_text, quantity_text
from tests.cli.conftest import ROOT, Run, rows_of

MIDDLING = ("--machine", "middling", "--set", "cooling.shortest_layer_s=0")
RISING = ("--vary", "acceleration=300:9000:9log")
TWO = ("--vary", "acceleration=300,3000", "--vary", "speed=0.5:1.5:3")
MANY = ("--vary", "acceleration=100:9000:400", "--vary", "corner=0.001:1:30log")
LONGEST_WAIT = 300.0  # s, for a process to write its first rows
LARGER_THAN_BLANK = 10_000  # bytes of a picture with something on it


def test_the_screen_tells_what_the_json_does(run: Run) -> None:
    arguments = ("sweep", "bracket.gcode", "hook.gcode", *MIDDLING, *TWO)
    document, screen = json.loads(run(*arguments, "--json").out), run(*arguments)
    assert screen.status == 0
    lines = rows_of(screen.out)
    assert lines[0] == ["acceleration", "speed", "job", "time", "within caps", "stopped by"]
    judged = {True: "yes", False: "no", None: "not known"}
    rows = document["rows"]
    assert len(rows) == 2 * 3 * 3
    assert lines[1:] == [
        [
            f"{row['acceleration']:g}",
            f"{row['speed']:g}",
            row["job"],
            duration_text(row["total_s"]),
            judged[row["within_caps"]],
            ", ".join(row["stopped_by"]),
        ]
        for row in rows
    ]
    for name, knee in document["knee"].items():
        last = {one["about"]: one for gain in (knee, knee["from_present"]) for one in gain["knees"]}
        for one in last.values():
            assert f"{one['share']:.0%} by about {quantity_text(one['about'])}" in screen.out
        assert f"{name}: {knee['present']:,.6g}" in screen.out
        saves, more = duration_text(knee["saves_s"]), duration_text(knee["from_present"]["saves_s"])
        assert f"raising it from {knee['from']:,.6g} saves at most {saves}:" in screen.out
        assert f"raising it from {knee['present']:,.6g} (now) saves at most {more}:" in screen.out
        assert f"it takes {duration_text(knee['floor_s'])} at least, held by {knee['floor_cause']}" in screen.out


def knee_of(run: Run, knob: str, *more: str) -> tuple[dict[str, Any], list[str]]:
    """What a sweep of one knob says of it, as JSON and as lines."""
    arguments = ("sweep", "bracket.gcode", "--machine", "middling", *more, "--vary", knob)
    document, screen = json.loads(run(*arguments, "--json").out), run(*arguments)
    assert screen.status == 0, screen.err
    return document["knee"][knob.partition("=")[0]], screen.out.splitlines()


@pytest.mark.parametrize(
    "knob",
    [
        "cooling.shortest_layer_s=1:20:3",
        "filament.pressure_advance_s=0:0.2:3",
        "axes.z.max_speed_mm_s=1,5",
        "motion.lookahead_moves=1,5,50",
        "corner=0.001,5",
        "stops.homing_s=0,30",
        "acceleration=1e6,1e8",
    ],
)
def test_no_saving_is_ever_negative_and_no_line_too_long(run: Run, knob: str) -> None:
    knee, lines = knee_of(run, knob)
    savings = [knee["saves_s"], *([] if knee["from_present"] is None else [knee["from_present"]["saves_s"]])]
    assert min(savings) >= 0.0
    assert not [line for line in lines if " -" in line or "−" in line]
    assert all(len(line) <= 80 for line in lines if "hot parts" not in line)
    assert (knee["turned"] == "down") == any("lowering it" in line for line in lines)
    for gain, saves in zip((knee["from_present"], knee), savings[::-1], strict=False):
        assert gain is None or saves >= 0.0


def test_what_lies_beyond_the_sweep_is_said_to(run: Run) -> None:
    knee, lines = knee_of(run, "acceleration=300,400", "--set", "cooling.shortest_layer_s=0")
    assert all(one["beyond"] for one in knee["knees"][1:])
    assert any(line.strip().startswith("past this sweep: ") for line in lines)
    inside, wide = knee_of(run, "acceleration=300,1e6", "--set", "cooling.shortest_layer_s=0")
    assert not any(one["beyond"] for one in inside["knees"])
    assert not any("past this sweep" in line for line in wide)


def test_what_saves_nothing_is_said_to(run: Run) -> None:
    knee, lines = knee_of(run, "motors.e.max_speed_mm_s=1e4,1e5")
    assert (knee["saves_s"], knee["knees"], knee["from_present"]) == (0.0, [], None)
    assert "motors.e.max_speed_mm_s: not given now" in lines
    assert "  raising it from 10,000 saves nothing" in lines


def test_nothing_slower_than_now_is_recommended(run: Run) -> None:
    common = ("sweep", "bracket.gcode", *MIDDLING, "--set", "flow=100")
    arguments = (*common, "--vary", "acceleration=300,600", "--vary", "speed=0.5,1")
    document, screen = json.loads(run(*arguments, "--json").out), run(*arguments)
    assert document["recommended"] is None
    assert min(row["total_s"] for row in document["rows"]) > document["present_total_s"]
    assert "recommended: none of these; nothing within the caps is faster than what the" in screen.out
    assert f"machine has now ({duration_text(document['present_total_s'])})" in screen.out
    faster = (*common, "--vary", "acceleration=300,3000", "--vary", "speed=0.5,2")
    found = json.loads(run(*faster, "--json").out)
    assert found["recommended"]["total_s"] <= found["present_total_s"] == document["present_total_s"]


def test_rows_are_those_of_estimates(run: Run) -> None:
    document = json.loads(run("sweep", "bracket.gcode", *MIDDLING, *TWO, "--json").out)
    for row in document["rows"]:
        settings = ("--set", f"acceleration={row['acceleration']}", "--set", f"speed={row['speed']}")
        estimate = json.loads(run("estimate", "bracket.gcode", *MIDDLING, *settings, "--json").out)
        assert row["total_s"] == pytest.approx(estimate["total_s"], rel=1e-9)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_rows_in_a_file_are_those_of_the_json(run: Run, folder: Path, kind: str) -> None:
    import pandas

    ran = run("sweep", "bracket.gcode", *MIDDLING, *TWO, "-o", f"rows.{kind}", "--json")
    rows = json.loads(ran.out)["rows"]
    path = folder / f"rows.{kind}"
    table = pandas.read_csv(path, keep_default_na=False, dtype=str) if kind == "csv" else pandas.read_parquet(path)
    table = table.astype({"total_s": float, "acceleration": float})  # to the last digit, as no parser of numbers has it
    assert table["total_s"].tolist() == [row["total_s"] for row in rows]
    assert table["acceleration"].tolist() == [row["acceleration"] for row in rows]
    assert sorted(one.name for one in folder.iterdir()) == ["bracket.gcode", "hook.gcode", f"rows.{kind}"]
    refused = run("sweep", "bracket.gcode", *MIDDLING, *TWO, "-o", f"rows.{kind}")
    assert refused.status == 2
    assert "the file exists already" in refused.err
    again = run("sweep", "bracket.gcode", *MIDDLING, *TWO, "-o", f"rows.{kind}", "--force")
    assert again.status == 0


def test_the_same_seed_gives_the_same_bytes(run: Run, folder: Path) -> None:
    for name, seed in (("one", "7"), ("two", "7"), ("three", "8")):
        sampled = ("--sample", "20", "--seed", seed, "-o", f"{name}.csv")
        assert run("sweep", "bracket.gcode", *MIDDLING, *TWO, *sampled).status == 0
    one, two, three = ((folder / f"{name}.csv").read_bytes() for name in ("one", "two", "three"))
    assert one == two != three
    assert len(one.splitlines()) == 21


def killed_sweep(folder: Path, name: str) -> int:
    """Start a sweep, kill it once rows have been written, and return how many candidates it left."""
    command = [sys.executable, "-m", "kinematics", "sweep", "bracket.gcode", *MIDDLING, *MANY, "-o", name]
    partial = folder / f"{name}.partial"
    with subprocess.Popen(
        command, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        end = time.monotonic() + LONGEST_WAIT
        while (left := noted(partial)) == 0:
            assert process.poll() is None, "it was done before it could be killed"
            assert time.monotonic() < end
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL
    return max(left, noted(partial))


def noted(partial: Path) -> int:
    """How many candidates a sweep has noted as done; 0 where there is no note yet."""
    told = partial.with_name(f"{partial.name}.json")
    return int(json.loads(told.read_text())["candidates"]) if told.exists() else 0


def test_a_killed_sweep_goes_on_to_the_same_bytes(run: Run, folder: Path) -> None:
    arguments = ("sweep", "bracket.gcode", *MIDDLING, *MANY, "-o")
    left = killed_sweep(folder, "killed.csv")
    assert 64 <= left < 12_000
    assert not (folder / "killed.csv").exists()
    other = run("sweep", "bracket.gcode", *MIDDLING, *TWO, "-o", "killed.csv")
    assert other.status == 2
    assert "rows of another sweep" in other.err
    with (folder / "killed.csv.partial").open("ab") as file:
        file.write(b"9000,0.0")  # a line that was not finished
    resumed = run(*arguments, "killed.csv")
    assert resumed.status == 0
    assert f"{left:,} of 12,000 candidates are done already; carrying on" in resumed.err
    assert run(*arguments, "whole.csv").status == 0
    assert (folder / "killed.csv").read_bytes() == (folder / "whole.csv").read_bytes()
    assert not [path for path in folder.iterdir() if "partial" in path.name]


def interrupt_after(monkeypatch: pytest.MonkeyPatch, chunks: int) -> None:
    """Let Ctrl-C come after so many chunks of rows."""
    rows_of = sweep.sweep_rows

    def interrupted(*arguments: Any) -> Any:
        for k, rows in enumerate(rows_of(*arguments)):
            if k == chunks:
                raise KeyboardInterrupt
            yield rows

    monkeypatch.setattr(sweep, "sweep_rows", interrupted)


def test_interrupted_what_is_done_is_kept(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arguments = (
        "sweep",
        "bracket.gcode",
        "hook.gcode",
        *MIDDLING,
        "--vary",
        "acceleration=100:9000:150",
        "-o",
        "rows.csv",
    )
    with monkeypatch.context() as patched:
        interrupt_after(patched, 1)
        ran = run(*arguments)
    assert ran.status == 130
    assert "kept in rows.csv.partial; the same command picks up from there" in ran.err
    partial = folder / "rows.csv.partial"
    assert partial.read_bytes().count(b"\n") == 1 + 3 * 64
    with partial.open("ab") as file:
        file.write(b"9000,bracket.gcode,12.5")  # a line that was not finished
    again = run(*arguments)
    assert again.status == 0
    assert "64 of 150 candidates are done already" in again.err
    whole = run(*arguments[:-1], "whole.csv")
    assert whole.status == 0
    assert (folder / "rows.csv").read_bytes() == (folder / "whole.csv").read_bytes()


def test_interrupted_without_a_file_what_is_done_is_told(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupt_after(monkeypatch, 1)
    ran = run("sweep", "bracket.gcode", *MIDDLING, "--vary", "acceleration=100:9000:150")
    assert ran.status == 130
    assert len(ran.out.splitlines()) == 1 + 64


@pytest.mark.parametrize(
    "other",
    [
        ("--sample", "9", "--seed", "2"),
        ("--set", "flow=3"),
        ("--file-limits", "ignore"),
        ("--prints", "bracket.gcode=2"),
    ],
    ids=" ".join,
)
def test_rows_of_another_sweep_are_not_gone_on_from(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, other: tuple[str, ...]
) -> None:
    common = ("sweep", "bracket.gcode", *MIDDLING, *RISING, "-o", "rows.csv")
    first = ("--sample", "9") if "--sample" in other else ()
    with monkeypatch.context() as patched:
        interrupt_after(patched, 0)
        assert run(*common, *first).status == 130
    refused = run(*common, *other)
    assert refused.status == 2
    assert "rows of another sweep" in refused.err
    assert run(*common, *other, "--force").status == 0
    assert len((folder / "rows.csv").read_text().splitlines()) == 10


def test_a_changed_job_is_another_sweep(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    common = ("sweep", "bracket.gcode", *MIDDLING, *RISING, "-o", "rows.csv")
    with monkeypatch.context() as patched:
        interrupt_after(patched, 0)
        assert run(*common).status == 130
    with (folder / "bracket.gcode").open("a") as file:
        file.write("G1 X1 E9\n")
    assert "rows of another sweep" in run(*common).err


@pytest.mark.parametrize("vary", [RISING, ("--vary", "acceleration=300:9000:4log", "--vary", "speed=0.5:2:4")])
def test_pictures_are_drawn_and_the_same_again(run: Run, folder: Path, vary: tuple[str, ...]) -> None:
    bench = ("--machine", str(ROOT / "sample_gcode/machines/bench_cartesian.toml"))
    for name in ("one.svg", "two.svg", "one.png"):
        ran = run("sweep", "bracket.gcode", *bench, *vary, "--picture", name)
        assert ran.status == 0, ran.err
        assert f"picture written to {name}" in ran.err
    drawn = (folder / "one.svg").read_text()
    assert drawn == (folder / "two.svg").read_text()
    assert "acceleration" in drawn
    assert "beyond" in drawn
    assert "<pattern" in drawn  # hatched, so that it reads without colour
    assert (folder / "one.png").stat().st_size > LARGER_THAN_BLANK
    from matplotlib.image import imread

    pixels = imread(folder / "one.png")
    assert pixels[..., :3].std() > 0.05
    assert run("sweep", "bracket.gcode", *bench, *vary, "--picture", "one.svg").status == 2


def test_csv_cells_come_back_as_they_were(run: Run, folder: Path) -> None:
    """A name with commas and quotes is one cell, and numbers are whole."""
    odd = folder / 'a, "b".gcode'
    odd.write_text((folder / "bracket.gcode").read_text())
    rows = json.loads(run("sweep", odd.name, *MIDDLING, *RISING, "-o", "rows.csv", "--json").out)["rows"]
    with (folder / "rows.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    assert [row["job"] for row in table] == [odd.name] * 9
    assert [float(row["total_s"]) for row in table] == [row["total_s"] for row in rows]


def test_without_a_machine_a_built_in_one_is_named(run: Run) -> None:
    assert "no machine given: this is for the built-in machine" in run("sweep", "bracket.gcode", *RISING).err


@pytest.mark.parametrize(
    ("more", "found"),
    [
        (("--vary", "acceleration"), "can't read 'acceleration' as a knob and its values"),
        (("--vary", "=1,2"), "can't read '=1,2' as a knob and its values"),
        (("--vary", "acceleration=1:2"), "can't read '1:2' as values of acceleration"),
        (("--vary", "acceleration=5:1:3"), "can't read '5:1:3' as values"),
        (("--vary", "acceleration=0:1:3log"), "can't read '0:1:3log' as values"),
        (("--vary", "acceleration=1:2:0"), "can't read '1:2:0' as values"),
        (("--vary", "acceleration=1:2:9999999"), "can't read '1:2:9999999' as values"),
        (("--vary", "acceleration=1,two"), "can't read '1,two' as values"),
        (("--vary", "acceleration=1,nan"), "is a number"),
        (("--vary", "acceleration=1:inf:3"), "is a number"),
        (("--vary", "acceleration=0,100"), "acceleration"),
        (("--vary", "accelaration=1,2"), "unknown key accelaration"),
        (("--vary", "machine.name=1,2"), "machine.name"),
        (("--vary", "axes=1,2"), "axes is a section"),
        (("--vary", "motion.lookahead_moves=1:4:3"), "a whole number"),
        (
            (*RISING, "--vary", "motion.print_acceleration_mm_s2=5,6"),
            "turn the same key, motion.print_acceleration_mm_s2",
        ),
        (("--vary", "acceleration=1:9:99999", "--vary", "speed=1:9:999"), "99,899,001 candidates"),
        ((*RISING, "--prints", "bracket.gcode=0"), "can't read 'bracket.gcode=0' as a job and a number of prints"),
        ((*RISING, "--prints", "braket.gcode=2"), "did you mean 'bracket.gcode'"),
        ((*RISING, "--picture", "one.gif"), "can't draw a picture that ends in '.gif'"),
        ((*TWO, "--vary", "corner=0.1,0.2", "--picture", "one.svg"), "3 knobs"),
        ((*RISING, "--picture", "no/one.svg"), "the folder 'no' does not exist"),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, tuple) else "",
)
def test_bad_input_is_one_sentence_with_status_2(run: Run, more: tuple[str, ...], found: str) -> None:
    ran = run("sweep", "bracket.gcode", *MIDDLING, *more)
    assert ran.status == 2
    assert found in ran.err
    assert not ran.out
    assert len(ran.err.strip().splitlines()) == 1, ran.err


@pytest.mark.parametrize(
    ("name", "found"),
    [("rows.txt", "can't write a table that ends in '.txt'"), ("no/rows.csv", "the folder 'no' does not exist")],
)
def test_files_that_cannot_be_written(run: Run, name: str, found: str) -> None:
    ran = run("sweep", "bracket.gcode", *MIDDLING, *RISING, "-o", name)
    assert ran.status == 2
    assert found in ran.err
