"""Proof prints read back: bands where they were promised, every ceiling kept, the volume of every band right."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import dialect_from_text
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.job import Job
from kinematics.gcode.moves import PRINT
from kinematics.gcode.reader import read_gcode
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import Machine
from kinematics.proofs.plan import PROOF_KINDS, ProofPlan, plan_of
from kinematics.proofs.shape import TINE, WALL, fork, inside, wall_loops
from kinematics.proofs.writing import header_of, proof_text

MACHINE = """
[machine]
name = "Bench A"
bed_mm = [215, 225, 235]
[axes.x]
max_speed_mm_s = 200.0
max_acceleration_mm_s2 = 6000.0
[axes.y]
max_speed_mm_s = 180.0
max_acceleration_mm_s2 = 5000.0
[axes.z]
max_speed_mm_s = 9.0
[axes.e]
max_speed_mm_s = 45.0
[motion]
print_acceleration_mm_s2 = 1200.0
[hotend]
max_flow_mm3_s = 10.0
[filament]
pressure_advance_s = 0.03
[retraction]
length_mm = 1.0
speed_mm_s = 30.0
[proof]
start_file = "start.g"
end_file = "end.g"
nozzle_c = 210
bed_c = 60
"""
WORDS = """
[extruder]
unit = "{unit}"
[[write]]
means = "print acceleration"
text = "EASE ramp {{value}}"
unit = "mm/s2"
[[write]]
means = "pressure advance"
text = "M880 Q{{value}}"
unit = "ms"
[[write]]
means = "junction deviation"
text = "EASE rounding {{value}}"
unit = "um"
[[write]]
means = "x step"
text = "M881 X{{value}}"
unit = "mm/s"
[[write]]
means = "y step"
text = "M881 Y{{value}}"
unit = "mm/s"
[[text]]
pattern = 'EASE ramp (?P<value>\\S+)'
means = "print acceleration"
unit = "mm/s2"
[[text]]
pattern = 'EASE rounding (?P<value>\\S+)'
means = "junction deviation"
unit = "um"
[[limit]]
word = "M880"
letter = "Q"
means = "pressure advance"
unit = "ms"
[[limit]]
word = "M881"
letter = "X"
means = "x step"
unit = "mm/s"
[[limit]]
word = "M881"
letter = "Y"
means = "y step"
unit = "mm/s"
"""
START = "G28\nG1 Z5 F300\nG92 E0"
END = "M104 S0\nM140 S0"
WALLED = [kind for kind in PROOF_KINDS if kind != "flow"]


def machine(more: str = "") -> Machine:
    return Machine.from_toml_text(MACHINE + more, "bench.toml")


def dialect(unit: str = "mm") -> Dialect:
    return dialect_from_text(WORDS.format(unit=unit), "words.toml")


def written(kind: str, unit: str = "mm", relative: bool = False, more: str = "") -> tuple[ProofPlan, str]:
    plan = plan_of(PROOF_KINDS[kind], machine(more))
    return plan, proof_text(plan, machine(more), dialect(unit), START, END, relative)


def read(text: str, unit: str = "mm") -> Job:
    return read_gcode(text.encode(), dialect(unit), filament_area=math.pi * 1.75**2 / 4)


@pytest.mark.parametrize("relative", [False, True], ids=["sums", "from move to move"])
@pytest.mark.parametrize("unit", ["mm", "mm3"])
@pytest.mark.parametrize("kind", WALLED)
def test_every_band_has_the_volume_of_its_walls(kind: str, unit: str, relative: bool) -> None:
    """By hand: a line's length is that of the outline less eight times its distance from it; the rib stands out."""
    plan, text = written(kind, unit, relative)
    job = read(text, unit)
    moves = job.moves
    height = np.cumsum(moves.dz)
    area = math.pi * 1.75**2 / 4.0
    outline = 4.0 * WALL + 2.0 * (WALL - TINE)
    width, layer = plan.width, plan.layer
    per_band = round(plan.bands.band_mm / layer)
    walls = (outline - 8.0 * 0.5 * width) + (outline - 8.0 * 1.5 * width)
    expected = (per_band * walls + 8.0 * 0.8 * width) * width * layer
    printed = moves.kind == PRINT
    for low, high in plan.bands.edges():
        here = printed & (height > low + 0.5 * layer) & (height < high + 0.5 * layer)
        assert moves.de[here].sum() * area == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("kind", WALLED)
