"""Slices by height alone, all at once: their borders cut the heights into levels, and a return is of one.

Slices with a rise, `pick: farthest` or min_hits ask for more: see `bands`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import bits, fma, select
from flatten.kernels.scatter import TABLES, elsewhere
from flatten.kernels.sift import SQUARE_SLACK, U
from flatten.kernels.workroom import (
    BIN,
    CELL,
    DOUBT,
    HEIGHT,
    HIGH_HALF,
    INSIDE,
    LEVEL,
    LOW_HALF,
    NEAR,
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

FOUR = np.float32(4)
NO_LANE, YES_LANE, ONE_LANE = np.int32(NO), np.int32(YES), np.int32(1)


@part
def at_an_end(square: np.float32, slack: np.float32, near: np.float32, far: np.float32) -> bool:
    """Tell whether r² may lie on either side of an end of the reach."""
    tolerance = fma(SQUARE_SLACK * slack, slack, FOUR * U * square)
    return (abs(square - near) <= tolerance) | (abs(square - far) <= tolerance)


@part
def find_levels(n: int, borders: Singles, step: int, work: Singles, lanes: Lanes) -> None:
    """Write to LEVEL `step` times the number of borders below each return, to NEAR whether that may be off.

    `borders` (2k, 2) are the bottoms and tops of the slices, ascending, and their rounding.
    """
    step, both = np.int32(step), np.int32(2 * step)
    for j in range(n):
        lanes[LEVEL + j], lanes[NEAR + j] = NO, NO
    for k in range(0, borders.shape[0], 2):
        low, low_slack = borders[k, 0], borders[k, 1]
        high, high_slack = borders[k + 1, 0], borders[k + 1, 1]
        for j in range(n):
            z, slack = work[HEIGHT + j], work[SLACKS + j]
            passed = select(z >= high, both, select(z >= low, step, NO_LANE))
            near = (abs(z - low) <= slack + low_slack) | (abs(z - high) <= slack + high_slack)
            lanes[LEVEL + j] = np.int32(lanes[LEVEL + j] + passed)
            lanes[NEAR + j] = np.int32(lanes[NEAR + j] | select(near, YES_LANE, NO_LANE))


@part
def take_levels(
    n: int,
    first: int,
    last: int,
    row: int,
    near: np.float32,
    far: np.float32,
    work: Singles,
    lanes: Lanes,
    halves: Halves,
) -> None:
    """Make the keys of what surely lies in a level between the borders; levels 0 and `last` lie outside.

    What may lie in one, but where or whether is not sure, becomes UNSURE, as it may have been before.
    INSIDE tells what is in the reach too. Levels are counted in cells: TABLES rows of `row` cells for
    each, and in them returns take turns.
    """
    last, row, first = np.int32(last), np.int32(row), np.int32(first)
    step = np.int32(TABLES * row)
    for j in range(n):
        square, level, b = work[SQUARE + j], lanes[LEVEL + j], lanes[BIN + j]
        between = (level > NO_LANE) & (level < last)
        near_border, doubt = lanes[NEAR + j] < NO_LANE, lanes[DOUBT + j] < NO_LANE
        open_ = near_border | doubt | at_an_end(square, work[SLACKS + j], near, far)
        unsure = (between | near_border) & open_ & ((b >= NO_LANE) | doubt)
        unsure = unsure | (lanes[UNSURE + j] < NO_LANE)
        member = between & (b >= NO_LANE) & ~unsure
        turn = select(np.int32(j) & ONE_LANE != NO_LANE, row, NO_LANE)
        lanes[CELL + j] = select(member, np.int32(level - step + turn + b), NO_LANE)
        number = np.uint32(first + lanes[NUMBER + j])
        halves[2 * j + LOW_HALF] = number
        halves[2 * j + HIGH_HALF] = select(member, bits(square), elsewhere(number))
        lanes[UNSURE + j] = select(unsure, YES_LANE, NO_LANE)
        lanes[INSIDE + j] = select(member & (square >= near) & (square <= far), YES_LANE, NO_LANE)


@part
def count_used(n: int, low: int, high: int, lanes: Lanes) -> int:
    """Count the returns in the reach from level `low` to below `high`, both in cells."""
    low, high = np.int32(low), np.int32(high)
    used = NO_LANE
    for j in range(n):
        level, inside = lanes[LEVEL + j], lanes[INSIDE + j] < NO_LANE
        used = np.int32(used + select(inside & (level >= low) & (level < high), YES_LANE, NO_LANE))
    return -used
