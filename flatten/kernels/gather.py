"""Memory to coordinates: a return, or a block of them, out of wherever they lie."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Axis, Returns
from flatten.kernels.jit import part
from flatten.kernels.loads import (
    FLOAT32,
    FLOAT32_SWAPPED,
    FLOAT64_SWAPPED,
    load_float32,
    load_float64,
    load_single,
)
from flatten.kernels.workroom import PX, PY, PZ

Singles = npt.NDArray[np.float32]

F = np.float32
NAN, HUGE, TINY = F(np.nan), F(3e38), 1e-30


@part
def read_number(code: int, axis: Axis, row: int, column: int) -> float:
    """Read one coordinate, as float64."""
    start, offset = axis.start, row * axis.row_step + column * axis.step
    swapped = code in (FLOAT32_SWAPPED, FLOAT64_SWAPPED)
    if code in (FLOAT32, FLOAT32_SWAPPED):
        return load_float32(start, offset, swapped)
    return load_float64(start, offset, swapped)


@part
def read_return(index: int, returns: Returns) -> tuple[float, float, float]:
    """Give x, y, z of one return in sensor axes, float64."""
    row, column = 0, index
    if index >= returns.columns:
        row, column = index // returns.columns, index % returns.columns
    return (
        read_number(returns.code, returns.x, row, column),
        read_number(returns.code, returns.y, row, column),
        read_number(returns.code, returns.z, row, column),
    )


@part
def gather_records(start: int, stride: int, n: int, work: Singles) -> None:
    """Copy n returns to PX, PY, PZ out of records of `stride` bytes that begin with x, y, z, float32.

    For each `stride` that is a constant where this is called, the compiler makes loads of its own.
    """
    for j in range(n):
        work[PX + j] = load_single(start, j * stride)
        work[PY + j] = load_single(start, j * stride + 4)
        work[PZ + j] = load_single(start, j * stride + 8)


@part
def gather_any(first: int, n: int, returns: Returns, work: Singles) -> None:
    """Copy n returns from `first` on from wherever they lie to PX, PY, PZ.

    What is not finite, or at exactly zero, becomes NaN. A float64 too great or too small for
    float32 becomes HUGE three times over: the bound on its error is infinite, so that nothing is sure of
    it and nothing rules it out.
    """
    code, columns = returns.code, returns.columns
    row, column = first // columns, first % columns
    for j in range(n):
        x = read_number(code, returns.x, row, column)
        y = read_number(code, returns.y, row, column)
        z = read_number(code, returns.z, row, column)
        size = max(abs(x), abs(y), abs(z))
        if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)) or size == 0.0:
            fx, fy, fz = NAN, NAN, NAN
        elif size > HUGE or size < TINY:
            fx, fy, fz = HUGE, HUGE, HUGE
        else:
            fx, fy, fz = F(x), F(y), F(z)
        work[PX + j], work[PY + j], work[PZ + j] = fx, fy, fz
        column += 1
        if column == columns:
            row, column = row + 1, 0


@part
def gather(first: int, n: int, returns: Returns, work: Singles) -> None:
    """Copy n returns from `first` on to PX, PY, PZ."""
    stride = returns.stride
    start = returns.x.start + first * stride
    if stride == 12:
        gather_records(start, 12, n, work)
    elif stride == 16:
        gather_records(start, 16, n, work)
    elif stride == 24:  # ends of beams with their starts behind
        gather_records(start, 24, n, work)
    elif stride == 26:
        gather_records(start, 26, n, work)
    elif stride == 32:
        gather_records(start, 32, n, work)
    elif stride == 48:
        gather_records(start, 48, n, work)
    else:
        gather_any(first, n, returns, work)
