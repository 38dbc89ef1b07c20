"""How much a whole job rings: by hand, against scipy's simulation of a sample job, and beside the budget."""

from __future__ import annotations

import cmath
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lsim

import kinematics
from kinematics.errors import InputError
from kinematics.jobs import blockwise
from kinematics.jobs.prepared import Planned, PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.jobs.whole_jobs import OFF_THE_FREQUENCY, Ringing, ringing_of_timing
from kinematics.machine import Machine, load_machine
from kinematics.vibration.filters import Filter, filter_named
from tests.jobs.conftest import ACCELERATION, bench, job_of, straight
from tests.naive.vibration_twin import Position, filtered, relative_residual, swing_of

Reals = NDArray[np.float64]

SAMPLES = Path(__file__).parents[2] / "sample_gcode"
SIMULATED = 0.01  # relative
DIGITS = 1e-9
TEN_MICROSECONDS = 1e-5
RUN_UP = 0.5  # s: of swings that die by e^(-13) a second or faster
FREQUENCY = 50.0
OMEGA = 2.0 * math.pi * FREQUENCY
BY_RAMP = ACCELERATION / OMEGA**2  # mm that one step of acceleration leaves without a filter


def swinging(damping: float = 0.0, axes: str = "x", **settings: object) -> Machine:
    """The bench with one mode on each of some axes."""
    modes = [{"frequency_hz": FREQUENCY, "damping_ratio": damping}]
    return bench(**{f"vibration__{axis}__modes": modes for axis in axes}, **settings)


def ringing_of_text(text: str, machine: Machine) -> Ringing:
    return ringing_of_timing(time_job(PreparedJob(job_of(text)), machine))


# ---- by hand ----------------------------------------------------------------------------------------------------


def test_one_straight_move() -> None:
    """Steps of 1, -1, -1, 1 at 0, 0.1, 1.0, 1.1 s, all of them whole periods apart: the third comes on top of what is
    left of the first two, which is of its sign: 1 + (1 - k) k^9, k = e^(-0.1 ζω)."""
    damping = 0.05
    frequency = FREQUENCY / math.sqrt(1.0 - damping**2)
    machine = swinging(damping).with_settings(
        {"vibration.x.modes": [{"frequency_hz": frequency, "damping_ratio": damping}]}
    )
    (axis,) = ringing_of_text("G1 X100 F6000\n", machine).axes
    (mode,) = axis.modes
    omega = 2.0 * math.pi * frequency
    by_ramp, kept = ACCELERATION / omega**2, math.exp(-0.1 * damping * omega)
    assert (axis.axis, axis.filter) == ("x", "none")
    assert axis.acceleration == pytest.approx((ACCELERATION, 1))
    assert axis.speed.size == 0.0
    assert (mode.by_step_mm, mode.by_speed_change_mm) == (pytest.approx(by_ramp), 0.0)
    assert mode.left == pytest.approx((by_ramp * (1.0 + (1.0 - kept) * kept**9), 1.0, 1, frequency), rel=DIGITS)
    assert mode.swing == mode.left
    assert (axis.one_kick_within, axis.job_within) == (None, None)


def test_the_worst_has_its_line_and_its_time() -> None:
    """After a dwell a move of 1 mm, a triangle: the step of 2a at its top, and what is left of its start (phasors)."""
    damping = 0.1
    ringing = ringing_of_text("G1 X100 F6000\nG4 S2.3\nG1 X101\n", swinging(damping))
    (axis,) = ringing.axes
    half = math.sqrt(1.0 / ACCELERATION)
    pole = OMEGA * complex(-damping, math.sqrt(1.0 - damping**2))
    by_hand = BY_RAMP * abs(cmath.exp(pole * half) - 2.0)
    assert axis.acceleration == pytest.approx((2.0 * ACCELERATION, 3))
    assert axis.left_mm == pytest.approx(by_hand, rel=DIGITS)
    assert axis.modes[0].left.time_s == pytest.approx(straight(100.0, 100.0) + 2.3 + half, rel=DIGITS)
    assert axis.modes[0].left.line == 3
    assert axis.by_one_kick_mm == pytest.approx(2.0 * BY_RAMP, rel=DIGITS)


