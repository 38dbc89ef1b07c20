"""Long work says beforehand how long it takes: measured on its first part, on a clock that the tests turn."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from kinematics.business import floor
from kinematics.cli import console
from kinematics.machine import load_machine
from kinematics.studies import intervals
from kinematics.studies.intervals import SampledTimes, Sampling
from kinematics.studies.knobs import Knob
from kinematics.studies.sweep import sweep_rows
from tests.cli.conftest import Run
from tests.studies.weighted import ZIGZAG, jobs_of

UNSURE = load_machine("middling").with_settings(
    {"motion.junction_deviation_mm": {"low": 0.02, "likely": 0.05, "high": 0.1}}, "test"
)


class Clock:
    """A clock that stands still until it is turned."""

    def __init__(self) -> None:
        self.now = 100.0

    def monotonic(self) -> float:
        """What it shows (s)."""
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The console's clock."""
    found = Clock()
    monkeypatch.setattr(console, "time", found)
    return found


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the console remarks."""
    found: list[str] = []
    monkeypatch.setattr(console, "remark", found.append)
    return found


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ([(3.0, 0.01), (4.0, 0.02)], "sums: this will take about 100 s (Ctrl-C ends it)"),  # 98 s
        ([(3.0, 0.01), (3.4, 0.02), (5.0, 0.03)], "sums: this will take about 95 s (Ctrl-C ends it)"),  # 97 s
        ([(1.0, 0.1), (2.0, 0.11), (900.0, 0.2)], "sums: this will take about 90 s (Ctrl-C ends it)"),  # 89 s, once
        ([(6.0, 0.1)], "sums: this will take about 55 s (Ctrl-C ends it)"),  # 54 s, by what came first
        ([(1.0, 0.1), (1.6, 0.5)], None),
        ([(1.0, 0.5), (2.0, 0.6)], None),  # 4 s
        ([(1.0, 0.0), (2.0, 0.0)], None),
        ([(1.0, 0.001), (2.0, 0.00101)], "sums: this will take about 28 h (Ctrl-C ends it)"),
        ([(1.0, 0.001), (2.0, 0.0010001)], "sums: this will take about 116 days (Ctrl-C ends it)"),
    ],
)
def test_what_is_foretold(clock: Clock, said: list[str], told: list[tuple[float, float]], expected: str | None) -> None:
    foretold = console.Foretold("sums")
    for seconds, share in told:
        clock.now = 100.0 + seconds
        foretold.hear(share)
    assert said == ([] if expected is None else [expected])


def test_steps_are_foretold_each_by_itself(clock: Clock, said: list[str]) -> None:
    with console.progress(3, False) as tell:
        for step, seconds in (("reading", 1.0), ("drawing", 1.0), ("weighing", 0.01)):
            tell(step)
            for share in (0.01, 0.02, 0.03):
                clock.now += seconds
                tell(step, share)
    assert said == [f"{step}: this will take about 100 s (Ctrl-C ends it)" for step in ("reading", "drawing")]


def test_candidates_and_shares_are_foretold(clock: Clock, said: list[str]) -> None:
    with console.counted_progress(1_000_000, False) as hear:
        for done in (64, 128):
            clock.now += 1.0
            hear(done)
    with console.shared_progress("simulating") as (_, share):
        for done in (0.01, 0.02):
            clock.now += 1.0
            share(done)
    assert said == [
        "1,000,000 candidates: this will take about 4 h (Ctrl-C keeps what is done)",
        "simulating: this will take about 100 s (Ctrl-C ends it)",
    ]


def test_draws_tell_how_many_are_done(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intervals, "DRAWN_TOGETHER", 15)
    jobs, sampling, told = jobs_of(ZIGZAG), Sampling(40, 3), list[float]()
    times = SampledTimes(jobs.prepared, UNSURE, sampling, told.append).as_it_is
    assert told == [15 / 40, 30 / 40, 1.0]
    told.clear()
    knob = Knob("acceleration", (500.0, 1500.0))
    rows = [
        row for part in sweep_rows(jobs, UNSURE, [knob], [(500.0,), (1500.0,)], told.append, sampling) for row in part
    ]
    assert told == [0.375, 0.75, 1.0, 1.0, 1.375, 1.75, 2.0, 2.0]
    monkeypatch.setattr(intervals, "DRAWN_TOGETHER", 1000)
    assert SampledTimes(jobs.prepared, UNSURE, sampling).as_it_is == pytest.approx(times, rel=1e-12)
    assert rows == [
        row for part in sweep_rows(jobs, UNSURE, [knob], [(500.0,), (1500.0,)], sampling=sampling) for row in part
    ]


def test_a_shop_tells_how_far_it_is(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(floor, "HEARD_EACH", 10)
    told: list[float] = []
    monkeypatch.setattr(console.Foretold, "hear", lambda _, share: told.append(share))
    (folder / "orders.csv").write_text("order,hours,quantity\nhooks,2,40\nrims,3,9\n")
    (folder / "printers.csv").write_text("name,machine\nLeft,quick\nRight,middling\n")
    assert run("shop", "orders.csv", "--printers", "printers.csv", "--start", "2026-03-02").status == 0
    assert told == sorted(told)
    assert len(told) > 30
    assert 0.7 <= told[-1] <= 1.0


@pytest.mark.parametrize(
    "words",
    [
        ("estimate", "hook.gcode"),
        ("compare", "hook.gcode", "--candidate", "a: speed=2"),
        ("sweep", "hook.gcode", "--vary", "speed=1,2"),
    ],
)
def test_long_draws_are_foretold_by_every_command(
    run: Run, folder: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    drawn = intervals.drawn_in_parts

    def slowly(*arguments: Any) -> Any:
        for part in drawn(*arguments):
            clock.now += 20.0
            yield part

    monkeypatch.setattr(intervals, "drawn_in_parts", slowly)
    monkeypatch.setattr(intervals, "DRAWN_TOGETHER", 20)
    unsure = "motion.junction_deviation_mm={low=0.02, likely=0.05, high=0.1}"
    ran = run(*words, "--machine", "middling", "--set", unsure, "--draws", "60")
    assert ran.status == 0
    assert "this will take about" in ran.err


def test_searches_tell_how_far_they_are(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted plans, not time: what is told rises, and ends near the end."""
    told: list[float] = []
    monkeypatch.setattr(console.Foretold, "hear", lambda _, share: told.append(share))
    (folder / "zigzag.gcode").write_text(ZIGZAG)
    for words in (
        ("target", "zigzag.gcode", "--within", "8s"),
        ("sweep", "zigzag.gcode", "--vary", "acceleration=500:9000:9"),
    ):
        told.clear()
        assert run(*words, "--machine", "middling").status in (0, 1)
        rising = told[words[0] == "sweep" :]  # of the candidates first
        assert rising == sorted(rising)
        assert len(rising) >= 5
        assert 0.2 < rising[-1] <= 1.0
