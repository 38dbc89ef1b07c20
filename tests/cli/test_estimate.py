"""`kinematics estimate`: the first screen, the document, the tables, and where each of them goes."""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

import kinematics
from kinematics.cli import options
from kinematics.machine import BUILTIN_NAMES
from kinematics.reports.screens import CAUTION
from kinematics.studies import estimate as study
from kinematics.wording import duration_text
from tests.cli.conftest import BRACKET, HOOK, Ran, Run, run_apart

SUM = 1e-9  # relative
ESCAPE = "\x1b"
JOB_KEYS = {
    "file", "total_s", "motion_s", "dwell_s", "stops_s", "cooling_s", "moves", "layers", "path_mm", "printed_path_mm",
    "filament_mm", "filament_g", "bounding_box_mm", "peak_flow_mm3_s", "peak_speed_mm_s", "unknown_stops",
    "where_the_time_goes", "warnings",
}  # fmt: skip
MOVES_COLUMNS = [
    "line", "kind", "layer", "length_mm", "v_in_mm_s", "v_peak_mm_s", "v_out_mm_s", "a_mm_s2", "flow_mm3_s", "t_s",
    "cruise_cause", "ramp_cause",
]  # fmt: skip
# A machine without stops and limits: parts of the screen that say so.
BARE = '[machine]\nname = "Bench"\n'


def document_of(ran: Ran) -> dict[str, Any]:
    """The one document of a run with --json."""
    assert ran.status == 0, ran.err
    document: dict[str, Any] = json.loads(ran.out)
    return document


def next_command(screen: str) -> list[str]:
    """The arguments of the command that a screen suggests."""
    (line,) = [line for line in screen.splitlines() if line.startswith("next: ")]
    program, *arguments = shlex.split(line.removeprefix("next: "))
    assert program == "kinematics"
    return arguments


