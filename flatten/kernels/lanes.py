"""What vector loops are made of: operations that LLVM turns into one instruction a vector.

numba has no name for them. Fused multiply-adds are asked for one by one, because a fastmath flag
that allows them also promises that there is no NaN, and a NaN in a cloud would then be undefined
behaviour. A select takes both sides, so that a loop has no branch and can be vectorised.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

Single = np.float32


@intrinsic
def _fma(_typing: Any, x: Any, y: Any, z: Any) -> Any:
    def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.fma(*arguments)

    return types.float32(types.float32, types.float32, types.float32), build


@intrinsic
def _select(_typing: Any, condition: Any, x: Any, y: Any) -> Any:
    def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.select(*arguments)

    return x(types.boolean, x, x), build


@intrinsic
def _truncate(_typing: Any, x: Any) -> Any:
    def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.fptosi(arguments[0], ir.IntType(32))

    return types.int32(types.float32), build


@intrinsic
def _bits(_typing: Any, x: Any) -> Any:
    def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.bitcast(arguments[0], ir.IntType(32))

    return types.uint32(types.float32), build


@intrinsic
def _flags_of_eight(_typing: Any, lanes: Any, _at: Any) -> Any:
    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        data = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        eight = ir.VectorType(ir.IntType(32), 8)
        place = builder.bitcast(builder.gep(data, [arguments[1]]), eight.as_pointer())
        negative = builder.icmp_signed("<", builder.load(place, align=4), ir.Constant(eight, None))
        return builder.zext(builder.bitcast(negative, ir.IntType(8)), ir.IntType(64))

    return types.int64(lanes, types.int64), build


@intrinsic
def _join(_typing: Any, masks: Any, row: Any, table: Any, high: Any, low: Any) -> Any:
    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        four = ir.VectorType(ir.IntType(64), 4)

        def place(array: int, row: int) -> Any:
            data = context.make_array(signature.args[array])(context, builder, arguments[array]).data
            offset = builder.mul(arguments[row], ir.Constant(ir.IntType(64), 4))
            return builder.bitcast(builder.gep(data, [offset]), four.as_pointer())

        here = place(0, 1)
        high, low = (builder.load(place(2, row), align=8) for row in (3, 4))
        added = builder.and_(high, builder.not_(low))
        builder.store(builder.or_(builder.load(here, align=8), added), here, align=8)
        return context.get_dummy_value()

    return types.none(masks, types.int64, table, types.int64, types.int64), build


def fma(x: Single, y: Single, z: Single) -> Single:
    """x·y + z; without compiler rounded twice, which the callers' error bounds allow for."""
    return Single(float(x) * float(y) + float(z))


def select(condition: bool, x: Any, y: Any) -> Any:
    """Give x where the condition holds, else y; both are of one type and both are computed."""
    return x if condition else y


def truncate(x: Single) -> np.int32:
    """Whole part of a float32 of at most 2³¹ in size, as int32."""
    return np.int32(x)


def bits(x: Single) -> np.uint32:
    """The bits of a float32; those of positive numbers are in the order of the numbers."""
    return Single(x).view(np.uint32)


def flags_of_eight(lanes: Any, at: int) -> int:
    """Tell which of lanes[at : at + 8] (int32) are negative: bit k for the k-th of them."""
    return sum(1 << k for k in range(8) if lanes[at + k] < 0)


def join(masks: Any, row: int, table: Any, high: int, low: int) -> None:
    """Let row `row` of masks take the bits that row `high` of the table has and row `low` has not.

    A row is four uint64, whatever the shape of C-ordered `masks` and `table`, and the numbers are in range.
    """
    rows, bits = masks.reshape(-1, 4), table.reshape(-1, 4)
    rows[row] |= bits[high] & ~bits[low]


@overload(fma)
def _compiled_fma(x, y, z):  # type: ignore[no-untyped-def]  # numba compares the signatures
    return lambda x, y, z: _fma(x, y, z)  # noqa: PLW0108 - an overload is a function of its own


@overload(select)
def _compiled_select(condition, x, y):  # type: ignore[no-untyped-def]
    return lambda condition, x, y: _select(condition, x, y)  # noqa: PLW0108


@overload(truncate)
def _compiled_truncate(x):  # type: ignore[no-untyped-def]
    return lambda x: _truncate(x)  # noqa: PLW0108


@overload(bits)
def _compiled_bits(x):  # type: ignore[no-untyped-def]
    return lambda x: _bits(x)  # noqa: PLW0108


@overload(flags_of_eight)
def _compiled_flags_of_eight(lanes, at):  # type: ignore[no-untyped-def]
    return lambda lanes, at: _flags_of_eight(lanes, at)  # noqa: PLW0108


@overload(join)
def _compiled_join(masks, row, table, high, low):  # type: ignore[no-untyped-def]
    return lambda masks, row, table, high, low: _join(masks, row, table, high, low)  # noqa: PLW0108
