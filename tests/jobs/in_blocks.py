"""Jobs in blocks beside the same jobs in one piece: random files, random machines, and what came out apart."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

from kinematics.errors import InputError
from kinematics.gcode.chunks import Chunk, JobFile
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.jobs import blocks
from kinematics.jobs.blocks import AtHand, PlannedBlock, Task
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine, load_machine
from kinematics.machine.file import builtin_text
from kinematics.reports.documents import estimate_document
from kinematics.studies.estimate import estimate_prepared
from tests.naive import gcode_grammar
from tests.naive.random_paths import random_limits
from tests.naive.restless_lines import restless_lines
from tests.planner.from_naive import expressible, machine_from

ROUNDING = 1e-9  # relative: what the model promises
# The built-in one with belts of its own for X and Y: where motors move both, a job takes every move at hand.
QUICK = Machine.from_toml_text(
    re.sub(r"\[motors\.[ab]\][^\[]*", "", builtin_text("quick")).replace("crossed-belt", "cartesian"), "quick"
)
OF_THE_TOTAL = 1e-12  # share of a job's time below which a number of seconds is rounding of others


def apart(one: Any, other: Any, least: float = 0.0, place: str = "") -> Iterator[str]:
    """Where two documents differ: numbers by more than rounding, of which `least` is nothing; all else at all."""
    if isinstance(one, dict) and isinstance(other, dict) and list(one) == list(other):
        for key in one:
            yield from apart(one[key], other[key], least, f"{place}/{key}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for i, pair in enumerate(zip(one, other, strict=True)):
            yield from apart(*pair, least, f"{place}/{i}")
    elif isinstance(one, float) and isinstance(other, float):
        if not math.isclose(one, other, rel_tol=ROUNDING, abs_tol=least):
            yield f"{place}: {one!r} and {other!r}"
    elif one != other:
        yield f"{place}: {one!r} and {other!r}"


def heavy(causes: dict[str, float], total: float) -> dict[str, float]:
    """Seconds by cause, in the order of the names, without those that are rounding of others."""
    return {name: seconds for name, seconds in sorted(causes.items()) if seconds > OF_THE_TOTAL * total}


def answer(job: PreparedJob | BlockwiseJob, machine: Machine | None, changes: bool = False) -> dict[str, Any]:
    """The document of an estimate, layers and all, with heavy causes only; or what was wrong."""
    try:
        document = estimate_document(estimate_prepared([job], machine, changes, each=True), layers=True)
    except InputError as error:
        return {"error": str(error)}
    for one in document["jobs"]:
        causes = {cause["cause"]: cause["seconds"] for cause in one["where_the_time_goes"]}
        one["where_the_time_goes"] = heavy(causes, one["total_s"])
    return document


def differences(
    path: Path,
    machine: Machine | None,
    chunk: int,
    dialect: Dialect = EXTRUSION,
    file_limits: str = "honour",
    changes: bool = False,
    block_delete: bool = False,
) -> list[str]:
    """What an estimate in blocks of `chunk` bytes tells otherwise than one of the whole job."""
    whole = answer(PreparedJob(str(path), dialect, None, file_limits, block_delete), machine, changes)
    by_blocks = answer(BlockwiseJob(JobFile(str(path)), dialect, file_limits, block_delete, chunk), machine, changes)
    longest = max((one["total_s"] for one in whole.get("jobs", ())), default=0.0)
    return list(apart(whole, by_blocks, OF_THE_TOTAL * longest))


def restless_path(random: Random) -> str:
    """A path that goes on and on without a stop: arcs in fine chords, zigzags, straights in pieces, tiny runs."""
    x = y = 50.0
    lines = ["G1 X50 Y50 Z0.2 F3000", "M83"]
    heading = 0.0
    for _ in range(random.randint(3, 25)):
        step = random.choice((0.02, 0.1, 0.4, 2.0, 15.0))
        bend = random.choice((0.0, 0.0, 0.01, 0.3, 1.5707963, 2.5, math.pi))
        climb = f" Z{random.uniform(0.2, 5):.2f}" if random.random() < 0.1 else ""
        fed = random.choice((" E0.03", " E0.5", ""))
        speed = f" F{random.choice((300, 1800, 9000, 30000))}" if random.random() < 0.5 else ""
        if random.random() < 0.15:
            lines.append(f"M204 S{random.choice((100, 800, 5000))}")
        for _ in range(random.randint(1, 120)):
            heading += bend * random.choice((1, 1, 1, -1))
            x, y = x + step * math.cos(heading), y + step * math.sin(heading)
            decimals = random.choice((3, 3, 6))
            lines.append(f"G1 X{x:.{decimals}f} Y{y:.{decimals}f}{climb}{fed}{speed}")
            climb = speed = ""
    return "\n".join(lines) + "\n"


def random_text(random: Random) -> bytes:
    """A job file: plausible lines with oddities, modes that change at any time, or a path without a stop."""
    kind = random.randrange(4)
    if kind == 0:
        return gcode_grammar.lines(random.randrange(1 << 30), random.choice((50, 300, 1500)))
    if kind == 1:
        return b"".join(restless_lines(random) for _ in range(random.randint(1, 6)))
    if kind == 2:
        return restless_path(random).encode()
    parts = [restless_path(random).encode(), gcode_grammar.lines(random.randrange(1 << 30), 200)]
    random.shuffle(parts)
    return b"".join(parts)


def random_machine(random: Random) -> Machine | None:
    """A machine with any limits, of those that a file may state too, or None."""
    way = random.randrange(6)
    if way == 0:
        return None
    if way == 1:
        return random.choice((load_machine("gentle"), QUICK))
    machine = machine_from(expressible(random_limits(random.randrange(1 << 30))))
    settings: dict[str, Any] = {}
    if random.random() < 0.4:
        settings["cooling.shortest_layer_s"] = random.choice((0.5, 8.0))
    if random.random() < 0.5:
        settings |= {"stops.nozzle_heating_c_per_s": 2.0, "stops.bed_heating_c_per_s": 0.4, "stops.ambient_c": 20.0}
    if random.random() < 0.3:
        settings["motion.lookahead_moves"] = random.choice((1, 2, 3, 16, 200))
    if random.random() < 0.3:
        settings |= {"stops.startup_s": 40.0, "stops.each_layer_s": 0.5, "stops.each_retraction_s": 0.1}
    return machine.with_settings(settings, "test") if settings else machine


class Counts:
    """How often a file is read from its start without being kept, and what begins a pass anew."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.passes = 0
        self.begun_anew: list[type[Exception]] = []
        self.advances: list[int] = []  # how far the slowest lane came where motion went on, and from where on
        self.lead_ins: list[int] = []
        chunks, plan, again = JobFile.chunks, blocks.plan_tasks, BlockwiseJob._again

        def chunks_and_count(file: JobFile, size: int, room: int = 0) -> Iterator[Chunk]:
            self.passes += room == 0  # a job that is kept asks for room
            return chunks(file, size, room)

        def again_and_tell(job: BlockwiseJob, work: Callable[[], object]) -> object:
            def tell() -> object:
                try:
                    return work()
                except Exception as error:
                    self.begun_anew.append(type(error))
                    raise

            return again(job, tell)

        def plan_and_tell(block: AtHand, tasks: Sequence[Task], asked: Any, goes_on: bool) -> PlannedBlock:
            planned = plan(block, tasks, asked, goes_on)
            if goes_on:
                certain = min(one.certain.move for one in planned.sums)
                self.advances.append(certain - min(task.begin.move for task in tasks))
                self.lead_ins.append(certain - planned.needed)
            return planned

        monkeypatch.setattr(JobFile, "chunks", chunks_and_count)
        monkeypatch.setattr(BlockwiseJob, "_again", again_and_tell)
        monkeypatch.setattr(blocks, "plan_tasks", plan_and_tell)
