"""Sweeps: rows against single timings, time that never grows, trade-offs by comparison."""

from __future__ import annotations

import math
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine, load_machine
from kinematics.machine.keys import THE_JOB
from kinematics.studies.caps import caps_of
from kinematics.studies.knobs import (
    Knob,
    asked_where_it_differs,
    grid,
    is_logarithmic,
    knob_from,
    sample,
    settings_of,
    variant_of,
)
from kinematics.studies.sweep import (
    ALL_JOBS,
    TRADED_ACCELERATION,
    TRADED_RINGING,
    Sweep,
    SweepRow,
    best_trade_offs,
    costs_of,
    present_total_of,
    recommended,
    sweep_rows,
    trade_offs_of,
)
from tests.jobs.conftest import bench, straight
from tests.studies.weighted import ZIGZAG, alone, jobs_of

ROUNDING = 1e-9  # relative
GROWS = 1e-12  # relative: less is the last digit of a sum
ROOT = Path(__file__).parents[2]
SAMPLES = sorted((ROOT / "sample_gcode").glob("*.gcode"))
BENCH_A = str(ROOT / "sample_gcode/machines/bench_cartesian.toml")
# Ceilings that are constants of a move: with more of any of them no job takes longer.
CONSTANT = (
    "acceleration",
    "speed",
    "corner",
    "flow",
    "motion.travel_acceleration_mm_s2",
    "motion.extruder_step_mm_s",
    "motion.speed_cap_mm_s",
    "axes.x.max_speed_mm_s",
    "axes.y.max_acceleration_mm_s2",
    "axes.z.max_speed_mm_s",
    "axes.z.max_acceleration_mm_s2",
    "axes.e.max_speed_mm_s",
    "axes.e.max_acceleration_mm_s2",
    "retraction.acceleration_mm_s2",
    "motors.a.max_speed_mm_s",
    "motors.b.max_acceleration_mm_s2",
)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_time_never_grows_with_a_constant_ceiling(path: Path) -> None:
    machine = load_machine("middling").with_settings({"machine.mechanism": "crossed-belt"}, "test")
    jobs = WeightedJobs([PreparedJob(str(path))], ["job"], [1.0])
    for name in CONSTANT:
        values = np.geomspace(0.02, 50.0, 24) if name in ("speed", "corner") else np.geomspace(1.0, 20000.0, 24)
        totals = jobs.weighted([variant_of(machine, {name: float(value)}) for value in values])
        assert (np.diff(totals) <= GROWS * totals[1:]).all(), name
        assert totals[-1] < totals[0], name
    lookaheads = [variant_of(machine, {"motion.lookahead_moves": count}) for count in (1, 2, 3, 5, 9, 30, 200)]
    assert (np.diff(jobs.weighted(lookaheads)) <= GROWS * 1e6).all()


def test_rows_are_single_timings_in_the_order_of_points() -> None:
    jobs = jobs_of("G1 X100 E1 F6000\n", "G1 X10 E1 F6000\nG4 S5\n", weights=[3.0, 0.5])
    knobs = [knob_from("acceleration=500,1000,4000"), knob_from("speed=0.5,1")]
    points = list(grid(knobs))
    told: list[int] = []
    rows = [row for chunk in sweep_rows(jobs, bench(), knobs, points, told.append) for row in chunk]
    assert told == [6]
    assert [row.job for row in rows] == ["a", "b", ALL_JOBS] * 6
    assert [row.point for row in rows[::3]] == points == [(a, s) for a in (500, 1000, 4000) for s in (0.5, 1)]
    threes = zip(rows[::3], rows[1::3], rows[2::3], strict=True)
    for (acceleration, speed), (one, two, both) in zip(points, threes, strict=True):
        by_hand = straight(100, 100 * speed, acceleration), 5.0 + straight(10, 100 * speed, acceleration)
        assert (one.total_s, two.total_s) == pytest.approx(by_hand, rel=ROUNDING)
        assert both.total_s == pytest.approx(3.0 * by_hand[0] + 0.5 * by_hand[1], rel=ROUNDING)


