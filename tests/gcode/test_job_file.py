"""A job file cut into chunks of whole lines, however large the lines and wherever they end."""

from __future__ import annotations

import gzip
import io
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.gcode.chunks import PADDING, TAIL, JobFile

LINES = st.lists(st.sampled_from([b"", b"G1 X1", b"G1 X1 ; " + b"c" * 90]), min_size=1, max_size=60)
ENDS = st.sampled_from([b"\n", b"\r\n", b"\r"])


def chunks_of(path: Path, size: int, room: int = 0) -> list[bytes]:
    """What stands in each chunk; every one ends with zero bytes, or with what follows in the file."""
    found = []
    for chunk in JobFile(str(path)).chunks(size, room):
        assert chunk.buffer.size >= chunk.end + PADDING
        found.append(chunk.buffer[chunk.begin : chunk.end].tobytes())
    return found


@settings(deadline=None)
@given(LINES, ENDS, st.booleans(), st.integers(1, 200))
def test_whole_lines_and_nothing_lost(
    tmp_path_factory: pytest.TempPathFactory, lines: list[bytes], end: bytes, ended: bool, size: int
) -> None:
    content = end.join(lines) + (end if ended else b"")
    path = tmp_path_factory.mktemp("files") / "job.gcode"
    path.write_bytes(content)
    found = chunks_of(path, size)
    assert b"".join(found) == content
    assert all(chunk.endswith((b"\n", b"\r")) for chunk in found[:-1])
    assert not any(one.endswith(b"\r") and other.startswith(b"\n") for one, other in pairwise(found))
    longest = max(map(len, lines)) + len(end)
    assert all(len(chunk) < 2 * (size + longest) for chunk in found)
    for room in (size, 300, len(content), 10 * len(content)):
        assert chunks_of(path, size, room) == found


def test_chunks_lie_behind_one_another_where_that_is_asked_for(tmp_path: Path) -> None:
    """What is known of the file's size holds all of it, and no chunk is written over by those after it."""
    path = tmp_path / "job.gcode"
    path.write_bytes(b"\xef\xbb\xbf" + b"G1 X1\n" * 1000)
    file = JobFile(str(path))
    found = list(file.chunks(64, file.size))
    assert len({id(chunk.buffer.base) for chunk in found}) == 1
    assert b"".join(chunk.content for chunk in found) == path.read_bytes()


def test_a_line_longer_than_many_chunks(tmp_path: Path) -> None:
    path = tmp_path / "job.gcode"
    path.write_bytes(b"G1 X1\n;" + b"a" * (5 * TAIL) + b"\nG1 X2\n")
    assert [len(chunk) for chunk in chunks_of(path, 64)] == [6, 5 * TAIL + 8]


def test_what_is_behind_the_file_is_nothing(tmp_path: Path) -> None:
    """The reader looks ahead of the last line."""
    path = tmp_path / "job.gcode"
    path.write_bytes(b"G1 X1\nG1 X2")
    *_, last = JobFile(str(path)).chunks(1000)
    assert not np.any(last.buffer[last.end : last.end + PADDING])


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "job.gcode"
    path.write_bytes(b"\xef\xbb\xbfG1 X1\n\xef\xbb\xbfG1\n")
    assert chunks_of(path, 9) == [b"G1 X1\n", b"\xef\xbb\xbfG1\n"]


def test_gzip_is_unpacked_as_often_as_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "job.gcode.gz"
    path.write_bytes(gzip.compress(b"G1 X1\n" * 500) + gzip.compress(b"G1 X2\n"))
    file = JobFile(str(path))
    for _ in range(2):
        content = b"".join(bytes(chunk.content) for chunk in file.chunks(100))
        assert content == b"G1 X1\n" * 500 + b"G1 X2\n"


@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["as it is", "gzip"])
def test_standard_input_is_kept(monkeypatch: pytest.MonkeyPatch, pack: type[bytes]) -> None:
    content = b"G1 X1\n" * 500
    packed = pack(content)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BytesIO(packed[9:])))
    file = JobFile("-", begun=packed[:9])
    for _ in range(2):
        assert b"".join(bytes(chunk.content) for chunk in file.chunks(100)) == content
    assert file.name == "-"


def test_a_damaged_gzip_file(tmp_path: Path) -> None:
    path = tmp_path / "job.gcode.gz"
    path.write_bytes(gzip.compress(b"G1 X1\n" * 5000)[:-9])
    with pytest.raises(InputError, match="a gzip file that cannot be unpacked"):
        chunks_of(path, 1000)


def test_blanks_are_read_to_their_end(tmp_path: Path) -> None:
    path = tmp_path / "job.gcode"
    path.write_bytes(b"\n" * 200_000 + b"G1 X1\n")
    JobFile(str(path)).refuse_what_is_no_text(1000)
    path.write_bytes(b"\n" * 200_000)
    with pytest.raises(InputError, match="a file of blanks"):
        JobFile(str(path)).refuse_what_is_no_text(1000)
