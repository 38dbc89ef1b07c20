"""Many candidates at once: the batch beside a C twin, plain numpy and single plans; growth; a sweep as a whole process.

Constant caps, float64. Run from anywhere: python benchmarks/batch.py [--plot FILE]
"""

from __future__ import annotations

import compileall
import ctypes
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from itertools import product
from pathlib import Path

import numpy as np
from contest import ROOT, Times, Verdicts, in_turn, table
from numpy.typing import NDArray
from plan import MACHINE, cases
from process import run, write_job

from kinematics.jobs.prepared import PreparedJob
from kinematics.lanes import LANES
from kinematics.limits import columns as by
from kinematics.machine import load_machine
from kinematics.planner.batch import BATCH_BLOCK, BatchFeatures, _rows_of, batch_features, batch_times
from kinematics.planner.features import Features
from kinematics.planner.plan import make_room, plan

MOVES = 1_000_000
CANDIDATES = 2 * LANES
SIZES = (10_000, 100_000, 1_000_000)
COUNTS = (LANES, 10 * LANES, 100 * LANES)
FEW_MOVES, NUMPY_CANDIDATES = 5_000, 256
SOURCE = Path(__file__).with_name("batch_twin.c")
FLAGS = ("gcc", "-O3", "-march=native", "-ffast-math", "-shared", "-fPIC")
FIELDS = BatchFeatures._fields[: BatchFeatures._fields.index("turn")]
AGREEMENT = 1e-9
MOST_OF_C, TIMES_SINGLE, TIMES_NUMPY, TIMES_ONE_THREAD = 1.0, 3.0, 30.0, 1.7
TIMES_ALONE = 1.9  # what two threads of C bring that share nothing, or the machine is busy
MOST_GROWTH = 2.0  # dearest beside cheapest move and candidate over two decades
MOST_ESTIMATES = 10.0
SMALL_BYTES, MOST_OF_SMALL = 1_000_000, 2.0

Reals = NDArray[np.float64]


def candidates(limits: Reals, count: int) -> list[Reals]:
    """Tables whose accelerations and speeds lie apart, from a third to three times."""
    tables = []
    for factor in np.geomspace(1.0 / 3.0, 3.0, count):
        one = limits.copy()
        one[:, [by.PATH_RAMP, by.X_RAMP, by.Y_RAMP]] *= factor
        one[:, by.SPEED_SHARE] *= factor**0.5
        tables.append(one)
    return tables


class FeaturesForC(ctypes.Structure):
    """`Features` of batch_twin.c."""

    _fields_ = [(name, ctypes.c_void_p) for name in FIELDS]


def c_twin(folder: Path) -> ctypes.CDLL | None:
    """The C twin; None where there is no gcc."""
    if shutil.which("gcc") is None:
        print("no gcc: the C twin is left out")
        return None
    subprocess.run([*FLAGS, str(SOURCE), "-o", str(folder / "twin.so"), "-lm"], check=True)
    return ctypes.CDLL(str(folder / "twin.so"))


