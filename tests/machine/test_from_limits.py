"""A machine file made from the limits that a job states."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from kinematics.cli.machine import command
from kinematics.errors import InputError
from kinematics.gcode.job import Job, JobFacts, StatedLimit
from kinematics.machine import Machine, load_machine, machine_text_from_limits
from kinematics.machine.names import all_keys, find_key

STEP = "motion.speed_step_mm_s"
JUNCTION = "motion.junction_deviation_mm"
STATED = {
    "axes.x.max_speed_mm_s": (300.0, 12),
    "motion.print_acceleration_mm_s2": (1000.0, 14),
    f"{STEP}.x": (7.0, 15),
    f"{STEP}.z": (0.5, 15),
    "motion.extruder_step_mm_s": (5.0, 15),
    "retraction.acceleration_mm_s2": (1250.5, 17),
}
numbers = sorted({key.name for key in all_keys() if key.row.words == "a number above 0 (1e-9 to 1e9)"})
# Keys of the file, keys by label, and keys that it does not have, with whatever a job may say.
names = st.one_of(
    st.sampled_from(numbers),
    st.sampled_from(['motion.by_label."outer wall".speed_cap_mm_s', "filament.no_such_key_s", "no_such_key", "a.b.c"]),
)
values = st.tuples(st.floats() | st.floats(1e-3, 1e5) | st.integers(1, 9999), st.integers(1, 10**7))


def line_with(text: str, start: str) -> str:
    (found,) = [line for line in text.splitlines() if line.startswith(start)]
    return found


def test_what_a_job_states_holds_and_says_where_it_was_stated() -> None:
    text = machine_text_from_limits("Bench A", STATED)
    machine = Machine.from_toml_text(text, "bench.toml")
    assert machine.name == "Bench A"
    assert {key: machine.value_of(key) for key in STATED} == {key: value for key, (value, _) in STATED.items()}
    given_rows = [row.key for row in machine.effective() if row.origin.startswith("bench.toml:")]
    assert given_rows == ["machine.name", *STATED]
    assert "print_acceleration_mm_s2 = 1000  # stated in the job, line 14" in text.splitlines()
    assert "speed_step_mm_s.z = 0.5  # stated in the job, line 15" in text.splitlines()
    assert machine.motion.junction_deviation_mm is None


def test_what_a_job_does_not_state_is_commented_out_with_its_meaning() -> None:
    lines = machine_text_from_limits("Bench A", {"motion.speed_cap_mm_s": (150.0, 3)}).splitlines()
    assert "# max_flow_mm3_s = 14  # the most that melts" in lines
    assert (
        "# print_acceleration_mm_s2 = 1500  # acceleration along the path while printing; 600 where left out" in lines
    )
    sections = [line.strip("[]") for line in lines if line.startswith("[")]
    in_file_order = list(dict.fromkeys(".".join(key.path[:-1]) for key in all_keys()))
    assert sections == [name for name in in_file_order if name in sections]
    # Without the marks it is a whole machine, but for the second corner rule.
    live = [line.removeprefix("# ") if " = " in line else line for line in lines if "speed_step" not in line]
    machine = Machine.from_toml_text("\n".join(live), "live.toml")
    assert machine.limits_not_given() == []
    assert machine.check() == []


def test_junction_deviation_wins_over_speed_steps() -> None:
    text = machine_text_from_limits("Bench A", STATED | {JUNCTION: (0.02, 16)})
    machine = Machine.from_toml_text(text, "bench.toml")
    assert machine.motion.junction_deviation_mm == 0.02
    assert machine.motion.speed_step_mm_s is None
    for axis, value in (("x", "7"), ("z", "0.5")):
        assert line_with(text, f"# speed_step_mm_s.{axis}") == (
            f"# speed_step_mm_s.{axis} = {value}  # stated in the job, line 15, not used:"
            " junction deviation is stated as well, and a machine has one corner rule"
        )


def test_a_junction_deviation_that_cannot_be_leaves_the_speed_steps() -> None:
    text = machine_text_from_limits("Bench A", STATED | {JUNCTION: (0.0, 16)})
    machine = Machine.from_toml_text(text, "bench.toml")
    assert machine.value_of(f"{STEP}.x") == 7.0
    assert line_with(text, "# junction").endswith("line 16, not used: allowed is a number above 0 (1e-9 to 1e9)")


def test_a_key_that_the_file_does_not_know_is_a_comment_in_its_section() -> None:
    limits = {"hotend.no_such_key_s": (0.035, 20), "no_such_section.key": (1.0, 21), "key": (2.0, 22)}
    lines = machine_text_from_limits("Bench A", limits).splitlines()
    place = lines.index(
        "# no_such_key_s = 0.035  # stated in the job, line 20, not used: the machine file has no such key"
    )
    assert lines[place - 2] == "[hotend]"
    assert "# [no_such_section]" in lines


@given(st.dictionaries(names, values))
def test_whatever_a_job_states_the_file_loads_with_all_that_is_allowed(limits: dict[str, Any]) -> None:
    machine = Machine.from_toml_text(machine_text_from_limits("Bench A", limits), "bench.toml")
    given_rows = {row.key: row.value for row in machine.effective() if row.origin.startswith("bench.toml:")}
    allowed = {key: value for key, (value, _) in limits.items() if find_key(key) and 1e-9 <= value <= 1e9}
    allowed = {key: value for key, value in allowed.items() if not key.startswith("machine.delta.")}  # no delta
    if JUNCTION in allowed:
        allowed = {key: value for key, value in allowed.items() if not key.startswith(STEP)}
    assert given_rows == {"machine.name": "Bench A"} | allowed


def test_names_and_sizes_are_as_in_any_new_file() -> None:
    assert Machine.from_toml_text(machine_text_from_limits('A "B"', {}, "220x200x180"), "b.toml").machine.bed_mm == (
        220.0,
        200.0,
        180.0,
    )
    with pytest.raises(InputError) as caught:
        machine_text_from_limits(" ", STATED, "220")
    assert [finding.place for finding in caught.value.findings] == ["name", "bed_mm"]


@pytest.fixture
def stated(monkeypatch: pytest.MonkeyPatch) -> dict[str, tuple[float, int]]:
    """What a job states, told in place of the reader's own finding."""
    limits = dict(STATED)
    found = vars(Job)["facts"].func

    def told(job: Job) -> JobFacts:
        rows = (StatedLimit(key, value, line, 1) for key, (value, line) in limits.items())
        return found(job)._replace(stated=tuple(rows))

    monkeypatch.setattr(Job, "facts", property(told))
    return limits


