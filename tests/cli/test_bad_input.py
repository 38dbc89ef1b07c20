"""Every mistake ends in a sentence with place, finding and what is allowed; status 2, and nothing written."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pytest

from tests.cli.conftest import Ran, Run, run_apart

MACHINE = ("--machine", "middling")
FINDING = re.compile(r"^kinematics: (?P<place>\S.*?): (?P<found>\S.*)$")


def files_of(folder: Path) -> dict[str, bytes]:
    """Everything in a folder, with its bytes."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def assert_refused(ran: Ran, *words: str) -> None:
    """Status 2, nothing on standard output, and the words in sentences on standard error."""
    assert ran.status == 2, ran
    assert ran.out == ""
    assert "Traceback" not in ran.err
    for word in words:
        assert word in ran.err, ran.err
    assert ran.err.strip()


def assert_findings(ran: Ran, *words: str) -> None:
    """Refused by findings of our own: each one line with a place and what was found there."""
    assert_refused(ran, *words)
    for line in ran.err.splitlines():
        if not line.startswith(("first run", "no machine given")):
            assert FINDING.match(line), line


# What stands in the file, which options go with it, and what must be said.
JOBS: list[tuple[str, bytes, tuple[str, ...], tuple[str, ...]]] = [
    ("empty", b"", (), ("bad.gcode: an empty file", "allowed: a file with G-code moves")),
    ("blank", b" \n\t\r\n", (), ("bad.gcode: a file of blanks", "allowed: ")),
    ("noise", bytes(range(256)) * 40, (), ("bad.gcode: not a text file", "allowed: G-code as text")),
    ("still", b"G28\nM104 S200\n", (), ("bad.gcode: no motion", "allowed: at least one G0 to G3 move")),
    ("prose", b"dear diary\n", (), ("bad.gcode: no motion", "line 1: dear: no G-code command")),
    (
        "arc",
        b"F60\nG2 X20 Y0 R1\n",
        ("--dialect", "rs274"),
        ("bad.gcode:2: arc whose end", "G2 X20 Y0 R1", "allowed: |R|"),
    ),
    ("feed", b"F60\nF0\nG1 X1\n", ("--dialect", "rs274"), ("bad.gcode:2: F of 0", "allowed: a positive feed")),
    (
        "text",
        b"F60\nhello\n",
        ("--dialect", "rs274"),
        ("bad.gcode:2: not a line of G-code words: 'hello'", "allowed: "),
    ),
    ("large", b"G1 X5 F60\n\nG1 X12345678901\n", (), ("bad.gcode:3: a number too large", "X12345678901", "allowed: ")),
    ("chords", b"G1 X5 F60\nG2 I10000000\n", (), ("bad.gcode:2: an arc that needs over 60,000", "allowed: ")),
    (
        "cut gzip",
        gzip.compress(b"G1 X1 F60\n" * 99)[:-9],
        (),
        ("bad.gcode: a gzip file that cannot", "allowed: a whole"),
    ),
    ("bad gzip", b"\x1f\x8b\x08\x00" + b"x" * 99, (), ("bad.gcode: a gzip file that cannot be unpacked", "allowed: ")),
    ("empty gzip", gzip.compress(b""), (), ("bad.gcode: an empty file", "allowed: ")),
    ("gzip noise", gzip.compress(bytes(range(256)) * 9), (), ("bad.gcode: not a text file", "allowed: ")),
]


@pytest.mark.parametrize(
    "command", [("estimate",), ("compare", "--candidate", "brisk: speed=2"), ("estimate", "--json")]
)
@pytest.mark.parametrize(("content", "options", "words"), [case[1:] for case in JOBS], ids=[case[0] for case in JOBS])
def test_bad_jobs(
    run: Run, folder: Path, command: tuple[str, ...], content: bytes, options: tuple[str, ...], words: tuple[str, ...]
) -> None:
    (folder / "bad.gcode").write_bytes(content)
    before = files_of(folder)
    assert_findings(run(*command, "bad.gcode", *MACHINE, *options), *words)
    assert_findings(run(*command, "hook.gcode", "bad.gcode", *MACHINE, *options))
    assert files_of(folder) == before


def test_a_missing_job_names_the_nearest(run: Run) -> None:
    assert_findings(run("estimate", "hok.gcode"), "hok.gcode: no such file", "did you mean 'hook.gcode'?")
    assert_findings(run("estimate", "nowhere/hook.gcode"), "nowhere/hook.gcode: no such file")
    assert_findings(run("compare", "hok.gcode", "--candidate", "b: speed=2"), "did you mean 'hook.gcode'?")


