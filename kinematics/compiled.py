"""The only file that knows the compiler: one decorator, one cache policy, one accessor for raw bytes.

numba's own cache notices an edit only in the file that holds a kernel, so a cached caller keeps an old callee and
gives wrong numbers. Here the cache lives in a user folder named by a hash of every source below the studies, of the
versions and of the checking mode; old folders are pruned; where nothing can be written kernels are compiled anew.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import pickle
import shutil
import stat
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

# One thread of linear algebra is plenty here and starting more costs 50 ms of every command.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numba
import numpy
from numba import types
from numba.core.caching import FunctionCache, IndexDataCacheFile
from numba.extending import intrinsic, overload

Kernel = TypeVar("Kernel", bound=Callable[..., Any])

KEPT_CACHES = 4
OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH
SEAL = 4  # bytes of a checksum
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


def _cache_root() -> Path | None:
    """Where caches are kept; None where the user has no home, and a relative name of one is none."""
    if os.environ.get("KINEMATICS_CACHE_DIR"):
        return Path(os.environ["KINEMATICS_CACHE_DIR"]).absolute()
    base = os.environ.get("XDG_CACHE_HOME", "")
    if not os.path.isabs(base):  # which the standard for such folders says to pass over (XDG Base Directory, 0.8)
        base = os.path.join(os.path.expanduser("~"), ".cache")
    return Path(base) / "kinematics-compiled" if os.path.isabs(base) else None


def _prepare_cache() -> tuple[Path | None, bool]:
    """The cache folder (None where nothing can be kept, or nothing trusted) and whether it was already there."""
    root = _cache_root()
    if root is None:
        return None, False
    folder = root / _source_key()
    try:
        root.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
        if not _is_ours_alone(root, folder):
            return None, False
        warm = (folder / "warm").exists()
        if not warm:
            probe = folder / f"probe-{os.getpid()}"
            probe.write_bytes(b"")
            probe.unlink()
            _prune(folder)
    except OSError:
        return None, False
    return folder, warm


def _is_ours_alone(root: Path, folder: Path) -> bool:
    """Whether nobody else can have put machine code into a folder, or can put another one in its place."""
    if not hasattr(os, "geteuid"):
        return True
    about, above = os.lstat(folder), os.stat(root)
    ours = stat.S_ISDIR(about.st_mode) and about.st_uid == os.geteuid() and not about.st_mode & OTHERS_WRITE
    return ours and (not above.st_mode & OTHERS_WRITE or bool(above.st_mode & stat.S_ISVTX))


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
    if CACHE_FOLDER is not None and not CACHE_WAS_WARM and not _faults:
        try:
            (CACHE_FOLDER / "warm").write_bytes(b"")
        except OSError:
            pass


_faults: list[str] = []  # what was wrong with the cache
_listeners: list[Callable[[str], None]] = []


def hear_of_faults(tell: Callable[[str], None]) -> None:
    """Have somebody told, once, that the cache is damaged or full."""
    _listeners[:] = [tell]


def _note_fault(text: str) -> None:
    if not _faults:
        for tell in _listeners:
            tell(text)
    _faults.append(text)


class _KeptFile(IndexDataCacheFile):  # type: ignore[misc]
    """Machine code in files with a checksum, and with what it was made for: a damaged one would end the process, and of
    two processes that write at once one may leave the other's code under its own name.
    """

    def _dump(self, obj: object) -> bytes:
        content: bytes = super()._dump(obj)
        return content + zlib.crc32(content).to_bytes(SEAL, "little")

    def _load_index(self) -> Any:
        try:
            with open(self._index_path, "rb") as file:
                pickle.load(file)
                _unsealed(file.read())
        except FileNotFoundError:
            return {}
        return super()._load_index()

    def _load_data(self, name: str) -> Any:
        return pickle.loads(_unsealed(Path(self._data_path(name)).read_bytes()))

    def save(self, key: Any, data: Any) -> None:
        """Keep code under its key, and the key with it."""
        super().save(key, (key, data))

    def load(self, key: Any) -> Any:
        """The code of a key; None where there is none, or that of another one."""
        made_for, data = super().load(key) or (None, None)
        return data if made_for == key else None


def _unsealed(content: bytes) -> bytes:
    if len(content) <= SEAL or zlib.crc32(content[:-SEAL]).to_bytes(SEAL, "little") != content[-SEAL:]:
        raise ValueError("damaged")
    return content[:-SEAL]


class _Kept(FunctionCache):  # type: ignore[misc]
    """The cache of a kernel; every answer is the same without it, so whatever fails in it is compiled anew."""

    def __init__(self, kernel: Callable[..., Any]) -> None:
        super().__init__(kernel)
        impl = self._impl
        stamp = impl.locator.get_source_stamp()
        self._cache_file: Any = _KeptFile(self._cache_path, impl.filename_base, stamp)

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Machine code that is kept; None where there is none, or it is damaged."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:
            _note_fault(f"what was compiled before is damaged (in {CACHE_FOLDER}): compiling anew")
            try:
                os.unlink(self._cache_file._index_path)
            except OSError:
                pass
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep machine code, if that can be done."""
        try:
            super().save_overload(sig, data)
        except Exception as error:
            reason = getattr(error, "strerror", None) or type(error).__name__
            _note_fault(
                f"what is compiled now cannot be kept (in {CACHE_FOLDER}: {reason}): the next run compiles again"
            )


def compiled(kernel: Kernel) -> Kernel:
    """Compile a kernel on first use and keep the machine code; plain IEEE arithmetic, no fast-math.

    Infinities mean "no limit" here, so the compiler must not assume that there are none.
    """
    made = numba.njit(nogil=True, error_model="numpy")(kernel)
    if CACHE_FOLDER is not None and made is not kernel:
        made._cache = _Kept(made.py_func)
    return made


def compiled_part(part: Kernel) -> Kernel:
    """Compile a function that only kernels call: no wrappers for Python, no cache file of its own.

    Both cost more than the function itself, and the machine code lands in the cache of the kernel that calls it.
    """
    options = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "nogil": True, "error_model": "numpy"}
    return numba.njit(**options)(part)


def compiled_leaf(part: Kernel) -> Kernel:
    """Compile a function that only kernels call, that makes no arrays and keeps none beyond its own call.

    As `compiled_part`, but nobody counts how often an array is in use meanwhile: that costs two atomic operations for
    each array and call, far more than the little that is done in between.
    """
    options = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "nogil": True, "error_model": "numpy"}
    return numba.njit(**options, _nrt=False)(part)


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