def test_long_sweeps_come_in_chunks_with_the_same_rows() -> None:
    jobs, knobs = jobs_of(ZIGZAG), [knob_from("acceleration=100:9000:150log")]
    chunks = list(sweep_rows(jobs, bench(), knobs, list(grid(knobs))))
    assert len(chunks) == 3
    for row in [row for chunk in chunks for row in chunk][::29]:
        assert row.total_s == pytest.approx(alone(jobs, bench(), {"acceleration": row.point[0]}), rel=ROUNDING)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("acceleration", (100.0, 1000.0, 1300.0, 2000.0, 9000.0)),
        ("axes.x.max_acceleration_mm_s2", (500.0, 3000.0, 9000.0)),
        ("corner", (0.005, 0.02, 0.1, 0.4)),
    ],
)
def test_rows_are_judged_as_the_caps_are(name: str, values: tuple[float, ...]) -> None:
    machine = load_machine(BENCH_A)
    jobs = WeightedJobs([PreparedJob(str(SAMPLES[0]))], ["job"], [1.0])
    judged = []
    for row in [
        row for chunk in sweep_rows(jobs, machine, [Knob(name, values)], [(v,) for v in values]) for row in chunk
    ]:
        variant = variant_of(machine, {name: row.point[0]})
        caps = [one for one in caps_of(variant.machine).rows if one.limit in variant.varied]
        assert row.within_caps == all(one.within_caps for one in caps)
        assert set(row.stopped_by) == {one.stopped_by for one in caps if not one.within_caps}
        judged.append(row.within_caps)
    assert judged == sorted(judged, reverse=True)
    assert {True, False} == set(judged)


def test_speed_is_judged_by_what_the_hotend_melts() -> None:
    """1 mm of filament a mm of path at 10 mm/s: 24.05 mm³/s of 1.75 mm filament at factor 1 (π/4·1.75²·10)."""
    text = "M83\nG1 X100 E100 F600\n"
    knob = knob_from("speed=0.1,0.5,1,2")
    for most, within in ((24.0, [True, True, False, False]), (24.06, [True, True, True, False])):
        machine = bench(hotend__max_flow_mm3_s=most)
        rows = [row for chunk in sweep_rows(jobs_of(text), machine, [knob], list(grid([knob]))) for row in chunk]
        assert [row.within_caps for row in rows] == within
        assert {row.stopped_by for row in rows if not row.within_caps} == {("hotend flow",)}
    rows = [row for chunk in sweep_rows(jobs_of(text), bench(), [knob], list(grid([knob]))) for row in chunk]
    assert {(row.within_caps, row.stopped_by) for row in rows} == {(None, ())}


def test_trade_offs_against_comparing_all() -> None:
    """A row stays if no other is as good in everything and better in something."""
    random = Random(1)
    for size in (1, 2, 12, 60):
        rows = [SweepRow((float(k),), "job", float(random.randint(1, 12)), None, ()) for k in range(size)]
        costs = {name: [float(random.randint(1, 6)) for _ in rows] for name in ("rounding", "ringing")}
        table = [(row.total_s, *(cost[k] for cost in costs.values())) for k, row in enumerate(rows)]

        def beats(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
            return all(a <= b for a, b in zip(one, other, strict=True)) and one != other

        kept = best_trade_offs(rows, costs)
        assert set(kept) == {k for k in range(size) if not any(beats(other, table[k]) for other in table)}
        assert [rows[k].total_s for k in kept] == sorted(rows[k].total_s for k in kept)


def test_samples_meet_every_part_of_every_range_once() -> None:
    """Latin hypercube: N parts a knob, one point in each; by ratios where the values lie at equal ratios."""
    knobs = [knob_from("acceleration=100:10000:5log"), knob_from("speed=0.5:2.5:5")]
    points = sample(knobs, 40, seed=3)
    assert points == sample(knobs, 40, seed=3)
    assert points != sample(knobs, 40, seed=4)
    logarithmic = [math.floor(40 * math.log(a / 100.0) / math.log(100.0)) for a, _ in points]
    linear = [math.floor(40 * (s - 0.5) / 2.0) for _, s in points]
    assert sorted(logarithmic) == sorted(linear) == list(range(40))


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("acceleration=500:1500:3", (500.0, 1000.0, 1500.0)),
        ("acceleration=1:100:3log", (1.0, 10.0, 100.0)),
        ("acceleration = 5, 1, 5, 2", (1.0, 2.0, 5.0)),
        ("acceleration=7:7:1", (7.0,)),
    ],
)
def test_values_of_a_knob(text: str, values: tuple[float, ...]) -> None:
    assert knob_from(text) == Knob("acceleration", values)
    assert is_logarithmic(values) == ("log" in text or values == (1.0, 2.0, 5.0))


