"""Slices that ask for more than a height: with a rise, `pick: farthest` or min_hits, one after the other."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import bits, fma, select
from flatten.kernels.levels import at_an_end
from flatten.kernels.scatter import GREATEST, elsewhere
from flatten.kernels.workroom import (
    BIN,
    CELL,
    DOUBT,
    HEIGHT,
    HIGH_HALF,
    INSIDE,
    LOW_HALF,
    NO,
    NUMBER,
    SLACKS,
    SQUARE,
    UNSURE,
    YES,
)

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Halves = npt.NDArray[np.uint32]

F = np.float32
ZERO, ONE, TWO, INF = F(0), F(1), F(2), F(np.inf)
NO_LANE, YES_LANE, ONE_LANE = np.int32(NO), np.int32(YES), np.int32(1)

BOTTOM, TOP, RISE, ROUNDING, NEAR_END, FAR_END = range(6)
"""Columns of a band, float32: m, m, m per m, the rounding of these, and the squares of the reach."""


@part
def lower_border(bottom: np.float32, rise: np.float32, square: np.float32) -> np.float32:
    """Lower border of a slice at a squared distance."""
    return bottom + rise * F(math.sqrt(square)) if rise > ZERO else bottom


@part
def find_unsure(n: int, bands: Singles, s: int, work: Singles, lanes: Lanes) -> None:
    """Mark as UNSURE what may lie in slice s, but where or whether is not sure."""
    bottom, top, rise, rounding = bands[s, BOTTOM], bands[s, TOP], bands[s, RISE], bands[s, ROUNDING]
    near, far = bands[s, NEAR_END], bands[s, FAR_END]
    for j in range(n):
        z, square = work[HEIGHT + j], work[SQUARE + j]
        low = lower_border(bottom, rise, square)
        slack = fma(work[SLACKS + j], ONE + TWO * rise, rounding)
        doubt = lanes[DOUBT + j] < NO_LANE
        # asked the other way round: with an infinite slack, nothing may rule out what is of any height
        out = (z < low - slack) | (z > top + slack) | math.isnan(z)
        possible = ~out & ((lanes[BIN + j] >= NO_LANE) | doubt)
        certain = (z >= low + slack) & (z < top - slack) & ~doubt
        open_ = ~certain | at_an_end(square, work[SLACKS + j], near, far)
        lanes[UNSURE + j] |= select(possible & open_, YES_LANE, NO_LANE)


@part
def take_band(
    n: int,
    first: int,
    bands: Singles,
    s: int,
    offset: int,
    row: int,
    work: Singles,
    lanes: Lanes,
    halves: Halves,
) -> int:
    """Make the keys of what surely lies in slice s; give how many are in the reach, which INSIDE tells.

    The tables of the slice begin at cell `offset`, and have rows of `row` cells.
    """
    bottom, top, rise = bands[s, BOTTOM], bands[s, TOP], bands[s, RISE]
    near, far = bands[s, NEAR_END], bands[s, FAR_END]
    first, offset, row = np.int32(first), np.int32(offset), np.int32(row)
    used = NO_LANE
    for j in range(n):
        z, square, b = work[HEIGHT + j], work[SQUARE + j], lanes[BIN + j]
        low = lower_border(bottom, rise, square)
        member = (z >= low) & (z < top) & (b >= NO_LANE) & (lanes[UNSURE + j] == NO_LANE)
        turn = select(np.int32(j) & ONE_LANE != NO_LANE, row, NO_LANE)
        cell = np.int32(offset + turn + b)
        lanes[CELL + j] = select(member, cell, offset)
        number = np.uint32(first + lanes[NUMBER + j])
        halves[2 * j + LOW_HALF] = number
        halves[2 * j + HIGH_HALF] = select(member, bits(square), elsewhere(number))
        inside = select(member & (square >= near) & (square <= far), YES_LANE, NO_LANE)
        lanes[INSIDE + j] = inside
        used = np.int32(used + inside)
    return -used


@part
def turn_around(n: int, beyond: int, work: Singles, lanes: Lanes, halves: Halves) -> None:
    """Make the keys of `take_band` those of the farthest in reach, `beyond` cells after the nearest."""
    for j in range(n):
        inside = lanes[INSIDE + j] < NO_LANE
        value = np.uint32(GREATEST - bits(work[SQUARE + j]))
        halves[2 * j + HIGH_HALF] = select(inside, value, elsewhere(halves[2 * j + LOW_HALF]))
        lanes[CELL + j] += np.int32(beyond)