def test_an_end_belongs_to_the_move_that_ends() -> None:
    """A move along x, then one along y: the last kick of x is at the end of its line, whether motion stops or not."""
    lift = "G1 X0.1 F6000\n{}G1 Y30\n"
    for between in ("G4 S1\n", "G1 E1\n", ""):
        machine = swinging(motion__speed_step_mm_s={"x": 1e-9, "y": 1e-9})
        (axis,) = ringing_of_text(lift.format(between), machine).axes
        # Ramps of half a period: steps of 1, -2, 1 add up to 4, the last one at the end of the first line.
        assert axis.left_mm == pytest.approx(4.0 * BY_RAMP, rel=1e-6)
        assert axis.modes[0].left.line == 1
        assert axis.modes[0].left.time_s == pytest.approx(0.02, rel=1e-6)


def test_kicks_of_a_job_add_up_beyond_one() -> None:
    """There and back in ramps of half a period, with a pause of no known length between: without damping steps of 1,
    −2, 0, 2, −1 make 1, 3, 3, 1, 0 times a/ω², where one kick leaves 2: the budget holds each kick and not the job."""
    text = "G1 X0.1 F6000\nM0\nG1 X0\n"
    machine = swinging(quality__ringing_budget_mm=4.0 * BY_RAMP)  # the planner lowers nothing
    ringing = ringing_of_text(text, machine)
    (axis,) = ringing.axes
    assert axis.by_one_kick_mm == pytest.approx(2.0 * BY_RAMP, rel=1e-6)
    assert axis.left_mm == pytest.approx(3.0 * BY_RAMP, rel=1e-6)
    assert (axis.one_kick_within, axis.job_within) == (True, True)
    tight = ringing_of_text(text, machine.with_settings({"quality.ringing_budget_mm": 2.0 * BY_RAMP}))
    assert (tight.axes[0].one_kick_within, tight.axes[0].job_within) == (True, False)
    assert tight.budget_mm == 2.0 * BY_RAMP


def test_a_stop_lasts_as_long_as_is_known() -> None:
    """Braking and starting again in one direction: a step of 2a where the pause takes no time, else two of a."""
    text = "G1 X100 F6000\nM0\nG1 X200\n"
    (at_once,) = ringing_of_text(text, swinging(0.1)).axes
    assert at_once.acceleration == pytest.approx((2.0 * ACCELERATION, 3))
    (paused,) = ringing_of_text(text, swinging(0.1, stops__pause_s=3.0)).axes
    assert paused.acceleration.size == pytest.approx(ACCELERATION)
    # Heating takes 10 s from the start of the first move.
    heated = "M104 S60\nG1 X100 F6000\nM109 S60\nG1 X100.1\nG4 S5\n"
    machine = swinging(0.1, stops__ambient_c=20.0, stops__nozzle_heating_c_per_s=4.0)
    (after,) = ringing_of_text(heated, machine).axes
    assert after.modes[0].left.line == 4
    assert after.modes[0].left.time_s == pytest.approx(10.0 + 0.02, rel=DIGITS)


def test_time_counts_from_the_first_move() -> None:
    (axis,) = ringing_of_text("G28\nG4 S7\nG1 X100 F6000\n", swinging(0.1, stops__homing_s=20.0)).axes
    # The end of cruising, with next to nothing left of the steps before it.
    assert axis.modes[0].left == pytest.approx((BY_RAMP, 1.0, 3, FREQUENCY))


def test_a_sudden_change_of_speed() -> None:
    """A right angle at 5 mm/s: each axis changes by that at once, Δv/ω without a filter."""
    machine = swinging(0.1, "xy", motion__speed_step_mm_s={"x": 5.0, "y": 5.0}).with_settings(
        {"motion.print_acceleration_mm_s2": 1.0, "motion.travel_acceleration_mm_s2": 1.0}
    )
    x, y = ringing_of_text("G1 X30 F300\nG1 Y30\n", machine).axes
    assert x.speed == pytest.approx((5.0, 1))
    assert y.speed == pytest.approx((5.0, 2))
    for axis in (x, y):
        assert axis.by_one_kick_mm == axis.modes[0].by_speed_change_mm == pytest.approx(5.0 / OMEGA, rel=DIGITS)
        assert axis.left_mm == pytest.approx(5.0 / OMEGA, rel=1e-3)  # beside it a step of 1 mm/s²
    # The first of equals: x leaves rest with its step, y leaves the corner 6 s later.
    assert x.modes[0].left.time_s == 0.0
    assert y.modes[0].left.time_s == pytest.approx(6.0, rel=DIGITS)


