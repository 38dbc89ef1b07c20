"""Makes `guide json` anew: the keys of every document, from documents that the program writes on the samples.

`python -m tests.samples.json_guide` writes the guide; with `--check` it only tells whether it differs (exit status 1).
"""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.first_document import told_first

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "kinematics" / "reports" / "guides" / "json.txt"
SAMPLES = ROOT / "sample_gcode"
HEAD = (
    "JSON: the documents of --json, key by key.\n\n"
    "Each command prints one document with schema_version, tool_version and the numbers that its screen shows; names "
    'carry their units. A key with "?" may be null or left out. machine is the effective machine, section by section '
    "as in its file. Keys may be added; a key that changes its meaning raises schema_version."
)
# What each document is made from, in the folder of the samples; a command that is new gets its row here.
COMMANDS: Mapping[str, Sequence[str]] = {
    "estimate": (
        "estimate test_cube.gcode --machine middling --layers --limits",
        "estimate test_cube.gcode",
        "estimate test_cube.gcode --machine middling --copies 3",
    ),
    "compare": (
        "compare test_cube.gcode --machine middling --candidate acceleration=4000 --copies 2",
        "compare test_cube.gcode --machine middling --set corner={low=0.02,likely=0.03,high=0.05} --candidate speed=2",
    ),
    "ladder": (
        "ladder test_cube.gcode --machine gentle --claim 30m=7m --copies 2",
        "ladder bracket.gcode --machine gentle --until 20m --allow quality",
    ),
    "target": (
        "target test_cube.gcode --machine middling --within 19m",
        "target test_cube.gcode --machine middling --within 1m",
    ),
    "sweep": (
        "sweep test_cube.gcode --machine machines/bench_cartesian.toml --vary acceleration=500:8000:6log",
        "sweep test_cube.gcode --machine middling --vary acceleration=500:8000:4 --vary speed=0.5:2:3",
    ),
    "caps": ("caps test_cube.gcode --machine machines/bench_cartesian.toml", "caps --machine middling"),
    "vibration": (
        "vibration test_cube.gcode --machine machines/bench_cartesian.toml --dialect shop_dialect.toml"
        " --write-settings",
        "vibration --machine middling --ripple x=13/5@120 --own-filter",
    ),
    "fit": ("fit test_cube.gcode=26m bracket.gcode=41m --machine gentle", "fit test_cube.gcode=26m --machine gentle"),
    "bedful": ("bedful test_cube.gcode --machine shop/bench.toml",),
    "upgrades": (
        "upgrades test_cube.gcode --machine shop/bench.toml",
        "upgrades test_cube.gcode --machine shop/bench.toml --copies 2",
    ),
    "shop": (
        "shop shop/orders.csv --printers shop/printers.csv --start 2026-03-02T08:00 --candidate 'faster: speed=1.5'",
    ),
    "report": ("report test_cube.gcode --machine middling --figures {out}/figures -o {out}/page.html",),
    "explore": ("explore test_cube.gcode --machine middling --port 0",),
    "demo": ("demo {out}/demo",),
    "proof": (
        "proof acceleration --machine machines/bench_cartesian.toml --dialect shop_dialect.toml --to 800 -o {out}/p.g",
    ),
    "proof read": ("proof read {out}/p.g --height 20", "proof read --ripple 3.1 --speed 120"),
    "machine show": ("machine show middling",),
    "machine check": ("machine check middling",),
}
NEVER_END = ("explore",)
NOT_OPENED = {"machine", "schema_version", "tool_version"}
FREE_NAMES = {
    *("other_axes_share", "axis_accelerations_mm_s2", "settings"),
    *("raised", "from", "to", "fixed_by_kind_s", "stops_by_kind_s"),
    *("commands_silenced", "set", "warnings", "knee", "machines"),
}  # names in them are the user's


def documents(commands: Sequence[str], out: str) -> list[Any]:
    """The documents of some commands, which may write into a folder."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    found = []
    for words in commands:
        arguments = shlex.split(words.format(out=out) if "{out}" in words else words)
        if arguments[0] in NEVER_END:
            with told_first(arguments, SAMPLES, environment) as (told, _):
                found.append(told)
            continue
        done = subprocess.run(
            [sys.executable, "-m", "kinematics", *arguments, "--json"],
            capture_output=True, cwd=SAMPLES, env=environment, check=False, text=True,
        )  # fmt: skip
        if done.returncode not in (0, 1):
            raise SystemExit(f"{words}: {done.stderr}")
        found.append(json.loads(done.stdout))
    return found


def _kind(values: Sequence[Any]) -> str:
    known = [value for value in values if value is not None]
    if not known:
        return "null here"
    if all(isinstance(value, bool) for value in known):
        return "true or false"
    if all(isinstance(value, str) for value in known):
        return "text"
    if all(isinstance(value, int) and not isinstance(value, bool) for value in known):
        return "whole number"
    if all(isinstance(value, (int, float)) for value in known):
        return "number"
    return "value"


def tree(objects: Sequence[Mapping[str, Any]], depth: int) -> Iterator[str]:
    """The keys of objects of one shape, a line each, what is inside them below."""
    keys = list(dict.fromkeys(key for one in objects for key in one))
    for key in keys:
        values = [one[key] for one in objects if key in one]
        mark = "?" if len(values) < len(objects) or None in values else ""
        pad = "  " * depth
        if key in NOT_OPENED:
            continue
        inside = [value for value in values if isinstance(value, Mapping)]
        lists = [value for value in values if isinstance(value, list)]
        if inside and key in FREE_NAMES:
            below = [value for one in inside for value in one.values()]
            maps = [value for value in below if isinstance(value, Mapping)]
            yield f"{pad}{key}{mark}: by name" + ("" if maps else f", {_kind(below)}")
            yield from tree(maps, depth + 1) if maps else ()
        elif inside:
            yield f"{pad}{key}{mark}:"
            yield from tree(inside, depth + 1)
        elif lists:
            items = [item for one in lists for item in one]
            maps = [item for item in items if isinstance(item, Mapping)]
            plain = f" of {_kind(items)}" if items and not isinstance(items[0], list) else ""
            yield f"{pad}{key}{mark}: list{' of' if maps else plain}"
            yield from tree(maps, depth + 1) if maps else ()
        else:
            yield f"{pad}{key}{mark}: {_kind(values)}"


def made() -> str:
    """The text of the guide."""
    lines = [HEAD]
    with tempfile.TemporaryDirectory() as folder:
        for name, commands in COMMANDS.items():
            lines += ["", name, *tree(documents(commands, folder), 1)]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Write the guide, or tell whether it differs."""
    text = made()
    if "--check" in sys.argv[1:]:
        return 0 if GUIDE.read_text(encoding="utf-8") == text else 1
    GUIDE.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
