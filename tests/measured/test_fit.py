"""Whole fits on machines whose truth is known: what is found, said, left out and handed on."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine
from kinematics.measured.explanations import TESTS
from kinematics.measured.fit import Fit, fit_prints
from kinematics.measured.parameters import FITTED_START_UP, PRIORS
from kinematics.measured.stopwatch import Measured
from kinematics.studies.intervals import Sampling, drawn_machines
from tests.jobs.conftest import bench, job_of
from tests.measured.fitted_machines import (
    COUNT,
    MACHINE,
    PARAMETERS,
    PRINTS,
    Case,
    Held,
    biased_truth,
    brute_width,
    case_of,
    jobs,
    one_wrong,
    planned,
    proposal_narrows_more,
    stated,
)

CASES = 8
LEAST_INSIDE = 0.85  # of so few intervals; of those of 200 cases 0.9
SLOW = np.array([-0.7, 0.0, 0.0, 0.0, 90.0, 0.0, 0.0])


@cache
def fitted(seed: int) -> tuple[Case, Fit]:
    """A case and its fit."""
    case = case_of(seed)
    return case, fit_prints(case.measured(), MACHINE)


@cache
def slow_fit() -> tuple[Case, Fit]:
    """A machine that accelerates half as fast as its file says and starts a minute and a half later."""
    case = case_of(11, truth=SLOW)
    return case, fit_prints(case.measured(), MACHINE)


def test_the_truth_is_inside_the_stated_intervals() -> None:
    found: list[Held] = [one for seed in range(CASES) for one in stated(fitted(seed)[1], fitted(seed)[0].truth)]
    assert len(found) >= CASES
    assert np.mean([one.holds for one in found]) >= LEAST_INSIDE


def test_intervals_are_about_as_wide_as_those_of_brute_force() -> None:
    pairs = []
    for case, fit in map(fitted, range(CASES)):
        own = stated(fit, case.truth)
        for one in own:
            brute = brute_width(case, [held.parameter for held in own], one.parameter)
            pairs += [] if brute is None else [(one.width, brute)]
    assert len(pairs) > CASES / 2
    mine, brute = np.mean(pairs, axis=0)
    assert 0.7 * brute <= mine <= 1.5 * brute


def test_prints_that_were_left_out_are_foretold_within_three_per_cent() -> None:
    fit = fit_prints(case_of(2, truth=biased_truth(2)).measured(), MACHINE)
    assert fit.before.bias_share == pytest.approx(0.2, abs=0.06)
    assert fit.after.off_share < 0.03


@pytest.mark.parametrize("seed", [0, 1])
def test_one_wrong_time_of_twelve_is_named_and_moves_nothing(seed: int) -> None:
    assert one_wrong(seed) == (True, True)


def test_the_proposed_print_tells_more_than_a_random_one() -> None:
    found = [proposal_narrows_more(seed) for seed in range(12)]
    assert np.mean([one for one in found if one is not None]) >= 0.65  # of a hundred more than 0.8


def test_the_slow_machine_is_seen_through() -> None:
    _, fit = slow_fit()
    by_name = {one.name: one for one in fit.parameters}
    acceleration, start = by_name["print acceleration"], by_name["start-up"]
    assert acceleration.chosen
    assert acceleration.value == pytest.approx(1500.0 * math.exp(-0.7), rel=0.25)
    assert start.chosen
    assert start.value == pytest.approx(90.0, abs=45.0)
    assert fit.drift is None
    assert fit.explanations is None
    assert fit.before.bias_share > 4.0 * abs(fit.after.bias_share)


def test_what_is_fitted_is_what_the_planner_says_of_the_fitted_values() -> None:
    case, fit = slow_fit()
    machine = MACHINE.with_settings({key: known.likely for key, known in fit.settings.items()})
    for one, i in zip(fit.prints, case.printed, strict=True):
        assert one.fitted_s == pytest.approx(time_job(jobs()[i], machine).total, rel=2e-5)
        assert one.estimated_s == pytest.approx(time_job(jobs()[i], MACHINE).total)
        assert one.low_s < one.fitted_s < one.high_s


def test_parts_of_an_error_sum_to_what_the_fit_adds() -> None:
    for one in slow_fit()[1].prints:
        assert sum(one.parts_s.values()) == pytest.approx(one.fitted_s - one.estimated_s, abs=1e-6)
        assert one.parts_s["start-up"] == pytest.approx(slow_fit()[1].settings["stops.startup_s"].likely, rel=1e-3)


def test_a_fitted_machine_is_drawn_about_the_fit() -> None:
    _, fit = slow_fit()
    machine = fit.fitted_machine("2026-03-06")
    assert machine.checked.prints == PRINTS
    assert machine.checked.date == "2026-03-06"
    assert machine.checked.keys == fit.keys
    key = "motion.print_acceleration_mm_s2"
    drawn = np.array([one.value_of(key) for one in drawn_machines(machine, Sampling(400, 1))])
    known = machine.ranges[key]
    assert np.median(drawn) == pytest.approx(known.likely, rel=0.02)
    assert np.mean((drawn >= known.low) & (drawn <= known.high)) > 0.9


def test_two_prints_cannot_tell_most_of_it() -> None:
    fit = fit_prints(case_of(4, prints=2, truth=SLOW).measured(), MACHINE)
    assert [one.name for one in fit.parameters if one.told] == []
    assert sum(not one.chosen for one in fit.parameters) >= COUNT - 1


def test_a_single_print_is_explained_in_the_order_of_likelihood() -> None:
    """A start-up of two minutes, found by the clock alone: the seconds that are missing, divided by what is counted."""
    job = jobs()[0]
    estimate = time_job(job, MACHINE).total
    fit = fit_prints([Measured("bracket", job, MACHINE, estimate + 120.0, True, "bracket=…")], MACHINE)
    explanations = fit.explanations
    assert explanations is not None
    found = {one.name: one for one in explanations.found}
    facts = job.read(MACHINE).facts
    assert found["start-up"].value == pytest.approx(120.0, rel=1e-3)
    assert found["time per layer"].value == pytest.approx(120.0 / facts.layers, rel=1e-3)
    assert found["time per retraction"].value == pytest.approx(120.0 / facts.retractions, rel=1e-3)
    slower = MACHINE.with_settings({found["print acceleration"].key: found["print acceleration"].value})
    assert time_job(job, slower).total == pytest.approx(estimate + 120.0, rel=0.01)
    assert found["travel acceleration"].reaches_s is not None
    shares = [one.likely_share for one in explanations.found]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) + explanations.chance_share == pytest.approx(1.0)
    assert explanations.found[0].name == "start-up"
    assert {one.name for one in PARAMETERS} == TESTS.keys() == PRIORS.keys()


def test_a_print_that_was_quicker_has_no_overhead() -> None:
    job = jobs()[0]
    estimate = time_job(job, MACHINE).total
    fit = fit_prints([Measured("bracket", job, MACHINE, 0.93 * estimate, True, "bracket=…")], MACHINE)
    assert fit.explanations is not None
    assert {one.name for one in fit.explanations.found} <= {"print acceleration", "travel acceleration", "corners"}


def test_minutes_that_were_hours_are_left_out_by_name() -> None:
    case = case_of(3)
    times = case.times.copy()
    times[5] /= 60.0
    fit = fit_prints(case._replace(times=times).measured(), MACHINE)
    assert len(fit.prints) == PRINTS - 1
    (finding,) = fit.left_out
    assert finding.place == "times.csv:7"
    assert finding.hint == "were these hours, not minutes?"
    with pytest.raises(InputError, match=r"times\.csv:7"):
        fit_prints(case._replace(times=times).measured()[5:6], MACHINE)


def test_drift_is_told_of_prints_in_the_order_of_their_days() -> None:
    case = case_of(9, prints=16, truth=np.zeros(COUNT))
    measured = case.measured()
    slow = [one._replace(seconds=one.seconds * 1.12, day=f"2026-03-{i + 1:02d}") for i, one in enumerate(measured[:10])]
    early = [one._replace(day=f"2026-02-{i + 1:02d}") for i, one in enumerate(measured[10:])]
    fit = fit_prints([*slow, *early], MACHINE)  # the latest first
    assert fit.drift is not None
    assert (fit.drift.latest, fit.drift.earlier) == (10, 6)
    assert fit.drift.change_share == pytest.approx(0.11, abs=0.04)


def test_a_clock_from_the_first_move_leaves_heating_out() -> None:
    case = case_of(11, truth=SLOW)
    before = [time_job(jobs()[i], MACHINE).stops.before_moves for i in case.printed]
    moving = [
        one._replace(seconds=one.seconds - lead - SLOW[4], from_start=False)
        for one, lead in zip(case.measured(), before, strict=True)
    ]
    fit = fit_prints(moving, MACHINE)
    assert FITTED_START_UP not in {one.name for one in fit.parameters if one.chosen}
    assert fit.prints[0].estimated_s == pytest.approx(time_job(jobs()[case.printed[0]], MACHINE).total - before[0])


def test_little_is_moved_on_a_machine_that_is_as_its_file_says() -> None:
    """Noise alone asks for a parameter now and then; what it is then said to be is what it is."""
    fits = [fit_prints(case_of(seed, truth=np.zeros(COUNT)).measured(), MACHINE) for seed in range(5, 9)]
    alone = [fit for fit in fits if fit.settings == {}]
    assert len(alone) >= 2
    assert alone[0].fitted_machine("2026-03-06").ranges == {}
    assert alone[0].checked("2026-03-06").keys() == {"date", "prints", "bias_share", "spread_share"}
    found = [one for fit in fits for one in stated(fit, np.zeros(COUNT))]
    assert sum(not one.holds for one in found) <= 1


def test_a_job_that_could_be_timed_next_is_named() -> None:
    case = case_of(11, prints=6, truth=SLOW)
    fit = fit_prints(case.measured(), MACHINE, [("the pin", jobs()[3])])
    assert fit.next_print is not None
    assert fit.next_print.job == "the pin" or fit.next_print.job.startswith("job ")
    assert fit.next_print.low_s < fit.next_print.high_s
    assert 0.0 < fit.next_print.left_share < 1.0


def test_frames_and_words_of_a_fit() -> None:
    _, fit = slow_fit()
    frame = fit.to_frame()
    assert len(frame) == PRINTS
    assert {"job", "measured_s", "estimated_s", "fitted_s", "low_s", "high_s", "apart"} <= {*frame.columns}
    assert len(fit.parameters_frame()) == COUNT
    assert repr(fit).startswith("<Fit of Middling to 12 prints: off by ")
    assert "<table>" in fit._repr_html_()


def test_jobs_of_one_move_and_machines_with_speed_steps_can_be_fitted() -> None:
    machine: Machine = bench(**{"motion.speed_step_mm_s": {"x": 8.0, "y": 6.0}})
    zigzag = "".join(f"G1 X{10 + 7 * (i % 5)} Y{3 * i % 40} E{i} F6000\n" for i in range(1, 60))
    job, other = PreparedJob(job_of(zigzag)), PreparedJob(job_of("G1 X100 E3 F6000\n"))
    truth = machine.with_settings({"motion.speed_step_mm_s": {"x": 3.0, "y": 2.25}})
    prints = [(one, time_job(one, truth).total) for one in (job, other) for _ in range(3)]
    measured = [Measured("zigzag", one, machine, total, True, "here") for one, total in prints]
    fit = fit_prints(measured, machine)
    assert fit.prints[0].fitted_s == pytest.approx(fit.prints[0].measured_s, rel=0.02)


def test_planned_times_of_the_cases_are_the_planner_s() -> None:
    times = planned(SLOW)
    machine = MACHINE.with_settings(
        {"motion.print_acceleration_mm_s2": 1500.0 * math.exp(-0.7), "stops.startup_s": 90.0}
    )
    assert times[2] == pytest.approx(time_job(jobs()[2], machine).total)
