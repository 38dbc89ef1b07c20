"""What the golden corpus is made of: seeded jobs on seeded machines, and commands as a user types them.

The generators here are of this folder alone and never change: another job under an old seed would look like a wrong
result. New cases get new seeds or new lines at the end.
"""

from __future__ import annotations

import math
from random import Random
from typing import NamedTuple

JOBS = 2000
LABELS = ("outer", "inner", "infill", "solid")
ODD_LINES = (
    "N40 G1 X20 Y30 F1800*57",
    "g1x30y40e0.2",
    "G1 X1,5 Y3",
    "G4 P250",
    "G4 S1.5",
    "M117 nearly done",
    "LAMP on",
    "G1 Xnan Y5",
    "T0",
    "M220 S90",
    "M220 S100",
    "M221 S105",
    "M221 S100",
    "G92 X10 Y10",
    "G92 E0",
    "G28 X",
    "M600",
    "G29",
    "M400",
    "M106 S128",
    "G5 X1",
    "(a comment) G1 X12 (another) Y13",
    "G20",
    "G21",
    "G91",
    "G90",
    "G10",
    "G11",
    "M9999",
    "G1 F0",
)


class Case(NamedTuple):
    """A job and the machine file that times it."""

    job: str
    machine: str


def case(seed: int) -> Case:
    """The case of a seed."""
    random = Random(seed)
    return Case(job_text(random), machine_text(random))


def job_text(random: Random) -> str:
    """A small print: heating, layers of roads, curves, travels and retractions, now and then an oddity."""
    relative = random.random() < 0.5
    lines = ["M140 S60", "M104 S210", "G28", "M190 S60", "M109 S210"] if random.random() < 0.6 else []
    lines += ["G21", "G90", "M83" if relative else "M82", "G92 E0"]
    fed, area = 0.0, math.pi * 1.75**2 / 4
    odd = random.random() < 0.4
    limited = random.random() < 0.3
    x, y, z = 20.0, 20.0, 0.2
    for layer in range(random.randint(1, 6)):
        z = round(0.2 * (layer + 1), 3)
        lines.append(f"G0 Z{z:g} F600")
        if limited and random.random() < 0.7:
            lines.append(
                random.choice(
                    (
                        f"M204 P{random.randint(3, 40) * 100} T{random.randint(5, 60) * 100}",
                        "M205 X9 Y7",
                        "M201 X900 Y800",
                    )
                )
            )
        for _ in range(random.randint(1, 4)):
            label = random.choice(LABELS)
            lines.append(f"; road: {label}")
            feed = random.choice((900, 1800, 2400, 3600, 6000, 9000))
            lines.append(
                f"G0 X{random.uniform(10, 180):.3f} Y{random.uniform(10, 180):.3f} F{random.choice((6000, 9000))}"
            )
            x, y = random.uniform(20, 160), random.uniform(20, 160)
            if random.random() < 0.6:
                amount = 1.2 if relative else fed + 1.2
                back = "G1 E-1.2 F1680" if relative else f"G1 E{fed:.5f} F1680"
                lines += [f"G1 E{amount:.5f} F1680", f"G0 X{x:.3f} Y{y:.3f} F9000", back]
            else:
                lines.append(f"G0 X{x:.3f} Y{y:.3f}")
            width = 0.45 * 0.2 / area
            lines.append(f"G1 F{feed}")
            for px, py, arc in _road(random, x, y):
                length = math.hypot(px - x, py - y) * (math.pi / 2 if arc else 1.0)
                fed += length * width
                amount = length * width if relative else fed
                if arc:
                    centre = f"I{(px - x) / 2:.4f} J{(py - y) / 2:.4f}"
                    lines.append(f"{random.choice(('G2', 'G3'))} X{px:.4f} Y{py:.4f} {centre} E{amount:.5f}")
                else:
                    lines.append(f"G1 X{px:.3f} Y{py:.3f} E{amount:.5f}")
                x, y = px, py
                if odd and random.random() < 0.04:
                    lines.append(random.choice(ODD_LINES))
    if random.random() < 0.3:
        lines += ["G91", "G1 Z10 F600", "G90"]
    return "\n".join(lines) + "\n"


