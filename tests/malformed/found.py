"""What searches guided by coverage have found, by target of `tests.faults.coverage_fuzz`: each as small as can be."""

from __future__ import annotations

DIALECTS = ("extrusion", "rs274", "own")  # one of which the first byte of a job chooses

FOUND: dict[str, tuple[bytes, ...]] = {
    # Other marks than line ends were taken for some, and all numbers for a head.
    "recording": (b"\x1c\x1c\n1 2\n", b"\x0b\x0b\x0b\n1 2"),
}