def test_modes_add_up_and_each_is_told() -> None:
    modes = [{"frequency_hz": f, "damping_ratio": 0.1} for f in (40.0, 70.0)]
    (axis,) = ringing_of_text("G1 X100 F6000\n", bench(vibration__x__modes=modes)).axes
    each = [ACCELERATION / (2.0 * math.pi * f) ** 2 for f in (40.0, 70.0)]
    assert [mode.left.swing_mm for mode in axis.modes] == pytest.approx(each, rel=DIGITS)
    assert axis.left_mm == pytest.approx(sum(each), rel=DIGITS)
    assert axis.by_one_kick_mm == pytest.approx(sum(each), rel=DIGITS)


def test_an_uncertain_frequency_is_looked_at_on_both_sides() -> None:
    """Of a mode from 40 to 60 Hz the worst of five is told, what is left and how far it swings each by itself: behind a
    filter for 42 Hz most is left at 60 Hz, and the swing is largest at 40 Hz, where a/ω² is. At 42 Hz nothing is left.
    """
    mode: dict[str, Any] = {"frequency_hz": FREQUENCY, "damping_ratio": 0.1}
    text = "G1 X0.1 F6000\nM0\nG1 X3\nG1 E1\nG1 X2.9\n"

    def left_of(**settings: object) -> Any:
        told = [{**mode, **settings}]
        machine = bench(vibration__x__modes=told, vibration__x__filter="ZV", vibration__x__filter_frequency_hz=42.0)
        (axis,) = ringing_of_text(text, machine).axes
        return axis.modes[0]

    designed = left_of(frequency_hz=42.0)
    assert designed.left.swing_mm < 1e-12
    assert designed.swing.swing_mm > 0.1 * BY_RAMP
    single = [left_of(frequency_hz=FREQUENCY * (1.0 + 0.2 * share)) for share in OFF_THE_FREQUENCY]
    uncertain = left_of(frequency_uncertainty_share=0.2)
    assert uncertain.left == max((one.left for one in single), key=lambda worst: worst.swing_mm)
    assert uncertain.swing == max((one.swing for one in single), key=lambda worst: worst.swing_mm)
    assert uncertain.left.frequency_hz == pytest.approx(60.0)
    assert uncertain.swing.frequency_hz == pytest.approx(40.0)
    assert uncertain.by_step_mm == pytest.approx(max(one.by_step_mm for one in single), rel=1e-6)


def test_pieces_of_a_move_tell_its_line() -> None:
    """On a delta with quick carriages, moves cut into pieces of 2 mm ring as whole ones do."""
    text = "G28\nG1 X-40 Y-30 Z0.2 F9000\nG1 X40\nG1 Y30 F6000\nG4 S1\nG1 X-40\n"
    delta = {"machine.mechanism": "linear-delta", "machine.delta": {"arm_mm": 250.0, "tower_radius_mm": 125.0}}
    plain = swinging(0.07, "xy").with_settings(delta)
    cut = plain.with_settings({f"motors.t{i}.max_speed_mm_s": 1e8 for i in (1, 2, 3)})
    for one, other in zip(ringing_of_text(text, plain).axes, ringing_of_text(text, cut).axes, strict=True):
        assert other.modes[0].left == pytest.approx(one.modes[0].left, rel=1e-6)
        assert other.modes[0].by_speed_change_mm == pytest.approx(one.modes[0].by_speed_change_mm, rel=1e-6)
        assert other.speed.line == one.speed.line


# ---- what a result shows ----------------------------------------------------------------------------------------


