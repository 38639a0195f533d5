"""Heights above a floor that is not flat: the table of the fitted floor, and what it does to heights.

The floor is known as heights in the level frame at the middle of every bin and at distances of whole cells;
between two of these it is a straight line, and across a bin it is the same. So defined, the fast half and
the exact one speak of the same floor, and a beam inside one bin meets straight pieces of it.

What float32 is off by, with u = 2⁻²⁴: a distance is at most 1.5·slack off where x and y are by slack (see
`sift`; 8u·r ≤ slack), its number of cells 2u of itself, and a floor that rises by `steepest` at most is then
off by less than 2·steepest·slack, and by 8u of its greatest height for the line between two of its heights.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Ground
from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, select, truncate
from flatten.kernels.workroom import BIN, HEIGHT, SLACKS, SQUARE

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
NOWHERE = np.int32(0)


@part
def is_given(ground: Ground) -> bool:
    """Tell whether there is a fitted floor; without one it is level, at height 0."""
    return ground.heights.shape[0] > 0


@part
def ground_at(b: int, r: float, ground: Ground) -> float:
    """Height of the floor in bin b at distance r; beyond the table it stays as high as at its end."""
    cells = ground.heights.shape[1] - 1
    u = r * ground.cells_per_metre
    u = u if u < cells else float(cells)
    k = int(u)
    k = k if k < cells else cells - 1
    low, high = float(ground.heights[b, k]), float(ground.heights[b, k + 1])
    return low + (u - k) * (high - low)


@part
def above(z: float, square: float, b: int, ground: Ground) -> float:
    """Height above the floor of what is at height z of the level frame, in bin b."""
    return z - ground_at(b, math.sqrt(square), ground) if is_given(ground) else z


@part
def lower(n: int, ground: Ground, work: Singles, lanes: Lanes) -> None:
    """Turn the heights of n sifted returns into heights above the floor; widen the bounds on their error."""
    heights, row = ground.heights, ground.heights.shape[1]
    scale, cells, last = F(ground.cells_per_metre), F(row - 1), np.int32(row - 2)
    spread = F(1.0 + 2.0 * ground.steepest)
    blur = F(8 * 2.0**-24 * max(abs(ground.lowest), abs(ground.highest)) + 1e-30)
    for j in range(n):
        u = F(math.sqrt(work[SQUARE + j])) * scale
        u = select(u < cells, u, cells)  # no number is beyond too
        k = truncate(u)
        k = select(k < last, k, last)
        b = np.uint32(select(lanes[BIN + j] < 0, NOWHERE, lanes[BIN + j]))
        at = np.uint32(k)
        low, high = heights[b, at], heights[b, at + np.uint32(1)]
        work[HEIGHT + j] -= fma(u - F(k), high - low, low)
        work[SLACKS + j] = fma(spread, work[SLACKS + j], blur)
