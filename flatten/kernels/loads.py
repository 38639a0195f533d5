"""Reading numbers out of raw memory, wherever they lie and in either byte order.

Message records put floats at any offset, aligned or not, in memory that may not be written to, so
that a typed view is not always possible; a load of `align 1` is, and costs the same on x86-64 and
AArch64. What is read is told by the address of a first byte and an offset from it; whoever calls a
kernel has seen to it that there is something, and holds it alive.
"""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

FLOAT32, FLOAT64, FLOAT32_SWAPPED, FLOAT64_SWAPPED = range(4)
"""What a coordinate is: four or eight bytes in the machine's byte order, or in the other one."""
INT32, UINT32, INT64 = 4, 5, 6
"""What else a time may be, in the machine's byte order."""

_DTYPES = (np.dtype("=f4"), np.dtype("=f8"), np.dtype("=f4").newbyteorder(), np.dtype("=f8").newbyteorder())
_CODES = {dtype: code for code, dtype in enumerate(_DTYPES)}


def dtype_code(dtype: np.dtype[Any]) -> int:
    """Give the code of a floating dtype, −1 for any other."""
    return _CODES.get(dtype, -1)


def _at(builder: Any, start: Any, offset: Any, kind: Any) -> Any:
    """Pointer to `offset` bytes after address `start`; not their sum, or no loop is seen through."""
    base = builder.inttoptr(start, ir.IntType(8).as_pointer())
    return builder.bitcast(builder.gep(base, [offset]), kind.as_pointer())


@intrinsic
def _single(_typing: Any, _start: Any, _offset: Any) -> Any:
    def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        start, offset = arguments
        return builder.load(_at(builder, start, offset, ir.FloatType()), align=1)

    return types.float32(types.int64, types.int64), build


def _make_load(bits: int) -> Any:
    @intrinsic
    def read(_typing: Any, _start: Any, _offset: Any, _swapped: Any) -> Any:
        def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            start, offset, swapped = arguments
            raw = builder.load(_at(builder, start, offset, ir.IntType(bits)), align=1)
            raw = builder.select(swapped, builder.bswap(raw), raw)
            value = builder.bitcast(raw, ir.FloatType() if bits == 32 else ir.DoubleType())
            return value if bits == 64 else builder.fpext(value, ir.DoubleType())

        return types.float64(types.int64, types.int64, types.boolean), build

    def load(start: int, offset: int, swapped: bool) -> float:
        dtype = np.dtype(f"=f{bits // 8}")
        raw = ctypes.string_at(int(start) + int(offset), bits // 8)
        return np.float64(np.frombuffer(raw, dtype.newbyteorder() if swapped else dtype)[0])

    @overload(load)
    def compiled(start, offset, swapped):  # type: ignore[no-untyped-def]  # numba compares the signatures
        def implementation(start, offset, swapped):  # type: ignore[no-untyped-def]
            return read(start, offset, swapped)

        return implementation

    return load


load_float32 = _make_load(32)
"""(address, byte offset, swapped) → the float32 there, as float64."""
load_float64 = _make_load(64)
"""(address, byte offset, swapped) → the float64 there."""


def _make_whole(bits: int) -> Any:
    @intrinsic
    def read(_typing: Any, _start: Any, _offset: Any) -> Any:
        def build(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            start, offset = arguments
            raw = builder.load(_at(builder, start, offset, ir.IntType(bits)), align=1)
            return raw if bits == 64 else builder.sext(raw, ir.IntType(64))

        return types.int64(types.int64, types.int64), build

    def load(start: int, offset: int) -> int:
        return int(np.frombuffer(ctypes.string_at(int(start) + int(offset), bits // 8), f"=i{bits // 8}")[0])

    @overload(load)
    def compiled(start, offset):  # type: ignore[no-untyped-def]  # numba compares the signatures
        return lambda start, offset: read(start, offset)  # noqa: PLW0108 - an overload is a function of its own

    return load


load_int32 = _make_whole(32)
"""(address, byte offset) → the int32 there, in the machine's byte order."""
load_int64 = _make_whole(64)
"""(address, byte offset) → the int64 there, in the machine's byte order."""


def load_single(start: int, offset: int) -> np.float32:
    """Give the float32 at `offset` bytes after address `start`, in the machine's byte order."""
    return np.float32(np.frombuffer(ctypes.string_at(int(start) + int(offset), 4), np.float32)[0])


def array_at(address: int, shape: tuple[int, ...], dtype: np.dtype[Any]) -> Any:
    """Look at the C-ordered array of this shape at an address; not for compiled code (see `words`)."""
    length = int(np.prod(shape, dtype=np.int64)) * dtype.itemsize
    # to be written to, even where there is nothing
    memory: Any = (ctypes.c_char * length).from_address(address) if length else bytearray()
    return np.ndarray(shape, dtype, memory)


@overload(load_single)
def _compiled_load_single(start, offset):  # type: ignore[no-untyped-def]
    return lambda start, offset: _single(start, offset)  # noqa: PLW0108 - an overload is a function of its own
