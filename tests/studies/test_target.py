"""The gentlest limits for a deadline against fine grids, by hand, and on every sample."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.machine import Machine, load_machine
from kinematics.studies.knobs import variant_of
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.sweep import WeightedJobs
from kinematics.studies.target import target_of
from kinematics.studies.timing import time_job
from tests.studies.conftest import bench, straight
from tests.studies.test_sweep import ZIGZAG, Curve, jobs_of

TENTH_OF_A_PERCENT = 1e-3  # what is promised of the answer
ROUNDING = 1e-9
ROOT = Path(__file__).parents[2]
SAMPLES = sorted((ROOT / "sample_gcode").glob("*.gcode"))
PRESENT = 1000.0  # mm/s2 of the bench


def time_under(jobs: WeightedJobs, machine: Machine, settings: dict[str, float]) -> float:
    """The weighted time of the jobs, each planned by itself."""
    variant = variant_of(machine, settings)
    totals = [time_job(job, variant.machine, variant.varied, passing=True).total for job in jobs.prepared]
    return float(np.dot(jobs.weights, totals))


@pytest.mark.parametrize("knobs", [("acceleration",), ("speed",), ("acceleration", "speed", "corner")], ids=" ".join)
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_are_met_and_one_percent_gentler_misses(path: Path, knobs: tuple[str, ...]) -> None:
    jobs = WeightedJobs([PreparedJob(str(path))], ["job"], [1.0])
    machine = load_machine("middling").with_settings({"cooling.shortest_layer_s": 0.0}, "test")
    present = time_under(jobs, machine, {})
    for share in (1.4, 1.02, 0.97):
        target = target_of(jobs, machine, present * share, dict.fromkeys(knobs, 1.0))
        assert target.present_total == pytest.approx(present, rel=ROUNDING)
        if not target.met:
            assert share < 1.0
            assert target.stopped_by
            continue
        assert target.total <= present * share
        assert target.total == pytest.approx(time_under(jobs, machine, dict(target.settings)), rel=ROUNDING)
        assert target.gentler_total is not None
        assert target.gentler_total > present * share
        gentler = {name: value * 0.99 for name, value in target.settings.items()}
        assert target.gentler_total == pytest.approx(time_under(jobs, machine, gentler), rel=1e-5)
        slightly = {name: value * (1.0 - TENTH_OF_A_PERCENT) for name, value in target.settings.items()}
        assert time_under(jobs, machine, slightly) > present * share


@pytest.mark.parametrize("seconds", [1.5, 1.2, 1.05])
def test_a_trapezoid_is_solved_for_its_acceleration(seconds: float) -> None:
    """t = L/v + v/a, so a = v/(t − L/v); 100 mm at 100 mm/s."""
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), seconds, {"acceleration": 1.0})
    assert target.met
    expected = 100.0 / (seconds - 1.0)
    assert target.settings["acceleration"] == pytest.approx(expected, rel=TENTH_OF_A_PERCENT)
    assert target.factor == pytest.approx(expected / PRESENT, rel=TENTH_OF_A_PERCENT)


def test_what_no_acceleration_brings_cannot_be_met() -> None:
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), 0.99, {"acceleration": 1.0})
    assert not target.met
    assert target.gentler_total is None
    assert target.total == pytest.approx(1.0, rel=1e-4)
    assert target.stopped_by == "print speeds in the file (100%)"


def test_what_the_gentlest_does_already_is_met() -> None:
    target = target_of(jobs_of("G1 X100 E1 F6000\n"), bench(), 3600.0, {"acceleration": 1.0})
    assert target.met
    assert target.gentler_total is None
    assert target.total < 3600.0


def test_jobs_count_as_often_as_they_are_printed() -> None:
    """Two trapezoids: 3·(1 + 100/a) + 0.5·(0.5 + 100/a) = t, so a = 350/(t − 3.25)."""
    jobs = jobs_of("G1 X100 E1 F6000\n", "G1 X50 E1 F6000\n", weights=[3.0, 0.5])
    target = target_of(jobs, bench(), 3.6, {"acceleration": 1.0})
    assert target.settings["acceleration"] == pytest.approx(350.0 / 0.35, rel=TENTH_OF_A_PERCENT)
    assert target.total == pytest.approx(3.0 * straight(100, 100) + 0.5 * straight(50, 100), rel=TENTH_OF_A_PERCENT)


@pytest.mark.parametrize(
    "weights", [{"acceleration": 1.0, "speed": 0.5}, {"acceleration": 0.3, "corner": 2.0}], ids=str
)
@pytest.mark.parametrize("share", [1.3, 0.9])
def test_several_knobs_against_a_fine_grid(weights: dict[str, float], share: float) -> None:
    """The least factor of a grid of 0.1 % steps, each planned by itself."""
    jobs, machine = jobs_of(ZIGZAG), bench(filament__diameter_mm=1.75)
    present = {"acceleration": PRESENT, "speed": 1.0, "corner": 0.05}
    within = share * time_under(jobs, machine, {})

    def settings(factor: float) -> dict[str, float]:
        return {name: present[name] * factor**weight for name, weight in weights.items()}

    target = target_of(jobs, machine, within, weights)
    least = next(
        factor
        for factor in (0.01 * (1.0 + TENTH_OF_A_PERCENT) ** k for k in range(20000))
        if time_under(jobs, machine, settings(factor)) <= within
    )
    assert target.factor == pytest.approx(least, rel=1.5 * TENTH_OF_A_PERCENT)
    assert target.settings == pytest.approx(settings(target.factor), rel=1e-5)


@pytest.mark.parametrize("within", [2.5, 2.05])
def test_of_two_stretches_that_meet_it_the_gentler_is_taken(within: float) -> None:
    """t = a/b + b/a falls and rises again; the lesser of its two solutions is the answer."""
    best = 3000.0
    target = target_of(Curve(lambda a: a / best + best / a), bench(), within, {"acceleration": 1.0})
    expected = best * (within - math.sqrt(within * within - 4.0)) / 2.0
    assert target.settings["acceleration"] == pytest.approx(expected, rel=TENTH_OF_A_PERCENT)


def test_a_share_ends_at_one() -> None:
    """Of a motor no more than all can be used, and of one that gives too little it is said."""
    machine = load_machine(str(ROOT / "sample_gcode/machines/bench_cartesian.toml"))
    jobs = jobs_of(ZIGZAG)
    knob = "motors.x.usable_torque_share"
    present = time_under(jobs, machine, {})
    assert not target_of(jobs, machine, 0.2 * present, {knob: 1.0}).met
    target = target_of(jobs, machine, 1.02 * present, {knob: 1.0})
    assert target.met
    assert target.settings[knob] <= 1.0


@pytest.mark.parametrize("name", ["axes.x.max_speed_mm_s", "flow"])
def test_a_knob_without_a_present_value_is_refused(name: str) -> None:
    with pytest.raises(InputError, match=f"the machine file gives no {name} to begin from"):
        target_of(jobs_of(ZIGZAG), bench(), 10.0, {name: 1.0})
