"""Machine code that was compiled before is linked into this process without the compiler.

llvmlite alone links an object file. What the code asks for stands in three small extensions of the compiler that are
loaded by themselves, as a file each: importing the compiler would take a quarter of a second. A kernel is entered as
Python enters an extension, with a tuple of arguments, so that its code unpacks arrays and packs results itself.
Whatever a release of either library changes in this ends in an exception here, and kernels are compiled
(`compiled.py`); `tests/faults/test_linking.py` then goes red.
"""

from __future__ import annotations

import builtins
import ctypes
import functools
import importlib.util
import pickle
from collections.abc import Callable, Iterator
from importlib.machinery import EXTENSION_SUFFIXES, ExtensionFileLoader, FileFinder
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

from llvmlite import binding as llvm

Linked = Callable[[None, tuple[Any, ...], None], Any]  # called as a function of C: itself, arguments, names of some
_ENTRY = ctypes.PYFUNCTYPE(ctypes.py_object, ctypes.c_void_p, ctypes.py_object, ctypes.c_void_p)
_UNPICKLE = ctypes.PYFUNCTYPE(ctypes.py_object, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)
RUNTIME = "runtime"  # the library of what every kernel may ask for


class Code(NamedTuple):
    """Machine code of a kernel: an object file, the symbol that is entered, and objects that it reads (by symbol)."""

    entry: str
    objects: list[tuple[str, list[object]]]
    image: bytes


class _Linker(NamedTuple):
    """What links, what holds a kernel's objects, and what must live as long as any kernel does."""

    jit: Any
    holder: Callable[[dict[str, object]], Any]
    alive: list[object]


@functools.cache
def processor() -> str:
    """The processor that code is made for and runs on, as the compiler sees it."""
    return f"{llvm.get_process_triple()} {llvm.get_host_cpu_name()} {llvm.get_host_cpu_features().flatten()}"


def link(code: Code) -> Linked:
    """The function of some machine code; not to be called by two threads at once.

    Raises:
        Exception: Any that tells that this cannot be done here.
    """
    linker = _linker()
    builder = llvm.JITLibraryBuilder().add_object_img(code.image).add_jit_library(RUNTIME).add_current_process()
    for symbol in (code.entry, *(symbol for symbol, _ in code.objects)):
        builder.export_symbol(symbol)
    found = builder.link(linker.jit, f"kernel {len(linker.alive)}")
    linker.alive.append(found)
    for symbol, held in code.objects:
        holder = linker.holder({})
        holder.consts[:] = held
        linker.alive.append(holder)
        ctypes.c_void_p.from_address(found[symbol]).value = id(holder)
    return _ENTRY(found[code.entry])


@functools.cache
def _linker() -> _Linker:
    """What links, made once: the processor's own, and the symbols that kernels ask for."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    jit = llvm.create_lljit_compiler()
    parts = _extension("_helperlib"), _extension("_dynfunc"), _extension("_nrt_python", "core", "runtime")
    unpickle = _UNPICKLE(_unpickled)
    builder = llvm.JITLibraryBuilder()
    for symbol, address in _symbols(*parts):
        builder.import_symbol(symbol, address)
    builder.import_symbol("numba_unpickle", ctypes.cast(unpickle, ctypes.c_void_p).value)
    runtime = builder.link(jit, RUNTIME)
    return _Linker(jit, parts[1].Environment, [*parts, unpickle, runtime])


def _symbols(helpers: Any, functions: Any, runtime: Any) -> Iterator[tuple[str, int]]:
    """What a kernel may ask for, and where it is: the compiler's own functions, those of C, objects of Python."""
    for name, address in (*helpers.c_helpers.items(), *functions.c_helpers.items()):
        yield f"numba_{name}", address
    for name, address in runtime.c_helpers.items():
        yield name if name.startswith("_") else f"NRT_{name}", address
    yield "_Py_NoneStruct", id(None)
    for name, one in vars(builtins).items():
        if isinstance(one, type) and issubclass(one, BaseException):
            yield f"PyExc_{name}", id(one)


def _extension(name: str, *folders: str) -> ModuleType:
    """One of the compiler's extensions, loaded by itself, as no part of any package."""
    package = importlib.util.find_spec("numba")
    if package is None or package.origin is None:
        raise ModuleNotFoundError("numba")
    finder = FileFinder(str(Path(package.origin).parent.joinpath(*folders)), (ExtensionFileLoader, EXTENSION_SUFFIXES))
    spec = finder.find_spec(".".join(("numba", *folders, name)))
    if spec is None or spec.loader is None:
        raise ModuleNotFoundError(name)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_objects: dict[int, object] = {}  # by the address of what they are made of


def _unpickled(address: int, size: int, _hash: int) -> object:
    """An object that code carries along pickled: a class of results, an exception with its words."""
    if address not in _objects:
        _objects[address] = pickle.loads(ctypes.string_at(address, size))
    return _objects[address]
