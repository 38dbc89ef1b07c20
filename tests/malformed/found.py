"""What searches guided by coverage have found, by target of `tests.faults.coverage_fuzz`: each as small as can be."""

from __future__ import annotations

FOUND: dict[str, tuple[bytes, ...]] = {}
