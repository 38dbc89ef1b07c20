"""A job in blocks against the same job in one piece: samples, random jobs, and what makes reading begin anew."""

from __future__ import annotations

import cmath
import gzip
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import EXTRUSION, RS274, Dialect, LimitWord, TextCommand
from kinematics.jobs.blocks import DeviationError
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, foresee, time_job
from kinematics.machine import load_machine
from kinematics.studies.estimate import estimate_prepared
from tests.jobs.in_blocks import (
    QUICK,
    Counts,
    answer,
    apart,
    differences,
    heavy,
    random_machine,
    random_text,
    restless_path,
)
from tests.naive import gcode_grammar

SAMPLES = sorted((Path(__file__).resolve().parents[2] / "sample_gcode").glob("*.gcode"))
TINY = 300  # bytes a block: some ten moves, so that hardly a stop falls into most of them
SMALL = 10_000
MIDDLING = load_machine("middling")
SEEDS = st.integers(0, 1 << 30)
CORNERS = replace(EXTRUSION, limits=(LimitWord("M880", "D", "junction deviation", "mm"),))
MARKED = replace(EXTRUSION, layers=(r"layer (?P<layer>\d+)",), labels=(r"part (?P<label>\w*)",))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples(path: Path) -> None:
    assert not differences(path, QUICK, SMALL, changes=True)


def test_a_sample_without_a_machine() -> None:
    assert not differences(SAMPLES[-1], None, SMALL, changes=True)


