"""Kernels: the decorators that compile them, and the folder in which their machine code is kept for the next run.

A kernel is compiled (`compiling.py`, which loads the compiler) for each set of kinds that its arguments come in, and
its machine code kept in a user folder named by a hash of every source below the jobs, of the versions and of what
the compiler was told. A later run links it (`linking.py`) without loading the compiler, which would take longer than
many an answer. What is damaged, or was made for something else, is compiled anew; old folders are pruned; where nothing
can be kept kernels are compiled in every run.
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import importlib.util
import operator
import os
import pickle
import shutil
import stat
import sys
import threading
import zlib
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, TypeVar, cast

# One thread of linear algebra is plenty here and starting more costs 50 ms of every command.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy

if TYPE_CHECKING:
    from kinematics.linking import Code, Linked

Kernel = TypeVar("Kernel", bound=Callable[..., Any])

KEPT_CACHES = 4
OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH
SEAL = 4  # bytes of a checksum
# Where kernels live, and what they import: nothing above these rooms reaches into machine code.
KERNEL_ROOMS = ("gcode", "limits", "machine", "planner", "vibration")
TOLD = "NUMBA_"  # how the variables begin by which the compiler is told things


def _is_told(name: str) -> bool:
    return os.environ.get(TOLD + name, "0") not in ("", "0")


# The bounds-checked and the uncompiled runs read through array indices, which both of them check.
UNCOMPILED = _is_told("DISABLE_JIT")
CHECKED = UNCOMPILED or _is_told("BOUNDSCHECK")


def _version_of(library: str) -> bytes:
    """What tells a library's version, without importing it: its own file for that, which is read in no time."""
    found = importlib.util.find_spec(library)
    if found is not None and found.origin is not None:
        try:
            return Path(found.origin).with_name("_version.py").read_bytes()
        except OSError:
            pass
    from importlib.metadata import version

    return version(library).encode()


def _source_key() -> str:
    """Hash of every source that a kernel may come from or hang on, of the versions and what the compiler is told."""
    told = sorted(f"{name}={value}" for name, value in os.environ.items() if name.startswith(TOLD))
    digest = hashlib.sha256(f"{sys.version}|{numpy.__version__}|{told}".encode())
    for library in ("numba", "llvmlite"):
        digest.update(_version_of(library))
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
_without_linear_algebra: list[str] = []


def leave_linear_algebra_out() -> None:
    """Let the compiler, should it be needed, find no BLAS in this process: looking for it imports scipy, 0.2 s.

    No kernel here needs it. For the command line alone; in somebody's own process their kernels may.
    """
    _without_linear_algebra[:] = ["scipy.linalg.cython_blas"]


@functools.cache
def _compiling() -> ModuleType:
    """The compiler, loaded where it is needed first."""
    hidden = [name for name in _without_linear_algebra if name not in sys.modules]
    for name in hidden:
        sys.modules[name] = None  # type: ignore[assignment]
    try:
        if hidden:
            importlib.import_module("numba.np.arraymath")  # which looks once, as it is imported
    finally:
        for name in hidden:
            del sys.modules[name]
    return importlib.import_module("kinematics.compiling")


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


def _unsealed(content: bytes) -> bytes:
    if len(content) <= SEAL or zlib.crc32(content[:-SEAL]).to_bytes(SEAL, "little") != content[-SEAL:]:
        raise ValueError("damaged")
    return content[:-SEAL]


def _kept(path: Path, made_for: str) -> Linked | None:
    """The machine code of a file, linked; None where there is none, or that of another kernel or processor."""
    from kinematics.linking import link

    try:
        found, code = pickle.loads(_unsealed(path.read_bytes()))
        return link(code) if found == made_for else None
    except FileNotFoundError:
        return None
    except Exception:
        _note_fault(f"what was compiled before is damaged (in {CACHE_FOLDER}): compiling anew")
        return None


def _keep(path: Path, made_for: str, code: Code) -> None:
    """Write machine code with a checksum, and with what it was made for: a damaged one would end the process."""
    unfinished = path.with_suffix(f".{os.getpid()}")
    try:
        content = pickle.dumps((made_for, code))
        try:
            unfinished.write_bytes(content + zlib.crc32(content).to_bytes(SEAL, "little"))
            os.replace(unfinished, path)
        finally:
            unfinished.unlink(missing_ok=True)
    except Exception as error:
        reason = getattr(error, "strerror", None) or type(error).__name__
        _note_fault(f"what is compiled now cannot be kept (in {CACHE_FOLDER}: {reason}): the next run compiles again")


# Numbers of Python and those of numpy that machine code takes for the same.
_PLAIN: dict[type, object] = {
    type(None): None,
    **dict.fromkeys((bool, numpy.bool_), bool),
    **dict.fromkeys((int, numpy.int64), int),
    **dict.fromkeys((float, numpy.float64), float),
    **dict.fromkeys((complex, numpy.complex128), complex),
}
_BY_ROWS, _BY_COLUMNS = 0x1, 0x2  # flags of an array
_LAID_OUT = _BY_ROWS | _BY_COLUMNS | 0x100 | 0x400  # and whether it is aligned, and may be written
_SEEN = operator.attrgetter("dtype", "ndim", "flags.num")


def _kind(value: Any) -> object:
    """All that machine code may hang on of an argument, as a key: made for some sixty arrays a call, so quickly.

    Raises:
        TypeError: A kernel cannot take it.
    """
    kind = type(value)
    if kind is numpy.ndarray:
        return _SEEN(value)
    if kind in _PLAIN:
        return _PLAIN[kind]
    if isinstance(value, tuple):
        return (kind, *[_SEEN(one) if type(one) is numpy.ndarray else _kind(one) for one in value])
    if isinstance(value, numpy.ndarray):
        return _SEEN(value)
    if isinstance(value, numpy.generic):
        return value.dtype
    raise TypeError(f"a kernel takes numbers, arrays, records and tuples of them, not {kind.__name__}")


