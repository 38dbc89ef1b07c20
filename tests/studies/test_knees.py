"""Knees: against fine grids, by hand, and where more of a knob is worse."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.machine import Machine, load_machine
from kinematics.studies.knees import SHARES, Gain, Knee, knees_of
from kinematics.studies.knobs import Knob, knob_from, typed
from tests.jobs.conftest import bench
from tests.studies.weighted import ZIGZAG, Curve, alone, jobs_of

ROUNDING = 1e-9  # relative
FINE = 1.004  # ratio of a fine grid
BENCH_A = str(Path(__file__).parents[2] / "sample_gcode/machines/bench_cartesian.toml")
LAYERS = "M83\n" + "".join(
    f"G1 Z{0.2 * layer:.1f} F600\nG1 X{(layer % 2) * (10 + 30 * layer)} E1 F3000\n" for layer in range(1, 8)
)


def knee_of(jobs: WeightedJobs, machine: Machine, knob: Knob) -> Knee:
    """The knee of a knob by itself."""
    (knee,) = knees_of(jobs, machine, [knob])
    return knee


def swept(knee: Knee) -> dict[float, float]:
    """Of each share the value, from the easy end of the sweep on."""
    return {one.share: one.value for one in knee.swept.shares}


def now(knee: Knee) -> Gain:
    """What it brings from what the machine has now, where it has something."""
    assert knee.now is not None
    return knee.now


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("acceleration", 20.0, 3000.0),
        ("speed", 0.05, 2.0),
        ("corner", 0.001, 0.3),
        ("axes.y.max_speed_mm_s", 2.0, 100.0),
    ],
)
def test_knees_and_floor_against_a_fine_grid(name: str, low: float, high: float) -> None:
    """The least value of a grid of 0.4 % steps, each planned by itself, that brings the share."""
    jobs, machine = jobs_of(ZIGZAG), bench(filament__diameter_mm=1.75)
    knee = knee_of(jobs, machine, Knob(name, tuple(np.geomspace(low, high, 7).tolist())))
    floor, base = (alone(jobs, machine, {name: value}) for value in (high * 1e5, low))
    assert (knee.floor_s, knee.swept.total_s) == pytest.approx((floor, base), rel=1e-6)
    assert knee.swept.saves_s == pytest.approx(base - floor, rel=1e-6)
    assert not knee.down
    assert knee.turning is None
    steps = math.ceil(math.log(high * 2000.0 / low) / math.log(FINE))
    fine = [low * FINE**k for k in range(steps)]
    times = [alone(jobs, machine, {name: value}) for value in fine]
    for gain in (knee.swept, *([] if knee.now is None else [knee.now])):
        assert gain.total_s == pytest.approx(alone(jobs, machine, {name: gain.start}))
        for one in gain.shares:
            goal = gain.total_s - one.share * (gain.total_s - floor)
            least = next(v for v, time in zip(fine, times, strict=True) if time <= goal)
            assert least / FINE**2 <= one.value <= least * FINE
            assert one.beyond == (one.value > high)
            assert one.about == (typed(one.value, up=True) if one.beyond else min(high, typed(one.value, up=True)))
    assert [one.share for one in knee.swept.shares] == list(SHARES)
    for value, seconds in knee.curve:
        bought = alone(jobs, machine, {name: value}) - alone(jobs, machine, {name: value * 1.01})
        assert seconds == pytest.approx(bought, abs=1e-8)


def test_from_the_low_end_and_from_what_it_has_now_by_hand() -> None:
    """t = 10 + 1000/a: from 100, 10 s, of which 80 % are left behind at a = 500; from 1000 (now), 1 s, at a = 5000."""
    knee = knee_of(Curve(lambda a: 10.0 + 1000.0 / a), bench(), Knob("acceleration", (100.0, 700.0, 6000.0)))
    far = 1000.0 / 6e7  # s left with the knob as good as lifted
    assert (knee.swept.start, knee.swept.total_s) == (100.0, 20.0)
    assert knee.swept.saves_s == pytest.approx(10.0 - far)
    assert (now(knee).start, now(knee).total_s) == (1000.0, 11.0)
    assert now(knee).saves_s == pytest.approx(1.0 - far)
    assert swept(knee) == pytest.approx({0.8: 500.0, 0.9: 1000.0, 0.95: 2000.0}, rel=1e-3)
    assert {one.share: one.value for one in now(knee).shares} == pytest.approx(
        {0.8: 5000.0, 0.9: 10000.0, 0.95: 20000.0}, rel=1e-3
    )
    assert [one.beyond for one in knee.swept.shares] == [False, False, False]
    assert [one.beyond for one in now(knee).shares] == [False, True, True]
    for one in (*knee.swept.shares, *now(knee).shares):
        assert one.value <= one.about <= 1.1 * one.value
        assert float(f"{one.about:.2g}") == one.about


def test_a_typed_value_does_not_leave_the_sweep_for_its_rounding() -> None:
    """80 % by 500 would be said as 500; from 101 on it is 503, which would be 550, beyond the 510 that were tried."""
    knee = knee_of(Curve(lambda a: 10.0 + 1000.0 / a), bench(), Knob("acceleration", (101.0, 510.0)))
    first = knee.swept.shares[0]
    assert first.value == pytest.approx(505.0, rel=1e-3)
    assert (first.about, first.beyond) == (510.0, False)


@pytest.mark.parametrize("best", [150.0, 900.0, 7000.0])
def test_where_more_makes_it_longer_is_told(best: float) -> None:
    """t = a/b + b/a has its least, 2, at a = b; the shares are of what lies between the start and there."""
    knob = Knob("acceleration", (100.0, 1000.0, 10000.0))
    knee = knee_of(Curve(lambda a: a / best + best / a if a > 1.0 else 1e9), bench(), knob)
    assert knee.turning is not None
    assert knee.turning.value == pytest.approx(best, rel=0.1)
    assert knee.turning.total_s == pytest.approx(2.0, rel=0.005)
    assert knee.turning.reason
    for share, value in swept(knee).items():
        base = 100.0 / best + best / 100.0
        time = base - share * (base - knee.turning.total_s)
        least = best * (time - math.sqrt(time * time - 4.0)) / 2.0 if time > 2.0 else best
        assert value == pytest.approx(least, rel=0.002)
    if best < 1000.0:  # it has more than is good already
        assert (now(knee).saves_s, now(knee).shares) == (0.0, ())
    assert knee.swept.saves_s >= 0.0


def test_less_pressure_advance_is_faster() -> None:
    """It only ever costs, so it is turned down; where it is as good as none, the extruder holds what is left."""
    machine, jobs = bench(axes__e__max_speed_mm_s=6.0), jobs_of(ZIGZAG)
    knee = knee_of(jobs, machine, knob_from("filament.pressure_advance_s=0.02:2:9log"))
    assert knee.down
    assert knee.turning is None
    assert (knee.swept.start, knee.now) == (2.0, None)
    assert knee.swept.total_s == pytest.approx(alone(jobs, machine, {"filament.pressure_advance_s": 2.0}))
    assert knee.floor_s == pytest.approx(alone(jobs, machine, {"filament.pressure_advance_s": 2e-6}))
    assert knee.swept.saves_s == pytest.approx(knee.swept.total_s - knee.floor_s)
    assert [one.beyond for one in knee.swept.shares] == [one.value < 0.02 for one in knee.swept.shares]
    assert all(one.about <= one.value for one in knee.swept.shares)
    for value, seconds in knee.curve:  # 1 % less
        settings = [{"filament.pressure_advance_s": one} for one in (value, value / 1.01)]
        before, after = (alone(jobs, machine, one) for one in settings)
        assert seconds == pytest.approx(before - after, abs=1e-8)


def test_the_time_that_layers_cool_is_turned_down() -> None:
    """Against a fine grid from 20 s down; 8 s now."""
    jobs, machine, name = jobs_of(LAYERS), bench(cooling__shortest_layer_s=8.0), "cooling.shortest_layer_s"
    knee = knee_of(jobs, machine, knob_from(f"{name}=1,5,20"))
    assert knee.down
    floor = alone(jobs, machine, {name: 0.0})
    assert knee.floor_s == pytest.approx(floor, rel=1e-9)
    assert (knee.swept.start, now(knee).start) == (20.0, 8.0)
    for gain in (knee.swept, now(knee)):
        assert gain.total_s == pytest.approx(alone(jobs, machine, {name: gain.start}))
        assert gain.saves_s == pytest.approx(gain.total_s - floor)
        for one in gain.shares:
            goal = (gain.total_s - one.share * gain.saves_s) * (1.0 + ROUNDING)
            fine = (gain.start / FINE**k for k in range(5000))
            least = next(value for value in fine if alone(jobs, machine, {name: value}) <= goal)
            assert least / FINE <= one.value <= least * FINE
            assert one.value / 1.1001 <= one.about <= one.value


def test_what_changes_nothing_saves_nothing() -> None:
    """A job that never moves Z, with any speed of Z: no share of nothing is told."""
    knee = knee_of(jobs_of(ZIGZAG), bench(axes__z__max_speed_mm_s=5.0), knob_from("axes.z.max_speed_mm_s=1,10"))
    for gain in (knee.swept, now(knee)):
        assert (gain.saves_s, gain.shares) == (0.0, ())
    assert knee.turning is None
    assert all(seconds == 0.0 for _, seconds in knee.curve)


def test_whole_numbers_and_shares_have_knees() -> None:
    jobs = jobs_of("M83\n" + "".join(f"G1 X{i / 10:.1f} E0.1 F9000\n" for i in range(900)))
    knee = knee_of(jobs, bench(motion__lookahead_moves=16), knob_from("motion.lookahead_moves=1,4,100"))
    assert now(knee).start == 16.0
    for one in (*knee.swept.shares, *now(knee).shares):
        assert one.value.is_integer()
        assert one.about.is_integer()
    for share, value in swept(knee).items():
        goal = knee.swept.total_s - share * (knee.swept.total_s - knee.floor_s)
        settings = [{"motion.lookahead_moves": count} for count in (value, value - 1.0)]
        met, missed = (alone(jobs, bench(), one) for one in settings)
        assert met <= goal * (1.0 + ROUNDING) < missed
    drive = load_machine(BENCH_A)
    share_knee = knee_of(jobs, drive, knob_from("motors.x.usable_torque_share=0.1,0.4,1"))
    assert share_knee.swept.total_s >= share_knee.floor_s
    assert all(0.1 <= one.value <= one.about <= 1.0 for one in share_knee.swept.shares)


def test_a_range_with_0_or_below_0_is_searched() -> None:
    jobs = jobs_of("M104 S200\nM109 S200\n" + ZIGZAG)
    machine = bench(stops__nozzle_heating_c_per_s=2.0, stops__ambient_c=20.0)
    below = knee_of(jobs, machine, knob_from("stops.ambient_c=-10,0,30"))
    assert below.swept.saves_s == pytest.approx(20.0)  # 40 °C at 2 °C/s
    assert swept(below)[0.9] == pytest.approx(26.0, abs=0.01)
    stops = knee_of(jobs_of("G28\n" + ZIGZAG), bench(stops__homing_s=30.0), knob_from("stops.homing_s=0,10,50"))
    assert stops.down
    assert stops.swept.saves_s == pytest.approx(50.0)
    assert now(stops).saves_s == pytest.approx(30.0)
    assert swept(stops)[0.8] == pytest.approx(10.0, rel=1e-3)


def test_knees_of_several_knobs_are_looked_for_in_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each as by itself, and together in no more rounds than one takes."""
    jobs, machine = jobs_of(ZIGZAG), bench(cooling__shortest_layer_s=3.0)
    texts = (
        "acceleration=100:4000:5",
        "speed=0.5,1,2",
        "motion.lookahead_moves=1,4,100",
        "cooling.shortest_layer_s=0,3,9",
    )
    knobs = [knob_from(text) for text in texts]
    rounds: list[int] = []
    found = jobs.weighted_or_never

    def counting(variants: Sequence[Variant]) -> Any:
        rounds.append(len(variants))
        return found(variants)

    monkeypatch.setattr(jobs, "weighted_or_never", counting)
    single = [(knee_of(jobs, machine, knob), len(rounds)) for knob in knobs]
    most = max(np.diff([0, *(count for _, count in single)]))
    rounds.clear()
    for together, (by_itself, _) in zip(knees_of(jobs, machine, knobs), single, strict=True):
        assert words_and_shares(together) == words_and_shares(by_itself)
        assert seconds_of(together) == pytest.approx(seconds_of(by_itself), rel=ROUNDING, abs=1e-7)
    assert len(rounds) == most


def words_and_shares(knee: Knee) -> list[Any]:
    """What a knee tells beside seconds."""
    gains = [gain for gain in (knee.swept, knee.now) if gain is not None]
    return [knee.knob, knee.down, knee.floor_cause, [share for gain in gains for share in gain.shares]]


def seconds_of(knee: Knee) -> list[float]:
    """The seconds that a knee tells."""
    gains = [gain for gain in (knee.swept, knee.now) if gain is not None]
    turning = [] if knee.turning is None else [knee.turning.total_s]
    return [knee.floor_s, *(second for _, second in knee.curve), *(gain.total_s for gain in gains), *turning]
