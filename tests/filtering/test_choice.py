"""Filters chosen by the print time of jobs, held against brute force and against simulated axes."""

from __future__ import annotations

import math
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal

from kinematics.errors import InputError
from kinematics.filtering.choice import JOB, LIFTED_RAMP, PRINT_KEY, accelerations_with, choose_filters
from kinematics.filtering.options import Budgets, budgets_of, known_modes, mode_within, option_of
from kinematics.filtering.settings_to_type import commands_for, settings_to_type
from kinematics.gcode.dialect_file import load_dialect
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.jobs.whole_jobs import ringing_of_timing, rounding_of_timing
from kinematics.machine import Machine, load_machine
from kinematics.vibration.filters import FILTER_NAMES, Filter, filter_named
from kinematics.vibration.residual import worst_residual

SAMPLES = Path(__file__).parents[2] / "sample_gcode"
SIMULATED = 2e-5  # s
WITHIN = 0.005  # of the time of the best that brute force finds


def machine(x: float = 40.0, y: float = 31.0, rounding: float = 0.05, ringing: float = 0.01) -> Machine:
    """A machine that its budgets hold back: no other limit comes first."""
    modes = {
        axis: {"modes": [{"frequency_hz": f, "damping_ratio": 0.06, "frequency_uncertainty_share": 0.05}]}
        for axis, f in (("x", x), ("y", y))
    }
    return Machine(vibration=modes, quality={"rounding_budget_mm": rounding, "ringing_budget_mm": ringing})


def zigzag(seed: int = 1, moves: int = 300, feed: int = 9000) -> str:
    """A printed path of short and long lines in all directions."""
    dice = np.random.default_rng(seed)
    lengths, angles = np.exp(dice.uniform(-0.5, 3.5, moves)), dice.uniform(0.0, 2.0 * math.pi, moves)
    places = np.cumsum(np.stack([lengths * np.cos(angles), lengths * np.sin(angles)]), axis=1)
    filament = 0.03 * np.cumsum(lengths)
    return "\n".join(
        f"G1 X{x:.3f} Y{y:.3f} E{e:.4f} F{feed}" for (x, y), e in zip(places.T.tolist(), filament.tolist(), strict=True)
    )


def job(text: str) -> PreparedJob:
    """A job from its text."""
    return PreparedJob(memoryview(text.encode()))


@pytest.mark.parametrize(("seed", "x", "y"), [(1, 40.0, 31.0), (2, 55.0, 28.0)])
def test_against_brute_force(seed: int, x: float, y: float) -> None:
    """No filter of a fine grid of types and frequencies on both axes is quicker by more than half a per cent."""
    known = machine(x, y)
    one = job(zigzag(seed, 120))
    choice = choose_filters(known, known_modes(known), [one])
    grid = {
        axis: [("none", 1.0)]
        + [(name, f * factor) for name in FILTER_NAMES[1:] for factor in np.geomspace(0.8, 1.8, 9).tolist()]
        for axis, f in (("x", x), ("y", y))
    }
    best = math.inf
    for (x_name, x_at), (y_name, y_at) in product(grid["x"], grid["y"]):
        settings: dict[str, Any] = {PRINT_KEY: LIFTED_RAMP}
        for axis, name, at in (("x", x_name, x_at), ("y", y_name, y_at)):
            settings |= {
                f"vibration.{axis}.filter": name,
                f"vibration.{axis}.filter_frequency_hz": at,
                f"vibration.{axis}.filter_damping_ratio": 0.06,
            }
        tried = known.with_settings(settings)
        best = min(best, time_job(one, tried, frozenset({PRINT_KEY}), passing=True).total)
    assert choice.best.total_s is not None
    assert choice.best.total_s <= best * (1.0 + WITHIN)


