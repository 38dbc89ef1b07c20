"""Random and damaged files never end in a traceback: status 0 with a document, or 2 with a sentence."""

from __future__ import annotations

import json
import random
import re
import warnings
from pathlib import Path

import pytest

from kinematics.machine.file import builtin_text
from tests.cli.conftest import HOOK, ROOT, Run

SAMPLES = ROOT / "sample_gcode"
PIECES = 400  # bytes of a sample that are damaged at a time
ROUNDS = 60
PROBLEM = re.compile(r"kinematics: \S.*: \S.*")
GCODE_LETTERS = b"GMTNXYZEFIJKRPS0123456789.-+ \t\n\r;()*%/\"'=eE\x00\xff"
TOML_LETTERS = b"[]{}=\"'#.,-+_ \n\r\t0123456789truefalsinx\x00\xff\xc3"
NUMBERS = [b"-0", b"0x1F", b"nan", b"inf", b"1_0", b"1e999", b"1e-5", b"9007199254740993", b"999999999", b"1e6", b".5"]
JOB_NUMBERS = [*NUMBERS, b"9" * 400, b"1e-320", b"0." + b"0" * 99 + b"1"]


def damaged(rng: random.Random, text: bytes, letters: bytes, numbers: list[bytes]) -> bytes:
    """A text with a few bytes changed, taken out, doubled, or moved, and odd numbers put in."""
    content = bytearray(text)
    for _ in range(rng.randint(1, 12)):
        place = rng.randrange(len(content) + 1)
        length = rng.choice((1, 1, 1, 2, 5, 20))
        piece = content[place : place + length]
        way = rng.randrange(6)
        if way == 0:
            content[place : place + length] = bytes(rng.choices(letters, k=length))
        elif way == 1:
            del content[place : place + length]
        elif way == 2:
            content[place:place] = piece * rng.randint(1, 4)
        elif way == 3:
            content[place:place] = rng.choice(numbers)
        elif way == 4:
            found = list(re.finditer(rb"[0-9]+(\.[0-9]+)?", content))
            if found:
                chosen = rng.choice(found)
                content[chosen.start() : chosen.end()] = rng.choice(numbers)
        else:
            other = rng.randrange(len(content) + 1)
            content[other:other] = piece
    return bytes(content)


def random_bytes(rng: random.Random, letters: bytes | None) -> bytes:
    """Bytes at random: any, or of some letters."""
    count = rng.choice((1, 3, 10, 100, 1000))
    return rng.randbytes(count) if letters is None else bytes(rng.choices(letters, k=count))


