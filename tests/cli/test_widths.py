"""Every screen at several widths, encodings and colours, on a terminal and in a pipe: nothing fails, nothing is cut.

The same command on a very wide terminal is the measure: all its words, and all its numbers with their units, must be
found whole on the narrow one.
"""

from __future__ import annotations

import io
import re
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from kinematics.cli.encodings import encodable
from kinematics.cli.program import main
from tests.cli.conftest import run_apart
from tests.cli.test_terminal import on_a_terminal

MACHINE = """\
[machine]
name = "Bench A"
[axes.x]
max_speed_mm_s = 200.0
max_acceleration_mm_s2 = 2500.0
moving_mass_kg = 0.42
friction_n = 3.0
[axes.y]
max_speed_mm_s = 180.0
max_acceleration_mm_s2 = 2000.0
[axes.z]
max_speed_mm_s = 12.0
[axes.e]
max_speed_mm_s = 45.0
[motors.x]
torque_nm = [[0, 0.40], [600, 0.32], [1500, 0.15]]
mm_per_rev = 40.0
rotor_inertia_kg_m2 = 5.4e-6
usable_torque_share = 0.5
[motors.y]
max_acceleration_mm_s2 = 1000.0
[motion]
print_acceleration_mm_s2 = 1200.0
junction_deviation_mm = 0.04
[filament]
density_g_cm3 = 1.24
price_per_kg = 22.0
[hotend]
max_flow_mm3_s = 6.0
[vibration.x]
modes = [{ frequency_hz = 52.0, damping_ratio = 0.06, frequency_uncertainty_share = 0.1 }]
filter = "ZV"
[quality]
rounding_budget_mm = 0.12
ringing_budget_mm = 0.03
[cooling]
shortest_layer_s = 8.0
[economy]
staffed = ["Mon-Fri 08:00-16:00"]
unattended = true
turnaround_min = 6.0
failed_share = 0.04
machine_cost_per_hour = 0.60
labour_cost_per_hour = 18.0
power_w = 120.0
price_per_kwh = 0.30
discount_rate = 0.05
currency = "EUR"
[[upgrade]]
name = "larger melt zone"
price = 1068.0
fitting_hours = 1.5
set = { flow = 22 }
[[upgrade]]
name = "jobs prepared faster"
fitting_hours = 2.0
set = { speed = 1.6 }
[[upgrade]]
name = "accelerometer evening"
fitting_hours = 3.0
set = { acceleration = 3000 }
[[upgrade]]
name = "quieter motors"
price = 40
fitting_hours = 3.0
set = { "motors.y.max_acceleration_mm_s2" = 4000 }
"""
RANGES = ("--set", "acceleration={low=900, likely=1200, high=2200}", "--draws", "20")
AT_BENCH = ("--machine", "bench.toml")
JOBS = ("bracket.gcode", "hook.gcode")
CANDIDATES = ("--candidate", "stiffer frame: acceleration=5000, corner=0.08", "--candidate", "speed=2, flow=24")
COMMANDS: dict[str, tuple[str, ...]] = {
    "estimate": ("estimate", *JOBS, *AT_BENCH),
    "estimate on no machine": ("estimate", *JOBS),
    "estimate of ranges": ("estimate", "hook.gcode", *AT_BENCH, *RANGES),
    "estimate of many": ("estimate", ".", *AT_BENCH, *RANGES),
    "limits": ("estimate", *JOBS, *AT_BENCH, "--limits"),
    "layers": ("estimate", "hook.gcode", *AT_BENCH, "--layers"),
    "compare": ("compare", *JOBS, *AT_BENCH, *CANDIDATES),
    "compare ranges": ("compare", "hook.gcode", *AT_BENCH, *CANDIDATES, *RANGES),
    "caps": ("caps", "bracket.gcode", *AT_BENCH, "--set", "corner=0.2"),
    "formulas": ("caps", *AT_BENCH, "--formulas"),
    "upgrades": ("upgrades", *JOBS, *AT_BENCH, "--per-month", "2000", "--detail"),
    "upgrades of ranges": ("upgrades", *JOBS, *AT_BENCH, *RANGES),
    "sweep": ("sweep", *JOBS, *AT_BENCH, "--vary", "acceleration=300:9000:4log", "--vary", "speed=1,1.5"),
    "sweep of ranges": ("sweep", "hook.gcode", *AT_BENCH, *RANGES, "--vary", "motion.junction_deviation_mm=0.01,0.1"),
    "target": ("target", *JOBS, *AT_BENCH, "--within", "85s", "--turn", "acceleration", "--turn", "speed=0.5"),
    "shop": (
        *("shop", "orders.csv", "--printers", "printers.csv", "--start", "2026-03-02 08:00", "--runs", "3"),
        *("--candidate", "prepared faster: speed=1.6, flow=22", "--upgrade", "accelerometer evening"),
    ),
    "fit": ("fit", "times.csv", *AT_BENCH),
    "fit of one": ("fit", "bracket.gcode=10s", *AT_BENCH),
    "machine show": ("machine", "show", "bench.toml"),
    "guide": ("guide", "machine"),
    "machine check": ("machine", "check", "bench.toml"),
}
ENCODINGS = ("utf-8", "cp1252", "ascii")
WIDTHS = (60, 80, 100, 160)
COLOURED = 80  # where colour is compared with none
VERY_WIDE = 4000
ESCAPES = re.compile(r"\x1b\[[0-9;]*m")
RULES = re.compile(r"[─-]{5,}")
UNIT = (
    r"(?:mm/s(?:²|\^2)|mm(?:³|\^3)/s|mm/s|mm|kg|g|Nm|N|ms|Hz|m|%|EUR|months|years|prints|times|layers|(?:(?:d|h|min|s)"
    r"(?: \d+ (?:h|min|s))*))"
)
QUANTITY = re.compile(
    rf"(?<!\S)[(\[+-]*\d[\d,.]* {UNIT}(?![\w/^²³])|lines? \d+|(?:Mon|Tue|Wed|Thu|Fri) \d\d [A-Z][a-z]+"
)