def test_bands_are_where_they_were_promised(kind: str) -> None:
    """The first layer of a band has the rib, and its setting is made just before; heights to a hundredth."""
    plan, text = written(kind)
    reach, z, at = 0.0, 0.0, {}
    body = text.partition("here the print begins")[2].partition("your own end code")[0]
    for line in body.splitlines():
        if found := re.search(r"^G0 Z([\d.]+)", line):
            z = float(found[1])
        if (found := re.search(r"^G1 X([\d.]+)", line)) and z > plan.bands.base_mm:
            reach = float(found[1]) - plan.centre[0]
            at[z] = max(at.get(z, 0.0), reach)
    ribbed = sorted(height for height, most in at.items() if most > min(at.values()) + 0.1)
    begins = [low + plan.layer for low, _ in plan.bands.edges()]
    assert ribbed == pytest.approx(begins, abs=0.01)
    assert max(at) == pytest.approx(plan.bands.top_mm, abs=0.01)


@pytest.mark.parametrize(
    ("kind", "pattern", "factor"),
    [
        ("acceleration", r"^EASE ramp ([\d.]+)", 1.0),
        ("corner", r"^EASE rounding ([\d.]+)", 1e-3),
        ("pressure-advance", r"^M880 Q([\d.]+)", 1e-3),
    ],
)
def test_settings_are_made_in_the_users_words_and_put_back(kind: str, pattern: str, factor: float) -> None:
    plan, text = written(kind)
    made = [factor * float(value) for value in re.findall(pattern, text, re.MULTILINE)]
    first = plan.bands.value(0)
    present = float(machine().value_of(plan.keys[0]))
    assert made == pytest.approx([first, *plan.bands.values, present], rel=1e-5)


def test_speed_steps_are_made_for_both_axes() -> None:
    plan, text = written("corner", more="[motion.speed_step_mm_s]\nx = 8\ny = 6\n")
    assert plan.keys == ("motion.speed_step_mm_s.x", "motion.speed_step_mm_s.y")
    assert len(re.findall("^M881 X", text, re.MULTILINE)) == len(re.findall("^M881 Y", text, re.MULTILINE))
    assert text.rstrip().splitlines()[-7:-5] == ["M881 X8", "M881 Y6"]


@pytest.mark.parametrize("kind", list(PROOF_KINDS))
def test_nothing_moves_before_the_start_code_ends_or_leaves_the_bed(kind: str) -> None:
    _, text = written(kind)
    before, _, after = text.partition("; here the print begins")
    own = [line for line in before.splitlines() if not line.startswith(";")]
    assert own == START.splitlines()
    job = read(text)
    for steps, size in zip((job.moves.dx, job.moves.dy, job.moves.dz), (215, 225, 235), strict=True):
        places = np.cumsum(steps)
        assert places.min() >= 0.0
        assert places.max() <= size
    assert after.rstrip().endswith(END)
    assert not job.notices


@pytest.mark.parametrize("kind", list(PROOF_KINDS))
def test_every_ceiling_is_kept_as_it_was_written(kind: str) -> None:
    """What the file commands is what the machine takes: no print move is slowed by a speed or a flow of the machine."""
    plan, text = written(kind)
    job = PreparedJob(memoryview(text.encode()), dialect(), "proof")
    timing = time_job(job, machine())
    planned = timing.whole_plan()
    moves = planned.job.moves
    printed = moves.kind == PRINT
    length = np.sqrt(moves.dx**2 + moves.dy**2 + moves.dz**2)[printed]
    commanded = moves.speed[printed]
    area = math.pi * 1.75**2 / 4.0
    flow = commanded * moves.de[printed] * area / np.maximum(length, 1e-12)
    for speed, share in ((200.0, np.abs(moves.dx[printed])), (180.0, np.abs(moves.dy[printed]))):
        assert (commanded * share / length <= speed * (1.0 + 1e-9)).all()
    if kind == "flow":
        assert not printed.any()
        assert plan.bands.values[-1] / area <= 45.0
    else:
        assert flow.max() <= 10.0 * (1.0 + 1e-3)