def assert_answered(run: Run, *arguments: str, statuses: tuple[int, ...] = (0, 2)) -> None:
    """A document, or sentences; no warning of the interpreter or of an array library on the way."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ran = run(*arguments)
    assert ran.status in statuses
    if ran.status == 2:
        assert ran.out == ""
        for line in ran.err.splitlines():
            assert PROBLEM.fullmatch(line) or line.startswith("first run"), line
    elif "--json" in arguments:
        json.loads(ran.out, parse_constant=pytest.fail)
    else:
        assert ran.out


def pieces_of_samples(rng: random.Random) -> list[bytes]:
    """The hook, and a stretch out of every sample."""
    pieces = [HOOK.encode()]
    for path in sorted(SAMPLES.glob("*.gcode")):
        content = path.read_bytes()
        place = rng.randrange(max(1, len(content) - PIECES))
        pieces.append(content[place : place + PIECES])
    return pieces


@pytest.mark.parametrize("dialect", ["extrusion", "rs274"])
@pytest.mark.parametrize("seed", range(3))
def test_damaged_jobs(run: Run, folder: Path, seed: int, dialect: str) -> None:
    rng = random.Random(seed)
    assert len(pieces_of_samples(rng)) > 5
    machine = rng.choice(("gentle", "middling", "quick"))
    for round_ in range(ROUNDS):
        text = damaged(rng, rng.choice(pieces_of_samples(rng)), GCODE_LETTERS, JOB_NUMBERS)
        (folder / "job").write_bytes(text)
        form = ("--json",) if round_ % 3 else ()
        assert_answered(run, "estimate", "job", "--machine", machine, "--dialect", dialect, *form)


@pytest.mark.parametrize("letters", [None, GCODE_LETTERS], ids=["any bytes", "letters of jobs"])
def test_random_jobs(run: Run, folder: Path, letters: bytes | None) -> None:
    rng = random.Random(7)
    for _ in range(2 * ROUNDS):
        text = random_bytes(rng, letters)
        (folder / "job").write_bytes(rng.choice((b"", b"\x1f\x8b", b"G1 X1 F60\n")) + text)
        assert_answered(run, "estimate", "job", "--machine", "quick", "--json")


@pytest.mark.parametrize("seed", range(3))
def test_damaged_machine_files(run: Run, folder: Path, seed: int) -> None:
    rng = random.Random(seed)
    names = ("gentle", "middling", "quick")
    texts = [builtin_text(name).encode().replace(b"\n# [[", b"\n[[").replace(b"\n# na", b"\nna") for name in names]
    texts = [text.replace(b"\n# set", b"\nset") for text in texts]
    for round_ in range(ROUNDS):
        (folder / "own.toml").write_bytes(damaged(rng, rng.choice(texts), TOML_LETTERS, NUMBERS))
        assert_answered(run, "machine", "check", "own.toml", "--json", statuses=(0, 1, 2))
        command = ("estimate",) if round_ % 2 else ("compare", "--candidate", "b: speed=1.1, corner=0.2, flow=20")
        assert_answered(run, *command, "hook.gcode", "--machine", "own.toml", "--json")


@pytest.mark.parametrize("letters", [None, TOML_LETTERS], ids=["any bytes", "letters of machine files"])
def test_random_machine_files(run: Run, folder: Path, letters: bytes | None) -> None:
    rng = random.Random(8)
    for _ in range(ROUNDS):
        (folder / "own.toml").write_bytes(
            rng.choice((b"", b"[motion]\n", b"[axes.x]\nmax_")) + random_bytes(rng, letters)
        )
        assert_answered(run, "machine", "show", "own.toml", "--json")


def test_random_settings(run: Run) -> None:
    rng = random.Random(9)
    start = ("", "motion.feed_override=", "corner=", "a: ", "motion.speed_step_mm_s=", "machine.home_mm=", "speed=1,")
    letters = TOML_LETTERS.translate(None, b"\n\r\x00")
    for _ in range(ROUNDS):
        text = rng.choice(start) + random_bytes(rng, letters)[:40].decode("latin-1")
        assert_answered(run, "estimate", "hook.gcode", "--machine", "quick", "--json", f"--set={text}")
        assert_answered(run, "compare", "hook.gcode", "--machine", "quick", "--json", f"--candidate=b: {text}")


def test_a_finding_stays_on_one_line_whatever_a_setting_holds(run: Run) -> None:
    for text in ("motion.feed_override=[1\n2", "motion.feed_\noverride=2", "a\nb", "motion.feed_override=\x1b[31m[2"):
        assert_answered(run, "estimate", "hook.gcode", "--machine", "quick", f"--set={text}", statuses=(2,))


EXTREME_KEYS = [
    "axes.x.max_speed_mm_s",
    "axes.x.max_acceleration_mm_s2",
    "axes.e.max_speed_mm_s",
    "motion.print_acceleration_mm_s2",
    "motion.junction_deviation_mm",
    "motion.feed_override",
    "motion.speed_cap_mm_s",
    "motion.curve_window_mm",
    "motion.arc_tolerance_mm",
    "motion.by_kind.print.commanded_speed_mm_s",
    "filament.diameter_mm",
    "filament.density_g_cm3",
    "hotend.max_flow_mm3_s",
    "retraction.acceleration_mm_s2",
    "cooling.shortest_layer_s",
    "stops.homing_s",
    "stops.bed_heating_c_per_s",
    "stops.ambient_c",
    "machine.home_mm",
]


@pytest.mark.parametrize("key", EXTREME_KEYS)
def test_numbers_at_the_edge_of_what_a_computer_holds(run: Run, key: str) -> None:
    for value in ("1e-320", "1e-200", "1e-12", "1e12", "1e200", "1e308"):
        text = f"[{value}, 0, 0]" if key == "machine.home_mm" else value
        assert_answered(run, "estimate", "hook.gcode", "--machine", "quick", "--json", "--set", f"{key}={text}")
        assert_answered(run, "estimate", "hook.gcode", "--machine", "quick", "--set", f"{key}={text}")
