"""`kinematics.estimate` and `kinematics.compare` from Python, and how their results show themselves."""

from __future__ import annotations

import doctest
import gzip
import inspect
import io
import pydoc
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas
import pytest

import kinematics
import kinematics.api
import kinematics.api_business
import kinematics.api_machine
from kinematics import Candidate, InputError, caps, compare, estimate, load_machine, read_gcode, sweep, target
from kinematics.gcode.dialects import RS274
from kinematics.wording import duration_text
from tests.jobs.conftest import bench, job_of, straight

TEXT = "G1 X100 E2 F6000\nG4 S1\nG1 E1\nG1 X0 Y50 Z1\nG1 X20 E3\nhello\n"
ODD_NAME = "<b>bold & 'brave'.gcode"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A small job under an odd name."""
    path = tmp_path / ODD_NAME
    path.write_text(TEXT)
    return path


def test_a_job_may_be_a_path_a_text_or_a_job(path: Path) -> None:
    total = estimate(path, "quick").total_s
    for one in (str(path), path, [path], [str(path)], read_gcode(path), (read_gcode(str(path)),)):
        assert estimate(one, "quick").total_s == total
    packed = path.with_suffix(".gz")
    packed.write_bytes(gzip.compress(TEXT.encode()))
    assert estimate(packed, "quick").total_s == total


def test_a_job_may_be_at_hand_already(path: Path) -> None:
    total = estimate(path, "quick").total_s
    with path.open("rb") as raw, path.open() as text:
        for one in (TEXT, TEXT.encode(), memoryview(TEXT.encode()), raw, text, io.StringIO(TEXT)):
            assert estimate(one, "quick").total_s == total
    assert estimate([TEXT, path], "quick").total_s == pytest.approx(2 * total)
    rows = kinematics.sweep([TEXT, path], "quick", {"acceleration": [700, 900]}, prints=[1, 3]).rows
    assert [row.job for row in rows[:2]] == ["<G-code>", str(path)]


def test_a_machine_may_be_a_table_of_keys() -> None:
    by_key = estimate(TEXT, {"acceleration": 1000, "motion.travel_acceleration_mm_s2": 1000}).total_s
    tables = {"motion": {"print_acceleration_mm_s2": 1000, "travel_acceleration_mm_s2": 1000}}
    assert estimate(TEXT, tables).total_s == by_key


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (lambda: estimate(3, "quick"), "jobs=: a int; allowed: a path, the bytes or the text"),
        (lambda: estimate([], "quick"), "jobs=: an empty list; allowed: one job or more"),
        (lambda: estimate([TEXT, None], "quick"), "jobs=: a NoneType"),
        (lambda: estimate(TEXT, 3), "machine=: a int; allowed: a built-in name"),
        (lambda: estimate(TEXT, "quick", dialect=7), "dialect=: a int"),
        (lambda: compare(TEXT, "quick", {"brisk": 3.5, "name": []}), "brisk"),
        (lambda: compare(TEXT, "quick", ["brisk"]), "candidates=: can't read 'brisk'"),
        (lambda: kinematics.sweep(TEXT, "quick", {}), "knobs=: none"),
        (
            lambda: kinematics.sweep(TEXT, "quick", {"acceleration": [1]}, prints=[1, 2]),
            "prints=: 2 numbers for",
        ),
        (lambda: kinematics.target(TEXT, "quick", "7"), "within=: can't read '7' as a time"),
    ],
)
def test_what_is_of_no_use_is_told_in_words_of_python(ask: Callable[[], object], told: str) -> None:
    with pytest.raises(InputError, match=re.escape(told)):
        ask()


def test_every_study_from_python(path: Path) -> None:
    machine = {"hotend.max_flow_mm3_s": 9.0, "acceleration": 900}
    swept = kinematics.sweep(path, machine, {"acceleration": "500:2000:3", "speed": [1, 2]})
    assert len(swept.rows) == 6
    assert {knee.knob for knee in swept.knees} == {"acceleration", "speed"}
    for row in swept.rows:
        acceleration, speed = row.point
        again = estimate(path, {**machine, "acceleration": acceleration, "speed": speed})
        assert row.total_s == pytest.approx(again.total_s, rel=1e-9)
    assert len(kinematics.sweep(path, machine, {"acceleration": [500, 900], "flow": [3, 9]}, sample_size=5).rows) == 5
    found = kinematics.target(path, machine, estimate(path, machine).total_s * 0.99, turn=["acceleration"])
    assert found.met
    assert estimate(path, {**machine, **found.settings}).total_s == pytest.approx(found.total_s, rel=1e-9)
    assert kinematics.caps(None, machine).rows
    assert kinematics.caps([path, TEXT], machine).to_frame()["limit"].is_unique


def test_the_examples_of_every_function_run() -> None:
    runs = [doctest.testmod(module) for module in (kinematics.api, kinematics.api_machine, kinematics.api_business)]
    assert [run.failed for run in runs] == [0, 0, 0]
    assert sum(run.attempted for run in runs) >= 20


@pytest.mark.parametrize(
    "name", ["estimate", "compare", "ladder", "sweep", "target", "throughput", "caps", "ringing", "upgrades", "shop"]
)
def test_help_fits_a_screen_and_a_half(name: str) -> None:
    question = getattr(kinematics, name)
    assert len(str(inspect.signature(question))) < 500
    assert len((inspect.getdoc(question) or "").splitlines()) <= 48
    for word in ("Parameters", "Returns", "Raises InputError"):
        assert word in (inspect.getdoc(question) or "")


def test_a_machine_may_be_a_name_a_path_or_a_machine(path: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[motion]\nprint_acceleration_mm_s2 = 1000\ntravel_acceleration_mm_s2 = 1000\n")
    total = estimate(path, bench()).total_s
    for machine in (own, str(own), load_machine(own)):
        assert estimate(path, machine).total_s == total


def test_without_a_machine_the_span_is_told(path: Path) -> None:
    result = estimate(path)
    assert [span.machine for span in result.span] == ["gentle", "middling", "quick"]
    for span in result.span:
        assert span.total_s == estimate(path, span.machine).total_s
    assert result.total_s == estimate(path, "middling").total_s


def test_the_dialect_by_name_or_by_itself(tmp_path: Path) -> None:
    path = tmp_path / "standard.gcode"
    path.write_text("G4 P2\nG1 X100 F6000\n")
    for dialect in ("rs274", RS274):
        assert estimate(path, bench(), dialect).total_s == pytest.approx(2 + straight(100, 100))
        assert compare(path, bench(), {"a": {}}, dialect).rows[0].total_s == pytest.approx(2 + straight(100, 100))
    with pytest.raises(InputError, match="did you mean 'rs274'"):
        estimate(path, bench(), "rs247")


def test_estimate_by_hand(path: Path) -> None:
    result = estimate(path, bench())
    (job,) = result.jobs
    assert result.total_s == job.total_s == job.motion_s + 1.0
    assert job.stops_by_kind_s == {}
    assert job.unknown_stops == ()
    assert job.moves == 4
    assert job.filament_mm == 3.0
    assert job.bounding_box_mm == ((0.0, 0.0, 0.0), (100.0, 50.0, 1.0))
    assert [notice.line for notice in job.notices] == [6]


def test_frames(path: Path) -> None:
    result = estimate([path, job_of("G1 X5 F60\n")], "quick")
    frame = result.to_frame()
    assert list(frame["file"]) == [str(path), "job"]
    assert frame["total_s"].sum() == pytest.approx(result.total_s)
    parts = frame["motion_s"] + frame["dwell_s"] + frame["stops_s"] + frame["cooling_s"]
    assert np.allclose(parts, frame["total_s"])
    assert list(frame["main_cause"]) == [job.causes[0].cause for job in result.jobs]
    moves = result.jobs[0].moves_frame()
    assert moves["t_s"].sum() == pytest.approx(result.jobs[0].motion_s)
    assert list(moves["kind"]) == ["print", "filament", "travel", "print"]
    layers = result.jobs[0].layers_frame()
    assert layers["total_s"].sum() == pytest.approx(result.jobs[0].motion_s + result.jobs[0].cooling_s)


def test_candidates_in_three_forms(path: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('[[candidate]]\nname = "brisk"\nset = { acceleration = 4000, speed = 1.5 }\n')
    settings = {"motion.print_acceleration_mm_s2": 4000, "motion.by_kind.print.feed_override": 1.5}
    rows = [
        compare(path, own).rows,
        compare(path, own, {"brisk": "acceleration=4000, speed=1.5"}).rows,
        compare(path, own, {"brisk": settings}).rows,
        compare(path, own, [Candidate("brisk", settings)]).rows,
        compare([path], load_machine(own), {"brisk": settings}).rows,
    ]
    assert all(one == rows[0] for one in rows)
    assert [row.candidate for row in rows[0]] == ["as it is", "brisk"]


def test_the_frame_of_a_comparison(path: Path) -> None:
    comparison = compare([path, job_of("G1 X5 F60\n")], "quick", {"brisk": "speed=2"})
    frame = comparison.to_frame()
    assert list(frame.columns) == ["candidate", "job", "total_s", "saved_s", "saved_share", "cause"]
    assert len(frame) == 4
    before = frame["total_s"][:2].to_numpy()
    assert np.allclose(frame["saved_s"], np.tile(before, 2) - frame["total_s"])


def test_failures_are_input_errors(path: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        estimate(tmp_path / "none.gcode", "quick")
    with pytest.raises(InputError, match="did you mean 'quick'"):
        estimate(path, "quik")
    with pytest.raises(InputError, match="unknown key sped"):
        compare(path, "quick", {"brisk": "sped=2"})
    with pytest.raises(InputError, match="has no value"):
        compare(path, "quick", {"brisk": "speed"})
    assert InputError.exit_status == 2


def test_texts_of_results(path: Path) -> None:
    result = estimate(path, "quick")
    assert repr(result) == f"<Estimate on Quick: {path} {duration_text(result.total_s)}>"
    assert repr(result.jobs[0]).startswith(f"<JobEstimate {path}: {duration_text(result.total_s)}, mostly ")
    comparison = compare(path, "quick", {"brisk": "speed=2"})
    assert repr(comparison).startswith("<Comparison on Quick: as it is ")
    assert "brisk" in repr(comparison)
    job = read_gcode(path)
    shown = "4 moves (2 print, 1 travel, 1 filament), 2 layers, 3 mm of filament, 1 warnings"
    assert repr(job) == f"<Job {path}: {shown}>"
    assert len(job) == 4


def test_tables_in_notebooks_are_escaped(path: Path) -> None:
    name = "&lt;b&gt;bold &amp; &#x27;brave&#x27;.gcode"
    comparison = compare(path, "quick", {"<i>": "speed=2"})
    for shown in (estimate(path, "quick"), comparison, read_gcode(path)):
        html = shown._repr_html_()
        assert html.startswith("<table>")
        assert name in html
        assert "<b>" not in html
        assert "<i>" not in html
    assert "&lt;i&gt;" in comparison._repr_html_()
    named = load_machine("quick").with_settings({"machine.name": "<u>"})
    assert "&lt;u&gt;" in estimate(path, named)._repr_html_()


def test_tables_in_notebooks_say_times_as_people_do(path: Path) -> None:
    comparison = compare(path, "quick", {"brisk": "speed=2"})
    html = comparison._repr_html_()
    assert "<th>total</th>" in html
    assert f"<td>{duration_text(comparison.rows[0].total_s)}</td>" in html
    found = target(path, "gentle", 1000.0)
    assert list(found.to_frame().columns) == ["knob", "turned", "from", "to", "held_by"]
    assert "<td>acceleration</td><td>up</td>" in found._repr_html_()
    swept = sweep(path, "gentle", {"acceleration": [500, 1000]})
    assert "<td>500</td>" in swept._repr_html_()
    assert "print acceleration" in caps(path, "gentle")._repr_html_()


def test_help_of_every_question_fits_one_screen() -> None:
    """Forty lines: what a terminal of usual height shows with its pager."""
    for name in kinematics.__all__:
        if name in ("Candidate", "Machine", "InputError", "__version__", "load_machine", "read_gcode"):
            continue
        text = pydoc.render_doc(getattr(kinematics, name), renderer=pydoc.plaintext)
        assert len(text.splitlines()) <= 40, name


def test_the_frames_of_a_job(path: Path) -> None:
    job = read_gcode(path)
    frame = job.to_frame()
    assert list(frame["line"]) == [1, 3, 4, 5]
    assert list(frame["kind"]) == ["print", "filament", "travel", "print"]
    assert list(frame["dx_mm"]) == [100.0, 0.0, -100.0, 20.0]
    assert list(frame["filament_mm"]) == [2.0, -1.0, 0.0, 2.0]
    assert list(frame["commanded_speed_mm_s"]) == [100.0] * 4
    events = job.events_frame()
    assert events.to_dict("records") == [{"line": 2, "event": "dwell", "value": 1.0, "before_move": 1}]
    assert isinstance(frame, pandas.DataFrame)


def test_public_names() -> None:
    for name in kinematics.__all__:
        assert getattr(kinematics, name) is not None
        assert name in dir(kinematics)
    with pytest.raises(AttributeError, match="no attribute 'estimat'"):
        kinematics.estimat  # noqa: B018