def _settled(kind: Any) -> object:
    """A key with only what machine code does hang on: of an array whether it is laid out by rows, else by columns."""
    if not isinstance(kind, tuple):
        return kind
    if kind and isinstance(kind[0], numpy.dtype):
        dtype, axes, flags = kind
        layout = flags & _LAID_OUT
        return dtype, axes, layout & ~_BY_COLUMNS if layout & _BY_ROWS else layout
    return tuple(map(_settled, kind))


class _Kernel:
    """A function whose machine code is looked up by the kinds of its arguments: at hand, kept or yet to be compiled."""

    _lock = threading.RLock()

    def __init__(self, function: Callable[..., Any], **options: object) -> None:
        functools.update_wrapper(self, function)
        self._function = function
        self._options = options
        self._ready: dict[object, Linked] = {}  # by the key of the arguments, and by what it was made for

    @functools.cached_property
    def compiler(self) -> Any:
        """What the compiler makes of the function."""
        return _compiling().compiler_of(self._function, self._options)

    @property
    def _numba_type_(self) -> Any:
        """What the compiler takes it for where another kernel calls it."""
        return self.compiler._numba_type_

    def __call__(self, *arguments: Any) -> Any:
        kinds = tuple(map(_kind, arguments))
        run = self._ready.get(kinds) or self._made_ready(kinds, arguments)
        return run(None, arguments, None)

    def _made_ready(self, kinds: tuple[object, ...], arguments: tuple[Any, ...]) -> Linked:
        with self._lock:
            if kinds not in self._ready:
                made_for = self._made_for(_settled(kinds))
                if made_for not in self._ready:
                    path = self._path(made_for)
                    kept = None if path is None else _kept(path, made_for)
                    self._ready[made_for] = kept or self._made(path, made_for, arguments)
                self._ready[kinds] = self._ready[made_for]
            return self._ready[kinds]

    def _made(self, path: Path | None, made_for: str, arguments: tuple[Any, ...]) -> Linked:
        """Compile, keep and link; what cannot be linked runs where the compiler has it."""
        from kinematics.linking import link

        code = _compiling().code_of(self.compiler, arguments)
        if path is not None:
            _keep(path, made_for, code)
        try:
            return link(code)
        except Exception as error:
            _note_fault(f"what is compiled cannot be linked here ({type(error).__name__}): every run compiles again")
            return lambda _self, arguments, _names: self.compiler(*arguments)

    def _made_for(self, kinds: object) -> str:
        """All that a kernel's machine code hangs on, but for what is in the folder's name."""
        from kinematics.linking import processor

        function = self._function
        return f"{function.__module__}.{function.__qualname__} {kinds!r} {processor()}"

    def _path(self, made_for: str) -> Path | None:
        """The file of some machine code; None where it cannot be kept: a kernel that is made anew at each call, or of
        no file.
        """
        if CACHE_FOLDER is None or self._function.__closure__ is not None:
            return None
        digest = hashlib.sha256(made_for.encode())
        if not self._function.__module__.startswith(f"{__package__}."):  # its source is not in the folder's name
            try:
                about = os.stat(self._function.__code__.co_filename)
            except OSError:
                return None
            digest.update(f"{about.st_size} {about.st_mtime_ns}".encode())
        return CACHE_FOLDER / f"{self._function.__module__}.{self._function.__name__}-{digest.hexdigest()[:20]}.code"


def _decorated(function: Kernel, **options: bool) -> Kernel:
    return function if UNCOMPILED else cast(Kernel, _Kernel(function, nogil=True, error_model="numpy", **options))


def compiled(kernel: Kernel) -> Kernel:
    """Compile a kernel on first use and keep the machine code; plain IEEE arithmetic, no fast-math.

    Infinities mean "no limit" here, so the compiler must not assume that there are none.
    """
    return _decorated(kernel)


def compiled_part(part: Kernel) -> Kernel:
    """Compile a function that only kernels call: no wrappers for Python, no cache file of its own.

    Both cost more than the function itself, and the machine code lands in the cache of the kernel that calls it.
    """
    return _decorated(part, no_cpython_wrapper=True, no_cfunc_wrapper=True)


def compiled_leaf(part: Kernel) -> Kernel:
    """Compile a function that only kernels call, that makes no arrays and keeps none beyond its own call.

    As `compiled_part`, but nobody counts how often an array is in use meanwhile: that costs two atomic operations for
    each array and call, far more than the little that is done in between.
    """
    return _decorated(part, no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False)


def trailing_zeros(number: Any) -> int:
    """Number of zero bits below the lowest bit set of a uint64 (64 for 0)."""
    value = int(number)
    return (value & -value).bit_length() - 1 if value else 64


def byte_at(source: Any, index: int) -> int:
    """The byte at `index` of `source`, as an integer.

    `source` is an address (int64) in ordinary runs and a uint8 array in checked ones. An array handed to an inlined
    function costs two atomic reference counts, on every number of a file; an address costs none.
    """
    return int(source[index])


def eight_at(source: Any, index: int) -> Any:
    """The eight bytes from `index` of `source` as a uint64, the first one lowest; `source` as for `byte_at`."""
    value = 0
    for k in range(8):
        value |= int(source[index + k]) << (8 * k)
    return numpy.uint64(value)