@given(SEEDS)
@settings(max_examples=80, deadline=None)
def test_random_jobs(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    random = Random(seed)
    path = tmp_path_factory.mktemp("jobs") / "job.gcode"
    path.write_bytes(random_text(random))
    mode = random.choice(("honour", "ignore", "cap"))
    machine = random_machine(random)
    assert not differences(path, machine, random.choice((100, 700, 5000)), EXTRUSION, mode, random.random() < 0.3)


@given(SEEDS)
@settings(max_examples=15, deadline=None)
def test_random_jobs_of_the_strict_dialect(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    path = tmp_path_factory.mktemp("jobs") / "job.gcode"
    path.write_bytes(gcode_grammar.lines(seed, 300, "rs274"))
    assert not differences(path, QUICK, 700, RS274)


@given(SEEDS)
@example(71397)  # 1 mm less 1e-6 of path before a corner, a window to the last digit
@settings(max_examples=25, deadline=None)
def test_paths_without_a_stop_are_cut(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """Many machines at once share the cut; the deceleration may be so low that no cut is found for long."""
    random = Random(seed)
    path = tmp_path_factory.mktemp("jobs") / "job.gcode"
    path.write_text("".join(restless_path(random) for _ in range(3)))
    machines = [QUICK, MIDDLING, load_machine("gentle")]
    machines += [
        MIDDLING.with_settings({"motion.lookahead_moves": random.choice((1, 2, 5, 40))}, "test"),
        QUICK.with_settings({"motion.curve_window_mm": random.choice((0.0, 1.0, 5.0))}, "test"),
        QUICK.with_settings({"motion.print_acceleration_mm_s2": random.choice((5.0, 80.0))}, "test"),
        QUICK.with_settings({"motion.speed_step_mm_s": {"x": 8, "y": 8}}, "test"),
    ]
    blocks, whole = BlockwiseJob(JobFile(str(path)), chunk=TINY), PreparedJob(str(path))
    foresee([blocks], [Ask(machine, passing=True) for machine in machines])
    for machine in machines:
        one, other = time_job(whole, machine), time_job(blocks, machine, passing=True)
        assert not list(apart(heavy(one.by_cause, one.total), heavy(other.by_cause, one.total)))
        assert not list(apart(one.layers.motion.tolist(), other.layers.motion.tolist()))
        assert one.total == pytest.approx(other.total, rel=1e-9)


def test_short_runs_of_several_moves_are_cut(job: Callable[[str], Path]) -> None:
    """Without the curve rule a run of 0.04 mm in two moves hangs on the run before it, wherever a block begins."""
    bends = QUICK.with_settings({"motion.curve_rule": False, "motion.junction_deviation_mm": 0.001}, "test")
    random = Random(6)
    x, heading = 0j + 50, 0.0
    lines = ["G1 X50 Y0 F9000"]
    for i in range(1200):
        heading += random.choice((0.1, 0.5)) if i % 2 else 0.0
        x += 0.02 * cmath.exp(1j * heading)
        lines.append(f"G1 X{x.real:.6f} Y{x.imag:.6f} E{i / 999:.4f}")
    assert not differences(job("\n".join(lines)), bends, TINY)


def test_a_path_without_a_stop_is_cut_often(counts: Counts, job: Callable[[str], Path]) -> None:
    text = "G1 X50 Y50 Z1 F3000\n" + "".join(f"G1 X{50 + i % 7} Y{i % 61} E{i}\n" for i in range(2000))
    assert not differences(job(text), QUICK, TINY)
    assert len(counts.advances) > 50
    assert min(counts.advances) > 0
    assert max(counts.lead_ins) < 10  # moves kept before those to come: a straight is seven of them


def test_a_block_grows_until_it_can_be_cut(counts: Counts, job: Callable[[str], Path]) -> None:
    """At 10 mm/s² it takes 45 mm to come to rest from 30 mm/s."""
    slow = QUICK.with_settings(
        dict.fromkeys(("motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2"), 10), "test"
    )
    text = "F1800\n" + "".join(f"G1 X{50 + i / 2:.1f} Y{i % 2 / 2000:.4f} E{i / 50}\n" for i in range(1000))
    assert not differences(job(text), slow, TINY)
    assert 0 in counts.advances
    assert any(counts.advances)


@pytest.mark.parametrize("bend", [5.0, 0.3, 0.02], ids=["sharp", "gentle", "next to nothing"])
def test_a_straight_without_an_end_is_not_kept(counts: Counts, job: Callable[[str], Path], bend: float) -> None:
    """The curve rule of the corners at its ends sees its far end, of which the way there is told alone."""
    straight = "".join(f"G1 X{10 + i / 100:.2f} E{1 + i / 9999:.4f}\n" for i in range(30_000))
    text = f"F1800\nG1 X5\nG1 X10 Y{bend}\n{straight}G1 X500 Y{50 * bend}\nG1 X505 Y{60 * bend}\n"
    assert not differences(job(text), QUICK, SMALL)
    assert len(counts.advances) > 30
    assert max(counts.lead_ins) < 50  # a window of the curve rule is 25 moves long


def test_a_slow_start_into_a_straight_waits_for_its_end(job: Callable[[str], Path]) -> None:
    """At 20 mm/s² the curve rule holds the corner before the straight, wherever that ends."""
    ways = {
        "motion.print_acceleration_mm_s2": 20,
        "motion.junction_deviation_mm": 500.0,
        "motion.lookahead_moves": None,
    }
    slow = QUICK.with_settings(ways, "test")
    straight = "".join(f"G1 X{70 + i / 50:.2f} E{1 + i / 9999:.4f}\n" for i in range(20_000))
    path = job(f"F15000\nG1 X20 E.5\nG1 X70 Y86.6 E1\n{straight}G1 X600 Y50 E5\n")
    assert not differences(path, slow, SMALL)


def test_how_far_a_straight_reaches_that_began_long_ago(job: Callable[[str], Path]) -> None:
    """Without the way to its start the circle at its end would be smaller, and the corner slower."""
    ways = {"motion.junction_deviation_mm": 5.0, "motion.print_acceleration_mm_s2": 500}
    careful = QUICK.with_settings(ways, "test")
    straight = "".join(f"G1 X{i / 20:.2f} E{i / 999:.3f}\n" for i in range(800))
    text = f"F9000\n{straight}G1 X42 Y1 E1\nG1 X70 Y25 E2\n"
    path = job(text)
    assert not differences(path, careful, TINY)


@pytest.mark.parametrize("dialect", [EXTRUSION, MARKED], ids=["counted", "marked"])
def test_a_portion_may_end_amid_a_line(job: Callable[[str], Path], dialect: Dialect) -> None:
    """A line of several arcs of some eighty chords each, with marks and a wrong checksum behind them."""
    arcs = "G2 X50 Y50 I9 E1 G3 X51 Y50 I8 E1 M204 S900 G2 X50 Y50 I7 E1"
    text = "G1 X50 Y50 Z0.2 F3000\nM83\n"
    for k in range(6):
        text += f"G1 Z{k + 1}\n{arcs} *9 ; part {'ab'[k % 2]}\nG1 X60 E1 (part c)\n{arcs} ; layer {k}\nG1 X55 E1\n"
        text += f"G1 X5{k} E1 (part d) (layer {k}b) G2 X50 Y50 I9 E1 G2 X50 Y50 I9 E1\nhello\n"
    machine = QUICK.with_settings(
        {"motion.by_label.b.print_acceleration_mm_s2": 300, "motion.first_layers.count": 3}, "t"
    )
    for size in (TINY, 40, SMALL):
        assert not differences(job(text), machine, size, dialect)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte order mark"])
@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["as it is", "gzip"])
def test_ways_to_write_a_file(
    job: Callable[[bytes], Path], line_end: str, mark: bytes, pack: Callable[[bytes], bytes]
) -> None:
    text = "hello\n" + restless_path(Random(1)) + "G4 S1\nM117 hi\nodd one\n" + restless_path(Random(2)) + "G1 X0"
    assert not differences(job(pack(mark + text.replace("\n", line_end).encode())), QUICK, TINY)


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\n" * 5000,
        b"\x00\x01\x02" * 500,
        b"; nothing\n" * 300 + b"odd line\n",
        b"G1 X1 F600\n" * 100 + b"G1 X9999999999\n" + b"G1 X2\n" * 100,
        gzip.compress(b"G1 X1 Y2 F600\nG1 X5\n" * 900)[:-30],
    ],
    ids=["empty", "blank", "binary", "no motion", "too large", "damaged gzip"],
)
def test_what_cannot_be_used(job: Callable[[bytes], Path], text: bytes) -> None:
    path = job(text)
    with pytest.raises(InputError) as whole:
        time_job(PreparedJob(str(path)), QUICK)
    with pytest.raises(InputError) as blocks:
        time_job(BlockwiseJob(JobFile(str(path)), chunk=TINY), QUICK)
    assert str(blocks.value) == str(whole.value)


