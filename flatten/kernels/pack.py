"""Moving what is kept to the front of its row, eight at a time where the processor can.

LLVM has no general name for putting eight numbers into an order that is only known at run time. x86
with AVX2 has one instruction for it; elsewhere numbers are moved one by one.
"""

from __future__ import annotations

from typing import Any

import llvmlite.binding as llvm
import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba import types
from numba.core import cgutils, config
from numba.extending import intrinsic

from flatten.kernels.jit import part
from flatten.kernels.lanes import flags_of_eight
from flatten.kernels.workroom import FLAG, NUMBER, PX, PY, PZ, WHOLE

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

NAN = np.float32(np.nan)


def _can_permute() -> bool:
    """Whether code is made for x86 with AVX2."""
    told = config.CPU_FEATURES
    if told is None:
        return config.CPU_NAME in (None, llvm.get_host_cpu_name()) and bool(
            llvm.get_host_cpu_features().get("avx2", False)
        )
    return "+avx2" in told


PERMUTES: bool = _can_permute() and not config.DISABLE_JIT


def _orders() -> npt.NDArray[np.uint64]:
    """For each pattern of eight flags the places of those that are set, in order, a byte each."""
    places = [[k for k in range(8) if flags >> k & 1] for flags in range(256)]
    return np.array([sum(k << 8 * i for i, k in enumerate(row)) for row in places], np.uint64)


ORDERS = _orders()

EIGHT_BYTES = ir.VectorType(ir.IntType(8), 8)
EIGHT_INTS = ir.VectorType(ir.IntType(32), 8)
EIGHT_SINGLES = ir.VectorType(ir.FloatType(), 8)


def _place(context: Any, builder: Any, kind: Any, array: Any, at: Any, eight: Any) -> Any:
    """Address of eight numbers of an array, from element `at` on."""
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [at]), eight.as_pointer())


def _places(builder: Any, order: Any) -> Any:
    """Eight bytes of an order as eight integers."""
    return builder.zext(builder.bitcast(order, EIGHT_BYTES), EIGHT_INTS)


@intrinsic
def _ones(_typing: Any, _flags: Any) -> Any:
    def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.ctpop(arguments[0])

    return types.int64(types.int64), build


@intrinsic
def _move_eight(_typing: Any, singles: Any, _source: Any, _to: Any, _order: Any) -> Any:
    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array, source, to, order = arguments
        values = builder.load(
            _place(context, builder, signature.args[0], array, source, EIGHT_SINGLES), align=4
        )
        kind = ir.FunctionType(EIGHT_SINGLES, [EIGHT_SINGLES, EIGHT_INTS])
        permute = cgutils.get_or_insert_function(builder.module, kind, "llvm.x86.avx2.permps")
        moved = builder.call(permute, [values, _places(builder, order)])
        builder.store(moved, _place(context, builder, signature.args[0], array, to, EIGHT_SINGLES), align=4)

    return types.void(singles, types.int64, types.int64, types.uint64), build


@intrinsic
def _number_eight(_typing: Any, lanes: Any, _first: Any, _to: Any, _order: Any) -> Any:
    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array, first, to, order = arguments
        nothing = ir.Constant(EIGHT_INTS, ir.Undefined)
        lane = builder.insert_element(nothing, builder.trunc(first, ir.IntType(32)), ir.IntType(32)(0))
        firsts = builder.shuffle_vector(lane, nothing, ir.Constant(EIGHT_INTS, None))
        numbers = builder.add(firsts, _places(builder, order))
        builder.store(numbers, _place(context, builder, signature.args[0], array, to, EIGHT_INTS), align=4)

    return types.void(lanes, types.int64, types.int64, types.uint64), build


@part
def keep_by_eights(n: int, work: Singles, lanes: Lanes) -> int:
    """`keep`, for processors that can permute; n is a multiple of eight."""
    count = 0
    for j in range(0, n, 8):
        flags = flags_of_eight(lanes, FLAG + j)
        order = ORDERS[flags]
        _move_eight(work, PX + j, PX + count, order)
        _move_eight(work, PY + j, PY + count, order)
        _move_eight(work, PZ + j, PZ + count, order)
        _number_eight(lanes, j, NUMBER + count, order)
        count += _ones(flags)
    return count


@part
def keep_one_by_one(n: int, work: Singles, lanes: Lanes) -> int:
    """`keep`, for all processors, and no branch taken."""
    count = 0
    for j in range(n):
        lanes[NUMBER + count] = j
        count -= lanes[FLAG + j]
    for k in range(count):
        j = lanes[NUMBER + k]
        work[PX + k], work[PY + k], work[PZ + k] = work[PX + j], work[PY + j], work[PZ + j]
    return count


@part
def whole(n: int) -> int:
    """Make a number of returns a whole multiple, up to which the rows of a block are safe to work on."""
    return -(-n // WHOLE) * WHOLE


@part
def keep(n: int, work: Singles, lanes: Lanes) -> int:
    """Move the flagged of n returns (a multiple of eight) to the front of PX, PY, PZ; give how many.

    NUMBER tells where they were. What follows them up to the next whole multiple is made NaN.
    """
    count = keep_by_eights(n, work, lanes) if PERMUTES else keep_one_by_one(n, work, lanes)
    for j in range(count, whole(count)):
        work[PX + j] = NAN
    return count
