"""Bytes to coordinates: a return, or a block of them, out of wherever they lie."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import select
from flatten.kernels.loads import FLOAT32, FLOAT32_SWAPPED, FLOAT64_SWAPPED, load_float32, load_float64
from flatten.kernels.workroom import PX, PY, PZ

Bytes = npt.NDArray[np.uint8]
Singles = npt.NDArray[np.float32]
Layout = npt.NDArray[np.int64]

F = np.float32
ZERO, INF, NAN = F(0), F(np.inf), F(np.nan)

START, ROW_STRIDE, STRIDE = 0, 1, 2
"""Columns of a layout row, one row an axis: byte offset of return 0, bytes a row, bytes a column."""


@part
def read_axis(source: Bytes, code: int, offset: int) -> float:
    """Read one coordinate at a byte offset, as float64."""
    swapped = code in (FLOAT32_SWAPPED, FLOAT64_SWAPPED)
    if code in (FLOAT32, FLOAT32_SWAPPED):
        return load_float32(source, offset, swapped)
    return load_float64(source, offset, swapped)


@part
def read_return(
    source: Bytes, code: int, layout: Layout, columns: int, index: int
) -> tuple[float, float, float]:
    """Give x, y, z of one return in sensor axes, float64."""
    row, column = 0, index
    if index >= columns:
        row, column = index // columns, index % columns
    return (
        read_axis(source, code, layout[0, START] + row * layout[0, ROW_STRIDE] + column * layout[0, STRIDE]),
        read_axis(source, code, layout[1, START] + row * layout[1, ROW_STRIDE] + column * layout[1, STRIDE]),
        read_axis(source, code, layout[2, START] + row * layout[2, ROW_STRIDE] + column * layout[2, STRIDE]),
    )


@part
def gather_packed(packed: Singles, first: int, n: int, work: Singles) -> int:
    """Copy n returns from `first` on out of packed x, y, z (3·N,) to PX, PY, PZ; give the skipped ones.

    What is skipped (not finite, or at exactly zero) becomes NaN.
    """
    block, skipped = packed[3 * first : 3 * (first + n)], np.int32(0)
    for j in range(n):
        x, y, z = block[3 * j], block[3 * j + 1], block[3 * j + 2]
        size = abs(x) + abs(y) + abs(z)
        good = (size > ZERO) & (size < INF)
        skipped = np.int32(skipped + select(good, np.int32(0), np.int32(1)))
        work[PX + j] = select(good, x, NAN)
        work[PY + j] = y
        work[PZ + j] = z
    return skipped


@part
def gather_singles(
    source: Bytes, code: int, layout: Layout, columns: int, first: int, n: int, work: Singles
) -> int:
    """Copy n returns from `first` on from wherever they lie, as `gather_packed` does."""
    row, column = first // columns, first % columns
    swapped = code in (FLOAT32_SWAPPED, FLOAT64_SWAPPED)
    done, skipped = 0, 0
    while done < n:
        ox = layout[0, 0] + row * layout[0, 1] + column * layout[0, 2]
        oy = layout[1, 0] + row * layout[1, 1] + column * layout[1, 2]
        oz = layout[2, 0] + row * layout[2, 1] + column * layout[2, 2]
        sx, sy, sz = layout[0, 2], layout[1, 2], layout[2, 2]
        count = n - done if n - done < columns - column else columns - column
        for j in range(count):
            if code in (FLOAT32, FLOAT32_SWAPPED):
                x = load_float32(source, ox + j * sx, swapped)
                y = load_float32(source, oy + j * sy, swapped)
                z = load_float32(source, oz + j * sz, swapped)
            else:
                x = load_float64(source, ox + j * sx, swapped)
                y = load_float64(source, oy + j * sy, swapped)
                z = load_float64(source, oz + j * sz, swapped)
            good = math.isfinite(x) and math.isfinite(y) and math.isfinite(z)
            good = good and not (x == 0.0 and y == 0.0 and z == 0.0)
            skipped += 0 if good else 1
            work[PX + done + j] = F(x) if good else NAN
            work[PY + done + j] = F(y)
            work[PZ + done + j] = F(z)
        done += count
        row, column = row + 1, 0
    return skipped
