"""Inputs that would take all memory or time there is: the files, the words of the command, and what it says.

All of them are refused (status 2). Files are made where they are needed: `{}` repeated is the shortest way to tell one.
"""

from __future__ import annotations

START = "G90\nG1 X0 Y0 F6000\n"
ARCS = START + 60 * "G2 X0 Y0 I9 E1 P800\n"  # 3.2 million chords
DEEP = 10_000
HALF_DEEP = ".".join(DEEP * "a")

ENDLESS: dict[str, tuple[dict[str, str], tuple[str, ...], str]] = {
    "an arc in a thousand million chords": (
        {"job.gcode": START + "G2 X0 Y0 I900000 E1\n"},
        ("estimate", "job.gcode", "--set", "motion.arc_tolerance_mm=1e-9"),
        "an arc that needs over 60,000 chords",
    ),
    "an arc of a million turns": (
        {"job.gcode": START + "G2 X0 Y0 I9 E1 P999999\n"}, ("estimate", "job.gcode"), "an arc of over 1,000 turns",
    ),
    "more moves than memory holds, for copies": (
        {"job.gcode": ARCS}, ("bedful", "job.gcode"), "moves, and this question takes all of them in memory at a time",
    ),
    "more moves than memory holds, for a page": (
        {"job.gcode": ARCS}, ("report", "job.gcode", "-o", "page.html"), "jobs of up to",
    ),
    "more moves than memory holds, for filters": (
        {"job.gcode": ARCS},
        ("vibration", "job.gcode", "--set", "vibration.x.modes=[{frequency_hz=40, damping_ratio=0.1}]"),
        "jobs of up to",
    ),
    "arrays in arrays": (
        {"own.toml": "a = " + DEEP * "[" + DEEP * "]"}, ("machine", "check", "own.toml"), "nested more than 50 deep",
    ),
    "tables in tables": (
        {"own.toml": "a = " + DEEP * "{a=" + "1" + DEEP * "}"}, ("machine", "check", "own.toml"), "nested more than 50",
    ),
    "a dotted key of ten thousand parts": (
        {"own.toml": f"[{HALF_DEEP}]\nb = 1\n"}, ("machine", "check", "own.toml"), "nested more than 50 deep",
    ),
    "the same in a dialect table": (
        {"own.toml": f"{HALF_DEEP} = 1\n", "job.gcode": START},
        ("estimate", "job.gcode", "--dialect", "./own.toml"),
        "nested more than 50 deep",
    ),
    "ten million candidates": (
        {"job.gcode": START},
        ("sweep", "job.gcode", "--vary", "speed=1:2:10000", "--vary", "acceleration=100:1000:1000"),
        "10,000,000 candidates; allowed: 1,000,000 at most",
    ),
    "a recording without an end": (
        {}, ("vibration", "--x", "/dev/zero"), "larger than 20 MB; allowed: a recording of some minutes",
    ),
}  # fmt: skip