@pytest.mark.parametrize("text", ["%\nF60\nG1 X1\n" + "G1 X2\nX1\n" * 99, "F60\nG1 X1\n" * 40 + "G1 X1 X1\n"])
def test_what_the_strict_dialect_refuses(job: Callable[[str], Path], text: str) -> None:
    path = job(text)
    assert answer(PreparedJob(str(path), RS274), QUICK) == answer(
        BlockwiseJob(JobFile(str(path)), RS274, chunk=TINY), QUICK
    )


def test_a_program_of_the_strict_dialect_ends_at_its_end(job: Callable[[str], Path]) -> None:
    text = "%\nF600\n" + "G1 X2\nX1\n" * 99 + "%\n" + "hello\n" * 200
    assert not differences(job(text), QUICK, TINY, RS274)


def test_a_file_that_is_gone() -> None:
    with pytest.raises(InputError, match=r"no/such\.gcode: no such file"):
        time_job(BlockwiseJob(JobFile("no/such.gcode")), QUICK)


def test_a_sum_of_filament_that_is_taken_for_a_place(job: Callable[[str], Path]) -> None:
    """Filament is fed by thirds of a millimetre for long; then its sum is taken for a place."""
    text = "G1 X1 Y1 F600\nM83\n" + "".join(f"G1 X{i % 50} E0.333333\n" for i in range(200)) + "M82\nG1 X5 E200\n"
    assert not differences(job(text), QUICK, TINY)


def test_junction_deviation_that_a_file_states_late(counts: Counts, job: Callable[[str], Path]) -> None:
    """Short runs count then, from the start on."""
    stepping = QUICK.with_settings({"motion.speed_step_mm_s": {"x": 8, "y": 8}}, "test")
    text = restless_path(Random(3)) + "M880 D0.02\n" + restless_path(Random(4))
    assert not differences(job(text), stepping, TINY, dialect=CORNERS)
    assert DeviationError in counts.begun_anew


def laid(layers: int, marks: bool) -> str:
    """Layers by their height, with marks that say otherwise, or none that fits."""
    lines = ["F1800"]
    for i in range(layers):
        lines += [
            f"G1 Z{0.2 * i:.1f} ; {'layer' if marks else 'at'} {i // 2}",
            f";part {'abc'[i % 3] if i % 4 else ''}",
        ]
        lines += [f"G1 X{10 + j} Y{j % 3} E{100 * i + j}" for j in range(5)]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("marks", [True, False])
@pytest.mark.parametrize("dialect", [EXTRUSION, MARKED], ids=["by counting", "by patterns"])
def test_layers_and_labels(counts: Counts, job: Callable[[str], Path], dialect: Dialect, marks: bool) -> None:
    settings = {"motion.by_label.a.speed_cap_mm_s": 5, "motion.by_label.b.print_acceleration_mm_s2": 90}
    settings |= {"motion.first_layers.count": 3, "motion.feed_override": 2, "cooling.shortest_layer_s": 3}
    text = laid(40, marks).replace(";part ", ";part " if dialect is MARKED else ";part: ")
    path = job(text)
    machine = MIDDLING.with_settings(settings, "test")
    assert not differences(path, machine, TINY, dialect)
    assert bool(counts.begun_anew) == (dialect is MARKED and not marks)
    unlabelled = MIDDLING.with_settings({"cooling.shortest_layer_s": 3}, "test")
    assert (
        time_job(PreparedJob(str(path), dialect), machine).total != time_job(PreparedJob(str(path)), unlabelled).total
    )


