"""`kinematics target`: the gentlest limits, what misses, and what cannot be met."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kinematics.cli.target import turns_of
from kinematics.wording import duration_text, seconds_from
from tests.cli.conftest import Run

MIDDLING = ("--machine", "middling", "--set", "cooling.shortest_layer_s=0")


def test_the_screen_tells_what_the_json_does(run: Run) -> None:
    arguments = ("target", "bracket.gcode", *MIDDLING, "--set", "acceleration=300", "--within", "5s")
    document, screen = json.loads(run(*arguments, "--json").out), run(*arguments)
    assert screen.status == 0
    assert document["met"]
    (one,) = document["turned"]
    assert (one["from"], one["to"], one["turned"]) == (300.0, document["set"]["acceleration"], "up")
    lines = screen.out.splitlines()
    changed = " with cooling.shortest_layer_s=0, acceleration=300"
    assert lines[0] == f"on Middling{changed}: {duration_text(document['present_total_s'])} now"
    assert lines[1] == "for 5.0 s:"
    assert lines[2].startswith(f"  acceleration  from 300 to {one['to']:,.6g} mm/s², ")
    assert lines[3].startswith(
        f"that takes {duration_text(document['total_s'])}; 1% gentler takes "
        f"{duration_text(document['gentler_total_s'])}, "
    )
    assert document["total_s"] <= 5.0 < document["gentler_total_s"]
    assert f"does the machine take it? kinematics caps JOB --set acceleration={one['to']:g}" in lines


def test_a_line_a_knob_and_none_is_longer_than_a_screen(run: Run) -> None:
    """A knob that stays, one that comes to its end, one that is turned down, and one that the deadline decides."""
    turns = ("axes.z.max_speed_mm_s", "acceleration=100", "speed")
    arguments = [part for name in turns for part in ("--turn", name)]
    common = ("target", "bracket.gcode", "--machine", "middling", "--set", "cooling.shortest_layer_s=0")
    document = json.loads(run(*common, *arguments, "--within", "4s", "--json").out)
    lines = run(*common, *arguments, "--within", "4s").out.splitlines()
    z, acceleration, speed = document["turned"]
    assert z["from"] == z["to"]
    assert acceleration["held_by"]
    assert acceleration["to"] < 1e5
    knobs = [line for line in lines if line.startswith("  ")]
    assert knobs[0].startswith("  axes.z.max_speed_mm_s  stays at ")
    assert any(f"more saves next to nothing; held by {acceleration['held_by']}" in line for line in knobs)
    assert any(line.startswith("  speed                  from 1 to ") for line in knobs)
    assert speed["held_by"] is None
    assert all(len(line) <= 80 for line in knobs)


def test_what_is_met_already_is_said_with_how_far_it_could_come_down(run: Run) -> None:
    screen = run("target", "bracket.gcode", *MIDDLING, "--within", "3h")
    assert screen.status == 0
    assert "3 h 00 min is met as it is; this would still do:" in screen.out
    assert "acceleration  from 1,500 to 150 mm/s², 90% less" in screen.out
    assert "nothing gentler than a tenth of what it has now was tried" in screen.out
    assert "does the machine take it?" not in screen.out


def test_a_layer_time_is_turned_down(run: Run, folder: Path) -> None:
    (folder / "tower.gcode").write_text(
        "M83\n" + "".join(f"G1 Z{0.2 * k:.1f} F600\nG1 X{(k % 2) * 40} E2 F3000\n" for k in range(1, 11))
    )
    arguments = ("target", "tower.gcode", "--machine", "middling", "--turn", "cooling.shortest_layer_s")
    document = json.loads(run(*arguments, "--within", "1:00", "--json").out or "{}")
    assert not document  # it asks which is meant
    document = json.loads(run(*arguments, "--within", "0:01:00", "--json").out)
    assert document["met"]
    assert document["turned"][0]["turned"] == "down"
    assert document["set"]["cooling.shortest_layer_s"] < 8.0
    screen = run(*arguments, "--within", "60s")
    assert "  cooling.shortest_layer_s  from 8 to " in screen.out
    assert "% less" in screen.out


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
    assert "0.5 s can't be met with acceleration alone\nthis is as far as it is worth going:\n" in screen.out
    total, late = document["total_s"], document["total_s"] - document["within_s"]
    told = f"that takes {duration_text(total)}, {duration_text(late)} too long\nheld by {document['stopped_by']}\n"
    assert told in screen.out
    best = document["others"][0]
    assert not best["meets"]
    assert f"--turn {best['knob']} as well could bring {duration_text(best['total_s'])}, " in screen.out


def test_what_would_do_it_is_proposed_and_never_what_is_turned(run: Run) -> None:
    document = json.loads(run("target", "bracket.gcode", *MIDDLING, "--within", "4s", "--json").out)
    assert not document["met"]
    names = [other["knob"] for other in document["others"] if other["meets"]]
    assert "speed" in names
    screen = run("target", "bracket.gcode", *MIDDLING, "--within", "4s")
    assert f"{' or '.join(f'--turn {name}' for name in names[:2])} as well would do it" in screen.out
    turned = ("--turn", "speed", "--turn", "acceleration", "--turn", "flow", "--turn", "corner")
    never = run("target", "bracket.gcode", *MIDDLING, "--within", "0.1s", *turned)
    assert never.status == 1
    assert "can't be met with these alone" in never.out
    for name in turned[1::2]:
        assert f"--turn {name} as well" not in never.out


@pytest.mark.parametrize("weight", ["100", "0.01"])
def test_extreme_weights_give_an_answer(run: Run, weight: str) -> None:
    for within in ("0.1s", "8s", "100d"):
        ran = run("target", "bracket.gcode", *MIDDLING, "--within", within, "--turn", f"corner={weight}", "--json")
        assert ran.status in (0, 1), ran.err
        assert 0.0 < json.loads(ran.out)["set"]["corner"] < 1e3


def test_limits_of_the_job_itself_are_told(run: Run, folder: Path) -> None:
    (folder / "slow.gcode").write_text("M204 P50\nG1 X100 E4 F6000\nG1 X0 E8\n")
    arguments = ("target", "slow.gcode", *MIDDLING, "--within", "5s")
    document, screen = json.loads(run(*arguments, "--json").out), run(*arguments)
    without = duration_text(document["without_stated_limits_s"])
    assert document["without_stated_limits_s"] < document["present_total_s"]
    assert f"the job's own commands for these limits are left out; that alone makes it {without}" in screen.out


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
    [
        ("1h30m", 5400),
        ("1h30", 5400),
        ("1:30:00", 5400),
        ("0:07:30.5", 450.5),
        ("100:00:00", 360000),
        ("45m", 2700),
        ("7m", 420),
        ("7 minutes", 420),
        ("90min", 5400),
        ("1 hour 5 mins", 3900),
        ("2 hrs", 7200),
        ("2d 4h", 187200),
        ("2 days", 172800),
        ("75s", 75),
        ("75 sec", 75),
        ("1.5H", 5400),
        ("1h 5s", 3605),
    ],
)
def test_times_as_a_person_writes_them(text: str, seconds: float) -> None:
    assert seconds_from(text, "here") == seconds


@pytest.mark.parametrize(
    ("more", "found"),
    [
        (("--within", "soon"), "--within: can't read 'soon' as a time; write 7m or 1h30m"),
        (("--within", "7"), "--within: can't read '7' as a time; write 7m or 1h30m (7m or 7h?)"),
        (("--within", "1.5"), "--within: can't read '1.5' as a time; write 7m or 1h30m (1.5m or 1.5h?)"),
        (("--within", "1:30"), "--within: can't read '1:30' as a time; write 7m or 1h30m (1h30m or 1m30s?)"),
        (("--within", "1:75:00"), "--within: can't read '1:75:00' as a time"),
        (("--within", "30m1h"), "--within: can't read '30m1h' as a time"),
        (("--within", "-5m"), "--within: can't read '-5m' as a time"),
        (("--within", ""), "--within: can't read '' as a time"),
        (("--within", "7" * 309), "--within: can't read '77777777777777777777777…' as a time; write 7m or 1h30m"),
        (("--within", "7" * 309 + "m"), "--within: '77777777777777777777777…' is longer than any print"),
        (("--within", "10001d"), "--within: '10001d' is longer than any print; allowed: 10,000 days at most"),
        (("--within", "0s"), "--within: '0s' is no time at all"),
        (("--within", "5m", "--turn", "speed=0"), "--turn: can't read 'speed=0' as a knob and its weight"),
        (("--within", "5m", "--turn", "speed=101"), "KNOB or KNOB=WEIGHT, a weight of 0.01 to 100"),
        (("--within", "5m", "--turn", "speed=fast"), "--turn: can't read 'speed=fast' as a knob and its weight"),
        (("--within", "5m", "--turn", "=2"), "--turn: can't read '=2' as a knob and its weight"),
        (
            ("--within", "5m", "--turn", "speed", "--turn", "motion.by_kind.print.feed_override"),
            "turn the same key, motion.by_kind.print.feed_override",
        ),
        (
            ("--within", "5m", "--turn", "cooling.shortest_layer_s"),
            "cooling.shortest_layer_s is 0 now, and turning it means multiplying it",
        ),
        (("--within", "5m", "--turn", "accelaration"), "unknown key accelaration"),
        (("--within", "5m", "--turn", "machine.name"), "machine.name"),
        (("--within", "5m", "--turn", "axes"), "axes is a section"),
        (
            ("--within", "5m", "--turn", "motion.speed_cap_mm_s"),
            "the machine has no number for motion.speed_cap_mm_s, so there is nothing to turn",
        ),
        (
            ("--within", "5m", "--prints", "bracket.gcode=often"),
            "can't read 'bracket.gcode=often' as a job and a number of prints",
        ),
        (("--within", "5m", "--prints", "braket.gcode=2"), "did you mean 'bracket.gcode'"),
    ],
)
def test_bad_input_is_one_sentence_with_status_2(run: Run, more: tuple[str, ...], found: str) -> None:
    ran = run("target", "bracket.gcode", *MIDDLING, *more)
    assert ran.status == 2
    assert found in ran.err
    assert not ran.out
    assert len(ran.err.strip().splitlines()) == 1, ran.err


WORKDAYS = "economy.staffed=Mon-Fri 08:00-16:00"


def test_so_many_prints_a_day_are_a_deadline(run: Run) -> None:
    shift = ["bracket.gcode", "--machine", "gentle", "--set", WORKDAYS, "--set", "economy.turnaround_min=79.9"]
    now = json.loads(run("estimate", *shift, "--json").out)["throughput"]
    assert (now["period"], now["prints"], now["one_more_from_s"]) == ("shift", 5, 6.0)
    ran = run("target", *shift, "--prints-a-day", "6", "--turn", "speed", "--turn", "acceleration", "--json")
    found = json.loads(ran.out)
    assert found["longest_print_s"] == 6.0
    assert found["within_s"] == 6.0
    assert found["met"] is (ran.status == 0)
    ran = run("target", *shift, "--prints-a-day", "5")
    assert ran.status == 0
    assert "5 prints a day (staffed hours, 1 h 20 min between two): each may take " in ran.out


def test_more_prints_than_hands_can_change(run: Run) -> None:
    ran = run("target", "bracket.gcode", "--set", WORKDAYS, "--machine", "gentle", "--set", "economy.turnaround_min=60",
              "--prints-a-day", "9")  # fmt: skip
    assert ran.status == 1
    assert "don't fit" in ran.out


def test_one_deadline_and_not_two(run: Run) -> None:
    for more in ((), ("--within", "7m", "--prints-a-day", "6")):
        ran = run("target", "bracket.gcode", "--machine", "gentle", *more)
        assert ran.status == 2
        assert "--within TIME or --prints-a-day N" in ran.err
