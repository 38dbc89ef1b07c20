"""One candidate planned in full: the kernel beside a C twin and plain Python; nanoseconds a move for growing jobs.

All write every output of `Plan`, in float64, from the same arrays. Run from anywhere: python benchmarks/plan.py
"""

from __future__ import annotations

import ctypes
import math
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from contest import SAMPLES, Verdicts, in_turn, nanoseconds, table
from numpy.typing import NDArray
from plan_in_python import plan_in_python
from plan_in_quick_python import plan_in_quick_python
from plan_under_caps import under_caps

from kinematics.gcode.moves import Moves
from kinematics.gcode.reader import read_gcode
from kinematics.limits import columns as by
from kinematics.limits.classes import classify
from kinematics.limits.combine import limits_of
from kinematics.machine import Machine
from kinematics.machine.mechanisms import CrossedBelt, LinearDelta
from kinematics.planner.features import CornerSettings, Drive, Features, make_features
from kinematics.planner.plan import START, Plan, Stretch, make_room, plan, plan_moves
from kinematics.planner.ties import NO_TIES

JOB = SAMPLES / "cable_guide.gcode"
MACHINE = {
    "axes.x.max_speed_mm_s": 300.0,
    "axes.x.max_acceleration_mm_s2": 3000.0,
    "axes.y.max_speed_mm_s": 250.0,
    "axes.y.max_acceleration_mm_s2": 2500.0,
    "axes.z.max_speed_mm_s": 15.0,
    "axes.z.max_acceleration_mm_s2": 200.0,
    "axes.e.max_speed_mm_s": 50.0,
    "axes.e.max_acceleration_mm_s2": 3000.0,
    "motion.print_acceleration_mm_s2": 2800.0,
    "motion.travel_acceleration_mm_s2": 3500.0,
    "motion.junction_deviation_mm": 0.04,
    "motion.feed_override": 1.5,
    "hotend.max_flow_mm3_s": 11.0,
}
SIZES = (10_000, 100_000, 1_000_000, 10_000_000)
C_SIZES = (10_000, 100_000, 1_000_000)
SOURCE = Path(__file__).with_name("plan_twin.c")
COLUMNS = Plan._fields[: Plan._fields.index("certain")]
WAYS = ("full passes", "blocks", "cuts")
FLAGS = ("gcc", "-O3", "-march=native", "-shared", "-fPIC")
# What the kernel's compiler takes for granted as well (nobody reads errno or traps); gcc does not vectorise without.
FLAG_SETS = {"": (), ", no errno or traps": ("-fno-math-errno", "-fno-trapping-math")}
AGREEMENT = 1e-12
MOST_OF_C = 1.0
TIMES_PYTHON = 300.0
MOST_GROWTH = 2.0
CAPPED_SIZE = 1_000_000
MECHANISM_SIZE = 100_000
MOST_OF_PLAIN = 1.5

Reals = NDArray[np.float64]


class Case(NamedTuple):
    """A job of n moves and its limits (`inverse` as the kernel takes them)."""

    features: Features
    limits: Reals
    inverse: Reals


