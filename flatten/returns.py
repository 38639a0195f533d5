"""Where the coordinates of a cloud lie in memory, told in plain numbers to the kernels."""

from __future__ import annotations

from typing import Any

import numpy as np

from flatten.cloud import Array, Cloud
from flatten.kernels.groups import Axis, Returns
from flatten.kernels.loads import FLOAT32, FLOAT64, dtype_code

STRIDES = frozenset({12, 16, 24, 26, 32, 48})
"""Bytes from return to return for which the kernels have loads of their own (see `kernels.gather`)."""


def lay_out(cloud: Cloud) -> tuple[Returns, tuple[Any, ...]]:
    """Describe a cloud's coordinates where they lie, and give what must be held alive meanwhile.

    Addresses, and no arrays: one type for the kernels, whatever the arrays' dtype, strides, alignment and
    writability, so that they are compiled once. Only what is not float32 or float64 is converted. Nothing is
    ever written.
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
    shape = axes[0].shape
    x, y, z = (Axis(start, *step) for start, step in zip(starts, steps, strict=True))
    stride = record_stride(code, x, y, z, shape)
    return Returns(code, shape[-1], stride, axes[0].size, 0, x, y, z), axes


def record_stride(code: int, x: Axis, y: Axis, z: Axis, shape: tuple[int, ...]) -> int:
    """Bytes a record where x, y and z follow each other as float32 in one row of records, else 0."""
    stride = x.step
    if code != FLOAT32 or stride not in STRIDES or not x[1:] == y[1:] == z[1:]:
        return 0
    in_one_row = len(shape) == 1 or shape[0] == 1 or x.row_step == stride * shape[1]
    together = y.start - x.start == 4 and z.start - x.start == 8
    return stride if in_one_row and together else 0
