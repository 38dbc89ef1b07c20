"""Tables of times: as people write them, every wrong row named with its line, and logs that grow."""

from __future__ import annotations

from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine
from kinematics.measured.stopwatch import (
    TimesRow,
    fingerprint_of,
    machine_of_rows,
    measured_argument,
    measured_rows,
    read_times,
    with_rows,
)
from tests.jobs.conftest import bench

TEXT = "G1 X100 E3 F6000\nG1 Y80 E5\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two jobs and nothing else."""
    (tmp_path / "part.gcode").write_text(TEXT)
    (tmp_path / "other.gcode").write_text(TEXT + "G1 X0 E9\n")
    return tmp_path


def table(folder: Path, text: str) -> str:
    """A table beside the jobs."""
    path = folder / "times.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


TIMES = [
    ("job,minutes", "112", 6720.0),
    ("job,minutes", "112.5", 6750.0),
    ("job,minutes", "1h52m", 6720.0),
    ("job,minutes", "1:52:00", 6720.0),
    ("job,time", "1h52m", 6720.0),
    ("job,time", "1:52:00", 6720.0),
    ("job,time", "75s", 75.0),
    ("Job;Minutes", "112,5", 6750.0),
    ("job\tduration".replace("duration", "time"), "2h", 7200.0),
]


@pytest.mark.parametrize(("head", "cell", "seconds"), TIMES)
def test_times_may_be_written_as_people_write_them(folder: Path, head: str, cell: str, seconds: float) -> None:
    separator = next(mark for mark in ";\t," if mark in head)
    times = read_times(table(folder, f"{head}\npart.gcode{separator}{cell}\n"))
    assert times.findings == []
    assert [row.seconds for row in times.rows] == [pytest.approx(seconds)]


MISTAKES = [
    ("part.gcode,0,", "times.csv:3: minutes is 0; allowed: minutes as a number above 0, or a time such as 1h52m"),
    ("part.gcode,-5,", "times.csv:3: minutes is -5"),
    ("part.gcode,soon,", "times.csv:3: minutes is 'soon'"),
    ("part.gcode,,112", "can't read '112' as a time; write 7m or 1h30m (112m or 112h?)"),
    ("part.gcode,,1:52", "(1h52m or 1m52s?)"),
    ("part.gcode,,", "times.csv:3: no time"),
    ("part.gcode,5,1h", "times.csv:3: both minutes and time"),
    (",5,", "times.csv:3: a time without a job"),
    (
        "prat.gcode,5,",
        "times.csv:3: there is no file 'prat.gcode'; allowed: a G-code file beside the table (did you mean",
    ),
    ("part.gcode,5,,,sometime", "times.csv:3: counted_from is 'sometime'"),
    ("part.gcode,5,,,,05.03.2026", "times.csv:3: date is '05.03.2026'; allowed: a date such as 2026-03-06"),
    ("part.gcode,5,,,,,0123456789abcdef", "times.csv:3: part.gcode has changed since it was printed"),
    ("part.gcode,5,,,,,,too,many", "times.csv:3: 9 cells under 7 columns"),
]


@pytest.mark.parametrize(("row", "words"), MISTAKES, ids=[row for row, _ in MISTAKES])
def test_every_wrong_row_is_named_with_its_line(folder: Path, row: str, words: str) -> None:
    head = "job,minutes,time,machine,counted_from,date,fingerprint\n"
    times = read_times(table(folder, f"{head}part.gcode,7,,,,,\n{row}\n"))
    assert [one.seconds for one in times.rows] == [420.0]
    (finding,) = times.findings
    assert words in str(finding)
    assert "times.csv:3: " in str(finding)


def test_a_table_of_something_else_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match="no column is called 'taken'"):
        read_times(table(folder, "job,taken\npart.gcode,5\n"))
    with pytest.raises(InputError, match="this looks like G-code"):
        read_times(table(folder, TEXT))
    with pytest.raises(InputError, match="did you mean 'job'"):
        read_times(table(folder, "file,minutes\npart.gcode,5\n"))


def test_files_that_are_newer_than_their_prints_are_pointed_out_once(folder: Path) -> None:
    rows = "part.gcode,5,2020-01-01\npart.gcode,6,2999-01-01\nother.gcode,7,2020-02-02\n"
    times = read_times(table(folder, f"job,minutes,date\n{rows}"))
    assert len(times.rows) == 3
    (doubt,) = times.doubts
    assert "the file of the job is newer than the print: lines 2, 4" in str(doubt)


