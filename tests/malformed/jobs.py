"""Job files: the bytes, the exit status of `estimate`, and what it says."""

from __future__ import annotations

import gzip

NINES = b"9" * 400
DAYS_OF_A_DWELL = "a dwell of more than seven days, which no print takes: its length counts as not known"
SLOW = "F of 0 or less, or under 0.01 mm a minute: the last F still holds"
NO_TEXT = "not a text file ("
PACKED = "allowed: G-code as text, or gzip of it (unpack it first)"
ZIP = b"PK\x03\x04\x14\0\0\0\0\0" + b"G1 X1\n" * 9
TAR = b"job.gcode".ljust(257, b"\0") + b"ustar\x0000" + b"\0" * 248 + b"G1 X1 F60\n"

JOBS: dict[str, tuple[bytes, int, str]] = {
    "a feed with a hundred zeros": (b"G1 X9 F0." + b"0" * 100 + b"1\nG1 X20 E1\n", 0, SLOW),
    "a feed below 0.01": (b"G1 X9 F600\nG1 X20 E1 F0.0099\n", 0, SLOW),
    "a command that takes more than a week": (b"G93\nG1 X9 E1 F0.00009\nG94\nG1 X1 F600\n", 0, SLOW),
    "a speed of next to nothing": (b"G1 X9 F600\nM220 S0.009\nG1 X20 E1\n", 0, "override without an S from 0.01 to"),
    "a flow without end": (b"G1 X9 F600\nM221 S1000001\nG1 X20 E1\n", 0, "override without an S from 0.01 to"),
    "a flow of 400 digits": (b"G1 X9 F600\nM221 S" + NINES + b"\nG1 X20 E1\n", 2, "number too large for a machine"),
    "a dwell of 400 digits": (b"G1 X9 F600\nG4 S" + NINES + b"\nG1 X20 E1\n", 2, "number too large for a machine"),
    "a dwell of eight days": (b"G1 X9 F600\nG4 S691200\nG1 X20 E1\n", 0, f"line 2: {DAYS_OF_A_DWELL}"),
    "a dwell of a thousand days beside another": (
        b"G1 X9 F600\nG28\nG4 P99999999999\nG1 X20 E1\n", 2, "number too large for a machine",
    ),
    "heating to a hundred million degrees": (
        b"G1 X9 F600\nM109 S99999999\nG1 X20 E1\n", 0, "line 2: heating of more than seven days",
    ),
    "a place of 400 digits": (b"G1 X" + NINES + b" F600\nG1 X20 E1\n", 2, "number too large for a machine"),
    "zeros": (b"\0" * 70_000, 2, NO_TEXT),
    "a zip archive": (ZIP, 2, f"this is a zip archive; {PACKED}"),
    "a bzip2 file": (b"BZh91AY&SY" + b"\0" * 9, 2, f"this is a bzip2 file; {PACKED}"),
    "an xz file": (b"\xfd7zXZ\0\0\x04", 2, f"this is an xz file; {PACKED}"),
    "a zstd file": (b"\x28\xb5\x2f\xfd\x24", 2, f"this is a zstd file; {PACKED}"),
    "a tar archive": (TAR, 2, f"this is a tar archive; {PACKED}"),
    "a zip archive inside gzip": (gzip.compress(ZIP), 2, f"this is a zip archive; {PACKED}"),
    "gzip without an end": (gzip.compress(b"G1 X1 F60\n" * 99)[:-9], 2, "a gzip file that cannot be unpacked ("),
    "gzip of nothing": (gzip.compress(b""), 2, "an empty file"),
    "nothing": (b"", 2, "an empty file"),
    "blanks": (b" \n\t\r\n" * 20_000, 2, "a file of blanks"),
}  # fmt: skip