def test_a_directory_is_no_job(run: Run, folder: Path) -> None:
    (folder / "parts").mkdir()
    assert_findings(run("estimate", "parts"), "parts: no G-code files in this folder", "allowed: files that")
    assert_findings(run("estimate", "hook.gcode/x"), "hook.gcode/x: cannot be read")


def test_an_unknown_dialect(run: Run) -> None:
    words = ("--dialect: no dialect 'rs247'", "allowed: extrusion, rs274", "did you mean 'rs274'?")
    assert_findings(run("estimate", "hook.gcode", "--dialect", "rs247"), *words)


def test_what_click_refuses(run: Run) -> None:
    assert_refused(run("esitmate", "hook.gcode"), "esitmate", "Did you mean", "estimate")
    assert_refused(run("estimate"), "Missing argument", "JOB")
    assert_refused(run("estimate", "hook.gcode", "--machne", "gentle"), "--machne", "Did you mean", "--machine")
    assert_refused(run("estimate", "hook.gcode", "--moves"), "--moves", "requires an argument")
    assert_refused(run("machine", "shwo", "gentle"), "shwo", "Did you mean", "show")
    assert_refused(run("machine", "check"), "Missing argument")
    assert_refused(run("frobnicate"), "frobnicate")


# A machine file, and what must be said of it, all at once.
MACHINES: list[tuple[str, bytes, tuple[str, ...]]] = [
    ("unknown key", b"[motion]\nprint_aceleration_mm_s2 = 5\n", ("bad.toml:2: unknown key", "did you mean 'print_acc")),
    ("unknown table", b"[motor]\nx = 1\n", ("bad.toml:1: unknown key motor", "did you mean")),
    (
        "negative",
        b"[axes.x]\nmax_speed_mm_s = -3\n",
        ("bad.toml:2: axes.x.max_speed_mm_s = -3", "allowed: a number above 0 (1e-9 to 1e9)"),
    ),
    ("zero", b"[hotend]\nmax_flow_mm3_s = 0\n", ("bad.toml:2: ", "above 0", "leave the key out for no limit")),
    (
        "text",
        b'[axes.x]\nmax_speed_mm_s = "fast"\n',
        ("bad.toml:2: ", '= "fast"', "allowed: a number above 0 (1e-9 to 1e9)"),
    ),
    ("quoted number", b'[axes.x]\nmax_speed_mm_s = "300"\n', ("bad.toml:2: ", "write it without quotes")),
    (
        "true",
        b"[axes.x]\nmax_speed_mm_s = true\n",
        ("bad.toml:2: ", "= true", "allowed: a number above 0 (1e-9 to 1e9)"),
    ),
    (
        "not a number",
        b"[axes.x]\nmax_speed_mm_s = nan\n",
        ("bad.toml:2: ", "= nan", "allowed: a number above 0 (1e-9 to 1e9)"),
    ),
    ("list", b"[machine]\nbed_mm = [1, 2]\n", ("bad.toml:2: machine.bed_mm", "allowed: three numbers")),
    ("part of a move", b"[motion]\nlookahead_moves = 1.5\n", ("bad.toml:2: ", "allowed: a whole number")),
    (
        "two rules",
        b"[motion]\njunction_deviation_mm=1\nspeed_step_mm_s={x=1}\n",
        ("bad.toml:2: both", "one corner rule"),
    ),
    ("no table", b"axes = 3\n", ("bad.toml:1: axes = 3", "allowed: a table [axes]")),
    ("syntax", b"[axes.x]\nmax_speed_mm_s 3\n", ("bad.toml:2: not valid TOML", "allowed: a machine file (TOML)")),
    ("open quote", b'[machine]\nname = "Bench\n', ("bad.toml:2: not valid TOML",)),
    (
        "twice",
        b"[axes.x]\nmax_speed_mm_s = 1\nmax_speed_mm_s = 2\n",
        ("bad.toml:3: ", "is given twice", "first in line 2"),
    ),
    (
        "not utf-8",
        b"[machine]\nname = '\xff\xfe'\n",
        ("bad.toml:2: is not text in UTF-8", "allowed: a machine file (TOML)"),
    ),
    ("g-code", b"G1 X1 F60\n", ("bad.toml:1: not valid TOML",)),
    ("candidate", b'[[candidate]]\nname = "a"\n', ("bad.toml:1: ", "set is missing", "allowed: a table of settings")),
    (
        "candidate key",
        b'[[candidate]]\nname="a"\nset={ "hotend.flow" = 3 }\n',
        ("bad.toml:3: candidate 'a': unknown key",),
    ),
    (
        "same names",
        b'[[candidate]]\nname="a"\nset={}\n[[candidate]]\nname="a"\nset={}\n',
        ("bad.toml:5: two candidates",),
    ),
]