def test_text_commands(job: Callable[[str], Path]) -> None:
    """An override holds on into later blocks, and a stop may stand at the end of one."""
    texts = (
        TextCommand(r"go (?P<value>\d+)", "override", "%"),
        TextCommand(r"rest (?P<value>\d+)", "dwell", "s"),
        TextCommand(r"push (?P<value>\d+)", "print acceleration", "mm/s2"),
        TextCommand("hold", "pause"),
        TextCommand("say .*", "ignore"),
    )
    dialect = replace(EXTRUSION, texts=texts)
    random = Random(5)
    said = ("go 50", "go 200", "rest 2", "push 90", "push 3000", "hold", "say what", "what", "go 0")
    lines = [
        random.choice(said) if random.random() < 0.3 else f"G1 X{random.randint(0, 99)} E{i} F1800" for i in range(500)
    ]
    for chunk in (20, 60, TINY):
        assert not differences(job("\n".join(lines)), QUICK, chunk, dialect)


def test_heaters_run_on_the_clock_of_blocks(job: Callable[[str], Path]) -> None:
    """A bed told early is warm by the time a late line waits for it; waits stand at both ends of the file too."""
    warm = {"stops.nozzle_heating_c_per_s": 2.0, "stops.bed_heating_c_per_s": 0.02, "stops.ambient_c": 20.0}
    machine = MIDDLING.with_settings({**warm, "stops.pause_s": 5, "cooling.shortest_layer_s": 3}, "test")
    text = "M104 S60\nM140 S90\nM109 S80\n" + laid(20, False) + "M190\nM0\nM109 R40\n" + laid(9, False) + "M190 S99\n"
    assert not differences(job(text), machine, TINY)


def test_lines_may_be_left_out(job: Callable[[str], Path]) -> None:
    text = "F600\n" + "G1 X5 E1\n/G1 X70 E3\nG1 X1 E2\n" * 50
    assert not differences(job(text), QUICK, TINY, block_delete=True)


def test_moves_of_a_job_in_blocks_are_not_kept() -> None:
    estimate = estimate_prepared([BlockwiseJob(JobFile(str(SAMPLES[-1])), chunk=SMALL)], QUICK, changes=False)
    with pytest.raises(InputError, match="read in blocks, whose moves are not kept"):
        estimate.jobs[0].moves_frame()
    assert len(estimate.jobs[0].layers_frame()) == estimate.jobs[0].layers + 1


COURSE = "".join(f"G1 X{10 * (i % 2)} Y{i} E0.5\n" for i in range(30))
HIGH, LOW = f"G1 Z0.3\n{COURSE}", "".join(f"G1 Z{0.2 * i:.1f}\n{COURSE}" for i in range(1, 6))
WAVES = "".join(f"G1 X{10 * (i % 2)} Y{i} Z{0.3 + 0.2 * (i % 2)} E0.5\n" for i in range(300))
SHAPES = {
    "a line above the first layer": (HIGH + LOW, False),
    "a part above the first layer, found out late": (HIGH * 20 + LOW, True),
    "falls from the start": (WAVES, False),
    "falls from the first print": ("G1 X9\nG1 X8\n" * 400 + WAVES, True),
    "falls late": (LOW + WAVES, True),
    "nothing is printed": ("G1 X5\nG1 X9\n" * 200, False),
}


@pytest.mark.parametrize("name", SHAPES)
def test_layers_that_only_the_whole_path_tells(counts: Counts, job: Callable[[str], Path], name: str) -> None:
    """First layers at the file's own speed, and time to cool: both hang on what is layer 1."""
    settings = {"motion.first_layers.count": 1, "motion.first_layers.keep_commanded_speed": True}
    machine = MIDDLING.with_settings({**settings, "motion.feed_override": 3, "cooling.shortest_layer_s": 30}, "test")
    text, anew = SHAPES[name]
    path = job(f"M83\nF1200\n{text}")
    assert not differences(path, machine, TINY)
    counts.begun_anew.clear()
    assert not differences(path, machine, 2500)
    assert bool(counts.begun_anew) == anew