def test_how_a_result_shows_itself(tmp_path: Path) -> None:
    text = "G1 X100 F6000\nG4 S1\nG1 X100 Y50\n"
    machine = swinging(0.1, "xy", quality__ringing_budget_mm=0.05)
    result = kinematics.ringing(job_of(text), machine)
    assert repr(result) == (
        "<Ringing of job on Bench: x 0.0101 mm left at worst (line 1, 1.0 s), 0.0101 mm by one kick; "
        "y 0.0101 mm left at worst (line 3, 2.6 s), 0.0101 mm by one kick; budget 0.05 mm for each kick>"
    )
    frame = result.to_frame()
    assert list(frame["axis"]) == ["x", "y"]
    assert list(frame["left_mm"]) == pytest.approx([BY_RAMP, BY_RAMP], rel=1e-3)
    assert frame["job_within"].all()
    assert frame["one_kick_within"].all()
    assert "left_mm" in result._repr_html_()
    assert repr(kinematics.ringing(job_of(text), swinging(0.1))).endswith("by one kick; no budget>")
    path = tmp_path / "rack.gcode"
    path.write_text(text)
    for one in (path, str(path)):
        assert kinematics.ringing(one, machine, "extrusion").axes == result.axes


def test_what_cannot_be_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "G1 X100 F6000\n"
    with pytest.raises(InputError, match=r"Bench: no mode of any axis; allowed: vibration\.x\.modes or"):
        ringing_of_text(text, bench(vibration__x__filter="ZV", vibration__x__filter_frequency_hz=40.0))
    with pytest.raises(InputError, match="damping ratio of three-hump-EI"):
        ringing_of_text(text, swinging(0.5, vibration__x__filter="three-hump-EI"))
    monkeypatch.setattr(blockwise, "LARGE", 1)
    path = tmp_path / "job.gcode"
    path.write_text(text)
    with pytest.raises(InputError, match="read in blocks"):
        ringing_of_timing(time_job(blockwise.job_to_time(str(path)), swinging()))


# ---- sample jobs ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["bracket", "spiral_cup"])
def test_a_plan_within_the_budget_holds_each_kick_to_it(name: str) -> None:
    """The budget binds: some kick uses up what it may, and none more."""
    budget = 0.01
    machine = load_machine("middling").with_settings(
        {
            "quality.ringing_budget_mm": budget,
            "vibration.x.modes": [
                {"frequency_hz": 42.0, "damping_ratio": 0.06, "frequency_uncertainty_share": 0.1},
                {"frequency_hz": 71.0, "damping_ratio": 0.04},
            ],
            "vibration.x.filter": "ZV",
            "vibration.y.modes": [{"frequency_hz": 36.0, "damping_ratio": 0.05}],
        }
    )
    result = ringing_of_timing(time_job(PreparedJob(str(SAMPLES / f"{name}.gcode")), machine))
    for axis in result.axes:
        assert axis.one_kick_within
        assert axis.by_one_kick_mm == pytest.approx(budget, rel=1e-6)
        assert axis.left_mm > budget
        assert not axis.job_within


def course_of(planned: Planned, axis: str) -> tuple[Position, Position]:
    """Speed and acceleration of an axis against time, straight from the plan; stops take no time."""
    plan, moves = planned.plan, planned.job.moves
    share = getattr(moves, f"d{axis}") / planned.features.length
    parts = np.stack([np.zeros(share.size), plan.rising, plan.cruising, plan.falling], axis=1)
    knots = np.cumsum(parts)
    speeds = np.stack([plan.speed_in, plan.speed_peak, plan.speed_peak, plan.speed_out], axis=1) * share[:, None]
    ramps = np.stack([plan.acceleration, 0.0 * share, -plan.acceleration, 0.0 * share], axis=1) * share[:, None]
    held = np.append(0.0, ramps.ravel())  # before the first knot, and from each one on

    def speed(times: Reals) -> Reals:
        return np.asarray(np.interp(times, knots, speeds.ravel(), left=0.0, right=0.0), np.float64)

    return speed, lambda times: held[np.searchsorted(knots, times, side="right")]