def new(*options: str | Path) -> Result:
    return CliRunner().invoke(command, ["new", *map(str, options)])


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "lamp_bracket.gcode"
    path.write_text("G1 X10 E1 F3000\nG1 X20 E2\n")
    return path


def test_the_command_writes_the_limits_of_a_job(
    tmp_path: Path, job: Path, stated: dict[str, tuple[float, int]]
) -> None:
    stated["filament.no_such_key_s"] = (0.03, 40)
    result = new(tmp_path / "bench.toml", "--from", job, "--name", "Bench A", "--bed", "200 200 180")
    assert result.exit_code == 0, result.output
    machine = load_machine(tmp_path / "bench.toml")
    assert machine.name == "Bench A"
    assert machine.machine.bed_mm == (200.0, 200.0, 180.0)
    assert machine.axes.x.max_speed_mm_s == 300.0
    assert f"with the limits that {job} states (6, and 1 that cannot be used, see its remarks)" in result.stdout
    assert f"next: kinematics estimate {job} --machine {tmp_path / 'bench.toml'}" in result.stdout


def test_a_job_that_states_none_makes_no_file(tmp_path: Path, job: Path, stated: dict[str, tuple[float, int]]) -> None:
    stated.clear()
    result = new(tmp_path / "bench.toml", "--from", job)
    assert isinstance(result.exception, InputError)
    assert f"{job}: states no limits" in str(result.exception)
    assert list(tmp_path.iterdir()) == [job]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--from", "job.gcode", "--like", "quick"), "--like: given together with --from"),
        (("--dialect", "rs274"), "--dialect together with --from JOB"),
        (("--from", "no_such_job.gcode"), "no_such_job.gcode: no such file"),
    ],
)
@pytest.mark.usefixtures("stated")
def test_options_that_do_not_go_together_are_refused(tmp_path: Path, options: tuple[str, ...], words: str) -> None:
    result = new(tmp_path / "bench.toml", *options)
    assert isinstance(result.exception, InputError)
    assert words in str(result.exception)
    assert not (tmp_path / "bench.toml").exists()


@pytest.mark.usefixtures("stated")
def test_an_unknown_dialect_is_refused(tmp_path: Path, job: Path) -> None:
    result = new(tmp_path / "bench.toml", "--from", job, "--dialect", "rs275")
    assert isinstance(result.exception, InputError)
    assert "did you mean 'rs274'?" in str(result.exception)


@pytest.mark.usefixtures("stated")
def test_a_file_that_is_there_stays(tmp_path: Path, job: Path) -> None:
    (tmp_path / "bench.toml").write_text("# mine")
    result = new(tmp_path / "bench.toml", "--from", job)
    assert isinstance(result.exception, InputError)
    assert (tmp_path / "bench.toml").read_text() == "# mine"
    assert new(tmp_path / "bench.toml", "--from", job, "--force").exit_code == 0


def test_without_a_job_the_questions_are_asked_as_before(tmp_path: Path) -> None:
    result = new(tmp_path / "bench.toml", "--like", "quick")
    assert result.exit_code == 0
    assert "the built-in machine 'quick'" in result.stdout
    assert load_machine(tmp_path / "bench.toml").name == "My printer"
