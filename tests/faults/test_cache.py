"""The cache of machine code: damaged, full, planted by somebody else or impossible, the answer is the same."""

from __future__ import annotations

import json
import os
import pickle
import stat
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import ROOT

KERNEL = """
import json, os, sys
{before}
from kinematics import compiled
heard = []
compiled.hear_of_faults(heard.append)

@compiled.compiled
def twice(number):
    return 2 * number

@compiled.compiled
def thrice(number):
    return 3 * number

made = []
make = compiled._Kernel._made
compiled._Kernel._made = lambda *words: (made.append(words), make(*words))[1]
answers = [twice(21), twice(1.5), thrice(7)]
folder = compiled.CACHE_FOLDER
compiled.mark_warm()
assert ("numba" in sys.modules) == bool(made)
print(json.dumps([answers, heard, 3 - len(made), folder and str(folder), compiled.CACHE_WAS_WARM]))
"""


def ran(folder: Path, before: str = "", **environment: str) -> Any:
    """Answers, what was heard, how many kernels came out of the cache, its folder, whether it was warm."""
    script = folder / "kernel.py"
    script.write_text(KERNEL.format(before=before))
    os.utime(script, (1e9, 1e9))
    known = {**os.environ, "PYTHONPATH": str(ROOT), "KINEMATICS_CACHE_DIR": str(folder / "cache"), **environment}
    known = {name: value for name, value in known.items() if value or name != "KINEMATICS_CACHE_DIR"}
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, env=known, cwd=folder, check=False
    )
    assert done.returncode == 0, done.stderr
    answers, *rest = json.loads(done.stdout)
    assert answers == [42, 3.0, 21]
    return rest


def cut(content: bytes) -> bytes:
    """The first half."""
    return content[: len(content) // 2]


def flipped(content: bytes) -> bytes:
    """With one bit in the middle of it changed."""
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 4]) + content[middle + 1 :]


def files_of(folder: str | Path, kernel: str = "") -> list[Path]:
    """Where machine code lies."""
    found = sorted(Path(folder).rglob(f"*{kernel}-*.code"))
    assert found
    return found


@pytest.mark.parametrize("damage", [lambda content: b"", cut, flipped, lambda content: b"\x80" * 999])
def test_damaged_files_are_compiled_anew_and_told_once(tmp_path: Path, damage: Callable[[bytes], bytes]) -> None:
    heard, hits, folder, _ = ran(tmp_path)
    assert (heard, hits) == ([], 0)
    assert ran(tmp_path)[:2] == [[], 3]
    for path in files_of(folder):
        path.write_bytes(damage(path.read_bytes()))
    heard, *_ = ran(tmp_path)
    assert heard == [f"what was compiled before is damaged (in {folder}): compiling anew"]
    assert ran(tmp_path)[:2] == [[], 3]


def test_code_of_another_signature_is_never_taken(tmp_path: Path) -> None:
    one, other = files_of(ran(tmp_path)[2], "twice")
    one.write_bytes(other.read_bytes())
    assert ran(tmp_path)[:2] == [[], 2]
    assert ran(tmp_path)[:2] == [[], 3]


def test_code_of_an_edited_kernel_is_never_taken(tmp_path: Path) -> None:
    """Of a kernel outside of the package, whose source is not in the folder's name."""
    assert ran(tmp_path)[1] == 0
    assert ran(tmp_path, "edited = True")[1] == 0


def test_a_full_disk_keeps_nothing_and_is_told_once(tmp_path: Path) -> None:
    limit = "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); " + (
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))"
    )
    heard, hits, folder, _ = ran(tmp_path, limit)
    assert heard == [f"what is compiled now cannot be kept (in {folder}: File too large): the next run compiles again"]
    assert hits == 0
    assert not ran(tmp_path)[3]  # and is not taken for warm


def test_the_folder_is_for_its_owner_alone(tmp_path: Path) -> None:
    folder = Path(ran(tmp_path)[2])
    for one in (folder, folder.parent):
        assert stat.S_IMODE(one.stat().st_mode) == 0o700


class Planted:
    """What runs as it is loaded."""

    def __reduce__(self) -> tuple[Any, ...]:
        return (os.mkdir, ("ran-as-code",))


@pytest.mark.parametrize(
    ("change", "before"),
    [
        (lambda folder: folder.chmod(0o777), ""),
        (lambda folder: folder.chmod(0o720), ""),
        (lambda folder: folder.parent.chmod(0o777), ""),
        (lambda folder: None, "os.geteuid = lambda: 54321"),
        (lambda folder: (folder.rename(folder.with_name("else")), folder.symlink_to(folder.with_name("else"))), ""),
    ],
    ids=["others write", "a group writes", "others write above", "of another user", "a link"],
)
def test_nothing_is_loaded_from_where_others_can_write(
    tmp_path: Path, change: Callable[[Path], object], before: str
) -> None:
    folder = Path(ran(tmp_path)[2])
    for path in files_of(folder):
        planted = pickle.dumps(Planted())
        path.write_bytes(planted + zlib.crc32(planted).to_bytes(4, "little"))
    change(folder)
    heard, hits, used, warm = ran(tmp_path, before)
    assert (heard, hits, used, warm) == ([], 0, None, False)
    assert not (tmp_path / "ran-as-code").exists()


def test_a_root_for_everybody_with_folders_of_ones_own_is_sound(tmp_path: Path) -> None:
    """As in /tmp: whoever may write there cannot put another folder in the place of ours."""
    folder = Path(ran(tmp_path)[2])
    folder.parent.chmod(0o1777)
    assert ran(tmp_path)[1:3] == [3, str(folder)]


def test_without_a_home_no_folder_has_the_name_of_one(tmp_path: Path) -> None:
    before = "os.path.expanduser = lambda path: path"
    for more in ({"HOME": ""}, {"XDG_CACHE_HOME": "relative"}):
        heard, hits, folder, _ = ran(tmp_path, before, KINEMATICS_CACHE_DIR="", **more)
        assert (heard, hits, folder) == ([], 0, None)
    assert [path.name for path in tmp_path.iterdir()] == ["kernel.py"]


def test_kernels_are_compiled_beside_once_in_a_process(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Another run in the same process, as a fuzz driver makes twenty thousand of, begins no process for it."""
    from kinematics.jobs import first_run

    begun: list[object] = []
    popen = subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *words, **more: (begun.append(words), popen(["true"]))[1])
    monkeypatch.setattr(first_run.compiled, "CACHE_WAS_WARM", False)
    monkeypatch.setattr(first_run.compiled, "CACHE_FOLDER", tmp_path)
    first_run.compile_kernels.cache_clear()
    first_run.compile_kernels()
    first_run.compile_kernels()
    assert len(begun) == 1


def test_the_planner_is_compiled_for_the_features_that_it_will_be_given() -> None:
    """Beforehand it takes arrays that nobody computed; of other kinds, and the first estimate would compile again."""
    from kinematics.compiled import _kind, _settled
    from kinematics.jobs.first_run import plain_features, two_moves
    from kinematics.planner.features import CornerSettings, make_features

    moves, classes = two_moves()
    given = make_features(moves, classes.of_move, CornerSettings())
    assert _settled(_kind(plain_features(classes))) == _settled(_kind(given))
