"""Seeded random G-code that puts no mode back: for what must come out alike however a file is cut.

Unlike `gcode_grammar`, places wander and modes change at any time; only that every line is plausible by itself.
"""

from __future__ import annotations

from random import Random

MODES = (
    "G90", "G91", "M82", "M83", "G92 E0", "G92 X5", "G92", "G28", "G28 X", "G28 Z", "G20", "G21", "M220 S50",
    "M220 S100", "M221 S90", "M221 S100", "G93", "G94", "G95", "G10", "G11", "G17", "G18", "G19", "T0", "T1", "G4 P5",
    "M104 S200", "M0", "M2", "G0", "G1", "G2", "G3", "F0", "F500", "E0", "M204 S500", "hello", "G1 X1 Y", "G1 E-1",
    "G10 E5", "G10 X5", "G11 Z4 E1", "G1 X5 F600 G1 Y3", "G90 G28 Y", "T1 M6", "M400",
)  # fmt: skip
ARCS = (" X5 Y6 I1 J2", " I1 J0", " X3 R2", " X3 Y1 R5 E2", " Z3 I2", " I0.001 J0 E1", " J1 P2")
NUMBERS = (0, 1, 2, 5, 0.5, 7.25, 3)
HEADS = ("", "G1 X1 Y1 Z1 E1 F600\n", "M83\nG1 X1 Y1 Z1 E1 F600\n", "G91\nG1 X1 Y1 Z1 E1 F600\n")


def _line(random: Random, restlessness: float) -> str:
    way = random.random()
    if way < restlessness:
        return random.choice(MODES)
    if way < restlessness + 0.06:
        return random.choice(("G2", "G3")) + random.choice(ARCS)
    words = [axis + str(random.choice(NUMBERS)) for axis in random.sample("XYZEF", random.randint(1, 3))]
    if random.random() < 0.5:
        words = [word for word in words if word[0] != "F"] or ["X1"]
    return random.choice(("G1 ", "G1 ", "G0 ", "")) + " ".join(words)


def restless_lines(random: Random) -> bytes:
    """Twenty to a hundred lines."""
    restlessness = random.choice((0.02, 0.05, 0.1, 0.3))
    body = "\n".join(_line(random, restlessness) for _ in range(random.choice((20, 40, 100)))) + "\n"
    return (random.choice(HEADS) + body).encode()