def test_rows_are_in_order_and_timed_as_a_machine_is() -> None:
    """The table's first row is the quickest, and its time is that of a machine with those settings."""
    known = machine()
    one = job(zigzag(3))
    choice = choose_filters(known, known_modes(known), [one])
    times = [row.total_s for row in choice.rows if row.total_s is not None]
    assert min(times) >= times[0] * (1.0 - 2.1e-4)
    settings: dict[str, Any] = {PRINT_KEY: LIFTED_RAMP}
    for option in choice.best.options:
        settings |= option.settings
    again = time_job(one, known.with_settings(settings), frozenset({PRINT_KEY}))
    assert again.total == pytest.approx(choice.best.total_s, rel=1e-9)
    assert all(axis.one_kick_within for axis in ringing_of_timing(again).axes)
    assert rounding_of_timing(again).worst_mm <= 1.05 * 0.05


@pytest.mark.parametrize("seed", range(12))
def test_simulated_axis_stays_within_the_predicted_worst(seed: int) -> None:
    """Wherever true frequency and damping lie in their intervals: the swing after a step of the acceleration chosen."""
    dice = np.random.default_rng(seed)
    frequency, damping = dice.uniform(25.0, 80.0), dice.uniform(0.03, 0.12)
    off, design = (0.08, dice.uniform(0.9, 1.5)) if seed % 2 else (0.002, 1.0)  # or damping alone is what is not known
    mode = mode_within(frequency, damping, off)._replace(damping_low=0.7 * damping, damping_high=1.4 * damping)
    budgets = Budgets(0.1, 0.02, 0.5, True)
    name = FILTER_NAMES[1 + seed // 2]
    made = filter_named(name, frequency * design, damping)
    option = option_of("x", made, frequency, damping, [mode], budgets)
    step = 2.0 * option.ringing_limit
    assert math.isfinite(step)
    time = np.arange(0.0, made.times[-1] + 0.15, SIMULATED)
    force = sum(share * (time >= at) for share, at in zip(made.amplitudes, made.times, strict=True))
    for f, z in product(np.linspace(1.0 - off, 1.0 + off, 5) * frequency, np.array([0.7, 1.0, 1.4]) * damping):
        omega = 2.0 * math.pi * f
        _, place, _ = signal.lsim(([1.0], [1.0, 2.0 * z * omega, omega**2]), step * np.asarray(force), time)
        late = time > made.times[-1]
        swing = np.abs(place[late] - step / omega**2).max()
        # Impulses come at whole steps of the simulation.
        assert swing <= budgets.ringing * 1.01 + step / omega**2 * omega * SIMULATED
    assert worst_residual(made, option.modes[0], 2) * step <= budgets.ringing * (1.0 + 1e-9)


def test_own_filter_in_a_machine_file() -> None:
    """A named filter's impulses, given as one's own, are the same filter; without impulses it is refused."""
    known = machine()
    made = filter_named("ZVD", 42.0, 0.06)
    rows = [[time, share] for time, share in zip(made.times, made.amplitudes, strict=True)]
    named = known.with_settings(
        {
            "vibration.x.filter": "ZVD",
            "vibration.x.filter_frequency_hz": 42.0,
            "vibration.x.filter_damping_ratio": 0.06,
        }
    )
    own = known.with_settings({"vibration.x.filter": "own", "vibration.x.filter_impulses": rows})
    text = zigzag(4)
    assert time_job(job(text), own).total == pytest.approx(time_job(job(text), named).total, rel=1e-9)
    with pytest.raises(InputError, match="named without impulses"):
        time_job(job(text), known.with_settings({"vibration.x.filter": "own"}))
    with pytest.raises(InputError, match="the shares summing to 1"):
        known.with_settings({"vibration.x.filter_impulses": [[0.0, 0.5], [0.01, 0.4]]})


def test_accelerations_of_a_direction_nobody_likes() -> None:
    """With limits of axes no direction rounds or rings too much; without them the least favourable one counts."""
    budgets = Budgets(0.1, 0.05, 0.5, True)
    modes = [mode_within(40.0, 0.05, 0.05)]
    options = [option_of(axis, filter_named("ZVD", 45.0, 0.05), 45.0, 0.05, modes, budgets) for axis in "xy"]
    found = accelerations_with(options, budgets)
    angles = np.linspace(0.001, 0.5 * math.pi - 0.001, 500)
    taken = np.minimum(found.print, np.minimum(found.axes["x"] / np.cos(angles), found.axes["y"] / np.sin(angles)))
    variance = options[0].rounding_limit  # 2qε/σ²
    rounded = taken / variance  # equal filters: √Σ(u σ²)² = σ²
    assert rounded.max() <= 1.0 + 1e-9
    assert rounded.max() == pytest.approx(1.0, rel=5e-3)
    assert found.without == pytest.approx(min(options[0].rounding_limit, options[0].ringing_limit))


def test_swing_of_the_whole_job() -> None:
    """With the job's swing in the budget's place all of it stays inside, and takes no less time."""
    known = machine(ringing=0.004)
    one = job(zigzag(5, 150, 18000))
    by_kick = choose_filters(known, known_modes(known), [one])
    by_job = choose_filters(known, known_modes(known), [one], counted=JOB)
    assert max(axis.left_mm for axis in by_job.ringing[0].axes) <= 0.004 * (1.0 + 1e-9)
    assert max(axis.left_mm for axis in by_kick.ringing[0].axes) > 0.004
    assert by_kick.best.total_s is not None
    assert by_job.best.total_s is not None
    assert by_job.best.total_s >= by_kick.best.total_s * (1.0 - 3e-4)


def test_modes_without_uncertainty_and_budgets() -> None:
    """A tenth is taken for the one, usual budgets for the other; no mode at all is refused."""
    bare = Machine(vibration={"x": {"modes": [{"frequency_hz": 40.0, "damping_ratio": 0.05}]}})
    assert known_modes(bare)["x"][0].frequency_high == pytest.approx(44.0)
    assert not budgets_of(bare).told
    assert choose_filters(bare, known_modes(bare)).best.total_s is None
    with pytest.raises(InputError, match="no mode of any axis is known"):
        choose_filters(Machine(), {})


def test_settings_to_type_keep_a_whole_job_inside() -> None:
    """Planned as the controller does it, by convolution and kick by kick; a tenth more of either would not."""
    known = load_machine(str(SAMPLES / "machines" / "bench_cartesian.toml")).with_settings(
        {"quality.rounding_budget_mm": 0.05, "quality.ringing_budget_mm": 0.01}
    )
    one = job(zigzag(6, 200))
    typed = settings_to_type(known, [one])
    assert typed.inside
    settings = {**typed.settings, "quality.rounding_budget_mm": None, "quality.ringing_budget_mm": None}
    timing = time_job(one, known.with_settings(settings), frozenset(typed.settings))
    assert timing.total == pytest.approx(typed.total_s)
    assert rounding_of_timing(timing).worst_mm <= 0.05
    ringing = ringing_of_timing(timing)
    assert max(axis.by_one_kick_mm for axis in ringing.axes) <= 0.01
    assert typed.ringing_mm == pytest.approx(max(axis.by_one_kick_mm for axis in ringing.axes))


def test_settings_in_the_users_own_words() -> None:
    """The [[write]] rows of a dialect table say how; what they lack is left out, but not print acceleration."""
    shop = load_dialect(SAMPLES / "shop_dialect.toml")
    settings = {"motion.print_acceleration_mm_s2": 2300.0, "motion.junction_deviation_mm": 0.04}
    assert commands_for(settings, shop) == ["EASE ramp 2300"]
    with pytest.raises(InputError, match="does not say how to set print acceleration"):
        commands_for(settings, load_dialect("extrusion"))


def test_one_impulse_takes_any_acceleration_but_ringing() -> None:
    """No filter rounds nothing, and its ringing limit is ρω²/2 at the lowest frequency."""
    budgets = Budgets(0.1, 0.02, 0.5, True)
    option = option_of("x", Filter("none", (0.0,), (1.0,)), 40.0, 0.0, [mode_within(40.0, 0.0, 0.1)], budgets)
    assert option.rounding_limit == math.inf
    assert option.ringing_limit == pytest.approx(0.5 * 0.02 * (2.0 * math.pi * 36.0) ** 2)


def test_how_far_the_choice_is_is_told() -> None:
    """Within three times as many plans as are usual, and never back."""
    known, told = machine(), []
    choose_filters(known, known_modes(known), [job(zigzag())], hear=told.append)
    assert len(told) > 5
    assert told == sorted(told)
    assert 1 / 3 < told[-1] < 1.0
