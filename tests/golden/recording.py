"""The golden corpus: what the program answered, kept, and held against what it answers now.

`python -m tests.golden.recording` records anew; `--check` compares every case and tells what differs. Numbers may
differ by 1e-9 of the total of a job (causes by that much together, where ceilings tie), sentences not at all. Totals
are recorded anew only beside a new line under "Changes" in the README that says by how much; `told.json` keeps which
lines stood there whenever totals were recorded.
"""

from __future__ import annotations

import contextlib
import functools
import gzip
import hashlib
import io
import itertools
import json
import math
import os
import re
import shlex
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.golden.cases import COMMANDS, JOBS, case

ROOT = Path(__file__).resolve().parents[2]
RECORDING = Path(__file__).with_name("recorded.json.gz")
TOLD = Path(__file__).with_name("told.json")
RELATIVE = 1e-9  # of the job's total
TIED_SHARE = 1e-6  # of a job's seconds that may stand under another of two equal ceilings
HOW_MUCH = re.compile(r"\d[\d.,]* ?%")
NUMBER = re.compile(r"-?\d[\d,]*(?:\.\d+)?(?:e-?\d+)?")
OF_A_JOB = (
    "total_s", "motion_s", "dwell_s", "stops_s", "cooling_s", "moves", "layers", "path_mm", "printed_path_mm",
    "filament_mm", "peak_flow_mm3_s", "peak_speed_mm_s",
)  # fmt: skip


def said(*arguments: str) -> tuple[int, str, str]:
    """Run the program inside this process: exit status, answer, remarks."""
    from kinematics.cli.program import main

    out, err, status = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(list(arguments))
        except SystemExit as left:
            status = int(left.code or 0)
    return status, out.getvalue(), err.getvalue()


def job_record(seed: int) -> dict[str, Any]:
    """What an estimate says of a seed's job."""
    made = case(seed)
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        Path("job.gcode").write_text(made.job)
        Path("bench.toml").write_text(made.machine)
        status, out, err = said("estimate", "job.gcode", "--machine", "bench.toml", "--json")
    if status != 0:
        return {"status": status, "said": err}
    job = json.loads(out)["jobs"][0]
    return {
        **{key: job[key] for key in OF_A_JOB},
        "causes": {row["cause"]: row["seconds"] for row in job["where_the_time_goes"]},
        "notices": [[row["line"], row["count"], row["text"]] for row in job["warnings"]],
    }


def command_record(command: str) -> dict[str, Any]:
    """What a command says, run where the samples stand."""
    with contextlib.chdir(ROOT):
        status, out, err = said(*shlex.split(command))
    return {"status": status, "out": out, "err": "\n".join(row for row in err.splitlines() if "compiling" not in row)}


def differences(old: Any, new: Any, scale: float, place: str = "") -> list[str]:
    """Where two records differ by more than rounding; `scale` in the unit of their numbers."""
    if isinstance(old, dict) and isinstance(new, dict):
        found = [f"{place}: {sorted(old.keys() ^ new.keys())}"] if old.keys() != new.keys() else []
        for key in old.keys() & new.keys():
            found += differences(old[key], new[key], scale, f"{place}/{key}")
        return found
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        return [text for k, one in enumerate(old) for text in differences(one, new[k], scale, f"{place}[{k}]")]
    if isinstance(old, float) and isinstance(new, (int, float)):
        return (
            [] if math.isclose(old, new, rel_tol=RELATIVE, abs_tol=RELATIVE * scale) else [f"{place}: {old!r} {new!r}"]
        )
    if isinstance(old, str) and isinstance(new, str) and old != new:
        return _text_differences(old, new, place)
    return [] if old == new else [f"{place}: {old!r} {new!r}"]


def _text_differences(old: str, new: str, place: str) -> list[str]:
    """Lines of screens that differ; their numbers are rounded already, so that the last digit may."""
    before, after = old.splitlines(), new.splitlines()
    if len(before) != len(after):
        return [f"{place}: {len(before)} lines, now {len(after)}: {sorted({*before} ^ {*after})[:4]}"]
    found = []
    for one, other in zip(before, after, strict=True):
        if one != other and (NUMBER.sub("#", one) != NUMBER.sub("#", other) or not _near(one, other)):
            found.append(f"{place}: {one!r} {other!r}")
    return found


def _near(one: str, other: str) -> bool:
    pairs = zip(NUMBER.findall(one), NUMBER.findall(other), strict=True)
    return all(
        math.isclose(float(a.replace(",", "")), float(b.replace(",", "")), rel_tol=1e-6, abs_tol=_last_digit(a))
        for a, b in pairs
    )


