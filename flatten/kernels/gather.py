"""Bytes to coordinates: one block of returns out of wherever they lie."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.loads import FLOAT32, FLOAT32_SWAPPED, FLOAT64_SWAPPED, load_float32, load_float64

Bytes = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.float64]
Layout = npt.NDArray[np.int64]

START, ROW_STRIDE, STRIDE = 0, 1, 2
"""Columns of a layout row, one row an axis: byte offset of return 0, bytes a row, bytes a column."""


@part
def gather_axis(
    source: Bytes, code: int, layout: Layout, axis: int, columns: int, first: int, n: int, out: Numbers
) -> None:
    """Fill out[axis, :n] with one coordinate of the returns first, first + 1, … (row by row), as float64."""
    row, column = first // columns, first % columns
    start, row_stride, stride = layout[axis, START], layout[axis, ROW_STRIDE], layout[axis, STRIDE]
    single = code in (FLOAT32, FLOAT32_SWAPPED)
    swapped = code in (FLOAT32_SWAPPED, FLOAT64_SWAPPED)
    done = 0
    while done < n:
        offset = start + row * row_stride + column * stride
        count = n - done if n - done < columns - column else columns - column
        if single:
            for j in range(count):
                out[axis, done + j] = load_float32(source, offset + j * stride, swapped)
        else:
            for j in range(count):
                out[axis, done + j] = load_float64(source, offset + j * stride, swapped)
        done += count
        row, column = row + 1, 0


@part
def gather(
    sources: tuple[Bytes, Bytes, Bytes],
    code: int,
    layout: Layout,
    columns: int,
    first: int,
    n: int,
    out: Numbers,
) -> None:
    """Fill out[:, :n] with x, y, z of the n returns from `first` on; `layout` is (3, 3) int64."""
    for axis in range(3):
        gather_axis(sources[axis], code, layout, axis, columns, first, n, out)
