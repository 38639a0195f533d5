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
