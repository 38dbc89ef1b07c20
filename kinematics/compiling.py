"""The compiler: what makes machine code of kernels, and the few functions that it is taught.

Only imported where something has to be compiled; importing it takes a quarter of a second. What it is taught about
rows of numbers stands in `compiled_lanes.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numba
import numpy
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

from kinematics import compiled_lanes  # noqa: F401 (teaches the compiler)
from kinematics.compiled import byte_at, eight_at, trailing_zeros
from kinematics.linking import Code


class _Taken:
    """Takes machine code from the compiler in the way in which it hands it to its own cache."""

    cache_path = None

    def load_overload(self, _signature: Any, _context: Any) -> None:
        """Nothing: what is kept was looked for before."""

    def save_overload(self, _signature: Any, made: Any) -> None:
        """Take the machine code of a kernel with what it needs."""
        own = made.fndesc.env_name
        others = made._find_referenced_environments()
        held = [(one.env_name, list(one.consts)) for one in others if one.consts or one.env_name == own]
        self.code = Code(made.fndesc.llvm_cpython_wrapper_name, held, made.library._get_compiled_object())


def compiler_of(function: Callable[..., Any], options: Mapping[str, object]) -> Any:
    """What compiles a function."""
    return numba.njit(**options)(function)


def code_of(compiler: Any, arguments: tuple[Any, ...]) -> Code:
    """Machine code of a function for arguments like these."""
    compiler._cache = taken = _Taken()
    compiler.compile(tuple(map(compiler.typeof_pyval, arguments)))
    return taken.code


def _loaded(bits: int) -> Any:
    """An intrinsic that loads an integer of so many bits at `address + index`; no bounds are known there."""

    def load(_typing_context: Any, address: Any, index: Any) -> Any:
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
    def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.uint64), code


@overload(trailing_zeros)
def _trailing_zeros(number: Any) -> Any:
    def count(number: Any) -> Any:
        return _count_trailing_zeros(number)

    return count


@overload(byte_at)
def _byte_at(source: Any, index: Any) -> Any:
    if isinstance(source, types.Integer):

        def load(source: Any, index: Any) -> Any:
            return _load_byte(source, index)
    else:

        def load(source: Any, index: Any) -> Any:
            return types.int64(source[index])

    return load


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
