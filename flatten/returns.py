"""Where the coordinates of a cloud lie in memory, told in plain numbers to the kernels."""

from __future__ import annotations

import ctypes
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.cloud import Array, Cloud
from flatten.kernels.loads import dtype_code

Bytes = npt.NDArray[np.uint8]


class Returns(NamedTuple):
    """Raw bytes of x, y and z, and how to find the returns in them; holds what it looks at alive."""

    sources: tuple[Bytes, Bytes, Bytes]
    code: int
    layout: npt.NDArray[np.int64]
    """(3, 3): byte offset of return 0, bytes from row to row, bytes from column to column."""
    columns: int
    owners: tuple[Any, ...]


def lay_out(cloud: Cloud) -> Returns:
    """Describe a cloud's coordinates where they lie; only what is not float32 or float64 is converted."""
    axes: list[Array] = [cloud.x, cloud.y, cloud.z]
    codes = {dtype_code(axis.dtype) for axis in axes}
    if len(codes) != 1 or -1 in codes:
        axes = [np.ascontiguousarray(axis, np.float64) for axis in axes]
    layout = np.zeros((3, 3), np.int64)
    sources = []
    for row, axis in enumerate(axes):
        source, start = raw_bytes(axis)
        strides = axis.strides if axis.ndim == 2 else (0, *axis.strides)
        layout[row] = (start, *strides)
        sources.append(source)
    columns = axes[0].shape[-1] if axes[0].size else 0
    return Returns(
        (sources[0], sources[1], sources[2]), dtype_code(axes[0].dtype), layout, columns, tuple(axes)
    )


def raw_bytes(array: Array) -> tuple[Bytes, int]:
    """Give the memory that an array's elements span, as uint8, and the byte offset of element 0.

    One type for the kernels, whatever the array's dtype, strides, alignment and writability: they
    are compiled once. The array must be kept alive by the caller; nothing is ever written.
    """
    if array.size == 0:
        return np.empty(0, np.uint8), 0
    steps = [stride * (length - 1) for stride, length in zip(array.strides, array.shape, strict=True)]
    low, high = sum(s for s in steps if s < 0), sum(s for s in steps if s > 0) + array.itemsize
    memory = (ctypes.c_uint8 * (high - low)).from_address(array.ctypes.data + low)
    return np.frombuffer(memory, np.uint8), -low