def test_a_frame_holds_every_row() -> None:
    from kinematics.studies.sweep import Sweep

    jobs, knobs = jobs_of(ZIGZAG), (knob_from("acceleration=100,900"),)
    rows: Any = [row for chunk in sweep_rows(jobs, bench(), knobs, list(grid(knobs))) for row in chunk]
    frame = Sweep(bench(), knobs, tuple(rows), ()).to_frame()
    assert list(frame.columns) == ["acceleration", "job", "total_s", "within_caps", "stopped_by"]
    assert frame["total_s"].tolist() == [row.total_s for row in rows]


def test_what_printing_costs_by_hand() -> None:
    """ZV at 40 Hz without damping: σ² = T²/16; without a filter V = 1, so that a ramp leaves 2a/ω²."""
    text = "[motion]\nprint_acceleration_mm_s2 = 2000\n[axes.y]\nmax_acceleration_mm_s2 = 500\n"
    text += '[vibration.x]\nfilter = "ZV"\nfilter_frequency_hz = 40\n[vibration.y]\nmodes = [{ frequency_hz = 30 }]\n'
    costs = costs_of(Machine.from_toml_text(text, "bench.toml"))
    assert costs[TRADED_ACCELERATION] == 2000.0
    assert costs["rounding_mm"] == pytest.approx(2000.0 * 0.025**2 / 16 / 2)
    assert costs[TRADED_RINGING] == pytest.approx(2 * 500.0 / (2 * math.pi * 30) ** 2)
    assert set(costs_of(Machine())) == {TRADED_ACCELERATION}


def test_trade_offs_of_a_sweep_rise_in_time_and_fall_in_acceleration() -> None:
    machine = load_machine("middling")
    knobs = (Knob("acceleration", (500.0, 1000.0, 2000.0)), Knob("speed", (0.5, 1.0)))
    rows = tuple(
        SweepRow((a, s), "job", 100.0 / s + 1e5 / a, None, ()) for a in knobs[0].values for s in knobs[1].values
    )
    found = trade_offs_of(Sweep(machine, knobs, rows, ()))
    assert [one.row.point for one in found] == [(2000.0, 1.0), (1000.0, 1.0), (500.0, 1.0)]
    assert [one.costs[TRADED_ACCELERATION] for one in found] == [2000.0, 1000.0, 500.0]


def swept(totals: dict[tuple[float, float], tuple[float, bool | None]], present: float | None = None) -> Sweep:
    """A sweep of acceleration and speed with given times, whether the caps take them, and the time as it is now."""
    knobs = tuple(Knob(name, tuple(sorted({p[i] for p in totals}))) for i, name in enumerate(("acceleration", "speed")))
    rows = tuple(SweepRow(point, "job", total, within, ()) for point, (total, within) in totals.items())
    return Sweep(load_machine("middling"), knobs, rows, (), None, present)


def test_the_recommended_setting_is_the_gentlest_within_the_caps_that_brings_nine_tenths() -> None:
    # Within the caps times go from 200 to 100 s: 110 s and less is enough. 90 s and less lies beyond the caps.
    totals: dict[tuple[float, float], tuple[float, bool | None]] = {
        (500.0, 1.0): (200.0, True),
        (500.0, 2.0): (111.0, True),
        (1000.0, 1.0): (120.0, True),
        (1000.0, 2.0): (110.0, True),
        (2000.0, 1.0): (105.0, True),
        (2000.0, 2.0): (100.0, True),
        (4000.0, 2.0): (90.0, False),
        (400.0, 3.0): (80.0, False),
    }
    found = recommended(swept(totals))
    assert found is not None
    assert found.point == (1000.0, 2.0)


def test_what_is_refused_is_never_recommended() -> None:
    assert recommended(swept({(500.0, 1.0): (200.0, False), (1000.0, 1.0): (150.0, False)})) is None
    found = recommended(swept({(500.0, 1.0): (200.0, None), (1000.0, 1.0): (150.0, False)}))
    assert found is not None
    assert found.point == (500.0, 1.0)