def test_the_first_screen_has_its_eight_parts(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text(BARE)
    (folder / "job.gcode").write_text(HOOK + "hello\nhello\n")
    ran = run("estimate", "job.gcode", "--machine", "bench.toml")
    (job,) = document_of(run("estimate", "job.gcode", "--machine", "bench.toml", "--json"))["jobs"]
    lines = ran.out.splitlines()
    assert lines[0].startswith("on Bench")
    # (1) the total, not yet checked
    assert f"job.gcode  {duration_text(job['total_s'])}, not yet checked against a stopwatch" in lines
    # (2) its parts
    (parts,) = [line for line in lines if line.startswith("  motion ")]
    assert parts == f"  motion {duration_text(job['motion_s'])} · dwell {duration_text(job['dwell_s'])}"
    # (3) the three biggest causes as bars
    bars = [line for line in lines if "█" in line or "▏" in line]
    assert len(bars) == 3
    for line, cause in zip(bars, job["where_the_time_goes"], strict=False):
        assert cause["cause"] in line
        assert "%" in line
    # (4) one change, (5) the peak flow with its line, (6) limits not given, (7) warnings, (8) what to try next
    assert any(line.startswith("if you change one thing, ") and " saves " in line for line in lines)
    assert any(line.startswith(f"peak flow {job['peak_flow_mm3_s']:.1f} mm³/s (line 15)") for line in lines)
    assert any(
        line.startswith("not in the machine file, so taken as no limit: axes.x.max_speed_mm_s") for line in lines
    )
    assert "1 warning:" in lines
    assert any("line 17: " in line and "2 lines" in line for line in lines)
    assert any(line.startswith("stops of unknown length, counted as 0 s: line 3: heating the bed") for line in lines)
    assert any(line.startswith("next: kinematics ") for line in lines)
    # raising a limit ends in the caution
    assert lines[-1] == CAUTION
    assert ran.err == "" or ran.err.startswith("first run")


def test_what_may_be_quiet_is_quiet(run: Run, folder: Path) -> None:
    lines = run("estimate", "bracket.gcode", "--machine", "quick").out.splitlines()
    assert not any("warning" in line or "unknown length" in line or "not given" in line for line in lines)
    (folder / "travel.gcode").write_text("G0 X10 F600\n")
    assert "nothing is printed" in run("estimate", "travel.gcode", "--machine", "quick").out


def test_the_caution_ends_every_screen_that_suggests_raising_a_limit(run: Run) -> None:
    for machine in BUILTIN_NAMES:
        lines = run("estimate", "bracket.gcode", "--machine", machine).out.splitlines()
        assert any(line.startswith("if you change one thing") for line in lines)
        assert lines[-1] == CAUTION
    assert run("estimate", "bracket.gcode", "hook.gcode").out.splitlines()[-1] == CAUTION
    assert CAUTION not in run("estimate", "hook.gcode", "--machine", "quick", "--layers").out


@pytest.mark.parametrize("machine", [*BUILTIN_NAMES, "bench.toml"])
@pytest.mark.parametrize("job", ["bracket.gcode", "hook.gcode", "a part's copy.gcode"])
def test_the_next_command_runs_and_saves_what_was_said(run: Run, folder: Path, job: str, machine: str) -> None:
    (folder / "bench.toml").write_text(BARE + "[motion]\nspeed_step_mm_s = { x = 1, y = 1, z = 0.4 }\n")
    (folder / "a part's copy.gcode").write_text(BRACKET)
    ran = run("estimate", job, "--machine", machine)
    told = document_of(run("estimate", job, "--machine", machine, "--json"))
    arguments = next_command(ran.out)
    followed = run(*arguments)
    assert followed.status == 0, followed.err
    if arguments[0] == "compare":
        saved = document_of(run(*arguments, "--json"))["rows"][1]["saved_s"]
        assert saved == pytest.approx(told["if_you_change_one_thing"][0]["saved_s"], rel=1e-6)


def test_the_next_command_keeps_the_dialect_and_the_settings(run: Run, folder: Path) -> None:
    (folder / "standard.gcode").write_text("G1 X50 Y50 E5 F3000\nG4 P2\nX0 E9\n")
    options_told = ("--machine", "quick", "--dialect", "rs274", "--set", "motion.feed_override=0.5")
    options_told += ("--set", "cooling.shortest_layer_s=0")  # of which less would be no first advice
    told = document_of(run("estimate", "standard.gcode", *options_told, "--json"))
    arguments = next_command(run("estimate", "standard.gcode", *options_told).out)
    assert arguments[0] == "compare"
    rows = document_of(run(*arguments, "--json"))["rows"]
    assert rows[0]["total_s"] == told["total_s"]
    assert rows[1]["saved_s"] == pytest.approx(told["if_you_change_one_thing"][0]["saved_s"])


def test_the_next_command_does_not_take_a_candidates_name(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text('[[candidate]]\nname = "faster"\nset = { speed = 2 }\n')
    arguments = next_command(run("estimate", "bracket.gcode", "--machine", "bench.toml").out)
    assert run(*arguments).status == 0


def test_without_a_machine_three_are_timed(run: Run) -> None:
    ran = run("estimate", "bracket.gcode")
    document = document_of(run("estimate", "bracket.gcode", "--json"))
    totals = {one["machine"]: one["total_s"] for one in document["span"]}
    assert list(totals) == list(BUILTIN_NAMES)
    for name, total in totals.items():
        assert total == document_of(run("estimate", "bracket.gcode", "--json", "--machine", name))["total_s"]
        assert any(line.split() == [name, *duration_text(total).split()] for line in ran.out.splitlines())
    low, high = duration_text(min(totals.values())), duration_text(max(totals.values()))
    assert ran.out.startswith(f"between {low} and {high}: no machine was given")
    assert "which is yours?" in ran.out
    assert document["total_s"] is None
    assert document["span_s"] == [min(totals.values()), max(totals.values())]
    assert document_of(run(*next_command(ran.out), "--json"))["total_s"] == totals["middling"]


@pytest.mark.parametrize("machine", [*BUILTIN_NAMES, "bench.toml"])
def test_the_document_adds_up(run: Run, folder: Path, machine: str) -> None:
    (folder / "bench.toml").write_text(BARE)
    document = document_of(run("estimate", "hook.gcode", "bracket.gcode", "--machine", machine, "--json"))
    assert document["schema_version"] == 1
    assert document["tool_version"] == kinematics.__version__
    assert document["machine"]["machine"]["name"]
    assert document["total_s"] == pytest.approx(sum(job["total_s"] for job in document["jobs"]), rel=SUM)
    for job in document["jobs"]:
        assert job.keys() >= JOB_KEYS
        parts = job["motion_s"] + job["dwell_s"] + job["stops_s"] + job["cooling_s"]
        assert job["total_s"] == pytest.approx(parts, rel=SUM)
        causes = job["where_the_time_goes"]
        assert math.fsum(cause["seconds"] for cause in causes) == pytest.approx(job["total_s"], rel=SUM)
        assert math.fsum(cause["share"] for cause in causes) == pytest.approx(1.0, rel=SUM)
        assert [cause["seconds"] for cause in causes] == sorted((c["seconds"] for c in causes), reverse=True)
        assert all(cause["seconds"] > 0.0 for cause in causes)
        assert job["stops_s"] == pytest.approx(sum(job["stops_by_kind_s"].values()))


def test_the_document_tells_what_the_job_is(run: Run) -> None:
    document = document_of(run("estimate", "hook.gcode", "--machine", "middling", "--json"))
    (job,) = document["jobs"]
    assert (job["file"], job["moves"], job["layers"], job["filament_mm"]) == ("hook.gcode", 10, 2, 6.0)
    assert job["bounding_box_mm"] == [[0.0, 0.0, 0.2], [45.0, 30.0, 0.4]]
    printed = 40 + 30 + 20 + math.hypot(20, 20) + math.hypot(40, 20)
    assert job["printed_path_mm"] == pytest.approx(printed)
    assert job["path_mm"] == pytest.approx(printed + 0.2 + math.hypot(35, 25) + 0.2)
    assert job["filament_g"] == pytest.approx(6.0 * math.pi * 1.75**2 / 4 / 1000 * 1.24)
    assert job["dwell_s"] == 2.0
    assert job["warnings"] == []
    assert job["unknown_stops"] == []
    # line 15 is the richest: 1 mm of filament on a diagonal of 20 by 20 mm at 50 mm/s
    assert job["peak_flow_mm3_s"] == pytest.approx(math.pi * 1.75**2 / 4 / math.hypot(20, 20) * 50)
    assert job["peak_flow_line"] == 15


def test_documents_count_what_is_doubtful(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text(BARE)
    (folder / "odd.gcode").write_text("hello\nG1 X5 F60\nhello\nM0\nG123\n")
    (job,) = document_of(run("estimate", "odd.gcode", "--machine", "bench.toml", "--json"))["jobs"]
    assert [(one["line"], one["count"]) for one in job["warnings"]] == [(5, 1), (1, 2)]
    assert job["unknown_stops"] == [{"line": 4, "what": "pause: stops.pause_s is not given"}]
    assert job["bounding_box_mm"] is None
    assert job["filament_g"] is None


def test_several_jobs_are_added_up(run: Run) -> None:
    jobs = ("hook.gcode", "bracket.gcode", "hook.gcode")
    ran = run("estimate", *jobs, "--machine", "quick")
    document = document_of(run("estimate", *jobs, "--machine", "quick", "--json"))
    assert [job["file"] for job in document["jobs"]] == list(jobs)
    assert f"all 3 jobs  {duration_text(document['total_s'])}" in ran.out


def test_settings_change_the_machine(run: Run) -> None:
    base = document_of(run("estimate", "bracket.gcode", "--machine", "quick", "--json"))
    slow = document_of(
        run("estimate", "bracket.gcode", "--machine", "quick", "--json", "--set", "motion.feed_override=0.5")
    )
    assert slow["total_s"] > 1.5 * base["total_s"]
    assert slow["machine"]["motion"]["feed_override"] == 0.5
    shown = run("estimate", "bracket.gcode", "--machine", "quick", "--set", "motion.feed_override=0.5").out
    assert "motion.feed_override=0.5" in shown.splitlines()[0]


def test_standard_input_and_gzip(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = document_of(run("estimate", "hook.gcode", "--machine", "quick", "--json"))
    (folder / "hook.gcode.gz").write_bytes(gzip.compress(HOOK.encode()))
    packed = document_of(run("estimate", "hook.gcode.gz", "--machine", "quick", "--json"))
    assert packed["total_s"] == plain["total_s"]
    for machine in ((), ("--machine", "quick")):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(HOOK.encode())))
        piped = document_of(run("estimate", "-", *machine, "--json"))
        assert piped["jobs"][0]["file"] == "-"
        if machine:
            assert piped["total_s"] == plain["total_s"]


def test_layers_sum_to_motion_and_cooling(run: Run) -> None:
    ran = run("estimate", "hook.gcode", "bracket.gcode", "--machine", "middling", "--layers")
    document = document_of(
        run("estimate", "hook.gcode", "bracket.gcode", "--machine", "middling", "--layers", "--json")
    )
    rows = list(csv.DictReader(io.StringIO(ran.out), delimiter="\t"))
    assert list(rows[0]) == ["job", "layer", "moves", "motion s", "cooling s", "total s"]
    for job in document["jobs"]:
        table = job["layers_table"]
        assert [row["layer"] for row in table] == list(range(job["layers"] + 1))
        assert sum(row["moves"] for row in table) == job["moves"]
        assert math.fsum(row["motion_s"] for row in table) == pytest.approx(job["motion_s"], rel=SUM)
        assert math.fsum(row["cooling_s"] for row in table) == pytest.approx(job["cooling_s"], rel=SUM)
        shown = [row for row in rows if row["job"] == job["file"]]
        assert [row["total s"] for row in shown] == [f"{row['total_s']:.2f}" for row in table]


def test_the_table_of_moves(run: Run, folder: Path) -> None:
    asked = ("estimate", "hook.gcode", "--machine", "middling", "--moves", "moves.csv", "--json")
    ran = run(*asked)
    (job,) = document_of(ran)["jobs"]
    assert "moves written to moves.csv" in ran.err
    with open("moves.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [name for name in rows[0] if name != "label"] == MOVES_COLUMNS
    assert len(rows) == job["moves"]
    assert math.fsum(float(row["t_s"]) for row in rows) == pytest.approx(job["motion_s"], rel=SUM)
    assert max(float(row["flow_mm3_s"]) for row in rows) == pytest.approx(job["peak_flow_mm3_s"])
    assert [row["line"] for row in rows] == [str(line) for line in (6, 8, 9, 10, 11, 12, 13, 14, 15, 16)]
    assert {row["kind"] for row in rows} == {"print", "travel", "filament"}
    causes = {cause["cause"] for cause in job["where_the_time_goes"]}
    assert {row["cruise_cause"] for row in rows if float(row["t_s"]) > 0} & causes
    assert run(*asked).status == 2
    Path("moves.csv").write_text("old")
    assert run(*asked, "--force").status == 0
    assert Path("moves.csv").read_text().startswith("line,kind")
    assert sorted(path.name for path in folder.iterdir()) == ["bracket.gcode", "hook.gcode", "moves.csv"]


def test_the_table_of_moves_as_parquet(run: Run) -> None:
    import pandas

    assert run("estimate", "hook.gcode", "--machine", "quick", "--moves", "moves.parquet").status == 0
    columns = list(pandas.read_parquet("moves.parquet").columns)
    assert [name for name in columns if name != "label"] == MOVES_COLUMNS


@pytest.mark.parametrize("options", [(), ("--moves", "moves.csv")])
def test_interrupted(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...]) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    if options:
        monkeypatch.setattr("pandas.DataFrame.to_csv", interrupt)
    else:
        monkeypatch.setattr(study, "estimate_prepared", interrupt)
    ran = run("estimate", "hook.gcode", "--machine", "quick", *options)
    assert (ran.status, ran.out.startswith("on Quick")) == (130, bool(options))  # what is done is told
    assert "interrupted" in ran.err
    assert sorted(path.name for path in folder.iterdir()) == ["bracket.gcode", "hook.gcode"]


def test_progress_never_reaches_standard_output(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    quiet = run("estimate", "hook.gcode", "--machine", "quick", "--json")
    monkeypatch.setattr(options, "LONG_JOB", 0)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    loud = run("estimate", "hook.gcode", "--machine", "quick", "--json")
    assert loud.out == quiet.out


def test_a_pipe_gets_plain_text(folder: Path) -> None:
    ran = run_apart("estimate", "bracket.gcode", "--machine", "quick", TERM="xterm-256color", FORCE_COLOR="1")
    assert ran.status == 0
    assert ESCAPE not in ran.out + ran.err
    assert "\r" not in ran.out


def test_a_move_off_the_bed_is_told_on_the_screen_and_in_json(run: Run, folder: Path) -> None:
    (folder / "far.gcode").write_text("G1 X9 F600\nG1 X250 E9\n")
    for words in (("estimate", "far.gcode"), ("compare", "far.gcode", "--candidate", "a: speed=2")):
        for more in ((), ("--json",)):
            ran = run(*words, "--machine", "middling", *more)
            assert "move that ends off the bed (215 × 225 × 235 mm), by 35 mm in X at most" in ran.out.replace(
                "\\u00d7", "×"
            )
