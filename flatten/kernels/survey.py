"""Returns to a polar grid: the lowest and the highest of every cell, and which return lies where.

A cell is a sector by a ring. Rings are wider the farther they are: the floor's returns lie r² apart along a
bearing. What is higher than any floor can be at its distance is left out: most of a frame's walls.
Nothing that is kept of a cell depends on the order of its returns.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import gather
from flatten.kernels.groups import Cells, Listed, Returns, Rings, Rules
from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, select
from flatten.kernels.sift import A0, A1, A2, A3, A4, A5, to_level
from flatten.kernels.workroom import BLOCK, HEIGHT, PX, PY, PZ, SLACKS, SQUARE, X, Y

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
SECTORS = 90
PART = 0.05
"""Metres: rings end at whole multiples."""
TALL = 0.5
"""Metres above the steepest floor up to which a return counts: what stands on it shows that it stands."""
CLEARLY = F(0.1)
"""Metres above a cell's lowest return from which on another may be the floor, and that one a ghost."""
LOWEST = F(-1e4)
ZERO, ONE, TWO, QUARTER = F(0), F(1), F(2), F(SECTORS / 4.0)
NONE_LOW, NONE_HIGH = F(np.inf), F(-np.inf)
DISTANCE, TURN = SQUARE, SLACKS
"""Rows of the workroom for the distance, and for the bearing in sectors."""


@part
def to_polar(n: int, work: Singles) -> None:
    """Give distances, and bearings in sectors from −π on; the bound on errors gives up its place."""
    for j in range(n):
        x, y = work[X + j], work[Y + j]
        ax, ay = abs(x), abs(y)
        steep = ay > ax
        longer = select(steep, ay, ax)
        q = select(steep, ax, ay) / select(longer > ZERO, longer, ONE)  # on the axis any bearing will do
        s = q * q
        ss = s * s
        turn = q * fma(ss, fma(ss, fma(s, A5, A4), fma(s, A3, A2)), fma(s, A1, A0))
        turn = select(steep, ONE - turn, turn)
        turn = select(x < ZERO, TWO - turn, turn)
        turn = select(y < ZERO, -turn, turn)
        work[TURN + j] = (turn + TWO) * QUARTER
        work[DISTANCE + j] = F(math.sqrt(work[SQUARE + j]))


@part
def is_own(x: float, y: float, z: float, rules: Rules) -> bool:
    """Tell whether a return may be of the robot itself: in its outline, and higher than floor can be."""
    inside = rules.back <= x <= rules.front and rules.right <= y <= rules.left
    return inside and z > rules.step


@part
def enter(
    r: np.float32, turn: np.float32, z: np.float32, at: int, rings: Rings, listed: Listed, cells: Cells
) -> None:
    """Enter one return."""
    k = rings.ring_at[int(r * F(1.0 / PART))]
    s = int(turn)
    s = s if s < SECTORS else SECTORS - 1
    aside = turn - F(s) - F(0.5)
    listed.cell[at] = k * SECTORS + s
    listed.r[at], listed.z[at], listed.aside[at] = r, z, aside
    cells.n[k, s] += 1
    low = cells.low[k, s]
    if z < low or (
        z == low and (r < cells.low_r[k, s] or (r == cells.low_r[k, s] and aside < cells.low_aside[k, s]))
    ):
        cells.low[k, s], cells.low_r[k, s], cells.low_aside[k, s] = z, r, aside
    if z > cells.high[k, s] or (z == cells.high[k, s] and r < cells.high_r[k, s]):
        cells.high[k, s], cells.high_r[k, s] = z, r


@part
def find_next(n: int, listed: Listed, cells: Cells) -> None:
    """Find the lowest return of each cell that lies clearly above its lowest."""
    for i in range(n):
        c, z = listed.cell[i], listed.z[i]
        k = c // SECTORS
        s = c - k * SECTORS
        if z > cells.low[k, s] + CLEARLY and z <= cells.next_[k, s]:
            r, aside = listed.r[i], listed.aside[i]
            same = z == cells.next_[k, s]
            if (
                not same
                or r < cells.next_r[k, s]
                or (r == cells.next_r[k, s] and aside < cells.next_aside[k, s])
            ):
                cells.next_[k, s], cells.next_r[k, s], cells.next_aside[k, s] = z, r, aside


@part
def survey(
    returns: Returns, matrix: Singles, rules: Rules, rings: Rings, listed: Listed, cells: Cells, work: Singles
) -> int:
    """Enter all returns that may be of the floor; give how many."""
    cells.n[:] = 0
    cells.low[:] = NONE_LOW
    cells.high[:] = NONE_HIGH
    cells.next_[:] = NONE_LOW
    found = 0
    far, slope, tall = F(rules.far), F(rules.slope), F(TALL)
    for first in range(0, returns.n, BLOCK):
        n = min(BLOCK, returns.n - first)
        gather(first, n, returns, work)
        to_level(n, matrix, work)
        to_polar(n, work)
        for j in range(n):
            r, z = work[DISTANCE + j], work[HEIGHT + j]
            if not (r < far and z < slope * r + tall and z > LOWEST):  # no number is not near
                continue
            if work[PX + j] == ZERO and work[PY + j] == ZERO and work[PZ + j] == ZERO:
                continue
            if is_own(work[X + j], work[Y + j], z, rules):
                continue
            enter(r, work[TURN + j], z, found, rings, listed, cells)
            found += 1
    find_next(found, listed, cells)
    return found
