"""The gentlest limits for a deadline against fine grids, by hand, and on every sample."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import load_machine
from kinematics.studies.target import OTHERS, USELESS, WILDEST, target_of
from tests.jobs.conftest import bench, straight
from tests.studies.weighted import ZIGZAG, Curve, jobs_of, together

FOUR_DIGITS = 1.3e-3  # how far outwards an answer may be rounded, and what a search leaves
ROUNDING = 1e-9
ROOT = Path(__file__).parents[2]
SAMPLES = sorted((ROOT / "sample_gcode").glob("*.gcode"))
PRESENT = 1000.0  # mm/s2 of the bench


@pytest.mark.parametrize("knobs", [("acceleration",), ("speed",), ("acceleration", "speed", "corner")], ids=" ".join)
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_are_met_and_one_percent_gentler_misses(path: Path, knobs: tuple[str, ...]) -> None:
    jobs = WeightedJobs([PreparedJob(str(path))], ["job"], [1.0])
    machine = load_machine("middling").with_settings({"cooling.shortest_layer_s": 0.0}, "test")
    present = together(jobs, machine, {})
    for share in (1.4, 1.02, 0.97):
        target = target_of(jobs, machine, present * share, dict.fromkeys(knobs, 1.0))
        assert target.present_total_s == pytest.approx(present, rel=ROUNDING)
        if not target.met:
            assert share < 1.0
            assert target.stopped_by
            for factor in (1.0, 2.0, 10.0, 100.0, 1000.0):  # but for what is of no use, nothing else meets it
                wild = {one.knob: one.before * factor for one in target.turned}
                assert together(jobs, machine, wild) > present * share * (1.0 - len(knobs) * USELESS)
            continue
        assert target.total_s <= present * share
        assert target.total_s == pytest.approx(together(jobs, machine, dict(target.settings)), rel=ROUNDING)
        if target.gentler_total_s is None:  # no less than a tenth is tried
            assert all(one.after == pytest.approx(0.1 * one.before) for one in target.turned)
            continue
        assert target.gentler_total_s > present * share
        gentler = {name: value * 0.99 for name, value in target.settings.items()}
        assert target.gentler_total_s == pytest.approx(together(jobs, machine, gentler), rel=1e-5)
        slightly = {name: value * (1.0 - FOUR_DIGITS) for name, value in target.settings.items()}
        assert together(jobs, machine, slightly) > present * share


@pytest.mark.parametrize("seconds", [1.5, 1.2, 1.05])
def test_a_trapezoid_is_solved_for_its_acceleration(seconds: float) -> None:
    """t = L/v + v/a, so a = v/(t − L/v); 100 mm at 100 mm/s."""
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), seconds, {"acceleration": 1.0})
    assert target.met
    expected = 100.0 / (seconds - 1.0)
    assert target.settings["acceleration"] == pytest.approx(expected, rel=FOUR_DIGITS)
    assert target.factor == pytest.approx(expected / PRESENT, rel=FOUR_DIGITS)


def test_what_no_acceleration_brings_cannot_be_met() -> None:
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), 0.99, {"acceleration": 1.0})
    assert not target.met
    assert target.gentler_total_s is None
    assert target.total_s == pytest.approx(1.0, rel=USELESS)
    assert target.floor_s == pytest.approx(1.0, rel=1e-4)
    assert target.stopped_by == "print speeds in the file (100%)"


@pytest.mark.parametrize("within", [0.99, 1.0 + 0.5 * USELESS])
def test_no_knob_goes_further_than_is_of_use(within: float) -> None:
    """t = 1 + 100/a: from just below a = 100/0.001 on no more than a thousandth is left; a person types 1e5."""
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), within, {"acceleration": 1.0})
    assert not target.met
    assert dict(target.settings) == {"acceleration": 1e5}
    assert (target.floor_s <= within) == (within > 1.0)


def test_where_a_knob_is_of_no_more_use_the_other_makes_up_for_it() -> None:
    """t = 1/s + 100·s/a; s alone would have to be 1.25 for 0.8 s. From about a = 100·s²/0.001 = 156,000 on more of it
    saves less than a thousandth, and a person types 160,000; 100·s/a = 0.0008 s are left, so s = 1/(0.8 − 0.0008).
    """
    weights = {"acceleration": 100.0, "speed": 1.0}
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), 0.8, weights)
    assert target.met
    assert target.settings["acceleration"] == 1.6e5
    assert target.settings["speed"] == pytest.approx(1.0 / (0.8 - 100.0 * 1.25 / 1.6e5), rel=FOUR_DIGITS)
    acceleration, speed = target.turned
    assert acceleration.held_by == "print speeds in the file (100%)"
    assert speed.held_by is None


def test_a_knob_that_changes_nothing_stays_and_what_holds_is_named() -> None:
    jobs, machine = jobs_of(ZIGZAG), bench(axes__z__max_speed_mm_s=5.0)
    weights = {"axes.z.max_speed_mm_s": 1.0, "acceleration": 1.0}
    target = target_of(jobs, machine, 0.9 * together(jobs, machine, {}), weights)
    alone = target_of(jobs, machine, 0.9 * together(jobs, machine, {}), {"acceleration": 1.0})
    assert target.met
    z, acceleration = target.turned
    assert (z.before, z.after) == (5.0, 5.0)
    assert z.held_by
    assert acceleration.after == alone.settings["acceleration"] > acceleration.before
    assert acceleration.held_by is None


def test_each_axis_has_its_own_speed_step() -> None:
    """At right angles the lesser step holds: of x 8 and y 4 mm/s, y alone is of use until it passes x.

    Rest is left and reached along y.
    """
    jobs = jobs_of("M83\n" + "".join(f"G1 Y{10 * ((i + 1) // 2)} X{10 * (i // 2)} E1 F3000\n" for i in range(1, 40)))
    machine = bench(motion__speed_step_mm_s={"x": 8.0, "y": 4.0})
    now = together(jobs, machine, {})
    target = target_of(jobs, machine, 0.97 * now, {"corner": 1.0})
    assert target.met
    assert target.present_total_s == target.without_stated_limits_s == pytest.approx(now)
    x, y = target.turned
    assert (x.knob, y.knob) == ("motion.speed_step_mm_s.x", "motion.speed_step_mm_s.y")
    assert (x.before, y.before) == (8.0, 4.0)
    assert y.after / 4.0 == pytest.approx(target.factor, rel=2e-3)
    assert x.held_by
    assert 8.0 <= x.after <= 1.1 * max(8.0, y.after)
    assert together(jobs, machine, dict(target.settings)) <= 0.97 * now
    gentler = {name: 0.998 * value for name, value in target.settings.items()}
    assert together(jobs, machine, gentler) > 0.97 * now


def test_a_knob_that_is_of_no_use_is_not_turned_at_all() -> None:
    """A layer that must last 10 s lasts 10 s with any acceleration near that of now."""
    machine = bench(cooling__shortest_layer_s=10.0)
    target = target_of(jobs_of("M83\nG1 Z0.2 F600\nG1 X100 E1 F6000\n"), machine, 5.0, {"acceleration": 1.0})
    assert not target.met
    assert dict(target.settings) == {"acceleration": PRESENT}
    assert target.stopped_by is not None
    assert target.stopped_by.startswith("cooling")
    assert [other.knob for other in target.others if other.meets] == ["cooling.shortest_layer_s"]


@pytest.mark.parametrize("within", [150.0, 60.0, 34.0])
def test_a_shortest_layer_time_is_turned_down(within: float) -> None:
    """Four layers of less than 8 s motion each take 4 times the shortest, where that is more than the motion.

    Against a fine grid from 40 s down, of which 20 s are now.
    """
    text = "M83\n" + "".join(f"G1 Z{0.2 * k:.1f} F6000\nG1 X{(k % 2) * 80} E4 F600\n" for k in range(1, 5))
    jobs, machine, name = jobs_of(text), bench(cooling__shortest_layer_s=20.0), "cooling.shortest_layer_s"
    assert together(jobs, machine, {name: 0.0}) < 34.0 < 80.0 == pytest.approx(together(jobs, machine, {}), abs=0.1)
    target = target_of(jobs, machine, within, {name: 1.0})
    (one,) = target.turned
    assert target.met
    assert one.down
    assert (one.after < 20.0) == (within < 80.0)
    least = next(v for v in (50.0 * 0.9995**k for k in range(9999)) if together(jobs, machine, {name: v}) <= within)
    assert one.after == pytest.approx(least, rel=FOUR_DIGITS)
    assert target.total_s <= within
    assert target.gentler_total_s is not None
    assert target.gentler_total_s == pytest.approx(together(jobs, machine, {name: one.after / 0.99}), rel=1e-9)
    assert target.gentler_total_s > within
    assert target_of(jobs, machine, 20.0, {name: 1.0}).settings[name] >= 20.0 / WILDEST


@pytest.mark.parametrize("weights", [{"corner": 100.0}, {"corner": 100.0, "speed": 0.01}, {"speed": 0.01}], ids=str)
@pytest.mark.parametrize("share", [3.0, 1.01, 0.98, 0.2])
def test_any_weight_gives_numbers_that_a_machine_takes(weights: dict[str, float], share: float) -> None:
    jobs, machine = jobs_of(ZIGZAG), bench()
    target = target_of(jobs, machine, share * together(jobs, machine, {}), weights)
    machine.with_settings(dict(target.settings))
    numbers = (target.total_s, target.factor, target.present_total_s, target.floor_s, *target.settings.values())
    assert all(0.0 < number < math.inf for number in numbers)
    assert all(0.1 * one.before <= one.after for one in target.turned)


def test_other_knobs_that_would_do_are_named_best_first_and_none_that_is_turned() -> None:
    """100 mm at 100 mm/s can't be done in 0.9 s by acceleration, but by speed; and corners are of no help."""
    jobs, machine = jobs_of("G1 X100 E1 F6000\n"), bench(hotend__max_flow_mm3_s=100.0)
    short = target_of(jobs, machine, 0.9, {"motion.print_acceleration_mm_s2": 1.0})
    assert [(other.knob, other.meets) for other in short.others] == [("speed", True)]
    long = target_of(jobs, machine, 1e-6, {"speed": 1.0})
    assert "speed" not in [other.knob for other in long.others]
    assert [other.total_s for other in long.others] == sorted(other.total_s for other in long.others)
    assert all(other.knob in OTHERS and not other.meets for other in long.others)


