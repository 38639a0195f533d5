"""Memory to coordinates: a return, or a block of them, out of wherever they lie."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

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
Layout = npt.NDArray[np.int64]

F = np.float32
NAN, HUGE, TINY = F(np.nan), F(3e38), 1e-30

START, ROW_STRIDE, STRIDE = 0, 1, 2
"""Columns of a layout row, one row an axis: address of return 0, bytes a row, bytes a column."""


@part
def read_number(code: int, start: int, offset: int) -> float:
    """Read one coordinate `offset` bytes after address `start`, as float64."""
    swapped = code in (FLOAT32_SWAPPED, FLOAT64_SWAPPED)
    if code in (FLOAT32, FLOAT32_SWAPPED):
        return load_float32(start, offset, swapped)
    return load_float64(start, offset, swapped)


@part
def read_return(code: int, layout: Layout, columns: int, index: int) -> tuple[float, float, float]:
    """Give x, y, z of one return in sensor axes, float64."""
    row, column = 0, index
    if index >= columns:
        row, column = index // columns, index % columns
    return (
        read_number(code, layout[0, START], row * layout[0, ROW_STRIDE] + column * layout[0, STRIDE]),
        read_number(code, layout[1, START], row * layout[1, ROW_STRIDE] + column * layout[1, STRIDE]),
        read_number(code, layout[2, START], row * layout[2, ROW_STRIDE] + column * layout[2, STRIDE]),
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
def gather_any(code: int, layout: Layout, columns: int, first: int, n: int, work: Singles) -> None:
    """Copy n returns from `first` on from wherever they lie to PX, PY, PZ.

    What is not finite, or at exactly zero, becomes NaN. A float64 too great or too small for
    float32 becomes HUGE three times over: the bound on its error is infinite, so that nothing is sure of
    it and nothing rules it out.
    """
    row, column = first // columns, first % columns
    for j in range(n):
        x = read_number(code, layout[0, 0], row * layout[0, 1] + column * layout[0, 2])
        y = read_number(code, layout[1, 0], row * layout[1, 1] + column * layout[1, 2])
        z = read_number(code, layout[2, 0], row * layout[2, 1] + column * layout[2, 2])
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
def gather(code: int, layout: Layout, columns: int, stride: int, first: int, n: int, work: Singles) -> None:
    """Copy n returns from `first` on to PX, PY, PZ; `stride` is that of records of a known size, else 0."""
    start = layout[0, START] + first * stride
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
        gather_any(code, layout, columns, first, n, work)
