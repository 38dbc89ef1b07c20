"""Seeded random G-code for holding two readers against each other: mostly plausible prints, with every oddity mixed in.

Lines come in small groups that leave the machine's modes as they found them (units, distances, plane), so that
places stay within some hundred mm over a million lines. Numbers carry at most 19 significant digits.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from math import cos, pi, sin
from random import Random

from .gcode_oddities import (
    DAMAGED,
    GLUE,
    LIMITS,
    NO_EFFECT,
    ODD_BUT_FINE,
    PROSE,
    RESTORING,
    STANDARD_ODDITIES,
    STOPS,
    TEXT_COMMANDS,
    UNKNOWN,
)


class Grammar:
    """Random groups of lines."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.z = 0.2
        self.e = 0.0
        self.sequence = 0

    def number(self, low: float, high: float) -> str:
        """A number between the two in one of the ways that files write them."""
        value = self.random.uniform(low, high)
        way = self.random.random()
        if way < 0.70:
            return f"{value:.3f}"
        if way < 0.80:
            return f"{value:.5f}"
        if way < 0.86:
            return f"{value:.0f}"
        if way < 0.90:
            return f"{value:.1f}".replace("0.", ".", 1) if abs(value) < 1 else f"{value:.0f}."
        if way < 0.94:
            return f"{value:+.2f}"
        if way < 0.97:
            return f"{'-' if value < 0 else ''}00{abs(value):.4f}000"
        return f"{value:.{17 if abs(value) < 10 else 15}f}"  # at most 19 significant digits

    def inside(self) -> str:
        return self.number(0, 220)

    def print_line(self) -> list[str]:
        self.e += self.random.uniform(0.001, 0.8)
        if self.e > 300:
            self.e = 0.0
            return ["G92 E0"]
        speed = f" F{self.random.choice((900, 1200, 1800, 2400, 3600))}" if self.random.random() < 0.1 else ""
        return [f"G1 X{self.inside()} Y{self.inside()} E{self.e:.5f}{speed}"]

    def modal_line(self) -> list[str]:
        axes = self.random.sample("XYZEF", self.random.randint(1, 3))
        spans = {"X": (0, 220), "Y": (0, 220), "Z": (0, 40), "E": (-2, 40), "F": (300, 9000)}
        return [" ".join(axis + self.number(*spans[axis]) for axis in axes)]

    def travel(self) -> list[str]:
        return [f"G0 X{self.inside()} Y{self.inside()} F{self.random.choice((6000, 9000, 7200.5))}"]

    def retraction(self) -> list[str]:
        return [f"G1 E{self.e - 1:.5f} F2400", *self.travel(), f"G1 E{self.e:.5f} F2400"]

    def next_layer(self) -> list[str]:
        self.z = self.z + 0.2 if self.z < 30 else 0.2
        self.e = 0.0
        return [f"G1 Z{self.z:.3f}", "G92 E0"] if self.random.random() < 0.5 else [f"G0 X5 Y5 Z{self.z:.3f} E0"]

    def spiral(self) -> list[str]:
        """Straight pieces that climb as they print, once or twice round; rounded heights leave some of them flat."""
        pieces = self.random.randint(5, 17)
        digits = 1 + pieces % 4
        middle, radius, lines = self.random.uniform(50, 150), self.random.uniform(5, 40), []
        way = self.random.choice((-1, 1))
        for i in range(self.random.randint(4, 40)):
            angle = way * 2 * pi * i / pieces
            x, y = middle + radius * cos(angle), middle + radius * sin(angle)
            lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{self.z + 0.3 * i / pieces:.{digits}f} E0.{self.random.randint(1, 9)}")
        return ["G90", "M83", *lines, self.random.choice(("M82", "M82", "G92 E0 M82"))]

    def ramp(self) -> list[str]:
        """A line that begins below its layer or above it, and rises or falls to it as it prints."""
        begin = f"G0 Z{self.z + self.random.choice((-0.15, -0.05, 0.3)):.3f}"
        ramp = [f"G1 X{self.inside()} Z{self.z:.3f} E0.2", f"G1 Y{self.inside()} E0.4"]
        return ["G90", "M83", begin, *ramp, self.random.choice(("M82", "G92 E0 M82"))]

    def relative_lines(self) -> list[str]:
        steps = []
        for _ in range(self.random.randint(1, 4)):
            words = [f"{axis}{self.number(-6, 6)}" for axis in self.random.sample("XYE", self.random.randint(1, 3))]
            steps.append("G1 " + " ".join(words))
        return ["G91", *steps, "G90"]

    def relative_filament(self) -> list[str]:
        steps = [f"G1 X{self.inside()} E{self.number(-1, 1)}" for _ in range(self.random.randint(1, 4))]
        return ["M83", *steps, "M82"]

    def inverse_time(self) -> list[str]:
        """Lines that say how many of them take a minute, now and then one that does not, and an arc."""
        lines = [f"G{self.random.randint(0, 1)} X{self.inside()} Y{self.inside()} F{self.number(1, 60)}" for _ in "abc"]
        lines[1] = self.maybe("G1 ") + f"X{self.inside()} E0.3 F{self.number(5, 9)}"
        if self.random.random() < 0.5:
            lines.append(f"G3 X{self.inside()} Y{self.inside()} R300 F{self.number(1, 9)}")
        if self.random.random() < 0.5:
            lines.append(f"G1 Y{self.inside()} Z0.3")
        if self.random.random() < 0.5:
            lines.append(f"G1 E{self.number(-1, 9)} F{self.number(10, 90)}")
        return ["G93", *lines, "G94 F1800"]

    def feed_per_turn(self) -> list[str]:
        return ["G95", f"G1 X{self.inside()} F0.2", f"Y{self.inside()}", "G94 F1800"]

    def own_retraction(self) -> list[str]:
        return ["G10", *self.travel(), *self.maybe_lines("G10"), "G11", *self.maybe_lines("G11"), *self.travel()]

    def maybe_lines(self, text: str) -> list[str]:
        return [text] if self.random.random() < 0.2 else []

    def inches(self) -> list[str]:
        steps = [f"X{self.number(0, 8)} Y{self.number(0, 8)}{self.maybe(' E0.01')}{self.maybe(' F60')}" for _ in "ab"]
        arc = [f"G3 X{4 + 0.5:.3f} Y2 I0.25 J0{self.maybe(' E0.02')}"] if self.random.random() < 0.3 else []
        return ["G20", "G1 " + steps[0], steps[1], *(["G0 X4 Y2", *arc, "G1"] if arc else []), "G21"]

    def maybe(self, text: str) -> str:
        return text if self.random.random() < 0.5 else ""

    def arc(self) -> list[str]:
        """A good arc, in any plane, centre or radius form, whole or part, flat or climbing.

        Five decimals: with six, heights would now and then differ by what just counts as the same height.
        """
        random = self.random
        plane, first, second, offset_first, offset_second, normal = random.choice(
            (("G17", "X", "Y", "I", "J", "Z"),) * 4
            + (("G18", "Z", "X", "K", "I", "Y"), ("G19", "Y", "Z", "J", "K", "X"))
        )
        radius = random.choice((0.05, 0.5, 2, 8, 30)) * random.uniform(0.8, 1.25)
        begin, end = random.uniform(0, 2 * pi), random.uniform(0, 2 * pi)
        offset = (-radius * cos(begin), -radius * sin(begin))
        step = (offset[0] + radius * cos(end), offset[1] + radius * sin(end))
        code = random.choice(("G2", "G3", "G02", "g3"))
        rest = f" {normal}{random.uniform(-1, 1):.3f}" if random.random() < 0.2 else ""
        rest += f" E{random.uniform(-0.2, 2):.4f}" if random.random() < 0.6 else ""
        rest += " F1500" if random.random() < 0.2 else ""
        way = random.random()
        if way < 0.15:
            words = f"{first}0 {offset_first}{offset[0]:.4f} {offset_second}{offset[1]:.4f}"
        elif way < 0.6:
            words = f"{first}{step[0]:.5f} {second}{step[1]:.5f} "
            words += f"{offset_first}{offset[0]:.5f} {offset_second}{offset[1]:.5f}"
        elif way < 0.7:
            words = f"{first}{2 * radius:.5f} {offset_first}{radius:.5f}"
        else:
            sign = random.choice(("", "-"))
            words = f"{first}{step[0]:.5f} {second}{step[1]:.5f} R{sign}{radius * random.uniform(1.01, 1.5):.5f}"
        rest += random.choice((" P1", " P2", " P3", " P1.4", " P0")) if random.random() < 0.15 else ""
        return [f"{plane} G91", f"{code} {words}{rest}", "G17 G90"]

    def bad_arc(self) -> list[str]:
        """An arc that cannot be, or not quite."""
        number = self.number
        kind = self.random.randrange(9)
        arc = (
            f"G2 X{number(1, 20)} Y{number(1, 20)} I{number(1, 9)} J{number(1, 9)}",
            f"G3 X{number(1, 20)} Y{number(1, 20)}",
            f"G2 X{number(30, 50)} Y{number(1, 9)} R{number(1, 9)}",
            "G3 X0 Y0 R5",
            "G2 X10.005 R5",
            "G2 X7 I0 J0 E1",
            f"G3 X10 Y0 I5 J0 R{number(5, 9)}",
            "G2 X3 K5",
            "G2 E1.5",
        )[kind]
        return ["G91", arc, "G1 G90"]

    def in_force_arc(self) -> list[str]:
        return [
            f"G3 X{self.inside()} Y{self.inside()} R400",
            f"X{self.inside()} Y{self.inside()} R-500",
            f"X{self.inside()}",
            "G1",
        ]

    def rename(self) -> list[str]:
        ways = (
            "G92 E0",
            "G92",
            f"G92 X{self.number(-20, 20)} Y5",
            "G92 Z0.2",
            f"G92 X{self.inside()} E{self.number(0, 5)}",
            "G92 E",
            "G92 U0",
            "G92 V X3",
        )
        lines = [self.random.choice(ways)]
        return lines + (["G28"] if lines[0] != "G92 E0" and self.random.random() < 0.7 else [])

    def heater(self) -> list[str]:
        code = self.random.choice(("M104", "M109", "M140", "M190"))
        words = self.random.choice(("S{}", "R{}", "S{} T1", "T0 S{}", "", "S", "R{} S{}", "S{}.5", "T1 R{}"))
        return [f"{code} {words}".replace("{}", str(self.random.randint(0, 260))).strip()]

    def stop(self) -> list[str]:
        ways = STOPS
        return self.random.choice(ways).replace("{n}", str(self.random.randint(0, 4))).split("\n")

    def override(self) -> list[str]:
        ways = ("M220 S{n}", "M221 S{n}", "M220", "M221", "M220 S100", "M221 S100", "M220 S87.5")
        return [self.random.choice(ways).replace("{n}", str(self.random.randint(50, 150)))]

    def comment(self) -> list[str]:
        text = "".join(self.random.choices("abc XYZ;()*%=G1M0e-05 \t\x00\xe9~", k=self.random.randint(0, 70)))
        return [f"; {text}" if self.random.random() < 0.7 else f"({text.replace('(', '').replace(')', '')})"]

    def glued(self) -> list[str]:
        pool = (*GLUE, f"X{self.inside()}", f"Y{self.inside()}", f"F{self.number(500, 5000)}")
        glue = self.random.choice(("", " ", "  ", "\t"))
        return [glue.join(self.random.choices(pool, k=self.random.randint(2, 6))), "G90"]

    def noise(self) -> list[str]:
        """Characters at random, of those that make words."""
        pieces = [*"XYEFNPQS.-+12   ", "30", "45", ".5", "007"]
        text = "".join(self.random.choices(pieces, k=self.random.randint(1, 8)))
        return [re.sub("[0-9]{4,}", "12", text)]

    def one_of(self, *tables: tuple[str, ...]) -> list[str]:
        return self.random.choice(self.random.choice(tables)).replace("{n}", str(self.random.randint(0, 9))).split("\n")

    def prose(self) -> list[str]:
        return self.one_of(PROSE, TEXT_COMMANDS)

    def odd(self) -> list[str]:
        return [*self.one_of(ODD_BUT_FINE, DAMAGED), "G90 G21"]

    def limit(self) -> list[str]:
        return self.one_of(LIMITS)

    def known_or_not(self) -> list[str]:
        return self.one_of(UNKNOWN, NO_EFFECT)

    def program_end(self) -> list[str]:
        return [self.random.choice(("M2", "M30", "%"))]

    def dress(self, line: str) -> str:
        """Put a line into other clothes: case, blanks, number, comment, checksum; what restores modes stays plain."""
        if line in RESTORING:
            return line
        way = self.random.random()
        if way < 0.80:
            return line
        if way < 0.84:
            return line.lower()
        if way < 0.87 and not line.upper().lstrip().startswith("M11"):
            return line.replace(" ", "")
        if way < 0.92:
            return line + " ;" + "c" * self.random.randint(0, 90)
        if way < 0.94:
            return line + self.random.choice((" (note)", "(", " ; (", "  ", " \t"))
        self.sequence += 1
        if way < 0.99:
            line = f"N{self.sequence} {line}"
            check = 0
            for byte in line.encode("latin-1"):
                check ^= byte
            check ^= self.random.random() < 0.2  # a wrong one now and then
            return f"{line}*{check}{self.maybe(' ')}"
        return line + self.random.choice(("*", "*12a", "* 12", "*5*6"))

    def extrusion(self) -> list[tuple[float, Callable[[], list[str]]]]:
        """Weight and maker of every group of the dialect."""
        often = [(60.0, self.print_line), (12, self.modal_line), (4, self.travel), (2, self.retraction)]
        plain = [
            (2.0, self.next_layer),
            (0.3, self.spiral),
            (0.3, self.ramp),
            (1, self.relative_lines),
            (1, self.relative_filament),
        ]
        turns = [(0.7, self.inches), (1.5, self.arc), (0.5, self.bad_arc), (0.1, self.in_force_arc)]
        modes = [(0.7, self.rename), (1.0, self.heater), (1.5, self.stop), (0.5, self.override)]
        modes += [(0.4, self.inverse_time), (0.1, self.feed_per_turn), (0.8, self.own_retraction), (1.0, self.limit)]
        texts = [(3.0, self.comment), (2, self.glued), (1, self.noise), (1, self.prose), (5, self.odd)]
        return often + plain + turns + modes + texts + [(2, self.known_or_not), (0.01, self.program_end)]

    def standard(self) -> list[tuple[float, Callable[[], list[str]]]]:
        """Weight and maker of every group of the dialect."""
        often = [(60.0, self.print_line), (6, self.travel), (4, self.modal_line), (2, self.next_layer)]
        turns = [(1.0, self.relative_lines), (0.7, self.inches), (2, self.standard_arc)]
        return often + turns + [(2, self.standard_oddity), (1, self.standard_stop), (0.5, self.standard_inverse_time)]

    def standard_inverse_time(self) -> list[str]:
        """Every G1 to G3 line with its own F; a rapid and a line that goes nowhere need none."""
        lines = [f"X{self.inside()} Y{self.inside()} F{self.number(1, 60)}" for _ in "ab"]
        lines.append(f"F{self.number(1, 60)} G3 X{self.inside()} Y{self.inside()} R300")
        lines.append(f"G1 E{self.number(-1, 9)} F{self.number(10, 90)}")
        way = self.random.choice(("G93", "G93 G1 X3 Y4 F7", "G93 F5"))
        return [way, *self.random.sample(["G1 " + lines[0], *lines[2:], "G0 X5", "M5", "G0"], 5), "G1 G94 F1800"]

    def standard_arc(self) -> list[str]:
        return [*self.arc(), "G1"]

    def standard_stop(self) -> list[str]:
        if self.random.random() < 0.2:  # two names that cancel, since homing keeps them here
            return ["G1 X5 Y5", "G92 X6.5 Y4", "G1 X7 Y8 E2", "G1 X6.5 Y4", "G92 X5 Y5", "G92 E0"]
        return [self.random.choice(("G4 P0.5", "M0", "T1 M6", "M6 T2", "G28", "G28 X10 Y5 Z20", "M1", "G4 P1 G1 X10"))]

    def standard_oddity(self) -> list[str]:
        return [*self.one_of(STANDARD_ODDITIES), "G90 G21"]


def lines(seed: int, count: int, dialect: str = "extrusion") -> bytes:
    """The bytes of `count` random lines with mixed ends; in `rs274` only lines that its rules allow."""
    grammar = Grammar(seed)
    random = grammar.random
    table = grammar.standard() if dialect == "rs274" else grammar.extrusion()
    weights = [weight for weight, _ in table]
    makers = [maker for _, maker in table]
    parts: list[str] = []
    while len(parts) < count:
        for maker in random.choices(makers, weights, k=256):
            group = maker()
            parts += group if dialect == "rs274" else map(grammar.dress, group)
    del parts[count:]
    if dialect == "rs274" and seed % 2:
        parts[0] = parts[-1] = "%"
    ends = random.choices(("\n", "\r\n", "\r"), (90, 8, 2), k=count)
    for i in range(1, count):  # a CR and an empty line's LF would be one end, not two
        if ends[i - 1] == "\r" and not parts[i]:
            ends[i] = "\r"
    return "".join(part + end for part, end in zip(parts, ends, strict=True)).encode("latin-1")