def test_pieces_of_a_flow_proof_have_one_length_each() -> None:
    plan, text = written("flow", relative=True)
    job = read(text)
    pieces = [(float(e), float(f)) for e, f in re.findall(r"^G1 E([\d.]+) F([\d.]+)", text, re.MULTILINE)]
    area = math.pi * 1.75**2 / 4.0
    assert [length for length, _ in pieces] == pytest.approx([60.0] * plan.bands.many)
    assert [speed / 60.0 * area for _, speed in pieces] == pytest.approx(plan.bands.values, rel=1e-5)
    assert text.count("G4 P15000") == plan.bands.many
    assert job.facts.moves >= plan.bands.many


def test_a_moved_loop_keeps_its_right_angles() -> None:
    for distance in (-0.7, 0.2, 1.5):
        moved = inside(fork(), distance)
        assert moved.length == pytest.approx(fork().length - 8.0 * distance)
        assert all(a[0] == pytest.approx(b[0]) or a[1] == pytest.approx(b[1]) for a, b in moved.sides())
    assert len(wall_loops(0.45, True)) == 2


def test_the_header_is_read_back() -> None:
    plan, text = written("acceleration")
    header = header_of(text, "proof.gcode")
    assert header.bands == plan.bands
    assert header.keys == plan.keys
    with pytest.raises(InputError, match=r"cube\.gcode: is no proof print"):
        header_of("G1 X10\n", "cube.gcode")


@pytest.mark.parametrize(
    ("kind", "more", "arguments", "words"),
    [
        ("acceleration", "", {"start": 2000, "end": 8000}, r"axes\.y\.max_acceleration_mm_s2 = 5,000"),
        ("acceleration", "", {"start": 2000, "end": 2000}, "a step of 0"),
        ("acceleration", "", {"start": 4000, "end": 2000}, "values that fall"),
        ("acceleration", "", {"count": 1}, "1 bands"),
        ("acceleration", "", {"speed": 190.0}, r"axes\.y\.max_speed_mm_s = 180"),
        ("acceleration", "", {"speed": 150.0}, "hotend flow"),
        ("acceleration", "", {"centre": (20.0, 20.0)}, "the print reaches from X"),
        ("acceleration", "", {"count": 40, "band_mm": 10.0}, "the print is 400.4 mm high"),
        ("flow", "", {"start": 50.0, "end": 150.0}, r"axes\.e\.max_speed_mm_s = 45"),
        ("pressure-advance", "", {"end": 2.0}, r"axes\.e\.max_speed_mm_s = 45"),
        ("corner", '[vibration.x]\nfilter = "ZVD"\nfilter_frequency_hz = 30\n[vibration.y]\nfilter = "ZVD"\n'
         "filter_frequency_hz = 30\n[quality]\nrounding_budget_mm = 0.05\n", {"end": 3.0}, "rounding at a right angle"),
        ("filter", "", {"start": 50.0, "end": 500.0}, "180"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_the_reason(kind: str, more: str, arguments: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        plan_of(PROOF_KINDS[kind], machine(more), **arguments)


def test_start_and_end_code_are_the_users_own() -> None:
    bare = Machine.from_toml_text(MACHINE.partition("[proof]")[0], "bench.toml")
    with pytest.raises(InputError, match=r"(?s)proof\.start_file: not given.*proof\.end_file: not given"):
        plan_of(PROOF_KINDS["acceleration"], bare)


def test_a_dialect_without_the_text_for_a_setting_is_told() -> None:
    plan = plan_of(PROOF_KINDS["acceleration"], machine())
    with pytest.raises(InputError, match=r"does not say how to set print acceleration.*\[\[write\]\]"):
        proof_text(plan, machine(), dialect_from_text("", "words.toml"), START, END)