def test_limits_that_a_job_states_are_told_apart_from_what_a_knob_brings() -> None:
    """The job holds itself to 100 mm/s²; a knob that is turned overrides that."""
    jobs = jobs_of("M204 P100\nG1 X100 E1 F6000\n")
    target = target_of(jobs, bench(), 1.5, {"acceleration": 1.0})
    assert target.present_total_s == pytest.approx(straight(100, 100, 100.0))
    assert target.without_stated_limits_s == pytest.approx(straight(100, 100, PRESENT))
    assert target.settings["acceleration"] == pytest.approx(200.0, rel=FOUR_DIGITS)


def test_what_the_gentlest_does_already_is_met() -> None:
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), 3600.0, {"acceleration": 1.0})
    assert target.met
    assert target.gentler_total_s is None
    assert dict(target.settings) == {"acceleration": 0.1 * PRESENT}
    assert target.total_s == pytest.approx(straight(100, 100, 0.1 * PRESENT))


def test_jobs_count_as_often_as_they_are_printed() -> None:
    """Two trapezoids: 3·(1 + 100/a) + 0.5·(0.5 + 100/a) = t, so a = 350/(t − 3.25)."""
    jobs = jobs_of("G1 X100 E1 F6000\n", "G1 X50 E1 F6000\n", weights=[3.0, 0.5])
    target = target_of(jobs, bench(), 3.6, {"acceleration": 1.0})
    assert target.settings["acceleration"] == pytest.approx(350.0 / 0.35, rel=FOUR_DIGITS)
    assert target.total_s == pytest.approx(3.0 * straight(100, 100) + 0.5 * straight(50, 100), rel=FOUR_DIGITS)