def simulated(
    planned: Planned, axis: str, command_filter: Filter, mode: tuple[float, float], begin: float, seconds: int
) -> tuple[Reals, Reals]:
    """Times (s) and swings (mm) over a window of a job, by scipy's simulation of the filtered motion.

    d of the tip, less the command: ḋ = p − v, ṗ = −2ζω(p − v) − ω²d, so that sudden changes of speed come in as they
    are. Pieces of the window of a second are simulated side by side, each from rest a `RUN_UP` earlier, when what came
    before has died away.
    """
    frequency, damping = mode
    omega = 2.0 * math.pi * frequency
    steps = np.arange(-round(RUN_UP / TEN_MICROSECONDS), round(1.0 / TEN_MICROSECONDS)) * TEN_MICROSECONDS
    times = begin + np.arange(seconds) + steps[:, None]
    speed, acceleration = (filtered(f, command_filter) for f in course_of(planned, axis))
    one = np.array([[0.0, 1.0], [-(omega**2), -2.0 * damping * omega]])
    drive = np.array([[-1.0], [2.0 * damping * omega]])
    side_by_side = np.eye(seconds)
    told = np.zeros((1, 2 * seconds)), np.zeros((1, seconds))
    moving = speed(times.ravel()).reshape(times.shape)
    _, _, states = lsim((np.kron(side_by_side, one), np.kron(side_by_side, drive), *told), moving, steps - steps[0])
    counted = steps >= 0.0
    d, p = states[counted, 0::2].T.ravel(), states[counted, 1::2].T.ravel()
    times, moving = times[counted].T.ravel(), moving[counted].T.ravel()
    swings = swing_of(d + acceleration(times) / omega**2, p - moving, omega, damping)
    return times, np.asarray(swings, np.float64)


SWINGING_SHOP = {
    "vibration.x.modes": [{"frequency_hz": 46.0, "damping_ratio": 0.05}],
    "vibration.x.filter": "ZVD",
    "vibration.x.filter_frequency_hz": 50.0,
    "vibration.y.modes": [{"frequency_hz": 36.0, "damping_ratio": 0.06}],
    "vibration.y.filter": "EI",
    "vibration.y.filter_frequency_hz": 33.0,
}


@pytest.mark.parametrize(("axis", "job", "seconds"), [("x", "bracket", 60), ("y", "cable_guide", 6)])
def test_a_whole_sample_job_against_simulation(axis: str, job: str, seconds: int) -> None:
    """The worst swing of the job, and of what is left once every kick's last impulse has acted: that is V times the
    worst swing without the filter, and as much later as the filter lasts."""
    machine = load_machine("middling").with_settings(SWINGING_SHOP)
    prepared = PreparedJob(str(SAMPLES / f"{job}.gcode"))
    planned = prepared.planned(machine)
    assert not np.isin(planned.job.events.move, range(1, len(planned.job))).any()  # stops at the ends alone
    result = next(one for one in ringing_of_timing(time_job(prepared, machine)).axes if one.axis == axis)
    (mode,) = result.modes
    name, design = ("ZVD", 50.0) if axis == "x" else ("EI", 33.0)
    true = (mode.mode.frequency, mode.mode.damping)
    found = filter_named(name, design, mode.mode.damping)
    times, swings = simulated(planned, axis, found, true, mode.swing.time_s - 0.5 * seconds, seconds)
    assert mode.swing.swing_mm == pytest.approx(float(swings.max()), rel=SIMULATED)
    at_worst = np.abs(times - mode.swing.time_s) < 3 * TEN_MICROSECONDS
    assert mode.swing.swing_mm == pytest.approx(float(swings[at_worst].max()), rel=SIMULATED)
    none = filter_named("none", 1.0, 0.0)
    left_time = mode.left.time_s - found.times[-1]
    _, unfiltered = simulated(planned, axis, none, true, left_time - 1.0, 2)
    periods = np.array(found.times) * design
    share = abs(relative_residual(np.array(found.amplitudes), periods, true[0] / design, true[1]))
    assert mode.left.swing_mm == pytest.approx(share * float(unfiltered.max()), rel=SIMULATED)
    line = int(planned.job.moves.line[int(np.searchsorted(np.cumsum(planned.plan.duration), left_time - DIGITS))])
    assert abs(mode.left.line - line) <= 1