def test_a_fingerprint_says_that_a_file_is_still_the_same(folder: Path) -> None:
    mark = fingerprint_of(str(folder / "part.gcode"))
    times = read_times(table(folder, f"job,minutes,date,fingerprint\npart.gcode,5,2020-01-01,{mark}\n"))
    assert (len(times.rows), times.findings, times.doubts) == (1, [], [])


def row(folder: Path, name: str = "part.gcode", machine: str = "", material: str = "", line: int = 2) -> TimesRow:
    """A row of a table."""
    return TimesRow(str(folder / name), name, 60.0, machine, material, "", True, "2026-03-02", f"times.csv:{line}")


def test_two_machines_in_one_table_are_told_apart(folder: Path) -> None:
    rows = [row(folder, machine="bench.toml"), row(folder, machine="attic.toml", line=3)]
    with pytest.raises(InputError) as failure:
        machine_of_rows(rows)
    assert "times.csv:2: printed on 'bench.toml'; allowed: one machine at a time" in str(failure.value)
    assert "times.csv:3: printed on 'attic.toml'" in str(failure.value)
    assert machine_of_rows(rows[:1]) == "bench.toml"
    assert machine_of_rows([row(folder)]) is None
    found, findings, _ = measured_rows(rows, bench(), "bench.toml", PreparedJob)
    assert [one.place for one in found] == ["times.csv:2"]
    assert str(findings[0]) == "times.csv:3: printed on 'attic.toml', and this is about Bench"


def test_a_material_is_laid_over_the_machine(folder: Path) -> None:
    laid = Machine(machine={"name": "Bench"}, material=[{"name": "Black", "set": {"motion.feed_override": 0.5}}])
    rows = [row(folder, material="black"), row(folder, material="blak", line=3)]
    found, findings, doubts = measured_rows(rows, laid, "bench", PreparedJob)
    assert findings == []
    assert [one.machine.motion.feed_override for one in found] == [0.5, 1.0]
    assert "times.csv:3: the machine file has no material 'blak': timed without; allowed: Black" in str(doubts[0])


def test_jobs_that_cannot_be_timed_are_named_with_the_line(folder: Path) -> None:
    (folder / "empty.gcode").write_text("; nothing\n")
    found, findings, _ = measured_rows([row(folder, "empty.gcode")], bench(), "bench", PreparedJob)
    assert found == []
    assert str(findings[0]).startswith("times.csv:2: ")


def test_a_log_begins_with_a_head_and_grows(folder: Path) -> None:
    log = str(folder / "log.csv")
    once = with_rows("", [row(folder, machine="bench.toml")], log)
    assert once.splitlines()[0] == "job,minutes,machine,material,notes,counted_from,date,fingerprint"
    twice = with_rows(once, [row(folder, "other.gcode")._replace(seconds=6750.0, from_start=False)], log)
    assert twice.startswith(once)
    Path(log).write_text(twice, encoding="utf-8")
    times = read_times(log)
    assert times.findings == []
    assert [(one.name, one.seconds, one.from_start) for one in times.rows] == [
        ("part.gcode", 60.0, True),
        ("other.gcode", 6750.0, False),
    ]


def test_a_log_keeps_the_columns_and_the_separator_that_it_has(folder: Path) -> None:
    old = "notes;time;job\nfirst;1h;part.gcode"
    text = with_rows(old, [row(folder)._replace(seconds=6720.0, notes="=1+1")], str(folder / "log.csv"))
    assert text == old + "\n'=1+1;1h52m00s;part.gcode\n"
    text = with_rows("job;minutes\r\npart.gcode;5\r\n", [row(folder)._replace(seconds=6750.0)], str(folder / "l.csv"))
    assert text.endswith("\r\npart.gcode;112,5\r\n")


def test_a_job_and_its_time_are_one_argument(folder: Path) -> None:
    assert measured_argument("part.gcode=1h52m") == ("part.gcode", "1h52m")
    assert measured_argument("a=b.gcode=5m") == ("a=b.gcode", "5m")
    assert measured_argument("part.gcode") is None
    (folder / "odd=1h.gcode").write_text(TEXT)
    assert measured_argument(str(folder / "odd=1h.gcode")) is None
