"""What the compiler is taught about rows of numbers (`lanes.py`): a type that is one register, and its functions."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

from llvmlite import binding as llvm
from llvmlite import ir
from numba import types
from numba.core.datamodel.models import PrimitiveModel
from numba.extending import intrinsic, overload, register_model

from kinematics.lanes import LANES, all_at_most, greatest, in_every_lane, inverse_root, lanes_at, least, put_lanes


class _Lanes(types.Type):  # type: ignore[misc]
    """A row of LANES numbers of double precision."""

    def __init__(self) -> None:
        super().__init__(name=f"Lanes{LANES}")


_LANES = _Lanes()


_VECTOR = ir.VectorType(ir.DoubleType(), LANES)


@register_model(_Lanes)
class _Model(PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _VECTOR)


def _spread(builder: Any, number: Any) -> Any:
    """One number in every lane."""
    single = builder.insert_element(ir.Constant(_VECTOR, ir.Undefined), number, ir.Constant(ir.IntType(32), 0))
    nowhere = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
    return builder.shuffle_vector(single, ir.Constant(_VECTOR, ir.Undefined), nowhere)


def _is_lanes(kind: Any) -> bool:
    return isinstance(kind, _Lanes)


def _both(build: Callable[[Any, Any, Any], Any]) -> Any:
    """An intrinsic of two rows, or of a row and a number, which then stands in every lane."""

    @intrinsic
    def both(_context: Any, left: Any, right: Any) -> Any:
        def code(_target: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            pair = [
                one if _is_lanes(kind) else _spread(builder, one)
                for one, kind in zip(arguments, signature.args, strict=True)
            ]
            return build(builder, *pair)

        taken = [kind if _is_lanes(kind) else types.float64 for kind in (left, right)]
        return _LANES(*taken), code

    return both


def _intrinsic_call(name: str, operands: int) -> Callable[..., Any]:
    """Build a call of one of the compiler's own functions on vectors."""

    def build(builder: Any, *arguments: Any) -> Any:
        kind = ir.FunctionType(_VECTOR, [_VECTOR] * operands)
        function = builder.module.globals.get(f"llvm.{name}.v{LANES}f64")
        if function is None:
            function = ir.Function(builder.module, kind, f"llvm.{name}.v{LANES}f64")
        return builder.call(function, arguments)

    return build


def _chosen(comparison: str) -> Callable[[Any, Any, Any], Any]:
    """Build the lesser or greater of two rows: one instruction, as a comparison and a choice."""

    def build(builder: Any, left: Any, right: Any) -> Any:
        return builder.select(builder.fcmp_ordered(comparison, left, right), left, right)

    return build


_add = _both(lambda builder, a, b: builder.fadd(a, b))


_subtract = _both(lambda builder, a, b: builder.fsub(a, b))


_multiply = _both(lambda builder, a, b: builder.fmul(a, b))


_divide = _both(lambda builder, a, b: builder.fdiv(a, b))


_least = _both(_chosen("<"))


_greatest = _both(_chosen(">"))


def _operator(function: Any, built: Any) -> None:
    """Give rows an operator of the language."""

    @overload(function)
    def rows(left: Any, right: Any) -> Any:
        if _is_lanes(left) or _is_lanes(right):

            def code(left: Any, right: Any) -> Any:
                return built(left, right)

            return code
        return None


for _function, _built in (
    (operator.add, _add),
    (operator.sub, _subtract),
    (operator.mul, _multiply),
    (operator.truediv, _divide),
):
    _operator(_function, _built)


@overload(least)
def _overload_least(left: Any, right: Any) -> Any:
    def code(left: Any, right: Any) -> Any:
        return _least(left, right)

    return code


@overload(greatest)
def _overload_greatest(left: Any, right: Any) -> Any:
    def code(left: Any, right: Any) -> Any:
        return _greatest(left, right)

    return code