def _road(random: Random, x: float, y: float) -> list[tuple[float, float, bool]]:
    """Places of one road from (x, y), and whether an arc leads there."""
    shape = random.randrange(5)
    count = random.randint(3, 25)
    if shape == 0:  # a rectangle
        w, h = random.uniform(0.5, 60), random.uniform(0.5, 60)
        return [(x + w, y, False), (x + w, y + h, False), (x, y + h, False), (x, y, False)]
    if shape == 1:  # a fine curve
        radius, step = random.uniform(0.3, 25), random.uniform(0.02, 0.3)
        turn = [(k + 1) * step for k in range(count)]
        return [(x + radius * math.sin(t), y + radius * (1 - math.cos(t)), False) for t in turn]
    if shape == 2:  # lines to and fro
        gap, long = random.uniform(0.4, 2.2), random.uniform(0.6, 40)
        return [(x + (long if k % 2 == 0 else 0.0), y + gap * (k // 2), False) for k in range(count)]
    if shape == 3:  # half circles
        size = random.uniform(0.4, 20)
        return [(x + size * (k + 1), y, True) for k in range(random.randint(1, 4))]
    places = []
    for _ in range(count):
        x, y = x + random.gauss(0, 6), y + random.gauss(0, 6)
        places.append((x, y, False))
    return places


def machine_text(random: Random) -> str:
    """A machine file: any mechanism, some limits given and some not, now and then motors, filters, budgets."""
    mechanism = random.choice(("cartesian", "cartesian", "cartesian", "crossed-belt", "linear-delta"))
    lines = ["[machine]", 'name = "Bench"', f'mechanism = "{mechanism}"']
    if mechanism == "linear-delta":
        lines += ["[machine.delta]", "arm_mm = 450", "tower_radius_mm = 220", "tower_angles_deg = [210, 330, 90]"]
    for axis in "xyze":
        if random.random() < 0.7:
            lines += [f"[axes.{axis}]", f"max_speed_mm_s = {random.randint(8, 400)}"]
            lines.append(f"max_acceleration_mm_s2 = {random.randint(2, 90) * 100}")
            if axis in "xy" and random.random() < 0.5:
                lines += [
                    f"moving_mass_kg = {random.uniform(0.2, 1.5):.2f}",
                    f"friction_n = {random.uniform(0, 6):.1f}",
                ]
    motors = {"cartesian": "xy", "crossed-belt": "ab", "linear-delta": ("t1", "t2", "t3")}[mechanism]
    kind = random.random()
    for motor in motors if kind < 0.35 else ():
        lines += [f"[motors.{motor}]", f"max_speed_mm_s = {random.randint(60, 400)}"]
        lines.append(f"max_acceleration_mm_s2 = {random.randint(5, 90) * 100}")
    step_rule = random.random() < 0.25
    lines += ["[motion]", f"print_acceleration_mm_s2 = {random.randint(3, 120) * 100}"]
    lines.append(f"travel_acceleration_mm_s2 = {random.randint(3, 120) * 100}")
    if step_rule:
        lines.append(f"speed_step_mm_s = {{ x = {random.randint(2, 12)}, y = {random.randint(2, 12)}, z = 0.5 }}")
    else:
        lines.append(f"junction_deviation_mm = {random.choice((0.01, 0.02, 0.05, 0.1))}")
    for chance, line in (
        (0.3, f"lookahead_moves = {random.choice((4, 16, 32, 100))}"),
        (0.2, f"speed_cap_mm_s = {random.randint(40, 200)}"),
        (0.2, f"feed_override = {random.choice((0.5, 1.5, 3.0))}"),
        (0.1, f"extruder_step_mm_s = {random.randint(1, 6)}"),
        (0.1, "curve_rule = false"),
    ):
        if random.random() < chance:
            lines.append(line)
    if random.random() < 0.2:
        lines += ["[motion.by_label.outer]", f"print_acceleration_mm_s2 = {random.randint(3, 30) * 100}"]
    if random.random() < 0.2:
        lines += ["[motion.first_layers]", "count = 1", "keep_commanded_speed = true"]
    if random.random() < 0.6:
        lines += ["[hotend]", f"max_flow_mm3_s = {random.uniform(3, 25):.1f}"]
    if random.random() < 0.5:
        lines += ["[cooling]", f"shortest_layer_s = {random.randint(1, 15)}"]
    if random.random() < 0.6:
        lines += ["[stops]", "homing_s = 25", "nozzle_heating_c_per_s = 1.8", "bed_heating_c_per_s = 0.4"]
    if random.random() < 0.2:
        lines += ["[controller]", f"moves_per_s = {random.randint(100, 2000)}"]
    if random.random() < 0.3:
        for axis in "xy":
            name = random.choice(("none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI"))
            lines += [f"[vibration.{axis}]", f'filter = "{name}"']
            frequency, damping = random.uniform(25, 90), random.uniform(0.02, 0.12)
            swings = f"frequency_hz = {frequency:.1f}, damping_ratio = {damping:.3f}"
            lines.append(f"modes = [{{ {swings}, frequency_uncertainty_share = 0.1 }}]")
        lines += ["[quality]", f"rounding_budget_mm = {random.uniform(0.03, 0.3):.2f}"]
        if random.random() < 0.6:
            lines.append(f"ringing_budget_mm = {random.uniform(0.005, 0.1):.3f}")
    return "\n".join(lines) + "\n"


BENCH = "sample_gcode/machines/bench_cartesian.toml"
BELT = "sample_gcode/machines/bench_crossed_belt.toml"
DELTA = "sample_gcode/machines/bench_delta.toml"
SHOP = "sample_gcode/shop"
COMMANDS = (
    *(
        f"estimate sample_gcode/{job}.gcode --machine {machine}"
        for job in ("bracket", "test_cube", "cable_guide_arcs", "tall_pin")
        for machine in ("gentle", "quick", BENCH, BELT, DELTA)
    ),
    f"estimate sample_gcode/test_cube.gcode --machine {BENCH} --limits",
    f"estimate sample_gcode/test_cube.gcode --machine {BENCH} --layers",
    "estimate sample_gcode/test_cube.gcode",
    "estimate sample_gcode/test_cube.gcode sample_gcode/bracket.gcode --machine middling",
    "estimate sample_gcode/bracket.gcode --machine middling"
    " --set motion.print_acceleration_mm_s2={low=800,likely=1500,high=3000}",
    "estimate sample_gcode/bracket.gcode --machine middling --dialect sample_gcode/shop_dialect.toml",
    "estimate sample_gcode/bracket.gcode --machine nowhere.toml",
    "estimate sample_gcode/brackt.gcode --machine middling",
    "estimate sample_gcode/bracket.gcode --machine middling --set motion.print_acc=3",
    "compare sample_gcode/bracket.gcode sample_gcode/test_cube.gcode --machine middling"
    " --candidate 'a: acceleration=5000' --candidate 'b: speed=2, flow=20'",
    f"compare sample_gcode/test_cube.gcode --machine {BENCH} --candidate 'c: corner=0.1'",
    f"sweep sample_gcode/test_cube.gcode --machine {BENCH} --vary acceleration=300:9000:8log",
    "sweep sample_gcode/test_cube.gcode --machine middling --vary acceleration=500:8000:4 --vary speed=0.5:2:3",
    f"sweep sample_gcode/test_cube.gcode --machine {DELTA} --vary speed=0.5,1,2 --vary flow=5,10",
    "target sample_gcode/test_cube.gcode --machine middling --within 17m",
    "target sample_gcode/test_cube.gcode --machine middling --within 17m --turn speed --turn acceleration=0.5",
    "target sample_gcode/test_cube.gcode --machine middling --within 3m",
    *(
        f"caps sample_gcode/test_cube.gcode --machine {machine} --formulas"
        for machine in (BENCH, BELT, DELTA, "middling")
    ),
    f"upgrades sample_gcode/bracket.gcode sample_gcode/shop/parts_bin.gcode --machine {SHOP}/bench.toml --per-month 30",
    f"upgrades sample_gcode/bracket.gcode --machine {SHOP}/bench.toml --detail",
    f"shop {SHOP}/orders.csv --printers {SHOP}/printers.csv --start '2026-03-02 08:00' --upgrade 'stiff frame'",
    f"machine show {BENCH}",
    f"machine show {DELTA}",
    "machine check gentle",
    "machine check quick",
)