def long_job(n: int) -> Moves:
    """The moves of the sample job, repeated and cut to a number of moves."""
    moves = read_gcode(JOB).moves
    return Moves(*(np.ascontiguousarray(np.tile(field, -(-n // moves.dx.size))[:n]) for field in moves))


def cases(sizes: tuple[int, ...]) -> Iterator[Case]:
    """The sample job, repeated and cut to each size."""
    machine = Machine().with_settings(MACHINE, "benchmark")
    for n in sizes:
        long = long_job(n)
        classes = classify(long, 0)
        limits = limits_of(machine, classes.table).values
        with np.errstate(divide="ignore"):
            inverse = 1.0 / limits
        yield Case(make_features(long, classes.of_move, CornerSettings()), limits, inverse)


class FeaturesForC(ctypes.Structure):
    """`Features` of plan_twin.c."""

    _fields_ = [(name, ctypes.c_void_p) for name in Features._fields]


class PlanForC(ctypes.Structure):
    """`Plan` of plan_twin.c: the speeds at the nodes in one array."""

    _fields_ = [
        (name, ctypes.c_void_p)
        for name in ("speed", *(name for name in COLUMNS if name not in ("speed_in", "speed_out")))
    ]


def empty_plan(case: Case) -> tuple[Reals, Plan]:
    """Room for a plan: the speeds at the nodes, and the plan that shares them."""
    n = case.features.length.size
    speeds = np.zeros(n + 1)
    peak, acceleration, rising, cruising, falling, duration = (np.zeros(n) for _ in range(6))
    codes = np.zeros(n, np.uint8), np.zeros(n, np.uint8)
    seconds = np.zeros((case.limits.shape[0], by.CAUSES))
    return speeds, Plan(
        speeds[:-1], peak, speeds[1:], acceleration, rising, cruising, falling, duration, *codes, seconds
    )


def c_libraries(folder: Path) -> dict[str, ctypes.CDLL]:
    """The C twin under each set of flags; empty where there is no gcc."""
    if shutil.which("gcc") is None:
        print("no gcc: the C twin is left out")
        return {}
    found: dict[str, ctypes.CDLL] = {}
    for name, flags in FLAG_SETS.items():
        target = folder / f"twin{len(found)}.so"
        subprocess.run([*FLAGS, *flags, str(SOURCE), "-o", str(target), "-lm"], check=True)
        found[name] = ctypes.CDLL(str(target))
    return found


def c_twin(library: ctypes.CDLL, way: int, case: Case) -> tuple[Callable[[], object], Plan]:
    """A call of the C twin on a case, and the plan that it writes."""
    speeds, written = empty_plan(case)
    arrays: list[NDArray[Any]] = [speeds, written.speed_peak, *written[3 : len(COLUMNS)]]
    features = FeaturesForC(*(field.ctypes.data for field in case.features))
    target = PlanForC(*(field.ctypes.data for field in arrays))
    n, classes = ctypes.c_int64(case.features.length.size), ctypes.c_int64(case.limits.shape[0])
    inverse = ctypes.c_void_p(case.inverse.ctypes.data)

    def run() -> Any:
        return library.plan_moves(way, ctypes.byref(features), inverse, 0, n, classes, ctypes.byref(target))

    run.keeps = case, arrays  # type: ignore[attr-defined]
    return run, written


def kernel(case: Case) -> tuple[Callable[[], object], Plan]:
    """A call of the kernel into arrays that are already there, as the C twin has them."""
    speeds, written = empty_plan(case)
    whole, no_steps = Stretch(START, case.features.length.size, False), np.empty((0, 4))

    def run() -> None:
        plan_moves(case.features, case.inverse, None, NO_TIES, False, False, no_steps, 0, whole, speeds, written)

    return run, written


def difference(one: Plan, other: Plan) -> float:
    """The largest difference of two plans; infinity where a cause differs.

    Speeds and accelerations in terms of their own size, the parts of a duration in terms of that duration, seconds by
    class and cause in terms of the total.
    """
    if (one.cruise_cause != other.cruise_cause).any() or (one.ramp_cause != other.ramp_cause).any():
        return float("inf")
    worst = float(np.abs(one.seconds - other.seconds).max() / other.seconds.sum())
    for name in Plan._fields[:8]:
        mine, its = getattr(one, name), getattr(other, name)
        scale = other.duration if name in ("rising", "cruising", "falling") else np.where(its > 0.0, its, 1.0)
        worst = max(worst, float((np.abs(mine - its) / scale).max()))
    return worst


def beside_c(verdicts: Verdicts) -> None:
    """The kernel and the C twin, both into arrays that are already there."""
    worst = 0.0
    ratios = []
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        libraries = c_libraries(Path(folder))
        if not libraries:
            return
        for case in cases(C_SIZES):
            n = case.features.length.size
            run, reference = kernel(case)
            run()
            contestants = {"kernel": run}
            for flags, library in libraries.items():
                for way, name in enumerate(WAYS):
                    twin, written = c_twin(library, way, case)
                    twin()
                    worst = max(worst, difference(written, reference))
                    contestants[f"C, {name}{flags}"] = twin
            times = in_turn(contestants, seconds=4.0)
            best = min(times[name].least for name in contestants if name != "kernel")
            ratios.append(times["kernel"].least / best)
            rows += [
                [name, f"{n:,}", *nanoseconds(each, n), f"{each.least / best:.2f}"] for name, each in times.items()
            ]
    table(["into ready arrays", "moves", "ns a move", "median", "of the best C"], rows)
    verdicts.judge(f"C twin and kernel agree to {AGREEMENT:g}", f"{worst:.1e}", worst <= AGREEMENT)
    found = " to ".join(f"{ratio:.2f}" for ratio in (min(ratios), max(ratios)))
    verdicts.judge(f"kernel takes at most {MOST_OF_C:g} of the best C twin's time", found, max(ratios) <= MOST_OF_C)


def beside_python(verdicts: Verdicts) -> None:
    """The whole of plan(), arrays made anew, beside the same recurrences in plain Python."""
    (case,) = cases((10_000,))
    n = case.features.length.size
    features, inverse = [field.tolist() for field in case.features], case.inverse.tolist()
    reference = plan(case.features, case.limits)
    agreement = 0.0
    for written in (plan_in_python(features, inverse), plan_in_quick_python(features, inverse)):
        in_python = Plan(*(np.asarray(written[name]) for name in COLUMNS))
        agreement = max(agreement, difference(in_python, reference))
    times = in_turn(
        {
            "plan()": lambda: plan(case.features, case.limits),
            "plan(), 32 moves ahead": lambda: plan(case.features, case.limits, 32),
            "plain Python": lambda: plan_in_python(features, inverse),
            "Python written for speed": lambda: plan_in_quick_python(features, inverse),
        },
        seconds=4.0,
    )
    rows = [[name, f"{n:,}", *nanoseconds(each, n)] for name, each in times.items()]
    table(["arrays made anew", "moves", "ns a move", "median"], rows)
    ratio = times["plain Python"].least / times["plan()"].least
    target = f"plan() is {TIMES_PYTHON:g} times as fast as plain Python"
    verdicts.judge(f"plain Python and plan() agree to {AGREEMENT:g}", f"{agreement:.1e}", agreement <= AGREEMENT)
    quick = times["Python written for speed"].least / times["plan()"].least
    found = f"{ratio:.0f} times; as Python written for speed {quick:.0f} times"
    verdicts.judge(target, found, ratio >= TIMES_PYTHON)


def growing(verdicts: Verdicts) -> None:
    """Nanoseconds a move of plan(), from small jobs to large ones.

    Judged with its arrays there already, as the C twin has them; with arrays made anew, where the system has to hand
    out and clear the memory first, beside it.
    """
    found = []
    rows = []
    for case in cases(SIZES):
        n = case.features.length.size
        fields, limits = case.features, case.limits
        room = make_room(n, limits.shape[0])
        ways = {
            "kept": lambda: plan(fields, limits, None, room),  # noqa: B023
            "made anew": lambda: plan(fields, limits),  # noqa: B023
        }
        times = in_turn(ways, seconds=3.0, rounds=9)
        found.append(times["kept"].least / n * 1e9)
        rows += [[f"{n:,}", way, *nanoseconds(each, n), f"{each.rounds}"] for way, each in times.items()]
    table(["moves", "arrays", "ns a move", "median", "rounds"], rows)
    growth = max(found) / min(found)
    target = f"nanoseconds a move stay within a factor of {MOST_GROWTH:g} from {SIZES[0]:,} to {SIZES[-1]:,} moves"
    verdicts.judge(target, f"{growth:.2f}; largest to smallest job {found[-1] / found[0]:.2f}", growth <= MOST_GROWTH)


def on_mechanisms(verdicts: Verdicts) -> None:
    """The same job and limits on a crossed belt and on a delta whose motors are limited, beside none that is."""
    (case,) = cases((MECHANISM_SIZE,))
    moves = long_job(MECHANISM_SIZE)
    steps = np.stack([moves.dx, moves.dy, moves.dz])
    # The sample lies about (110, 110), which is the middle of this delta's bed; the job is one part after the other.
    starts = np.zeros_like(steps)
    starts[:, 1:] = np.cumsum(steps, axis=1)[:, :-1]
    starts[:2] -= starts[:2].mean(axis=1)[:, None]
    mechanisms: dict[str, CrossedBelt | LinearDelta] = {
        "crossed belt": CrossedBelt(),
        "linear delta": LinearDelta(500.0, 250.0, (math.radians(210.0), math.radians(330.0), math.radians(90.0))),
    }
    ways: dict[str, Callable[[], object]] = {"no coupled motors": planning(case)}
    for name, mechanism in mechanisms.items():
        features = make_features(moves, case.features.move_class, CornerSettings(), Drive(mechanism, starts))
        limits = case.limits.copy()
        limits[:, by.MOTOR_1_MOST : by.MOTOR_1_MOST + len(mechanism.coupled)] = 250.0
        limits[:, by.MOTOR_1_RAMP : by.MOTOR_1_RAMP + len(mechanism.coupled)] = 2500.0
        ways[name] = planning(Case(features, limits, case.inverse))
    times = in_turn(ways, seconds=4.0)
    plain = times["no coupled motors"].least
    rows = [
        [name, f"{MECHANISM_SIZE:,}", *nanoseconds(each, MECHANISM_SIZE), f"{each.least / plain:.2f}"]
        for name, each in times.items()
    ]
    table(["arrays kept", "moves", "ns a move", "median", "of no motors"], rows)
    ratio = times["crossed belt"].least / plain
    target = f"a crossed belt's constant motor limits cost at most {MOST_OF_PLAIN:g} of planning without"
    verdicts.judge(
        target, f"{ratio:.2f}; linear delta {times['linear delta'].least / plain:.2f}", ratio <= MOST_OF_PLAIN
    )


def planning(case: Case) -> Callable[[], object]:
    """A call of plan() on a case, into arrays that are kept."""
    room = make_room(case.features.length.size, case.limits.shape[0])
    return lambda: plan(case.features, case.limits, None, room)


def main() -> None:
    """Run all parts."""
    verdicts = Verdicts()
    beside_c(verdicts)
    print()
    beside_python(verdicts)
    print()
    on_mechanisms(verdicts)
    print()
    under_caps(verdicts, long_job(CAPPED_SIZE), MACHINE)
    print()
    growing(verdicts)
    verdicts.exit()


if __name__ == "__main__":
    main()
