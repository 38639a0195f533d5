"""Where the coordinates of a cloud lie in memory, told in plain numbers to the kernels."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.cloud import Array, Cloud
from flatten.kernels.loads import FLOAT32, FLOAT64, dtype_code

Bytes = npt.NDArray[np.uint8]

NOTHING = np.empty(0, np.float32)
NO_BYTES = np.empty(0, np.uint8)


class Returns(NamedTuple):
    """The bytes in which x, y and z lie, and how to find them there; holds what it looks at alive."""

    source: Bytes
    packed: npt.NDArray[np.float32]
    """(3·N,) the same coordinates where they lie as float32 x, y, z without gaps; else empty."""
    code: int
    layout: npt.NDArray[np.int64]
    """(3, 3), a row an axis: byte offset of return 0, bytes from row to row, bytes from column to column."""
    columns: int
    owners: tuple[Any, ...]


class Memory:
    """A stretch of memory that NumPy may look at as an array of numbers; whoever makes it keeps it alive."""

    def __init__(self, address: int, size: int, typestr: str) -> None:
        self.__array_interface__ = {
            "data": (address, False),
            "shape": (size,),
            "typestr": typestr,
            "version": 3,
        }


def lay_out(cloud: Cloud) -> Returns:
    """Describe a cloud's coordinates where they lie; only what is not float32 or float64 is converted.

    One stretch of bytes from the first to the last that any axis takes: one type for the kernels,
    whatever the arrays' dtype, strides, alignment and writability, so that they are compiled once.
    Axes may lie in memory of their own; what lies between is not touched. Nothing is ever written.
    """
    axes: list[Array] = [cloud.x, cloud.y, cloud.z]
    code = dtype_code(axes[0].dtype)
    if code < 0 or axes[1].dtype != axes[0].dtype or axes[2].dtype != axes[0].dtype:
        axes = [np.ascontiguousarray(axis, np.float64) for axis in axes]
        code = FLOAT64
    layout = np.zeros((3, 3), np.int64)
    if axes[0].size == 0:
        return Returns(NO_BYTES, NOTHING, code, layout, 0, ())
    spans = [span(axis) for axis in axes]
    first, beyond = min(low for low, _, _ in spans), max(high for _, high, _ in spans)
    for row, (axis, (_, _, start)) in enumerate(zip(axes, spans, strict=True)):
        layout[row] = (start - first, *axis.strides) if axis.ndim == 2 else (start - first, 0, *axis.strides)
    source = np.asarray(Memory(first, beyond - first, "|u1"))
    packed = packed_singles(axes, [start for _, _, start in spans]) if code == FLOAT32 else NOTHING
    return Returns(source, packed, code, layout, axes[0].shape[-1], tuple(axes))


def span(array: Array) -> tuple[int, int, int]:
    """Give the addresses of the first byte that the elements take, the one after the last, and element 0."""
    start = array.__array_interface__["data"][0]
    low, high = start, start + array.itemsize
    for stride, length in zip(array.strides, array.shape, strict=True):
        low, high = (low + stride * (length - 1), high) if stride < 0 else (low, high + stride * (length - 1))
    return low, high, start


def packed_singles(axes: list[Array], starts: list[int]) -> npt.NDArray[np.float32]:
    """Look at float32 x, y, z that lie one after another as (3·N,) singles; else give nothing."""
    first = starts[0]
    if starts != [first, first + 4, first + 8] or first % 4 or any(axis.strides != (12,) for axis in axes):
        return NOTHING
    return np.asarray(Memory(first, 3 * axes[0].size, "=f4"))
