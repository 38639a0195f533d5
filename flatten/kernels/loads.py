"""Reading one coordinate out of raw bytes, wherever it lies and in either byte order.

Message records put floats at any offset, aligned or not, so that a typed view of them is not always
possible; a load of `align 1` is, and costs the same on x86-64 and AArch64.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

Bytes = npt.NDArray[np.uint8]

FLOAT32, FLOAT64, FLOAT32_SWAPPED, FLOAT64_SWAPPED = range(4)
"""What a coordinate is: four or eight bytes in the machine's byte order, or in the other one."""

_DTYPES = (np.dtype("=f4"), np.dtype("=f8"), np.dtype("=f4").newbyteorder(), np.dtype("=f8").newbyteorder())
_CODES = {dtype: code for code, dtype in enumerate(_DTYPES)}


def dtype_code(dtype: np.dtype[Any]) -> int:
    """Give the code of a floating dtype, −1 for any other."""
    return _CODES.get(dtype, -1)


def _make_load(bits: int) -> Any:
    @intrinsic
    def read(_typing: Any, buffer: Any, offset: Any, swapped: Any) -> Any:
        def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            array = context.make_array(signature.args[0])(context, builder, arguments[0])
            place = builder.gep(array.data, [arguments[1]])
            raw = builder.load(builder.bitcast(place, ir.IntType(bits).as_pointer()), align=1)
            raw = builder.select(arguments[2], builder.bswap(raw), raw)
            value = builder.bitcast(raw, ir.FloatType() if bits == 32 else ir.DoubleType())
            return value if bits == 64 else builder.fpext(value, ir.DoubleType())

        return types.float64(buffer, types.int64, types.boolean), build

    def load(buffer: Bytes, offset: int, swapped: bool) -> float:
        dtype = np.dtype(f"=f{bits // 8}")
        raw = buffer[offset : offset + bits // 8].tobytes()
        return np.float64(np.frombuffer(raw, dtype.newbyteorder() if swapped else dtype)[0])

    @overload(load)
    def compiled(buffer, offset, swapped):  # type: ignore[no-untyped-def]  # numba compares the signatures
        def implementation(buffer, offset, swapped):  # type: ignore[no-untyped-def]
            return read(buffer, offset, swapped)

        return implementation

    return load


load_float32 = _make_load(32)
"""(uint8 array, byte offset, swapped) → the float32 there, as float64."""
load_float64 = _make_load(64)
"""(uint8 array, byte offset, swapped) → the float64 there."""
