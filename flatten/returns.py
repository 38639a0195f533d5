"""Where the coordinates of a cloud lie in memory, told in plain numbers to the kernels."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.cloud import Array, Cloud
from flatten.kernels.loads import FLOAT32, FLOAT64, dtype_code

STRIDES = frozenset({12, 16, 24, 26, 32, 48})
"""Bytes from return to return for which the kernels have loads of their own (see `kernels.gather`)."""


class Returns(NamedTuple):
    """Where x, y and z lie, and how to find them there; holds what it looks at alive."""

    code: int
    layout: npt.NDArray[np.int64]
    """(3, 3), a row an axis: address of return 0, bytes from row to row, bytes from column to column."""
    columns: int
    stride: int
    """Bytes from return to return where each is a record of float32 x, y, z; 0 for all else."""
    owners: tuple[Any, ...]


def lay_out(cloud: Cloud) -> Returns:
    """Describe a cloud's coordinates where they lie; only what is not float32 or float64 is converted.

    Addresses, and no arrays: one type for the kernels, whatever the arrays' dtype, strides, alignment and
    writability, so that they are compiled once. Nothing is ever written.
    """
    axes: tuple[Array, ...] = (cloud.x, cloud.y, cloud.z)
    dtype = cloud.x.dtype
    code = dtype_code(dtype)
    starts: list[int] | None = cloud.addresses() if code >= 0 else None
    if code < 0 or cloud.y.dtype != dtype or cloud.z.dtype != dtype:
        axes = tuple(np.ascontiguousarray(axis, np.float64) for axis in axes)
        code, starts = FLOAT64, None
    if starts is None:
        starts = [axis.__array_interface__["data"][0] for axis in axes]
    flat = axes[0].ndim == 1
    steps = [(0, *axis.strides) if flat else axis.strides for axis in axes]
    columns = axes[0].shape[-1]
    layout = np.array([(start, *step) for start, step in zip(starts, steps, strict=True)], np.int64)
    return Returns(code, layout, columns, record_stride(code, starts, steps, axes[0].shape), axes)


def record_stride(code: int, starts: list[int], steps: list[tuple[int, ...]], shape: tuple[int, ...]) -> int:
    """Bytes a record where x, y and z follow each other as float32 in one row of records, else 0."""
    stride = steps[0][1]
    if code != FLOAT32 or stride not in STRIDES or not steps[0] == steps[1] == steps[2]:
        return 0
    in_one_row = len(shape) == 1 or shape[0] == 1 or steps[0][0] == stride * shape[1]
    together = starts[1] - starts[0] == 4 and starts[2] - starts[0] == 8
    return stride if in_one_row and together else 0
