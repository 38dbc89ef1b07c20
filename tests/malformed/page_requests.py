"""Requests to the live page that once broke it: method, address, query, headers, pieces of the body."""

from __future__ import annotations

OURS = ((b"host", b"127.0.0.1:6240"), (b"origin", b"http://127.0.0.1:6240"))

ASKED: tuple[tuple[str, bytes, bytes, tuple[tuple[bytes, bytes], ...], tuple[bytes | None, ...]], ...] = (
    # Bytes in a query that are no text, unspelled.
    ("GET", b"/layer", b"layer=\xff", OURS, (b"",)),
    ("GET", b"", b"speed=\xff2", OURS, (b"",)),
    # A range, which as a candidate of the report is a table that cannot change.
    ("GET", b"/report.html", b"speed=%7Blow%3D1%2C+likely%3D2%2C+high%3D3%7D", OURS, (b"",)),
    # A size of more digits than Python reads.
    ("POST", b"/jobs", b"name=a.gcode", (*OURS, (b"content-length", b"9" * 5000)), (b"G1 X1 E1 F600\n",)),
)