@intrinsic
def _root(_context: Any, row: Any) -> Any:
    def code(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return _intrinsic_call("sqrt", 1)(builder, *arguments)

    return _LANES(_LANES), code


def _place(builder: Any, address: Any, row: Any) -> Any:
    """Pointer to a row of LANES numbers behind an address."""
    offset = builder.mul(row, ir.Constant(ir.IntType(64), 8 * LANES))
    return builder.inttoptr(builder.add(address, offset), _VECTOR.as_pointer())


@intrinsic
def _load(_context: Any, address: Any, row: Any) -> Any:
    def code(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        value = builder.load(_place(builder, *arguments), typ=_VECTOR)
        value.align = 8
        return value

    return _LANES(types.int64, types.int64), code


@intrinsic
def _store(_context: Any, address: Any, row: Any, value: Any) -> Any:
    def code(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        address, row, value = arguments
        stored = builder.store(value, _place(builder, address, row))
        stored.align = 8
        return ir.Constant(ir.IntType(64), 0)

    return types.int64(types.int64, types.int64, _LANES), code


@overload(lanes_at)
def _overload_lanes_at(rows: Any, row: Any) -> Any:
    if isinstance(rows, types.Integer):

        def load(rows: Any, row: Any) -> Any:
            return _load(rows, row)
    else:

        def load(rows: Any, row: Any) -> Any:
            rows[row, LANES - 1]  # the bounds are checked here
            return _load(rows.ctypes.data, row)

    return load


@overload(put_lanes)
def _overload_put_lanes(rows: Any, row: Any, value: Any) -> Any:
    if isinstance(rows, types.Integer):

        def put(rows: Any, row: Any, value: Any) -> None:
            _store(rows, row, value)
    else:

        def put(rows: Any, row: Any, value: Any) -> None:
            rows[row, LANES - 1] = 0.0  # the bounds are checked here
            _store(rows.ctypes.data, row, value)

    return put


@intrinsic
def _spread_number(_context: Any, number: Any) -> Any:
    def code(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return _spread(builder, arguments[0])

    return _LANES(types.float64), code


@overload(in_every_lane)
def _overload_in_every_lane(number: Any) -> Any:
    def code(number: Any) -> Any:
        return _spread_number(number)

    return code


_HAS_RSQRT14 = bool(llvm.get_host_cpu_features().get("avx512f")) and LANES == 8


@intrinsic
def _rough_inverse_root(_context: Any, row: Any) -> Any:
    def code(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        name = "llvm.x86.avx512.rsqrt14.pd.512"
        kind = ir.FunctionType(_VECTOR, [_VECTOR, _VECTOR, ir.IntType(8)])
        function = builder.module.globals.get(name) or ir.Function(builder.module, kind, name)
        zero = ir.Constant(_VECTOR, [0.0] * LANES)
        return builder.call(function, [arguments[0], zero, ir.Constant(ir.IntType(8), -1)])

    return _LANES(_LANES), code


@overload(inverse_root)
def _overload_inverse_root(row: Any) -> Any:
    if _HAS_RSQRT14:

        def code(row: Any) -> Any:
            half = row * 0.5
            rough = _rough_inverse_root(row)
            rough = rough * (1.5 - half * (rough * rough))
            return rough * (1.5 - half * (rough * rough))
    else:

        def code(row: Any) -> Any:
            return 1.0 / _root(row)

    return code


@intrinsic
def _all_at_most(_context: Any, left: Any, right: Any) -> Any:
    def code(_target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        each = builder.fcmp_ordered("<=", *arguments)
        together = builder.bitcast(each, ir.IntType(LANES))
        return builder.icmp_unsigned("==", together, ir.Constant(ir.IntType(LANES), -1))

    return types.boolean(_LANES, _LANES), code


@overload(all_at_most)
def _overload_all_at_most(left: Any, right: Any) -> Any:
    def code(left: Any, right: Any) -> Any:
        return _all_at_most(left, right)

    return code
