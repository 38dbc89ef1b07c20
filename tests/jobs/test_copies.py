"""Copies as one print: against files that are really written so, by hand, and what is said where they cannot be."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.jobs.copies import CopiedJob, Copying
from kinematics.jobs.copies_layout import ONE_AFTER_ANOTHER, standing
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, Timing, path_sums
from kinematics.machine import Machine, load_machine
from kinematics.studies.estimate import estimate_prepared, layer_rows
from tests.jobs.conftest import bench, job_of, straight

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
sys.path.insert(0, str(SAMPLES))

import jobs  # noqa: E402

WRITTEN_STEP = 1e-5  # mm of filament, the last digit of E
AS_WRITTEN = 1e-5  # share of the motion: what is left are the ways to where a layer of a copy begins
ON_A_DELTA = 1.1e-2  # there moves take longer towards the edge, and copies are timed where the job has them


def one(name: str) -> PreparedJob:
    return PreparedJob(str(SAMPLES / f"{name}.gcode"))


def copies(job: PreparedJob, number: int, machine: Machine, **more: object) -> Timing:
    return CopiedJob(job, number, Copying(**more)).timed(Ask(machine))


@pytest.mark.parametrize("machine", ["middling", "bench_crossed_belt", "bench_delta"])
@pytest.mark.parametrize("name", ["bracket", "test_cube", "tall_pin"])
@pytest.mark.parametrize("number", [2, 4, 6])
def test_against_a_file_that_holds_them_all(name: str, number: int, machine: str) -> None:
    known = load_machine(machine if machine == "middling" else SAMPLES / "machines" / f"{machine}.toml")
    part = one(name)
    found = copies(part, number, known)
    shifts = standing(name, part.timed(Ask(known)).facts.extent, known).shifts[:number]
    make: Callable[..., str] = getattr(jobs, name)
    told = PreparedJob(memoryview(make(tuple(map(tuple, shifts.tolist()))).encode())).timed(Ask(known))
    share = ON_A_DELTA if machine == "bench_delta" else AS_WRITTEN
    assert found.motion == pytest.approx(told.motion, rel=share)
    assert found.facts.layers == told.facts.layers
    assert found.facts.filament == pytest.approx(told.facts.filament, abs=10 * WRITTEN_STEP)
    assert found.facts.moves == told.facts.moves
    assert found.facts.retractions == told.facts.retractions
    assert np.allclose(found.facts.extent, told.facts.extent)
    assert found.stops.total == pytest.approx(told.stops.total)
    assert sum(found.by_cause.values()) == pytest.approx(found.total, rel=1e-9)
    ways, written = path_sums(found), path_sums(told)
    assert (ways.path, ways.printed, ways.speed) == pytest.approx((written.path, written.printed, written.speed))
    assert ways.layer_moves.tolist() == written.layer_moves.tolist()
    if machine != "bench_delta":
        assert found.layers.motion == pytest.approx(told.layers.motion, abs=0.01)
        assert found.layers.cooling == pytest.approx(told.layers.cooling, abs=0.01)
        assert found.cooling == pytest.approx(told.cooling, abs=1e-6)
        for cause, seconds in told.by_cause.items():
            assert found.by_cause[cause] == pytest.approx(seconds, abs=0.05)


def test_one_copy_is_the_job_to_the_bit() -> None:
    known, part = load_machine("middling"), one("test_cube")
    plain, copied = estimate_prepared([part], known), estimate_prepared([CopiedJob(part, 1)], known)
    assert copied.total_s == plain.total_s
    assert copied.jobs == plain.jobs
    assert copied.changes == plain.changes


# A pin: 300 layers of one road of 40 mm each, and a short way up.
PIN = "G28\nG1 Z1 F60000\n" + "".join(
    f"G1 E-1 F6000\nG1 Z{layer} F6000\nG1 X0 F6000\nG1 E1 F6000\nG91\nG1 X40 E2 F2400\nG90\n" for layer in range(1, 301)
)


@pytest.mark.parametrize("number", [2, 3, 5])
def test_waits_of_a_tall_pin_vanish_with_more_copies(number: int) -> None:
    """A layer prints for one second and a little and waits up to 12 s: so much is free for the other copies."""
    known = bench(machine__bed_mm=(215.0, 215.0, 310.0), cooling__shortest_layer_s=12.0)
    part = PreparedJob(job_of("M83\n" + PIN))
    alone = part.timed(Ask(known))
    found = copies(part, number, known)
    assert alone.layers.motion[1:].max() * number < 12.0
    assert alone.cooling + alone.motion - alone.layers.motion[0] == pytest.approx(300 * 12.0)
    assert found.total - found.layers.motion[0] == pytest.approx(alone.total - alone.layers.motion[0], abs=1e-6)


def test_beyond_the_waits_every_copy_takes_its_time() -> None:
    """By hand: a copy takes its road and the way to the next one, with one retraction and its return."""
    known = bench(
        machine__bed_mm=(215.0, 400.0, 310.0), cooling__shortest_layer_s=12.0, retraction__acceleration_mm_s2=800.0
    )
    part = PreparedJob(job_of("M83\n" + PIN))
    found = copies(part, 12, known)
    shifts = standing("pin", part.timed(Ask(known)).facts.extent, known).shifts[:12]
    road, pull = straight(40.0, 40.0), 2.0 * straight(1.0, 100.0, 800.0)
    goal = [np.hypot(*(step - (40.0, 0.0))) for step in np.diff(shifts, axis=0)]
    back = np.hypot(*(shifts[0] - shifts[-1] - (40.0, 0.0)))
    seconds = 12 * road + sum(straight(way, 100.0) + pull for way in goal) + pull + straight(1.0, 100.0)
    assert found.layers.motion[100] == pytest.approx(seconds + straight(back, 100.0), rel=2e-3)
    assert found.layers.motion[100] > 12.0
    assert found.facts.filament == pytest.approx(12 * part.timed(Ask(known)).facts.filament)


SQUARE = """\
G28
G1 X5 Y5 F6000
G1 Z0.2
G1 X25 Y5 E1 F3000
G1 X25 Y25 E2
{between}
G1 X5 Y5 Z0.4 F6000
G1 X25 Y5 E3 F3000
G1 X25 Y25 E4
{within}
G1 X5 Y25 E5
"""
BED = bench(machine__bed_mm=(200.0, 200.0, 200.0), stops__tool_change_s=9.0, stops__pause_s=30.0)


def square(between: str = "", within: str = "") -> PreparedJob:
    return PreparedJob(job_of(SQUARE.format(between=between, within=within)))


def test_a_job_that_never_retracts_gets_no_retractions() -> None:
    assert copies(square(), 4, BED).facts.retractions == 0


def layer_of(height: int, shift: float, enters_at_speed: bool) -> str:
    """A line along X, entered at speed by a travel or after a return; a dry way, a line, a short way, another line."""
    enters = f"G0 X{shift:g} Y5 Z{height}\nG0 X{shift + 5:g} F6000\n" if enters_at_speed else ""
    return (
        f"{enters}G1 X{shift + 45:g} E2 F6000\nG1 E-1 F2400\nG0 X{shift + 5:g} Y15 F6000\nG1 E1 F2400\n"
        f"G1 X{shift + 45:g} E2 F6000\nG0 Y16\nG1 X{shift + 5:g} E2\n"
    )


def test_copies_begin_at_rest_where_the_job_does_not_and_go_dry() -> None:
    """Two copies 65 mm apart, by their own file: a retraction before the way to the second, its return behind it."""
    known = bench(machine__bed_mm=(105.0, 30.0, 50.0), retraction__acceleration_mm_s2=800.0)
    part = PreparedJob(job_of("M83\n" + "".join(layer_of(z, 0.0, True) for z in range(1, 6))))
    stand = standing("part", part.timed(Ask(known)).facts.extent, known, 20.0)
    left, right = (shift for shift, _ in stand.shifts[:2])
    down = float(stand.shifts[0][1])
    over = f"G1 E-1 F2400\nG0 X{right + 5:g} Y5 F6000\nG1 E1 F2400\n"
    layers = "".join(layer_of(z, left, True) + over + layer_of(z, right, False) for z in range(1, 6))
    told = PreparedJob(job_of(f"M83\nG92 Y{-down:g}\n" + layers)).timed(Ask(known))
    found = copies(part, 2, known, spacing=20.0)
    assert found.facts.retractions == told.facts.retractions == 5 * 3
    assert found.facts.filament == pytest.approx(told.facts.filament)
    assert found.layers.motion[1:5] == pytest.approx(told.layers.motion[1:5], abs=0.02)
    assert sum(found.by_cause.values()) == pytest.approx(found.total)


def test_a_stop_for_a_person_comes_once_and_is_said() -> None:
    for part in (square(between="M0"), square(within="M0")):
        found = copies(part, 4, BED)
        assert found.stops.seconds == {"pause": 30.0}
        assert "stop for a person in the middle" in found.facts.notices[0].text


def test_tool_changes_and_dwells_come_with_every_copy() -> None:
    part = square(within="T0\nT1\nG4 S2\nT0")
    found = copies(part, 4, BED)
    assert found.stops.seconds == {"tool change": 4 * 18.0}
    assert found.stops.dwell == 8.0
    assert "tool change: counted for every copy" in found.facts.notices[0].text
    assert copies(square(between="G4 S2"), 4, BED).stops.dwell == 2.0


def test_the_next_copy_needs_the_first_tool_back() -> None:
    """The second layer begins with tool 0 and ends with tool 1: four changes to it, and three back between copies."""
    found = copies(square(within="T0\nT1"), 4, BED)
    assert found.stops.seconds == {"tool change": 7 * 9.0}
    between = copies(square(between="T0\nT1"), 4, BED)
    assert between.stops.seconds == {"tool change": 9.0}


def test_a_stop_of_unknown_length_is_told_once() -> None:
    part = square(within="T0\nT1")
    unknown = copies(part, 4, bench(machine__bed_mm=(200.0, 200.0, 200.0))).stops.unknown
    assert [stop.what.partition(":")[0] for stop in unknown] == ["homing", "tool change"]


def test_heating_in_the_middle_takes_what_is_left() -> None:
    heated = {"stops__nozzle_heating_c_per_s": 2.0, "stops__ambient_c": 20.0}
    known = bench(machine__bed_mm=(200.0, 200.0, 200.0), **heated)
    found = copies(square(between="M109 S200"), 3, known)
    assert found.stops.seconds == {"heating": pytest.approx(90.0)}
    begun = copies(square(between="M109 S200").read(known) and square(between="M104 S200\nG4 S10\nM109 S200"), 3, known)
    assert begun.stops.seconds["heating"] == pytest.approx(80.0)


def test_a_spiral_is_refused_with_its_reason_and_printed_one_after_another() -> None:
    known, part = load_machine("middling"), one("spiral_cup")
    with pytest.raises(
        InputError, match=r"one continuous spiral, and the nozzle never leaves the wall.*--one-after-another"
    ):
        copies(part, 2, known)
    alone, found = part.timed(Ask(known)), copies(part, 2, known, how=ONE_AFTER_ANOTHER)
    assert found.facts.layers == 2 * alone.facts.layers
    assert found.facts.filament == pytest.approx(2 * alone.facts.filament)
    assert found.cooling == pytest.approx(2 * alone.cooling)
    assert 2 * alone.motion < found.motion < 2 * alone.motion + 15.0
    rows = layer_rows(estimate_prepared([CopiedJob(part, 2, Copying(how=ONE_AFTER_ANOTHER))], known).jobs[0])
    assert len(rows) == found.facts.layers + 1
    assert sum(row["total_s"] for row in rows) == pytest.approx(found.motion + found.cooling)


def _moved(word: str, x: float, y: float) -> str:
    return f"{word[0]}{float(word[1:]) + {'X': x, 'Y': y}[word[0]]:g}" if word[0] in "XY" else word


def test_one_after_another_against_a_file_that_does_so() -> None:
    """The second copy of a square written out, 28 mm further right: up by 5 mm, over, and down again."""
    text = SQUARE.format(between="", within="")
    part = PreparedJob(job_of(text))
    shifts = standing("square", part.timed(Ask(BED)).facts.extent, BED).shifts
    lines = []
    for number in range(2):
        x, y = shifts[number]
        height = "" if number == 0 else "G1 Z5.4 F3000\n"
        body = text.split("G28\n")[1].splitlines()
        moved = [" ".join(_moved(word, x, y) for word in line.split()) for line in body if line]
        lines.append(height + ("G92 E0\n" if number else "") + "\n".join(moved))
    told = PreparedJob(job_of("G28\n" + "\n".join(lines))).timed(Ask(BED))
    found = copies(part, 2, BED, how=ONE_AFTER_ANOTHER)
    assert found.motion == pytest.approx(told.motion, rel=0.02)
    assert found.facts.filament == pytest.approx(told.facts.filament)


def test_what_rises_and_falls_has_no_layers_to_go_by() -> None:
    bent = "M83\n" + "".join(f"G1 X{5 * i} Z{1 + i % 2} E1 F3000\n" for i in range(1, 30))
    with pytest.raises(InputError, match="it rises and falls while it prints, so it has no layers"):
        copies(PreparedJob(job_of(bent)), 2, bench(machine__bed_mm=(400.0, 200.0, 200.0)))


def test_more_than_fit_are_refused_with_the_reason() -> None:
    with pytest.raises(InputError, match=r"13 copies do not fit on the bed: 12 of 69 × 28 mm fit .*2 × 6, 8 mm apart"):
        copies(one("bracket"), 13, load_machine("middling"))


def test_a_candidate_and_what_each_limit_is_worth() -> None:
    """Every study times copies as it times jobs."""
    known = load_machine("middling")
    estimate = estimate_prepared([CopiedJob(one("test_cube"), 3)], known, worth=True)
    (found,) = estimate.jobs
    assert found.total_s == copies(one("test_cube"), 3, known).total
    best = found.worth[0]
    quick = known.with_settings({"speed": 1.01})
    assert best.key == "commanded speed" or best.one_percent_s > 0.0
    assert copies(one("test_cube"), 3, quick).total < found.total_s
    assert estimate.changes[0].saved_s > 0.0