@pytest.mark.parametrize(
    "weights", [{"acceleration": 1.0, "speed": 0.5}, {"acceleration": 0.3, "corner": 2.0}], ids=str
)
@pytest.mark.parametrize("share", [1.3, 0.9])
def test_several_knobs_against_a_fine_grid(weights: dict[str, float], share: float) -> None:
    """The least factor of a grid of 0.1 % steps, each planned by itself; no knob below a tenth of what it is."""
    jobs, machine = jobs_of(ZIGZAG), bench(filament__diameter_mm=1.75)
    present = {"acceleration": PRESENT, "speed": 1.0, "corner": 0.05}
    within = share * together(jobs, machine, {})

    target = target_of(jobs, machine, within, weights)
    # The ends of use, each judged by itself: beyond it next to nothing is saved, a step below it more.
    ends = {one.knob: math.inf if one.held_by is None else one.after for one in target.turned}
    for name, end in ends.items():
        if end < math.inf:
            lifted = together(jobs, machine, {**target.settings, name: end * WILDEST})
            assert target.total_s <= lifted * (1.0 + USELESS)
            below = together(jobs, machine, {**target.settings, name: end / 1.11})
            assert end == present[name] or below > lifted * (1.0 + USELESS)

    def settings(factor: float) -> dict[str, float]:
        return {name: min(ends[name], present[name] * max(0.1, factor**weight)) for name, weight in weights.items()}

    step = 1.001
    least = next(f for f in (0.01 * step**k for k in range(20000)) if together(jobs, machine, settings(f)) <= within)
    assert target.factor == pytest.approx(least, rel=2e-3)
    assert target.settings == pytest.approx(settings(target.factor), rel=FOUR_DIGITS)


