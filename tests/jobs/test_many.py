"""Times under many machines at once against one timing each, with all that is no motion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialects import EXTRUSION, LimitWord
from kinematics.jobs import many
from kinematics.jobs.many import ManyTimes, Variant
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine, load_machine
from kinematics.studies.knobs import variant_of
from tests.jobs.conftest import job_of
from tests.jobs.in_blocks import random_machine, restless_path
from tests.naive import gcode_grammar

ROUNDING = 1e-9  # relative: what is promised
ROOT = Path(__file__).parents[2]
SAMPLES = sorted((ROOT / "sample_gcode").glob("*.gcode"))
CORNERS = replace(EXTRUSION, limits=(*EXTRUSION.limits, LimitWord("M880", "D", "junction deviation", "mm")))
WARM = {"stops.nozzle_heating_c_per_s": 2.0, "stops.bed_heating_c_per_s": 0.3, "stops.ambient_c": 20.0}
STOPS = "M140 S90\nM104 S200\nG1 X50 E2 F1800\nM190 S90\nG4 P700\nM109 S200\nM0\nG28\nG1 Z0.4\nM109 R150\n"
KNOBS: list[dict[str, Any]] = [
    {},
    {"acceleration": 300.0},
    {"acceleration": 9000.0, "speed": 3.0},
    {"corner": 0.5, "flow": 3.0},
    {"motion.speed_step_mm_s.x": 8.0},
    {"motion.lookahead_moves": 3.0},
    {"cooling.shortest_layer_s": 20.0},
    {"cooling.shortest_layer_s": 0.0, "motion.first_layers.count": 2.0},
    {"motion.travel_acceleration_mm_s2": 200.0, "stops.pause_s": 17.0},
    {"stops.nozzle_heating_c_per_s": 0.4},
    {"motion.extruder_step_mm_s": 0.5},
    {"motion.arc_tolerance_mm": 0.2},
    {"stops.startup_s": 40.0, "stops.each_layer_s": 0.5, "stops.each_retraction_s": 0.05},
]


def variants(machine: Machine, settings: list[dict[str, Any]] = KNOBS) -> list[Variant]:
    """The machine under each of the settings."""
    return [
        variant_of(
            machine, {key: int(value) if "moves" in key or "count" in key else value for key, value in one.items()}
        )
        for one in settings
    ]


def expected(job: PreparedJob, chosen: list[Variant]) -> list[float]:
    """One timing for each."""
    return [time_job(job, one.machine, one.varied, passing=True).total for one in chosen]


def assert_same(job: PreparedJob, chosen: list[Variant]) -> None:
    """All at once and one by one take equal times."""
    assert ManyTimes(job).totals(chosen) == pytest.approx(expected(job, chosen), rel=ROUNDING)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples(path: Path) -> None:
    assert_same(PreparedJob(str(path)), variants(load_machine("middling").with_settings(WARM, "test")))


@pytest.mark.parametrize("name", ["bench_cartesian", "bench_crossed_belt", "bench_delta"])
def test_machines_with_drives_and_budgets(name: str) -> None:
    """Where speed and acceleration hang on each other single plans stand in."""
    machine = load_machine(str(ROOT / f"sample_gcode/machines/{name}.toml"))
    chosen = variants(machine, KNOBS[:4])
    assert_same(PreparedJob(str(SAMPLES[0])), chosen)


def test_stops_heaters_and_layers() -> None:
    lines = [f"G1 X{10 + i % 7} Y{i % 3} E{i} Z{0.2 * (i // 9):.1f} F1800" for i in range(1, 90)]
    text = STOPS + "\n".join(lines) + "\n" + STOPS + "G1 X90 E200\nM190 S100\n"
    job = PreparedJob(job_of(text))
    machine = load_machine("middling").with_settings(WARM, "test")
    assert_same(job, variants(machine))
    assert_same(PreparedJob(job_of(STOPS)), variants(machine))
    assert_same(PreparedJob(job_of("G1 X5 F600\n")), variants(machine))


def test_limits_that_the_job_states() -> None:
    """A knob wins over what the job says of the same key, and over nothing else."""
    text = "M204 P400 T900\nG1 X50 E2 F9000\nM203 X40\nG1 X5 E3\nM880 D0.01\nG1 Y40 E5\nM204 S5000\n" * 20
    for file_limits in ("honour", "ignore", "cap"):
        job = PreparedJob(job_of(text, CORNERS), file_limits=file_limits)
        chosen = variants(load_machine("middling"))
        assert_same(job, chosen)
    honoured = ManyTimes(PreparedJob(job_of(text, CORNERS))).totals(chosen)
    assert honoured[0] != honoured[1]


@pytest.mark.parametrize("seed", range(40))
def test_random_jobs_under_random_machines(seed: int) -> None:
    """Several machines that have nothing to do with each other, arcs, stops, damage and all."""
    random = Random(seed)
    text = restless_path(random) if seed % 2 else gcode_grammar.lines(seed, 300).decode("latin-1")
    job = PreparedJob(job_of(text))
    machines = [random_machine(random) or load_machine("gentle") for _ in range(12)]
    chosen = [Variant(machine, frozenset()) for machine in machines]
    found = outcome(lambda: ManyTimes(job).totals(chosen).tolist())
    alone = outcome(lambda: expected(job, chosen))
    assert found == (alone if isinstance(alone, str) else pytest.approx(alone, rel=ROUNDING))


def outcome(times: Callable[[], list[float]]) -> list[float] | str:
    """The times, or what was wrong."""
    try:
        return times()
    except InputError as error:
        return str(error)


def test_most_of_it_goes_in_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by falling back: one single plan is made where there is pressure advance, none elsewhere."""
    alone: list[Machine] = []

    def counting(job: PreparedJob, machine: Machine, *more: Any, **named: Any) -> Any:
        alone.append(machine)
        return time_job(job, machine, *more, **named)

    monkeypatch.setattr(many, "time_job", counting)
    job = PreparedJob(str(SAMPLES[0]))
    chosen = variants(load_machine("middling"))
    ManyTimes(job).totals(chosen)
    assert alone == []
    pressed = chosen[0].machine.with_settings(
        {"axes.e.max_speed_mm_s": 30.0, "filament.pressure_advance_s": 0.05}, "test"
    )
    ManyTimes(job).totals([*chosen, Variant(pressed, frozenset())])
    assert alone == [pressed]


def test_no_machines_take_no_time() -> None:
    assert ManyTimes(PreparedJob(str(SAMPLES[0]))).totals([]).shape == (0,)
