"""When each return was taken: from its own stamp, or from its bearing, to ticks of the frame.

A frame has 2³⁰ ticks: whole numbers, exact to a tenth of a nanosecond in a frame of 0.1 s, and vectors of
them are half the size of float64's.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import fma, select
from flatten.kernels.loads import (
    FLOAT32,
    FLOAT64,
    FLOAT64_SWAPPED,
    INT32,
    INT64,
    UINT32,
    load_float32,
    load_float64,
    load_int32,
    load_int64,
    load_single,
)
from flatten.kernels.sift import A0, A1, A2, A3, A4, A5
from flatten.kernels.workroom import BLOCK, FLAG, PITCH, PX, PY

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Layout = npt.NDArray[np.int64]

F = np.float32
ZERO, ONE, TWO, FOUR = F(0), F(1), F(2), F(4)
TICK = FLAG
"""Row of the int32 workroom."""
TICKS = 1 << 30
"""Ticks of a frame: the last moment is tick TICKS."""
LAST_TICK = float(TICKS)
WHOLE_MASK = 0xFFFFFFFF

INSTANT, EARLIEST, LATEST, ODD = (k * PITCH for k in range(4))
"""Rows of the float64 workroom: stamps, less their origin; of all stamps at the same place of their block the
earliest, the latest, and a sum of zeros that is NaN where one was not finite."""
NUMBERS = 4 * PITCH


@part
def read_stamp(kind: int, start: int, offset: int, whole_origin: int, origin: float) -> float:
    """Read one stamp, less the origin: whole numbers less a whole one, so that no digit is lost."""
    if kind == INT64:
        return float(load_int64(start, offset) - whole_origin)
    if kind == INT32:
        return float(load_int32(start, offset) - whole_origin)
    if kind == UINT32:
        return float((load_int32(start, offset) & WHOLE_MASK) - whole_origin)
    swapped = kind > FLOAT64
    if kind in (FLOAT64, FLOAT64_SWAPPED):
        return load_float64(start, offset, swapped) - origin
    return load_float32(start, offset, swapped) - origin


@part
def read_row(
    kind: int, start: int, stride: int, n: int, whole_origin: int, origin: float, numbers: Numbers
) -> None:
    """Read n stamps that lie `stride` bytes apart; what is constant where this is called makes it quick."""
    for j in range(n):
        numbers[INSTANT + j] = read_stamp(kind, start, j * stride, whole_origin, origin)


@part
def read_singles(start: int, stride: int, n: int, origin: float, numbers: Numbers) -> None:
    """Read n float32 stamps that lie `stride` bytes apart."""
    for j in range(n):
        numbers[INSTANT + j] = float(load_single(start, j * stride)) - origin


@part
def read_stamps(
    kind: int,
    layout: Layout,
    columns: int,
    first: int,
    n: int,
    whole_origin: int,
    origin: float,
    numbers: Numbers,
) -> None:
    """Give the stamps of n returns from `first` on, less their origin, as INSTANT.

    `layout` is (3,): address of the first stamp, bytes from row to row and from column to column.
    """
    row, column = first // columns, first % columns
    start, stride = layout[0] + row * layout[1] + column * layout[2], layout[2]
    if column + n > columns:
        for j in range(n):
            offset = row * layout[1] + column * layout[2]
            numbers[INSTANT + j] = read_stamp(kind, layout[0], offset, whole_origin, origin)
            column += 1
            if column == columns:
                row, column = row + 1, 0
    elif kind == FLOAT32:
        if stride == 4:
            read_singles(start, 4, n, origin, numbers)
        else:
            read_singles(start, stride, n, origin, numbers)
    elif kind == FLOAT64:
        if stride == 8:
            read_row(FLOAT64, start, 8, n, whole_origin, origin, numbers)
        else:
            read_row(FLOAT64, start, stride, n, whole_origin, origin, numbers)
    elif kind == UINT32:
        read_row(UINT32, start, stride, n, whole_origin, origin, numbers)
    elif kind == INT64:
        read_row(INT64, start, stride, n, whole_origin, origin, numbers)
    else:
        read_row(kind, start, stride, n, whole_origin, origin, numbers)


@part
def stamps_to_ticks(n: int, rate: float, shift: float, numbers: Numbers, lanes: Lanes) -> None:
    """Turn INSTANT into TICK: rate·stamp + shift, held within the frame; NaN becomes 0."""
    for j in range(n):
        tick = numbers[INSTANT + j] * rate + shift
        tick = select(tick > 0.0, tick, 0.0)
        lanes[TICK + j] = np.int32(select(tick < LAST_TICK, tick, LAST_TICK))


@part
def bearings_to_ticks(n: int, first_turn: np.float32, way: np.float32, work: Singles, lanes: Lanes) -> None:
    """Turn the bearings of PX, PY into TICK: a frame is one turn from `first_turn` on.

    In quarter turns, −2 … 2. `way` is 1 for counter-clockwise, −1 for clockwise. The polynomial is that of
    `sift`: off by 1.2e-6 quarter turns at most, a thirty-thousandth of a millisecond in a turn of 0.1 s.
    """
    for j in range(n):
        x, y = work[PX + j], work[PY + j]
        ax, ay = abs(x), abs(y)
        steep = ay > ax
        q = select(steep, ax, ay) / select(steep, ay, ax)
        s = q * q
        ss = s * s
        turn = q * fma(ss, fma(ss, fma(s, A5, A4), fma(s, A3, A2)), fma(s, A1, A0))
        turn = select(steep, ONE - turn, turn)
        turn = select(x < ZERO, TWO - turn, turn)
        turn = select(y < ZERO, -turn, turn)
        beyond = (turn - first_turn) * way
        beyond = select(beyond < ZERO, beyond + FOUR, beyond)
        beyond = select(beyond >= FOUR, beyond - FOUR, beyond)
        tick = select(beyond >= ZERO, beyond, ZERO) * F(TICKS / 4)
        lanes[TICK + j] = np.int32(tick)


@kernel
def find_span(
    kind: int,
    layout: Layout,
    columns: int,
    n: int,
    whole_origin: int,
    origin: float,
    numbers: Numbers,
    span: Numbers,
) -> None:
    """Give `span`: the earliest and the latest of n stamps, less their origin, and NaN if any is not finite.

    Each place of a block has its own earliest and latest, as a least of all is no vector loop without
    fastmath.
    """
    for j in range(BLOCK):
        numbers[EARLIEST + j], numbers[LATEST + j], numbers[ODD + j] = np.inf, -np.inf, 0.0
    for first in range(0, n, BLOCK):
        m = min(BLOCK, n - first)
        read_stamps(kind, layout, columns, first, m, whole_origin, origin, numbers)
        for j in range(m):
            stamp, least, most = numbers[INSTANT + j], numbers[EARLIEST + j], numbers[LATEST + j]
            numbers[EARLIEST + j] = select(stamp < least, stamp, least)
            numbers[LATEST + j] = select(stamp > most, stamp, most)
            numbers[ODD + j] += stamp - stamp
    span[0], span[1], span[2] = np.inf, -np.inf, 0.0
    for j in range(BLOCK):
        span[0] = min(span[0], numbers[EARLIEST + j])
        span[1] = max(span[1], numbers[LATEST + j])
        span[2] += numbers[ODD + j]