@pytest.mark.parametrize(("content", "words"), [case[1:] for case in MACHINES], ids=[case[0] for case in MACHINES])
def test_bad_machine_files(run: Run, folder: Path, content: bytes, words: tuple[str, ...]) -> None:
    (folder / "bad.toml").write_bytes(content)
    before = files_of(folder)
    for command in (
        ("estimate", "hook.gcode", "--machine", "bad.toml"),
        ("compare", "hook.gcode", "--machine", "bad.toml", "--candidate", "b: speed=2"),
        ("machine", "show", "bad.toml"),
        ("machine", "check", "bad.toml", "--json"),
    ):
        assert_findings(run(*command), *words)
    assert files_of(folder) == before


def test_all_findings_of_a_machine_file_come_at_once(run: Run, folder: Path) -> None:
    (folder / "bad.toml").write_text("[axes.x]\nmax_sped_mm_s = 1\n[hotend]\nnozzle_mm = 0\n[motin]\n")
    ran = run("estimate", "hook.gcode", "--machine", "bad.toml", "--set", "motion.feed_override=-1")
    assert_findings(ran, "bad.toml:2: ", "bad.toml:4: ", "bad.toml:5: ", "--set: motion.feed_override = -1")
    assert len(ran.err.splitlines()) == 4


def test_machines_that_are_not_there(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text("")
    (folder / "shelf").mkdir()
    asked = ("estimate", "hook.gcode", "--machine")
    assert_findings(
        run(*asked, "gentel"), "no machine 'gentel'", "allowed: gentle, middling, quick", "did you mean 'gentle'?"
    )
    assert_findings(run(*asked, "bensh.toml"), "bensh.toml: no such file", "did you mean 'bench.toml'?")
    assert_findings(run(*asked, "./shelf"), "is a folder", "allowed: a machine file (TOML)")
    assert_findings(run(*asked, ""), "no machine ''")
    assert_findings(run(*asked, "hook.gcode"), "hook.gcode:1: not valid TOML")


SETTINGS = [
    ("motion.feed_overide=2", ("--set: unknown key motion.feed_overide", "did you mean 'motion.feed_override'?")),
    ("motion.feed_override=0", ("--set: motion.feed_override = 0", "allowed: a number above 0 (1e-9 to 1e9)")),
    ("motion.feed_override=fast", ("--set: motion.feed_override = ", "allowed: a number above 0 (1e-9 to 1e9)")),
    ("motion.feed_override", ("--set: ", "has no value", "allowed: key=value")),
    ("=3", ("--set: ", "has no key", "allowed: key=value")),
    ("", ("--set: nothing is given", "allowed: key=value")),
    ("motion=3", ("--set: motion is a section", "allowed: one of its keys")),
    ("acceleration=1,acceleration=2", ("--set: acceleration is given twice", "allowed: once")),
    ("machine.name='open", ("--set: machine.name", "quotes and brackets closed?")),
    ("acceleration=1,000", ("--set: ", "1000, not 1,000")),
]


@pytest.mark.parametrize(("setting", "words"), SETTINGS)
def test_bad_settings(run: Run, setting: str, words: tuple[str, ...]) -> None:
    assert_findings(run("estimate", "hook.gcode", *MACHINE, "--set", setting), *words)
    assert_findings(run("machine", "show", "gentle", "--set", setting), *words)


def test_a_setting_needs_a_machine_to_change(run: Run) -> None:
    assert_findings(
        run("estimate", "hook.gcode", "--set", "speed=2"), "--set: no machine to change", "allowed: --set toge"
    )


CANDIDATES = [
    ("brisk", ("--candidate: can't read 'brisk'", 'allowed: "KEY=VALUE, …" or "NAME: KEY=VALUE')),
    (": speed=2", ("--candidate: ", "can't read ': speed=2'")),
    ("brisk:", ("--candidate: ", "can't read 'brisk:'")),
    ("brisk: speed", ("--candidate brisk: ", "has no value")),
    ("sped=2", ("candidate sped=2: unknown key sped", "did you mean 'speed'?")),
    ("brisk: sped=2", ("candidate brisk: unknown key sped", "did you mean 'speed'?")),
    ("brisk: speed=-2", ("candidate brisk: ", "= -2", "allowed: a number above 0 (1e-9 to 1e9)")),
    ("as it is: speed=2", ("--candidate: the name 'as it is'", "allowed: each name once")),
]


@pytest.mark.parametrize(("candidate", "words"), CANDIDATES)
def test_bad_candidates(run: Run, candidate: str, words: tuple[str, ...]) -> None:
    assert_findings(run("compare", "hook.gcode", *MACHINE, "--candidate", candidate), *words)


def test_a_candidates_name_may_stand_once(run: Run, folder: Path) -> None:
    twice = ("--candidate", "brisk: speed=2", "--candidate", "brisk: speed=3")
    assert_findings(run("compare", "hook.gcode", *MACHINE, *twice), "the name 'brisk' stands for two", "each name once")
    (folder / "own.toml").write_text('[[candidate]]\nname = "brisk"\nset = { speed = 2 }\n')
    again = ("--machine", "own.toml", "--candidate", "brisk: speed=3")
    assert_findings(run("compare", "hook.gcode", *again), "the name 'brisk' stands for two")


def test_all_findings_of_candidates_come_at_once(run: Run) -> None:
    several = ("--candidate", "a: sped=2", "--candidate", "b: speed=0", "--candidate", "b: speed=2")
    ran = run("compare", "hook.gcode", *MACHINE, *several)
    assert_findings(ran, "candidate a: unknown key sped", "candidate b: ", "the name 'b' stands for two")


def test_nothing_to_compare_with(run: Run) -> None:
    assert_findings(
        run("compare", "hook.gcode", *MACHINE), "compare: no candidate", "allowed: --candidate", "[[candidate]]"
    )


def test_places_where_no_table_of_moves_can_go(run: Run, folder: Path) -> None:
    (folder / "there.csv").write_text("kept")
    (folder / "folder.csv").mkdir()
    before = files_of(folder)
    asked = ("estimate", "hook.gcode", *MACHINE, "--moves")
    assert_findings(run(*asked, "moves.txt"), "--moves: ", "'.txt'", "allowed: FILE.csv or FILE.parquet")
    assert_findings(run(*asked, "moves"), "--moves: ", "allowed: FILE.csv or FILE.parquet")
    assert_findings(run(*asked, "there.csv"), "there.csv: the file exists already", "allowed: a new name, or --force")
    assert_findings(run(*asked, "folder.csv"), "folder.csv: this is a directory", "allowed: a file to write")
    assert_findings(run(*asked, "folder.csv", "--force"), "folder.csv: this is a directory")
    assert_findings(run(*asked, "no/moves.csv"), "no/moves.csv: the folder 'no' does not exist", "allowed: ")
    two = ("estimate", "hook.gcode", "bracket.gcode", *MACHINE, "--moves", "moves.csv")
    assert_findings(run(*two), "--moves: 2 jobs for one table", "allowed: one job")
    assert files_of(folder) == before


def test_a_table_that_cannot_be_written_is_refused_before_the_job_is_read(run: Run, folder: Path) -> None:
    (folder / "there.csv").write_text("kept")
    assert_findings(run("estimate", "missing.gcode", *MACHINE, "--moves", "there.csv"), "there.csv: the file exists")


def test_no_moves_are_written_where_the_job_is_bad(run: Run, folder: Path) -> None:
    (folder / "bad.gcode").write_bytes(b"G28\n")
    before = files_of(folder)
    assert_findings(run("estimate", "bad.gcode", *MACHINE, "--moves", "moves.csv"), "no motion")
    assert files_of(folder) == before


def test_a_machine_file_is_not_overwritten(run: Run, folder: Path) -> None:
    (folder / "mine.toml").write_text("# mine")
    before = files_of(folder)
    assert_findings(run("machine", "new", "mine.toml"), "mine.toml: the file exists already", "--force")
    assert_findings(run("machine", "new", "no/mine.toml"), "the folder 'no' does not exist")
    bad = run("machine", "new", "new.toml", "--name", " ", "--bed", "wide", "--like", "gentel")
    assert_findings(bad, "name: ", "bed_mm: ", "like: ", "did you mean 'gentle'?", "allowed: three numbers")
    assert files_of(folder) == before


def test_names_with_odd_letters_are_shown_as_they_are(run: Run, folder: Path) -> None:
    odd = "[bold]<b>ü 1.gcode"
    (folder / odd).write_bytes(b"")
    assert_findings(run("estimate", odd), f"{odd}: an empty file")


def test_a_few_as_processes_of_their_own(folder: Path) -> None:
    before = files_of(folder)
    assert_findings(run_apart("estimate", "hok.gcode"), "did you mean 'hook.gcode'?")
    assert_findings(run_apart("estimate", "-", stdin=b""), "-: an empty file")
    assert_refused(run_apart("esitmate"), "Did you mean")
    assert_findings(run_apart("machine", "show", "gentel"), "did you mean 'gentle'?")
    assert files_of(folder) == before
