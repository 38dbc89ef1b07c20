"""The ladder: what must be raised, in which order, how far, and what each step brings."""

from __future__ import annotations

import math
from itertools import permutations
from pathlib import Path
from random import Random

import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import load_dialect
from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import BUILTIN_NAMES, Machine, load_machine
from kinematics.machine.kinds import PART, PREPARED, QUALITY, SETTING, SHOWS, UNCAPPED
from kinematics.studies.claim import claim_from
from kinematics.studies.ladder import Ladder, ladder_of
from kinematics.studies.reach import LadderAsk, round_figure
from kinematics.studies.rung_order import best_order, linked_groups
from tests.jobs.conftest import bench, job_of
from tests.studies.random_ladders import seeded, total_under, what_is_amiss
from tests.studies.weighted import jobs_of

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
MACHINES = [
    *BUILTIN_NAMES,
    *(str(path) for path in sorted((SAMPLES / "machines").glob("*.toml"))),
    str(SAMPLES / "shop" / "bench.toml"),
]
SHORT = ["bracket", "test_cube", "tall_pin", "spiral_cup"]
# To and fro along x: each move begins and ends at rest, and never reaches its speed.
SHUTTLE = "M83\n" + "".join(f"G1 X{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(20))
STEP = 10.0  # mm, each of the 20 moves


def shuttle_time(acceleration: float) -> float:
    """Twenty triangles: 2·√(L/a) each."""
    return 20 * 2.0 * math.sqrt(STEP / acceleration)


def sample(name: str) -> WeightedJobs:
    """One of the sample jobs."""
    return WeightedJobs([PreparedJob(str(SAMPLES / f"{name}.gcode"))], [name], [1.0])


def names_of(found: Ladder) -> list[list[str]]:
    """What each rung raises."""
    return [[one.what for one in rung.raised] for rung in found.rungs]


def test_two_equal_limits_are_one_rung() -> None:
    machine = bench(axes__x__max_acceleration_mm_s2=1000.0)
    found = ladder_of(jobs_of(SHUTTLE), machine)
    assert names_of(found) == [["print acceleration", "x axis acceleration"]]
    (rung,) = found.rungs
    assert rung.alone is not None
    assert rung.alone.saved_s == pytest.approx(0.0, abs=1e-9)
    assert found.total_s == pytest.approx(shuttle_time(1000.0))
    assert found.reach_s == pytest.approx(shuttle_time(15_000.0))
    raised = min(one.to for one in rung.raised)
    assert rung.total_s == pytest.approx(shuttle_time(raised))
    assert shuttle_time(1000.0) - rung.total_s >= 0.95 * (shuttle_time(1000.0) - shuttle_time(15_000.0))
    assert {one.kind for one in rung.raised} == {SETTING, UNCAPPED}


def test_three_equal_limits_are_one_rung_though_one_is_a_part() -> None:
    machine = bench(axes__x__max_acceleration_mm_s2=1000.0, motors__x__max_acceleration_mm_s2=1000.0)
    found = ladder_of(jobs_of(SHUTTLE), machine)
    assert names_of(found) == [["print acceleration", "x axis acceleration", "acceleration of motor x"]]
    assert found.rungs[0].kind == PART
    assert {what.what for what in found.left_out} == set(names_of(found)[0])
    for one in found.left_out:
        assert one.total_s == pytest.approx(shuttle_time(1000.0))  # each of them holds all of it


def test_two_limits_of_which_one_lies_above_the_other_are_one_rung() -> None:
    machine = bench(axes__x__max_acceleration_mm_s2=1400.0)
    found = ladder_of(jobs_of(SHUTTLE), machine)
    assert names_of(found) == [["print acceleration", "x axis acceleration"]]
    alone = found.rungs[0].alone
    assert alone is not None
    assert alone.saved_s == pytest.approx(shuttle_time(1000.0) - shuttle_time(1400.0))


def test_a_rung_of_several_kinds_goes_to_where_the_part_holds_first() -> None:
    # On 400 mm at 40 mm/s the ramps hardly count: 4 mm³/s now, and the hotend takes 6.
    bead = 0.1 * 400.0 / (math.pi * 0.875**2)
    job = "M83\n" + "".join(f"G1 X{400 * ((i + 1) % 2)} E{bead:.6f} F2400\n" for i in range(8))
    machine = bench(hotend__max_flow_mm3_s=6.0)
    found = ladder_of(jobs_of(job), machine, LadderAsk(only=frozenset({PREPARED, PART})))
    assert [rung.kind for rung in found.rungs] == [PREPARED, PART]
    first, second = found.rungs
    (speed,) = first.raised
    assert 1.5 <= speed.to <= 2.0
    assert {one.what for one in second.raised} == {"print speed in the file", "hotend flow"}
    goes_on = next(one for one in second.raised if one.what == "print speed in the file")
    assert goes_on.number == speed.to


def test_every_rung_is_an_estimate_under_its_settings() -> None:
    jobs, machine = sample("bracket"), load_machine("gentle")
    found = ladder_of(jobs, machine)
    assert len(found.rungs) >= 2
    assert what_is_amiss(found, jobs) == []
    for place, rung in enumerate(found.rungs):
        planned = total_under(jobs, machine, found.settings_after(place))
        assert rung.total_s == pytest.approx(planned, rel=1e-9)


@pytest.mark.parametrize("machine", MACHINES, ids=lambda name: Path(name).stem)
@pytest.mark.parametrize("job", SHORT)
def test_samples_on_all_machines(job: str, machine: str) -> None:
    jobs = sample(job)
    found = ladder_of(jobs, load_machine(machine))
    assert what_is_amiss(found, jobs) == []
    keys = [key for one in found.may_rise for key in one.keys]
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize("seed", range(20))
def test_random_jobs_on_random_machines(seed: int) -> None:
    jobs, machine, wanted = seeded(seed)
    found = ladder_of(jobs, machine, wanted)
    assert what_is_amiss(found, jobs) == []
    assert found.plans <= 250


def test_layers_that_all_wait_make_no_rung() -> None:
    found = ladder_of(sample("tall_pin"), load_machine("gentle"))
    assert not found.rungs
    assert found.end_s == found.total_s
    assert found.left[0].cause == "cooling: shortest layer time"
    assert found.quality_s is not None
    assert found.quality_s < 0.7 * found.total_s
    assert found.fixed.held_by == "cooling: shortest layer time"
    assert found.fixed.floor_s == pytest.approx(found.fixed.fixed_s + 300 * 12.0)


def test_quality_is_one_rung_and_only_where_it_is_allowed() -> None:
    jobs, machine = sample("test_cube"), load_machine("gentle")
    machine = machine.with_settings(
        {"quality.rounding_budget_mm": 0.005, "vibration.x.filter": "ZV"} | {"vibration.x.filter_frequency_hz": 30.0}
    )
    without, given = ladder_of(jobs, machine), ladder_of(jobs, machine, LadderAsk(quality=True))
    assert not any(one.kind == QUALITY for rung in without.rungs for one in rung.raised)
    costly = [rung for rung in given.rungs if any(one.kind == QUALITY for one in rung.raised)]
    assert len(costly) == 1
    assert {one.kind for one in costly[0].raised} == {QUALITY}
    assert given.end_s < without.end_s


def test_the_cube_of_half_an_hour() -> None:
    """Common practice, no source: a cube of about 20 mm that takes about half an hour is printed in under seven
    minutes with accelerations around 7,000 mm/s² and speeds to match, a factor of four in motion.
    """
    jobs, gentle = sample("test_cube"), load_machine("gentle")
    found = ladder_of(jobs, gentle, claim=claim_from("30m=7m"))
    assert found.fixed.floor_s == pytest.approx(found.fixed.fixed_s + 100 * 12.0)
    assert found.fixed.floor_s > 0.9 * found.end_s
    assert found.claim is not None
    assert found.claim.in_reach
    assert found.claim.rung is None
    assert found.claim.missing_s == pytest.approx(found.end_s - 420.0)
    needs = found.claim.for_factor
    assert needs.factor == pytest.approx(30.0 / 7.0, rel=0.01)
    assert needs.speed_times == pytest.approx(5.0, rel=0.15)
    assert needs.flow > 2.0 * 8.0
    costly = ladder_of(jobs, gentle, LadderAsk(quality=True))
    assert costly.motion_s >= 3.0 * costly.end_motion_s
    keys = [f"motion.{kind}_acceleration_mm_s2" for kind in ("print", "travel")]
    keys += [f"axes.{axis}.max_acceleration_mm_s2" for axis in "xyze"] + ["retraction.acceleration_mm_s2"]
    alone = total_under(jobs, gentle, dict.fromkeys(keys, 7000.0))
    assert found.total_s - alone < 0.05 * found.total_s


def test_a_claim_that_the_ladder_meets() -> None:
    found = ladder_of(jobs_of(SHUTTLE), bench(), claim=claim_from("4s=2s"))
    assert found.claim is not None
    assert found.claim.rung == 1
    assert found.claim.missing_s == 0.0


@pytest.mark.parametrize("text", ["30m", "7m=30m", "30m=soon"])
def test_a_claim_that_is_none(text: str) -> None:
    with pytest.raises(InputError):
        claim_from(text)


def test_the_ladder_ends_where_the_time_is_met() -> None:
    jobs, machine = sample("bracket"), load_machine("gentle")
    whole = ladder_of(jobs, machine)
    until = 0.5 * (whole.rungs[0].total_s + whole.rungs[1].total_s)
    found = ladder_of(jobs, machine, until_s=until)
    assert found.reached
    assert names_of(found) == names_of(whole)[:2]
    assert found.small is None
    assert found.end_s == whole.rungs[1].total_s
    raised = {key for rung in found.rungs for one in rung.raised for key in one.after}
    assert {key for one in found.left_out for key in one.keys} == raised
    assert ladder_of(jobs, machine, until_s=60.0).reached is False
    easy = ladder_of(jobs, machine, until_s=10_000.0)
    assert easy.reached
    assert not easy.rungs


def test_only_some_kinds_of_steps() -> None:
    found = ladder_of(sample("bracket"), load_machine("gentle"), LadderAsk(only=frozenset({SETTING, UNCAPPED})))
    assert {one.kind for rung in found.rungs for one in rung.raised} <= {SETTING, UNCAPPED}
    assert not any(one.kind in (PART, PREPARED, SHOWS) for one in found.may_rise)


def test_a_reach_that_is_asked_for() -> None:
    wanted = LadderAsk(reach={"acceleration": 3000.0})
    found = ladder_of(jobs_of(SHUTTLE), bench(), wanted)
    assert found.reach_s == pytest.approx(shuttle_time(3000.0))
    with pytest.raises(InputError, match="nothing to raise"):
        ladder_of(jobs_of(SHUTTLE), bench(), LadderAsk(reach={"flow": 20.0}))


def test_what_a_print_has_proven_is_as_far_as_it_goes() -> None:
    """Twice over: the reach without a cap would be fifteen times the 1,000 mm/s² or so that it has."""
    key = "motion.print_acceleration_mm_s2"
    block = f'[[proven]]\nkey = "{key}"\nvalue = 2300\nlow = 2200\nhigh = 2400\ndate = 2026-11-30\n'
    proven = Machine.from_toml_text(block, "proven.toml").proven
    machine = bench()
    machine = machine.made({**machine.__dict__, "proven": proven})
    found = ladder_of(jobs_of(SHUTTLE), machine)
    (one,) = (one for one in found.may_rise if key in dict(one.before))
    assert (one.reach, one.source) == (2300.0, "proven on 2026-11-30 by a print")
    assert found.reach_s == pytest.approx(shuttle_time(2300.0))


def test_the_machine_file_gives_a_key_another_kind() -> None:
    kinds = {"motion.print_acceleration_mm_s2": "part"}
    machine = bench(ladder__kinds=kinds)
    found = ladder_of(jobs_of(SHUTTLE), machine)
    assert found.rungs[0].kind == PART


def test_a_job_starts_at_what_it_states() -> None:
    text = "M204 P500\n" + SHUTTLE.replace("M83\n", "M83\nM204 P700\n", 1)
    jobs = jobs_of(text)
    found = ladder_of(jobs, bench())
    (rung,) = found.rungs
    assert rung.raised[0].number == 700.0
    assert rung.silenced == 2
    assert found.total_s == pytest.approx(shuttle_time(700.0))
    assert found.reach_s == pytest.approx(shuttle_time(10_500.0))
    assert rung.total_s == pytest.approx(total_under(jobs, bench(), dict(rung.settings)), rel=1e-9)


def test_a_job_that_states_both_corner_rules() -> None:
    square = "".join(f"G1 X{x} Y{y} E0.8 F9000\n" for _ in range(20) for x, y in ((20, 0), (20, 20), (0, 20), (0, 0)))
    shop = load_dialect(str(SAMPLES / "shop_dialect.toml"))  # D of its M880: junction deviation in µm
    both = PreparedJob(job_of("M205 X6 Y6\nM880 D20\nM83\n" + square, shop))
    jobs = WeightedJobs([both], ["both"], [1.0])
    machine = bench(motion__print_acceleration_mm_s2=20_000.0)
    found = ladder_of(jobs, machine)
    corners = [one for one in found.may_rise if one.kind == SHOWS]
    assert [one.keys for one in corners] == [("motion.junction_deviation_mm",)]
    assert corners[0].number == 0.02
    assert what_is_amiss(found, jobs) == []
    stepped = ladder_of(jobs_of("M205 X6 Y4\nM83\n" + square), machine)
    (steps,) = (one for one in stepped.may_rise if one.kind == SHOWS)
    assert steps.keys == ("motion.speed_step_mm_s.x", "motion.speed_step_mm_s.y")
    assert dict(steps.before) == {"motion.speed_step_mm_s.x": 6.0, "motion.speed_step_mm_s.y": 4.0}


def test_a_mix_of_jobs_is_climbed_together() -> None:
    short = "M83\n" + "".join(f"G1 Y{5 * ((i + 1) % 2)} E0.2 F300000\n" for i in range(20))
    machine = bench(axes__x__max_acceleration_mm_s2=1000.0, axes__y__max_acceleration_mm_s2=1000.0)
    jobs = jobs_of(SHUTTLE, short, weights=[1.0, 3.0])
    found = ladder_of(jobs, machine)
    assert found.total_s == pytest.approx(shuttle_time(1000.0) * (1.0 + 3.0 * math.sqrt(0.5)))
    assert what_is_amiss(found, jobs) == []


def test_ranges_give_each_rung_an_interval() -> None:
    from kinematics.studies.intervals import Sampling

    machine = bench().with_settings({"motion.print_acceleration_mm_s2": {"low": 800, "likely": 1000, "high": 1500}})
    found = ladder_of(jobs_of(SHUTTLE), machine, sampling=Sampling(50, 1))
    (rung,) = found.rungs
    assert rung.saved_interval is not None
    assert found.interval is not None
    assert rung.saved_interval.low < rung.saved_s < rung.saved_interval.high
    assert found.interval.low - rung.total_s == pytest.approx(rung.saved_interval.low)


OUTER = "; road: outer\n" + "".join(f"G1 X{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(10))
INFILL = "; road: infill\n" + "".join(f"G1 Y{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(10))


def test_kept_moves_stay_as_they_are() -> None:
    jobs = jobs_of("M83\n" + (OUTER + INFILL) * 4)
    found = ladder_of(jobs, bench(), LadderAsk(keep=("outer",)))
    assert found.rungs
    assert all(rung.seen_share == 0.0 for rung in found.rungs)
    assert found.rungs[-1].total_s == pytest.approx(total_under(jobs, bench(), found.settings_after(0)), rel=1e-9)
    everything = ladder_of(jobs, bench())
    assert everything.rungs[0].seen_share > 0.9
    half = 40 * 2.0 * math.sqrt(STEP / 1000.0)
    assert found.end_s > half
    with pytest.raises(InputError, match="labelled"):
        ladder_of(jobs, bench(), LadderAsk(keep=("outter",)))


def test_each_label_by_itself() -> None:
    jobs = jobs_of("M83\n" + (OUTER + INFILL) * 4)
    found = ladder_of(jobs, bench(), LadderAsk(by_label=True, keep=("outer",)))
    assert [key for rung in found.rungs for one in rung.raised for key in one.after] == [
        "motion.by_label.infill.print_acceleration_mm_s2"
    ]
    assert all(rung.seen_share == 0.0 for rung in found.rungs)


def test_a_label_of_the_machine_file_keeps_what_it_has() -> None:
    machine = bench(motion__by_label__outer__print_acceleration_mm_s2=400.0)
    jobs = jobs_of("M83\n" + (OUTER + INFILL) * 4)
    found = ladder_of(jobs, machine, LadderAsk(only=frozenset({SETTING})))
    assert found.total_s == pytest.approx(total_under(jobs, machine, {}))
    before = {one.what: one.number for one in found.may_rise}
    assert before["print acceleration"] == 1000.0
    assert before["print acceleration, outer"] == 400.0
    assert what_is_amiss(found, jobs) == []


def test_links_by_a_machine_of_walls() -> None:
    """Time as a chain of walls: the lowest of each row holds it, so that rows are linked and others are not."""
    rows = [(0, 1, 2), (3,), (4, 5)]
    worth = [8.0, 5.0, 3.0]

    def losses(sets: list[frozenset[int]]) -> list[float]:
        return [sum(w for row, w in zip(rows, worth, strict=True) if one & set(row)) for one in sets]

    groups, single = linked_groups(["a"] * 6, losses, 16.0)  # type: ignore[arg-type]
    assert groups == [(0, 1, 2), (3,), (4, 5)]
    assert single == [8.0, 8.0, 8.0, 5.0, 3.0, 3.0]
    apart, _ = linked_groups(["a", "a", "b", "a", "a", "b"], losses, 16.0)  # type: ignore[arg-type]
    assert apart == [(0, 1), (2,), (3,), (4,), (5,)]


@pytest.mark.parametrize("seed", range(30))
def test_the_order_is_the_best_of_all(seed: int) -> None:
    rng = Random(seed)
    count = rng.randint(1, 5)
    worth = [rng.random() for _ in range(count)]
    pairs = {(a, b): rng.random() for a in range(count) for b in range(a) if rng.random() < 0.4}
    after = [None if rng.random() < 0.7 or not place else rng.randrange(place) for place in range(count)]

    def time(mask: int) -> float:
        alone = sum(one for place, one in enumerate(worth) if mask >> place & 1)
        return 20.0 - alone - sum(one for (a, b), one in pairs.items() if mask >> a & 1 and mask >> b & 1)

    found = best_order(count, after, lambda masks: [time(mask) for mask in masks])
    times_of = {}
    for order in permutations(range(count)):
        if all(first is None or order.index(first) < order.index(place) for place, first in enumerate(after)):
            masks = [sum(1 << one for one in order[:length]) for length in range(count + 1)]
            times_of[order] = [time(mask) for mask in masks]
    half = 20.0 - 0.5 * (20.0 - time((1 << count) - 1))

    def rank(times: list[float]) -> tuple[int, float]:
        return next(place for place, one in enumerate(times) if one <= half), round(sum(times), 9)

    assert rank(list(found.times)) == min(rank(times) for times in times_of.values())
    assert list(found.times) == pytest.approx(times_of[found.order])


@pytest.mark.parametrize(
    ("value", "up", "down"), [(500.0, 500.0, 500.0), (501.0, 600.0, 500.0), (11.0, 12.0, 10.0), (0.19, 0.2, 0.15)]
)
def test_round_figures(value: float, up: float, down: float) -> None:
    assert round_figure(value, up=True) == up
    assert round_figure(value, up=False) == down


def test_a_machine_of_nothing_but_defaults() -> None:
    found = ladder_of(jobs_of(SHUTTLE), Machine())
    assert names_of(found) == [["print acceleration"]]
