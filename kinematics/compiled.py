"""The only file that knows the compiler: one decorator, one cache policy, one accessor for raw bytes.

numba's own cache notices an edit only in the file that holds a kernel, so a cached caller keeps an old callee and
gives wrong numbers. Here the cache lives in a user folder named by a hash of every source below the studies, of the
versions and of the checking mode; old folders are pruned; where nothing can be written kernels are compiled anew.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

# One thread of linear algebra is plenty here and starting more costs 50 ms of every command.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numba
import numpy
from numba import types
from numba.extending import intrinsic, overload

Kernel = TypeVar("Kernel", bound=Callable[..., Any])

KEPT_CACHES = 4
# Where kernels live, and what they import: nothing above these rooms reaches into machine code.
KERNEL_ROOMS = ("gcode", "limits", "machine", "planner", "vibration")

# The bounds-checked and the uncompiled runs read through array indices, which both of them check.
CHECKED = bool(numba.config.DISABLE_JIT) or bool(numba.config.BOUNDSCHECK)


def _source_key() -> str:
    """Hash of every source that a kernel may come from or hang on, of the versions and the checking mode."""
    digest = hashlib.sha256(f"{sys.version}|{numba.__version__}|{CHECKED}".encode())
    package = Path(__file__).parent
    for path in sorted(
        [*package.glob("*.py"), *(path for room in KERNEL_ROOMS for path in (package / room).rglob("*.py"))]
    ):
        digest.update(str(path.relative_to(package)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:20]


def _cache_root() -> Path:
    if os.environ.get("KINEMATICS_CACHE_DIR"):
        return Path(os.environ["KINEMATICS_CACHE_DIR"])
    base = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return Path(base) / "kinematics-compiled"


def _prepare_cache() -> tuple[Path | None, bool]:
    """The cache folder (None where nothing can be written) and whether it was already there."""
    folder = _cache_root() / _source_key()
    warm = (folder / "warm").exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not warm:
            probe = folder / f"probe-{os.getpid()}"
            probe.write_bytes(b"")
            probe.unlink()
            _prune(folder)
    except OSError:
        return None, False
    if not warm and not os.access(folder, os.W_OK):
        return None, False
    return folder, warm


def _prune(current: Path) -> None:
    """Remove all but the newest few caches of earlier sources."""
    others = [path for path in current.parent.iterdir() if path.is_dir() and path != current]
    others.sort(key=lambda path: path.stat().st_mtime, reverse=True)
    for path in others[KEPT_CACHES - 1 :]:
        shutil.rmtree(path, ignore_errors=True)


CACHE_FOLDER, CACHE_WAS_WARM = _prepare_cache()
if CACHE_FOLDER is not None:
    numba.config.CACHE_DIR = str(CACHE_FOLDER)


def leave_linear_algebra_out() -> None:
    """Let the compiler find no BLAS in this process, which no kernel here needs: looking for it imports scipy, 0.2 s.

    For the command line alone; in somebody's own process their kernels may need it.
    """
    looked_for = "scipy.linalg.cython_blas"
    if looked_for in sys.modules:
        return
    sys.modules[looked_for] = None  # type: ignore[assignment]
    try:
        importlib.import_module("numba.np.arraymath")  # which looks once, as it is imported
    finally:
        del sys.modules[looked_for]


def mark_warm() -> None:
    """Note that a whole run has gone through, so that the next one need not announce compiling."""
    if CACHE_FOLDER is not None and not CACHE_WAS_WARM:
        try:
            (CACHE_FOLDER / "warm").write_bytes(b"")
        except OSError:
            pass


def compiled(kernel: Kernel) -> Kernel:
    """Compile a kernel on first use and keep the machine code; plain IEEE arithmetic, no fast-math.

    Infinities mean "no limit" here, so the compiler must not assume that there are none.
    """
    return numba.njit(cache=CACHE_FOLDER is not None, nogil=True, error_model="numpy")(kernel)


def compiled_part(part: Kernel) -> Kernel:
    """Compile a function that only kernels call: no wrappers for Python, no cache file of its own.

    Both cost more than the function itself, and the machine code lands in the cache of the kernel that calls it.
    """
    options = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "nogil": True, "error_model": "numpy"}
    return numba.njit(**options)(part)


def _loaded(bits: int) -> Any:
    """An intrinsic that loads an integer of so many bits at `address + index`; no bounds are known there."""

    def load(_typing_context: Any, address: Any, index: Any) -> Any:
        from llvmlite import ir

        def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            place = builder.add(arguments[0], arguments[1])
            kind = ir.IntType(bits)
            value = builder.load(builder.inttoptr(place, kind.as_pointer()), typ=kind)
            value.align = 1
            return value if bits == 64 else builder.zext(value, ir.IntType(64))

        return (types.int64 if bits < 64 else types.uint64)(types.int64, types.int64), code

    return intrinsic(load)


_load_byte = _loaded(8)
_load_eight = _loaded(64)


@intrinsic
def _count_trailing_zeros(_typing_context: Any, number: Any) -> Any:
    from llvmlite import ir

    def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.uint64), code


def trailing_zeros(number: Any) -> int:
    """Number of zero bits below the lowest bit set of a uint64 (64 for 0)."""
    value = int(number)
    return (value & -value).bit_length() - 1 if value else 64


@overload(trailing_zeros)
def _trailing_zeros(number: Any) -> Any:
    def count(number: Any) -> Any:
        return _count_trailing_zeros(number)

    return count


def byte_at(source: Any, index: int) -> int:
    """The byte at `index` of `source`, as an integer.

    `source` is an address (int64) in ordinary runs and a uint8 array in checked ones. An array handed to an inlined
    function costs two atomic reference counts, on every number of a file; an address costs none.
    """
    return int(source[index])


@overload(byte_at)
def _byte_at(source: Any, index: Any) -> Any:
    if isinstance(source, types.Integer):

        def load(source: Any, index: Any) -> Any:
            return _load_byte(source, index)
    else:

        def load(source: Any, index: Any) -> Any:
            return types.int64(source[index])

    return load


def eight_at(source: Any, index: int) -> Any:
    """The eight bytes from `index` of `source` as a uint64, the first one lowest; `source` as for `byte_at`."""
    value = 0
    for k in range(8):
        value |= int(source[index + k]) << (8 * k)
    return numpy.uint64(value)


@overload(eight_at)
def _eight_at(source: Any, index: Any) -> Any:
    if isinstance(source, types.Integer):

        def load(source: Any, index: Any) -> Any:
            return _load_eight(source, index)
    else:

        def load(source: Any, index: Any) -> Any:
            value = numpy.uint64(0)
            for k in range(8):
                value |= numpy.uint64(source[index + k]) << numpy.uint64(8 * k)
            return value

    return load
