"""The live page on a job of a million moves: from a knob's change to the new total, beside the planner's own time.

Three ways in one run, knob by knob: the planner alone, the server asked over one connection, and the page in a browser,
from the event of the knob to the total as it stands in the page. Run from anywhere: python benchmarks/page.py
"""

from __future__ import annotations

import http.client
import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from contest import ROOT, SAMPLES, Verdicts, table

from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import load_machine
from kinematics.reports.printing import browser
from tests.first_document import told_first

MOVES = 1_000_000
MACHINE = "middling"
ROUNDS = 20
TIMES_PLANNER, BESIDE = 3.0, 0.05  # s
# By knob what it goes over, from the first to the second: what the machine has itself is none of its values.
KNOBS = {"acceleration": (1000.0, 5000.0), "speed": (1.1, 2.5), "corner": (0.02, 0.2)}
WAIT = 120_000  # ms

# In the page: turn a knob to one value after the other, each as soon as the total of the one before it is there.
TURN = """async ([name, values]) => {
  const input = document.getElementById(`knob-${name}-exact`);
  const total = document.getElementById("total");
  const taken = [];
  for (const value of values) {
    const begin = performance.now();
    const shown = new Promise((done) => {
      const watch = new MutationObserver(() => {
        if (!total.dataset.of.includes(`${name}=${value}`)) return;
        watch.disconnect();
        done(performance.now());
      });
      watch.observe(total, { attributes: true, childList: true });
    });
    input.value = String(value);
    input.dispatchEvent(new Event("input", { bubbles: true }));
    taken.push((await shown) - begin);
  }
  return taken;
}"""


def write_job(path: Path) -> int:
    """All sample jobs, again and again until there are so many moves; how many there are."""
    samples = b"".join(sample.read_bytes() for sample in sorted(SAMPLES.glob("*.gcode")))
    path.write_bytes(samples)
    once = len(PreparedJob(str(path)).read(load_machine(MACHINE)))
    path.write_bytes(samples * -(-MOVES // once))
    return once * -(-MOVES // once)


@contextmanager
def serving(path: Path) -> Iterator[str]:
    """The page about a job, as a process of its own; its address."""
    words = ["explore", str(path), "--machine", MACHINE, "--port", "0"]
    with told_first(words, ROOT, os.environ | {"PYTHONPATH": str(ROOT)}) as (told, _):
        yield told["address"]


def timed(run: Callable[[float], object], values: list[float]) -> list[float]:
    """How long something takes for each value (s), after one round that is not counted."""
    run(values[-1])
    taken = []
    for value in values:
        begin = time.perf_counter()
        run(value)
        taken.append(time.perf_counter() - begin)
    return taken


def in_the_page(page: Any, address: str, name: str, values: list[float]) -> list[float]:
    """The same in the browser (s), once it has come to rest."""
    page.goto(address)
    page.wait_for_selector("#answers[data-of]", state="attached", timeout=WAIT)
    page.evaluate(TURN, [name, values[-2:]])
    return [milliseconds / 1e3 for milliseconds in page.evaluate(TURN, [name, values])]


def main() -> None:
    """Run all knobs."""
    from playwright.sync_api import sync_playwright

    verdicts = Verdicts()
    if browser() is None:
        sys.exit("there is no chromium here")
    machine = load_machine(MACHINE)
    rows, found = [], {}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        path = Path(folder) / "million.gcode"
        moves = write_job(path)
        job = PreparedJob(str(path))
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        chromium = driver.chromium.launch(executable_path=browser(), args=sandbox)
        with serving(path) as address:
            page = chromium.new_page()
            for name, (low, high) in KNOBS.items():
                values = [float(f"{low + (high - low) * i / (ROUNDS - 1):.6g}") for i in range(ROUNDS)]

                def plan(value: float, name: str = name) -> None:
                    job.planned(machine.with_settings({name: value}), passing=True)

                connection = http.client.HTTPConnection(urlsplit(address).netloc)

                def ask(value: float, name: str = name, asked: http.client.HTTPConnection = connection) -> None:
                    asked.request("GET", f"/total?{name}={value}")
                    json.loads(asked.getresponse().read())["total_s"]

                ways = {
                    "planner": timed(plan, values),
                    "server": timed(ask, values),
                    "page": in_the_page(page, address, name, values),
                }
                found[name] = {way: statistics.median(taken) for way, taken in ways.items()}
                for way, taken in ways.items():
                    middle = statistics.median(taken)
                    cells = [f"{1e3 * one:.1f}" for one in (middle, min(taken), max(taken))]
                    rows.append([f"{name}, {way}", *cells, f"{middle / found[name]['planner']:.2f}"])
        chromium.close()
    table([f"{moves:,} moves, {ROUNDS} changes", "median ms", "least", "most", "of the planner"], rows)
    for name, one in found.items():
        most = TIMES_PLANNER * one["planner"] + BESIDE
        for way in ("server", "page"):
            target = f"{name}: a new total takes the {way} less than {TIMES_PLANNER:g} times the planner and 50 ms"
            verdicts.judge(target, f"{1e3 * one[way]:.0f} ms of {1e3 * most:.0f} ms", one[way] < most)
    verdicts.exit()


if __name__ == "__main__":
    main()