def _last_digit(number: str) -> float:
    return 1.001 * 10.0 ** -len(number.partition(".")[2]) if "." in number else 0.0


def with_ties(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """Differences of a job's record; causes may swap seconds where ceilings tie."""
    if "causes" not in old or "causes" not in new:
        return differences(old, new, 1.0)
    scale = max(old["total_s"], 1.0)
    found = differences({**old, "causes": 0}, {**new, "causes": 0}, scale)
    together = math.fsum(old["causes"].values()), math.fsum(new["causes"].values())
    found += differences(*together, scale, "sum of causes")
    moved = sum(
        abs(old["causes"].get(name, 0.0) - new["causes"].get(name, 0.0)) for name in {*old["causes"], *new["causes"]}
    )
    if moved > TIED_SHARE * scale:
        found.append(f"causes moved by {moved:.3g} s: {old['causes']} {new['causes']}")
    return found


@functools.cache
def recorded() -> dict[str, Any]:
    """The corpus as it was recorded."""
    return json.loads(gzip.decompress(RECORDING.read_bytes()))


def record() -> dict[str, Any]:
    """The corpus as the program answers now."""
    return {
        "jobs": {str(seed): job_record(seed) for seed in range(JOBS)},
        "commands": {command: command_record(command) for command in COMMANDS},
    }


def compare(old: dict[str, Any], seeds: range, commands: tuple[str, ...]) -> list[str]:
    """What differs, each with its case."""
    found = []
    for seed in seeds:
        found += [f"job {seed}{text}" for text in with_ties(old["jobs"][str(seed)], job_record(seed))]
    for command in commands:
        found += [f"{command}{text}" for text in differences(old["commands"][command], command_record(command), 1.0)]
    return found


def totals_of(corpus: dict[str, Any]) -> str:
    """One number for all totals of a corpus: it changes with any of them."""
    totals = {seed: job.get("total_s") for seed, job in corpus["jobs"].items()}
    return hashlib.sha256(json.dumps(totals, sort_keys=True).encode()).hexdigest()[:16]


def lines_of_changes(readme: str) -> list[str]:
    """The lines of the README under "Changes" that say by how much."""
    section = readme.partition("\n## Changes\n")[2].partition("\n## ")[0]
    return [line[2:] for line in section.splitlines() if line.startswith("- ") and HOW_MUCH.search(line)]


Told = list[dict[str, Any]]  # whenever totals were recorded: what they came to, and the lines that stood in the README


def not_told(told: Told, totals: str, lines: list[str]) -> list[str]:
    """What is wrong with the totals that are recorded and the lines that tell of them; empty where nothing is."""
    found = [f"no longer under Changes: {line}" for line in told[-1]["lines"] if line not in lines]
    if told[-1]["totals"] != totals:
        found.append(f"totals are {totals}, and those told of are {told[-1]['totals']}")
    for before, after in itertools.pairwise(told):
        if not {*after["lines"]} - {*before["lines"]}:
            found.append(f"totals {after['totals']} came without a new line under Changes")
    return found


def kept(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """The new corpus with the old record of every job that differs by no more than rounding."""
    jobs = {
        seed: old["jobs"][seed] if seed in old["jobs"] and not with_ties(old["jobs"][seed], job) else job
        for seed, job in new["jobs"].items()
    }
    return {**new, "jobs": jobs}


def main() -> int:
    """Record, or with `--check` compare; exit status 1 where something differs, or new totals are told of nowhere."""
    os.environ["COLUMNS"] = "100"
    if "--check" in sys.argv[1:]:
        found = compare(recorded(), range(JOBS), COMMANDS)
        print("\n".join(found))
        print(f"{JOBS + len(COMMANDS)} cases, {len(found)} differences")
        return 1 if found else 0
    corpus = kept(recorded(), record())
    entry = {"totals": totals_of(corpus), "lines": lines_of_changes((ROOT / "README.md").read_text(encoding="utf-8"))}
    told: Told = json.loads(TOLD.read_text(encoding="utf-8"))
    told = [*told[:-1], entry] if told[-1]["totals"] == entry["totals"] else [*told, entry]
    if found := not_told(told, entry["totals"], entry["lines"]):
        print("\n".join(found))
        return 1
    text = json.dumps(corpus, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    RECORDING.write_bytes(gzip.compress(text.encode(), 9, mtime=0))
    TOLD.write_text(json.dumps(told, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    print(f"{RECORDING}: {RECORDING.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