@pytest.mark.parametrize("within", [2.5, 2.05])
def test_of_two_stretches_that_meet_it_the_gentler_is_taken(within: float) -> None:
    """t = a/b + b/a falls and rises again; the lesser of its two solutions is the answer."""
    best = 3000.0
    target = target_of(Curve(lambda a: a / best + best / a), bench(), within, {"acceleration": 1.0})
    expected = best * (within - math.sqrt(within * within - 4.0)) / 2.0
    assert target.settings["acceleration"] == pytest.approx(expected, rel=FOUR_DIGITS)


def test_a_share_ends_at_one() -> None:
    """Of a motor no more than all can be used, and of one that gives too little it is said."""
    machine = load_machine(str(ROOT / "sample_gcode/machines/bench_cartesian.toml"))
    jobs = jobs_of(ZIGZAG)
    knob = "motors.x.usable_torque_share"
    present = together(jobs, machine, {})
    assert not target_of(jobs, machine, 0.2 * present, {knob: 1.0}).met
    target = target_of(jobs, machine, 1.02 * present, {knob: 1.0})
    assert target.met
    assert target.settings[knob] <= 1.0


@pytest.mark.parametrize(
    ("weights", "found"),
    [
        ({"axes.x.max_speed_mm_s": 1.0}, "the machine has no number for axes.x.max_speed_mm_s"),
        ({"flow": 1.0}, "the machine has no number for flow, so there is nothing to turn"),
        ({"cooling.shortest_layer_s": 1.0}, "cooling.shortest_layer_s is 0 now, and turning it means multiplying it"),
        ({"acceleration": 1.0, "motion.print_acceleration_mm_s2": 2.0}, "turn the same key"),
    ],
)
def test_what_cannot_be_turned_is_refused(weights: dict[str, float], found: str) -> None:
    with pytest.raises(InputError, match=found):
        target_of(jobs_of(ZIGZAG), bench(cooling__shortest_layer_s=0.0), 10.0, weights)