class Screen(NamedTuple):
    """What a run showed: exit status, standard output, standard error."""

    status: int
    out: str
    err: str


Show = Callable[..., Screen]


class _Terminal(io.TextIOWrapper):
    """A stream of an encoding that says whether it is a terminal."""

    is_terminal = True

    def isatty(self) -> bool:
        return self.is_terminal


@pytest.fixture
def show(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Show:
    """Run a command in this process on a terminal of some width (None: in a pipe), encoding and colour."""
    (folder / "bench.toml").write_text(MACHINE)
    for name in ("arm", "cap", "clip", "a long name for a hinge"):
        (folder / f"{name}.gcode").write_bytes((folder / "hook.gcode").read_bytes())
    (folder / "times.csv").write_text(
        "job,minutes\nhook.gcode,0.361\nbracket.gcode,0.163\nhook.gcode,0.364\narm"
        ".gcode,0.358\nbracket.gcode,0.167\ncap.gcode,0.902\nclip.gcode,0.361\n"
    )
    (folder / "printers.csv").write_text(
        "name,machine,class,materials,free_from\nbench,bench.toml,,,\nwindow,quick,,,\n"
    )
    (folder / "orders.csv").write_text(
        "order,job,hours,quantity,due,class,material\n"
        "lamp brackets,bracket.gcode,,40,2026-03-03,,\ncable guides,hook.gcode,,1200,2026-03-02 12:00,,\n"
        "mudguard stays,,7.5,4,2026-03-04,,\n"
    )

    def run(
        arguments: tuple[str, ...], width: int | None, encoding: str, colour: bool = False, remarks_too: bool = False
    ) -> Screen:
        streams = []
        with monkeypatch.context() as patch:
            for name in ("stdout", "stderr"):
                stream = _Terminal(io.BytesIO(), encoding=encoding, newline="\n", write_through=True)
                stream.is_terminal = width is not None and (remarks_too or name == "stdout")
                streams.append(stream)
                patch.setattr(sys, name, stream)
            patch.setenv("COLUMNS", str(width or 80))
            patch.setenv("TERM", "xterm-256color")
            for name in ("NO_COLOR", "FORCE_COLOR"):
                patch.delenv(name, raising=False)
            if not colour:
                patch.setenv("NO_COLOR", "1")
            with pytest.raises(SystemExit) as left:
                main(list(arguments))
        assert isinstance(left.value.code, int)
        out, err = (stream.buffer.getvalue().decode(encoding) for stream in streams)  # type: ignore[attr-defined]
        return Screen(left.value.code, out, err)

    return run


def words_of(screen: str) -> Counter[str]:
    """The words of a screen; not the rules of tables, nor the backslash of a command that goes on."""
    return Counter(word for word in RULES.sub(" ", screen).split() if word != "\\")


def quantities_of(screen: str) -> Counter[str]:
    """The numbers with their units that stand whole on one line, and the numbers of lines."""
    return Counter(found for line in screen.splitlines() for found in QUANTITY.findall(line))


def heads_of(screen: str) -> set[str]:
    """The words of the heads of tables: they stand above a rule on a wide terminal."""
    lines = screen.splitlines()
    return {word for i, line in enumerate(lines) if RULES.fullmatch(line.strip()) for word in lines[i - 1].split() if i}


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_is_cut(show: Show, command: str, encoding: str) -> None:
    arguments = COMMANDS[command]
    whole = ESCAPES.sub("", show(arguments, VERY_WIDE, encoding).out)
    heads = heads_of(whole)
    words, quantities = words_of(whole), quantities_of(whole)
    assert quantities or command in ("layers", "machine show", "machine check", "guide")
    for width in WIDTHS:
        plain = show(arguments, width, encoding)
        assert plain.status in (0, 1), plain.err
        screen = ESCAPES.sub("", plain.out)
        if width == COLOURED:
            coloured = show(arguments, width, encoding, colour=True)
            assert ESCAPES.sub("", coloured.out) == screen
        assert not quantities - quantities_of(screen)
        differing = (words - words_of(screen)) + (words_of(screen) - words)
        assert set(differing) <= heads  # which a record repeats
        for line in screen.splitlines():
            assert len(line) <= width, line


@pytest.mark.parametrize("command", COMMANDS)
def test_a_narrow_encoding_says_the_same_in_plain_characters(show: Show, command: str) -> None:
    full = show(COMMANDS[command], VERY_WIDE, "utf-8").out
    for encoding in ENCODINGS[1:]:
        narrow = show(COMMANDS[command], VERY_WIDE, encoding)
        assert narrow.out.count("?") == full.count("?")  # nothing was without a plain spelling
        assert words_of(ESCAPES.sub("", narrow.out)) == words_of(encodable(ESCAPES.sub("", full), encoding))


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_pipe_gets_the_whole_answer(show: Show, command: str, encoding: str) -> None:
    """All that a wide terminal shows, though without its layout; remarks stay on standard error."""
    piped = show(COMMANDS[command], None, encoding)
    screen = ESCAPES.sub("", show(COMMANDS[command], VERY_WIDE, encoding).out)
    assert piped.status in (0, 1)
    assert ESCAPES.search(piped.out) is None
    assert set(words_of(screen)) <= set(words_of(piped.out))
    assert all("compiling" in line for line in piped.err.splitlines())


def test_remarks_and_errors_are_broken_between_words_too(show: Show) -> None:
    asks = ("caps", "--machine", "bench.toml", "--set", "motion.print_aceleration_mm_s2=400", "--set", "speed=-2")
    wide, narrow = (show(asks, width, "utf-8", remarks_too=True) for width in (VERY_WIDE, 60))
    assert (narrow.status, narrow.out) == (2, "")
    assert words_of(narrow.err) == words_of(wide.err)
    assert len(wide.err.splitlines()) == 2  # a line an error
    assert all(len(line) <= 60 for line in narrow.err.splitlines())


def test_json_is_json_in_any_encoding(show: Show, folder: Path) -> None:
    import json

    (folder / "größe 5 µm.gcode").write_bytes((folder / "hook.gcode").read_bytes())
    arguments = ("estimate", "größe 5 µm.gcode", "--machine", "quick", "--json")
    documents = [json.loads(show(arguments, None, encoding).out) for encoding in ENCODINGS]
    assert documents[0] == documents[1] == documents[2]
    assert documents[0]["jobs"][0]["file"] == "größe 5 µm.gcode"


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_process_of_its_own_in_a_narrow_encoding(folder: Path, encoding: str) -> None:
    import os

    name = b"odd \xff.gcode"
    with open(os.fsencode(folder) + b"/" + name, "wb") as file:
        file.write((folder / "hook.gcode").read_bytes())
    shown = on_a_terminal("estimate", "hook.gcode", "--machine", "quick", PYTHONIOENCODING=encoding, COLUMNS="80")
    assert "#####" in shown
    for arguments in (("--help",), ("estimate", "--help"), ("estimate", os.fsdecode(name), "--machine", "quick")):
        ran = run_apart(*arguments, PYTHONIOENCODING=encoding)
        assert (ran.status, ran.err.replace("first run", "")) == (0, ""), ran.err
    assert "odd \\xff.gcode" in ran.out
    refused = run_apart("estimate", "größe…gcode", PYTHONIOENCODING=encoding)
    assert refused.status == 2
    assert "no such file" in refused.err


def test_what_is_next_is_a_command_that_a_shell_takes(show: Show) -> None:
    import shlex

    def following(width: int) -> list[str]:
        out = ESCAPES.sub("", show(COMMANDS["estimate"], width, "utf-8").out)
        return shlex.split(out[out.index("next: ") :].partition("\nBefore")[0].replace("\\\n", ""))

    assert following(60) == following(VERY_WIDE)