def in_c(library: ctypes.CDLL, features: BatchFeatures, limits: list[Reals]) -> Reals:
    """The totals that the C twin finds, a row of candidates after the other, on this thread."""
    arrays = [np.ascontiguousarray(getattr(features, name)) for name in FIELDS]
    given = FeaturesForC(*(array.ctypes.data for array in arrays))
    scratch = [np.empty((BATCH_BLOCK + 1, LANES)) for _ in range(4)]
    totals = np.zeros((len(limits) // LANES, LANES))
    for k, total in enumerate(totals):
        rows = _rows_of(np.stack(limits[k * LANES : (k + 1) * LANES]))
        pointers = [ctypes.c_void_p(array.ctypes.data) for array in (*scratch, total)]
        n, columns, size = ctypes.c_long(arrays[0].size), ctypes.c_int(by.LIMITS), ctypes.c_long(BATCH_BLOCK)
        if library.batch(ctypes.byref(given), n, ctypes.c_void_p(rows.ctypes.data), columns, size, *pointers):
            sys.exit("a block of the C twin has no end")
    return totals.ravel()


def in_numpy(f: Features, limits: list[Reals]) -> Reals:
    """The totals with rows of numpy over the candidates: all ceilings at once, then the passes move by move."""
    values = np.stack(limits, axis=2)[f.move_class]  # moves × columns × candidates

    def over(column: int, share: Reals) -> Reals:
        return np.asarray(values[:, column] / share[:, None])

    n = f.length.size
    with np.errstate(divide="ignore", invalid="ignore"):
        v = np.minimum(over(by.SPEED_SHARE, f.pace), values[:, by.CAP])
        for column, share in ((by.X_MOST, f.x), (by.Y_MOST, f.y), (by.Z_MOST, f.z), (by.FILAMENT_MOST, f.ratio)):
            v = np.minimum(v, over(column, share))
        a = values[:, by.PATH_RAMP]
        for column, share in ((by.X_RAMP, f.x), (by.Y_RAMP, f.y), (by.Z_RAMP, f.z), (by.FILAMENT_RAMP, f.ratio)):
            a = np.minimum(a, over(column, share))
        v = v * v
        corner = a.copy()
        corner[1:] = np.minimum(a[1:], a[:-1])
        for column, share in ((by.X_RAMP, f.corner_x), (by.Y_RAMP, f.corner_y), (by.Z_RAMP, f.corner_z)):
            corner = np.minimum(corner, over(column, share))
        bend = np.minimum(over(by.DEVIATION, f.sharpness), 1.0 / f.curvature[:, None])
        nodes = np.vstack([np.minimum(corner * bend, v), np.zeros((1, len(limits)))])
    nodes[1:-1] = np.minimum(nodes[1:-1], v[:-1])
    nodes[f.rest != 0] = 0.0
    gains = 2.0 * f.length[:, None] * a
    for i in range(n - 1, 0, -1):
        np.minimum(nodes[i], nodes[i + 1] + gains[i], out=nodes[i])
    for i in range(n):
        np.minimum(nodes[i + 1], nodes[i] + gains[i], out=nodes[i + 1])
    speed = np.sqrt(nodes)
    top = np.sqrt(np.minimum(v, 0.5 * (gains + nodes[:-1] + nodes[1:])))
    return np.asarray(((gains + (top - speed[:-1]) ** 2 + (top - speed[1:]) ** 2) / (2.0 * a * top)).sum(axis=0))


def together(runs: list[Callable[[], object]]) -> None:
    """Run all at the same time."""
    threads = [threading.Thread(target=one) for one in runs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def largest_difference(one: Reals, other: Reals) -> float:
    """Relative."""
    return float(np.abs(one / other - 1.0).max())


def peers(verdicts: Verdicts, library: ctypes.CDLL | None) -> None:
    """A million moves: one thread beside C, single plans, two threads; numpy on few moves."""
    case, few = cases((MOVES, FEW_MOVES))
    features, limits = batch_features(case.features, np.zeros(MOVES, np.int32)), candidates(case.limits, CANDIDATES)
    small, many = batch_features(few.features, np.zeros(FEW_MOVES, np.int32)), candidates(few.limits, NUMPY_CANDIDATES)
    room = make_room(MOVES, case.limits.shape[0])
    work = MOVES * CANDIDATES
    runs: dict[str, tuple[Callable[[], object], int]] = {
        "batch, one thread": (lambda: batch_times(features, limits, workers=1), work),
        "batch, two threads": (lambda: batch_times(features, limits, workers=2), work),
        "single plan": (lambda: plan(case.features, limits[0], room=room), MOVES),
        "batch, few moves": (lambda: batch_times(small, many, workers=1), FEW_MOVES * NUMPY_CANDIDATES),
        "numpy, few moves": (lambda: in_numpy(few.features, many), FEW_MOVES * NUMPY_CANDIDATES),
    }
    found = batch_times(features, limits).motion
    differences = {
        "single plan": largest_difference(found[:1], np.array([plan(case.features, limits[0]).duration.sum()])),
        "numpy": largest_difference(batch_times(small, many).motion, in_numpy(few.features, many)),
    }
    if library is not None:
        half = CANDIDATES // 2
        halves: list[Callable[[], object]] = [
            lambda: in_c(library, features, limits[:half]),
            lambda: in_c(library, features, limits[half:]),
        ]
        runs["C, one thread"] = (lambda: in_c(library, features, limits), work)
        runs["C, two threads"] = (lambda: together(halves), work)
        differences["C"] = largest_difference(found, in_c(library, features, limits))
    times = in_turn({name: each for name, (each, _) in runs.items()}, seconds=20.0)
    cost = {name: each.least / runs[name][1] * 1e9 for name, each in times.items()}
    rows = [[name, f"{cost[name]:.2f}", f"{each.median / runs[name][1] * 1e9:.2f}"] for name, each in times.items()]
    table(["ns a move and candidate", "least", "median"], rows)
    for name, difference in differences.items():
        verdicts.judge(f"totals are those of {name} to {AGREEMENT:g}", f"{difference:.1e}", difference <= AGREEMENT)
    print(f"on few moves numpy takes {cost['numpy, few moves'] / cost['batch, few moves']:.1f} times as long")
    one, two = cost["batch, one thread"], cost["batch, two threads"]
    alone = cost["C, one thread"] / cost["C, two threads"] if library is not None else TIMES_ALONE
    if library is not None:
        ratio = one / cost["C, one thread"]
        verdicts.judge("no slower than the C twin", f"{ratio:.2f} of its time", ratio <= MOST_OF_C)
    for target, ratio, least in (
        ("single plans, a candidate", cost["single plan"] / one, TIMES_SINGLE),
        # Numpy at its best, on moves that stay in its cache; a million of them would not.
        ("numpy over candidates", cost["numpy, few moves"] / one, TIMES_NUMPY),
    ):
        verdicts.judge(f"at least {least:g} times as fast as {target}", f"{ratio:.1f} times", ratio >= least)
    if one / two < TIMES_ONE_THREAD and alone < TIMES_ALONE:
        print(f"machine busy: two threads of C bring {alone:.2f} times one; ours {one / two:.2f} times, not judged")
    else:
        target = f"two threads at least {TIMES_ONE_THREAD:g} times one"
        verdicts.judge(target, f"{one / two:.2f} times; C {alone:.2f} times", one / two >= TIMES_ONE_THREAD)


def growth(verdicts: Verdicts, plot: Path | None) -> None:
    """Moves and candidates over two decades each, one thread."""
    made = dict(zip(SIZES, cases(SIZES), strict=True))
    grown: dict[str, tuple[tuple[int, ...], list[Times]]] = {}
    for what, sizes in (("moves", SIZES), ("candidates", COUNTS)):
        runs: dict[str, Callable[[], object]] = {}
        for size in sizes:
            n, count = (size, LANES) if what == "moves" else (SIZES[0], size)
            features, limits = batch_features(made[n].features, np.zeros(n, np.int32)), made[n].limits
            tables = candidates(limits, count)
            runs[str(size)] = lambda features=features, tables=tables: batch_times(features, tables, workers=1)  # type: ignore[misc]
        grown[what] = (sizes, list(in_turn(runs, seconds=5.0).values()))
    for what, (sizes, times) in grown.items():
        other = LANES if what == "moves" else SIZES[0]
        costs = [each.least / size / other * 1e9 for size, each in zip(sizes, times, strict=True)]
        table([what, "seconds", "ns a move and candidate"], [
            [f"{size:,}", f"{each.least:.4f}", f"{cost:.2f}"]
            for size, each, cost in zip(sizes, times, costs, strict=True)
        ])  # fmt: skip
        ratio = max(costs) / min(costs)
        verdicts.judge(f"linear in {what}: within {MOST_GROWTH:g} times", f"{ratio:.2f} times", ratio <= MOST_GROWTH)
    if plot is not None:
        from matplotlib.figure import Figure

        figure = Figure(figsize=(6.0, 4.0), layout="constrained")
        axes = figure.subplots()
        for (what, (sizes, times)), style in zip(grown.items(), ("o-", "s--"), strict=True):
            axes.loglog(sizes, [each.least for each in times], style, color="black", label=what)
        axes.set_xlabel("moves, or candidates")
        axes.set_ylabel("seconds")
        axes.legend()
        figure.savefig(plot)
        print(f"plot written to {plot}")


def whole_process(verdicts: Verdicts, folder: Path) -> None:
    """A sweep of 1,000 candidates over 10 MB beside one estimate, warm."""
    compileall.compile_dir(ROOT / "kinematics", quiet=1)  # as an installed program has it
    job, rows = folder / "job.gcode", folder / "rows.csv"
    write_job(job)
    begin = [sys.executable, "-m", "kinematics"]
    chosen = [str(job), "--machine", "middling"]
    knobs = ["--vary", "acceleration=300:9000:40", "--vary", "speed=0.5:2:25"]
    cache = os.environ.get("KINEMATICS_CACHE_DIR")
    runs: dict[str, Callable[[], object]] = {
        "estimate": lambda: run([*begin, "estimate", *chosen], cache),
        "sweep of 1,000": lambda: run([*begin, "sweep", *chosen, *knobs, "-o", str(rows), "--force"], cache),
    }
    estimate, sweep = in_turn(runs, seconds=20.0, rounds=3).values()
    table(["process, 10 MB", "seconds", "median"], [
        [name, f"{each.least:.2f}", f"{each.median:.2f}"]
        for name, each in zip(runs, (estimate, sweep), strict=True)
    ])  # fmt: skip
    ratio = sweep.least / estimate.least
    verdicts.judge(f"in under {MOST_ESTIMATES:g} times one estimate", f"{ratio:.1f} times", ratio < MOST_ESTIMATES)
    job.write_bytes(job.read_bytes()[:SMALL_BYTES].rpartition(b"\n")[0] + b"\n")
    estimate, sweep, alone = in_turn(runs | {"the batches alone": batches_of(job)}, seconds=10.0, rounds=5).values()
    table(["process, 1 MB", "seconds", "median"], [
        [name, f"{each.least:.2f}", f"{each.median:.2f}"]
        for name, each in zip((*runs, "the batches of 1,000 alone"), (estimate, sweep, alone), strict=True)
    ])  # fmt: skip
    ratio = sweep.least / (estimate.least + alone.least)
    target = f"1,000 over 1 MB in at most {MOST_OF_SMALL:g} times the batches and one estimate"
    verdicts.judge(target, f"{ratio:.2f} times", ratio <= MOST_OF_SMALL)


def batches_of(job: Path) -> Callable[[], object]:
    """The batches of a sweep of 1,000 candidates over a job, all else made beforehand."""
    prepared, machine = PreparedJob(str(job)), load_machine("middling")
    pairs = product(np.geomspace(300.0, 9000.0, 40), np.linspace(0.5, 2.0, 25))
    machines = [machine.with_settings({"acceleration": one, "speed": other}) for one, other in pairs]
    laid_out = [prepared.laid_out(one) for one in machines]
    features = batch_features(laid_out[0].features, laid_out[0].job.moves.layer)
    limits = [one.limits.values for one in laid_out]
    return lambda: batch_times(features, limits, layers=laid_out[0].job.layers)


def main() -> None:
    """Run all parts."""
    plot = Path(sys.argv[2]) if sys.argv[1:2] == ["--plot"] and len(sys.argv) == 3 else None
    if len(sys.argv) > 1 and plot is None:
        sys.exit("python benchmarks/batch.py [--plot FILE]")
    verdicts = Verdicts()
    print(f"{', '.join(f'{key} {value:g}' for key, value in MACHINE.items())}\n")
    with tempfile.TemporaryDirectory() as folder:
        peers(verdicts, c_twin(Path(folder)))
        growth(verdicts, plot)
        whole_process(verdicts, Path(folder))
    verdicts.exit()


if __name__ == "__main__":
    main()
