"""`kinematics target`: the gentlest limits, what misses, and what cannot be met."""

from __future__ import annotations

import json

import pytest

from kinematics.cli.target import turns_of
from kinematics.wording import duration_text, seconds_from
from tests.cli.conftest import Run

MIDDLING = ("--machine", "middling", "--set", "cooling.shortest_layer_s=0")


def test_the_screen_tells_what_the_json_does(run: Run) -> None:
    arguments = ("target", "bracket.gcode", *MIDDLING, "--within", "8s")
    document, screen = json.loads(run(*arguments, "--json").out), run(*arguments)
    assert screen.status == 0
    assert document["met"]
    told = ", ".join(f"{name}={value:g}" for name, value in document["set"].items())
    assert f"8.0 s is met from {told} on: {duration_text(document['total_s'])}" in screen.out
    assert f"a setting 1 % gentler takes {duration_text(document['gentler_total_s'])}" in screen.out
    assert f"which takes {duration_text(document['present_total_s'])} now" in screen.out
    assert document["total_s"] <= 8.0 < document["gentler_total_s"]
    assert "kinematics caps" in screen.out


def test_what_the_answer_sets_meets_the_deadline(run: Run) -> None:
    document = json.loads(run("target", "bracket.gcode", *MIDDLING, "--within", "8s", "--turn", "speed", "--json").out)
    settings = [part for name, value in document["set"].items() for part in ("--set", f"{name}={value:g}")]
    assert [*document["set"]] == ["speed"]
    estimate = json.loads(run("estimate", "bracket.gcode", *MIDDLING, *settings, "--json").out)
    assert estimate["total_s"] == pytest.approx(document["total_s"], rel=1e-4)


def test_what_cannot_be_met_is_said_with_status_1(run: Run) -> None:
    arguments = ("target", "bracket.gcode", *MIDDLING, "--within", "0.5s")
    screen, document = run(*arguments), json.loads(run(*arguments, "--json").out)
    assert screen.status == 1
    assert not document["met"]
    assert document["gentler_total_s"] is None
    assert f"0.5 s cannot be met with these knobs: {document['stopped_by']}" in screen.out
    assert f"the least is {duration_text(document['total_s'])}" in screen.out


def test_prints_count(run: Run) -> None:
    common = ("target", "bracket.gcode", "hook.gcode", *MIDDLING, "--within", "20m", "--json")
    once, often = (json.loads(run(*common, *more).out) for more in ((), ("--prints", "bracket.gcode=9")))
    alone = json.loads(run("target", "bracket.gcode", *MIDDLING, "--within", "20m", "--json").out)
    assert often["present_total_s"] == pytest.approx(once["present_total_s"] + 8.0 * alone["present_total_s"])


def test_without_a_machine_a_built_in_one_is_named(run: Run) -> None:
    ran = run("target", "bracket.gcode", "--within", "1h")
    assert ran.status == 0
    assert "no machine given: this is for the built-in machine" in ran.err


def test_knobs_and_their_weights() -> None:
    assert turns_of(("acceleration", "speed=0.5", "axes.x.max_speed_mm_s = 2")) == {
        "acceleration": 1.0,
        "speed": 0.5,
        "axes.x.max_speed_mm_s": 2.0,
    }


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("1h30m", 5400), ("45m", 2700), ("90min", 5400), ("2d 4h", 187200), ("75s", 75), ("1.5H", 5400), ("1h 5s", 3605)],
)
def test_times_as_a_person_writes_them(text: str, seconds: float) -> None:
    assert seconds_from(text, "here") == seconds


@pytest.mark.parametrize(
    ("more", "found"),
    [
        (("--within", "soon"), "--within: 'soon' is no time"),
        (("--within", "90"), "--within: '90' is no time"),
        (("--within", "30m1h"), "--within: '30m1h' is no time"),
        (("--within", "-5m"), "--within: '-5m' is no time"),
        (("--within", "0s"), "--within: '0s' is no time at all"),
        (("--within", "5m", "--turn", "speed=0"), "--turn: 'speed=0' is no knob with a weight"),
        (("--within", "5m", "--turn", "speed=fast"), "--turn: 'speed=fast' is no knob with a weight"),
        (("--within", "5m", "--turn", "=2"), "--turn: '=2' is no knob with a weight"),
        (("--within", "5m", "--turn", "accelaration"), "unknown key accelaration"),
        (("--within", "5m", "--turn", "machine.name"), "machine.name"),
        (("--within", "5m", "--turn", "axes"), "axes is a section"),
        (("--within", "5m", "--turn", "motion.speed_cap_mm_s"), "gives no motion.speed_cap_mm_s to begin from"),
        (("--within", "5m", "--prints", "bracket.gcode=often"), "is not a number of prints"),
        (("--within", "5m", "--prints", "braket.gcode=2"), "did you mean 'bracket.gcode'"),
    ],
)
def test_bad_input_is_one_sentence_with_status_2(run: Run, more: tuple[str, ...], found: str) -> None:
    ran = run("target", "bracket.gcode", *MIDDLING, *more)
    assert ran.status == 2
    assert found in ran.err
    assert not ran.out
    assert len(ran.err.strip().splitlines()) == 1, ran.err