@pytest.mark.parametrize(
    ("present", "point"),
    [
        (None, (1000.0, 1.0)),
        (300.0, (1000.0, 1.0)),  # it brings nine tenths, and is faster than now
        (111.0, (1000.0, 1.0)),  # as fast as now is no slower
        (110.0, (2000.0, 1.0)),  # nine tenths would be slower than now
        (100.0, (4000.0, 1.0)),
        (99.0, None),  # nothing within the caps is as fast as now, though something beyond them is
    ],
)
def test_nothing_slower_than_now_is_recommended(present: float | None, point: tuple[float, float] | None) -> None:
    """Within the caps times go from 220 to 100 s, so nine tenths are 112 s and less."""
    totals: dict[tuple[float, float], tuple[float, bool | None]] = {
        (500.0, 1.0): (220.0, True),
        (1000.0, 1.0): (111.0, None),
        (2000.0, 1.0): (105.0, True),
        (4000.0, 1.0): (100.0, True),
        (8000.0, 1.0): (50.0, False),
    }
    found = recommended(swept(totals, present))
    assert (None if found is None else found.point) == point


def test_the_time_as_it_is_now_is_that_of_the_last_row_of_a_candidate() -> None:
    one = jobs_of("G1 X100 E1 F6000\n", weights=[3.0])
    assert present_total_of(one, bench()) == pytest.approx(straight(100, 100))
    both = jobs_of("G1 X100 E1 F6000\n", "G1 X10 E1 F6000\n", weights=[3.0, 0.5])
    assert present_total_of(both, bench()) == pytest.approx(3.0 * straight(100, 100) + 0.5 * straight(10, 100))


def test_a_question_is_asked_once_where_nothing_differs_on_which_it_hangs() -> None:
    """Against asking it of every point; the first knob turns the path, the second commanded speeds."""
    machine = load_machine("middling")
    knobs = [knob_from("acceleration=500,900,2000"), knob_from("speed=0.5,1"), knob_from("stops.homing_s=0,9")]
    asked: list[Variant] = []

    def question(variant: Variant) -> tuple[float, float | None]:
        asked.append(variant)
        return variant.machine.motion.print_acceleration_mm_s2, variant.machine.stops.homing_s

    answer = asked_where_it_differs(question, machine, knobs, (THE_JOB,))
    for point in [*grid(knobs), *grid(knobs)]:
        assert answer(point) == question(variant_of(machine, settings_of(knobs, point)))
    assert len(asked) == 24 + 6


@pytest.mark.parametrize("name", ["bench_cartesian", "bench_crossed_belt"])
def test_grids_are_judged_as_every_point_by_itself(name: str) -> None:
    """Caps, flow and costs of a grid of knobs of every kind, against a sweep of each point alone."""
    machine = load_machine(str(ROOT / f"sample_gcode/machines/{name}.toml"))
    texts = (
        "acceleration=500,20000",
        "speed=0.5,9",
        "corner=0.01,1",
        "flow=3,90",
        "quality.ringing_budget_mm=0.01,0.3",
    )
    knobs = [knob_from(text) for text in texts]
    jobs = jobs_of(ZIGZAG)
    rows = [row for chunk in sweep_rows(jobs, machine, knobs, list(grid(knobs))) for row in chunk]
    found = trade_offs_of(Sweep(machine, tuple(knobs), tuple(rows), ()))
    for one in found:
        settings = settings_of(knobs, one.row.point)
        assert one.costs == costs_of(machine.with_settings(settings))
    for row in rows:
        single = [Knob(knob.name, (value,)) for knob, value in zip(knobs, row.point, strict=True)]
        ((alone_row,),) = sweep_rows(jobs, machine, single, [row.point])
        assert (row.within_caps, row.stopped_by) == (alone_row.within_caps, alone_row.stopped_by)
        assert row.total_s == pytest.approx(alone_row.total_s, rel=ROUNDING)
    assert {row.within_caps for row in rows} >= {False}
    assert len({row.stopped_by for row in rows}) > 2


def test_rows_before_a_candidate_that_cannot_move_are_told_first() -> None:
    """What is next is at work by then: what is wrong there, with a single candidate, waits for its turn."""
    machine = load_machine(BENCH_A)
    knobs = [knob_from("axes.x.friction_n=" + ",".join(str(value / 5) for value in [*range(1, 129), 160]))]
    chunks = sweep_rows(jobs_of(ZIGZAG), machine, knobs, list(grid(knobs)))
    assert len(next(chunks)) == 64
    assert len(next(chunks)) == 64
    with pytest.raises(InputError, match="friction"):
        next(chunks)
