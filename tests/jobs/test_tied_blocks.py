"""Jobs in blocks that take every move at hand after all: drives, pressure advance, command rate, flow tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import EXTRUSION, TextCommand
from kinematics.jobs import blockwise
from kinematics.jobs.blockwise import BlockwiseJob, needs_every_move
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Candidate, Machine, load_machine
from kinematics.studies.compare import compare_prepared
from tests.jobs.in_blocks import answer, apart, differences

TINY = 300  # bytes a block
MIDDLING = load_machine("middling")
LINES = "".join(f"G1 X{(7 * i) % 50} Y{(11 * i) % 40} E0.{i % 9}5 F{3000 + 600 * (i % 3)}\n" for i in range(200))
PATH = f"M83\nM104 S205\n{LINES}G4 S1\nM104 S225\n{LINES}"
DRIVE = {
    "motors.x.torque_nm": [[0, 0.04], [600, 0.03]],
    "motors.x.mm_per_rev": 40.0,
    "motors.x.rotor_inertia_kg_m2": 5e-6,
    "motors.x.usable_torque_share": 0.5,
    "axes.x.moving_mass_kg": 3.0,
    "axes.x.friction_n": 1.0,
}
TIED: dict[str, dict[str, Any]] = {
    "drive": DRIVE,
    "pressure advance": {"filament.pressure_advance_s": 0.2, "axes.e.max_speed_mm_s": 10.0},
    "moves a second": {"controller.moves_per_s": 3.0},
    "bytes a second": {"controller.bytes_per_s": 60.0},
    "flow by temperature": {"hotend.max_flow_mm3_s": [[200, 3.0], [230, 9.0]]},
}
BUDGETS = {
    "vibration.x.modes": [{"frequency_hz": 40.0, "damping_ratio": 0.05}],
    "vibration.y.filter": "ZVD",
    "vibration.y.filter_frequency_hz": 35.0,
    "quality.ringing_budget_mm": 0.02,
    "quality.rounding_budget_mm": 0.05,
}


@pytest.fixture
def path(tmp_path: Path) -> Callable[[str], Path]:
    """Write a job file."""

    def write(text: str) -> Path:
        file = tmp_path / "job.gcode"
        file.write_text(text)
        return file

    return write


class Pieces:
    """How often a job in blocks was taken in one piece."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.jobs: set[int] = set()
        in_one_piece = blockwise.BlockwiseJob.with_moves

        def counted(job: BlockwiseJob) -> PreparedJob:
            self.jobs.add(id(job))
            return in_one_piece(job)

        monkeypatch.setattr(blockwise.BlockwiseJob, "with_moves", counted)


@pytest.fixture
def pieces(monkeypatch: pytest.MonkeyPatch) -> Pieces:
    return Pieces(monkeypatch)


@pytest.mark.parametrize("settings", TIED.values(), ids=TIED)
def test_a_machine_with_ties_plans_the_jobwith_moves(
    path: Callable[[str], Path], pieces: Pieces, settings: dict[str, Any]
) -> None:
    """With the same answer, and one that is not that without the tie."""
    machine = MIDDLING.with_settings(settings)
    assert needs_every_move(machine)
    assert not needs_every_move(MIDDLING)
    file = path(PATH)
    assert not differences(file, machine, TINY, changes=True)
    assert len(pieces.jobs) == 1
    plain = answer(PreparedJob(str(file)), MIDDLING)
    assert answer(PreparedJob(str(file)), machine)["total_s"] > plain["total_s"] * 1.001


def test_budgets_are_kept_in_blocks(path: Callable[[str], Path], pieces: Pieces) -> None:
    """Rounding and ringing are constants of a move: nothing has to be at hand for them."""
    machine = MIDDLING.with_settings(BUDGETS)
    assert not needs_every_move(machine)
    file = path(PATH)
    assert not differences(file, machine, TINY, changes=True)
    assert not pieces.jobs
    assert {"short lines: ringing, x axis", "short lines: rounding"} & set(
        answer(PreparedJob(str(file)), machine)["jobs"][0]["where_the_time_goes"]
    )


@pytest.mark.parametrize(
    ("extruder", "stated", "tied"), [(10.0, 0.1, True), (None, 0.1, False), (10.0, None, False), (10.0, 0.0, False)]
)
def test_a_job_that_states_pressure_advance_beside_an_extruders_limit(
    path: Callable[[str], Path], pieces: Pieces, extruder: float | None, stated: float | None, tied: bool
) -> None:
    """It is found out in the middle of the job, and the job then planned in one piece."""
    told = "" if stated is None else f"advance {stated}\n"
    command = TextCommand(r"advance (?P<value>[0-9.]+)", "pressure advance", "s")
    dialect = replace(EXTRUSION, texts=(command,))
    file = path(f"M83\n{LINES}{told}{LINES}")
    machine = MIDDLING.with_settings({"axes.e.max_speed_mm_s": extruder})
    assert not differences(file, machine, TINY, dialect)
    assert bool(pieces.jobs) == tied
    assert not differences(file, machine, TINY, dialect, "ignore")
    whole = answer(PreparedJob(str(file), dialect), machine)["total_s"]
    ignored = answer(PreparedJob(str(file), dialect, None, "ignore"), machine)["total_s"]
    assert (whole > ignored) == tied


def test_a_candidate_with_ties_leaves_the_others_in_blocks(path: Callable[[str], Path], pieces: Pieces) -> None:
    file = str(path(PATH))
    candidates = [
        Candidate(name="brisk", set={"motion.print_acceleration_mm_s2": 4000}),
        Candidate(name="driven", set=dict(DRIVE)),
    ]
    whole = compare_prepared([PreparedJob(file)], MIDDLING, candidates)
    job = BlockwiseJob(JobFile(file), chunk=TINY)
    blocks = compare_prepared([job], MIDDLING, candidates)
    for one, other in zip(whole.rows, blocks.rows, strict=True):
        assert not list(apart(list(one), list(other), 1e-9))
    assert pieces.jobs == {id(job)}
    assert not job._tied  # the machine as it is was planned in blocks


def test_nothing_is_tied_by_default() -> None:
    assert not needs_every_move(Machine())
