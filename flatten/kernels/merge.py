"""From the fast half's tables to the exact answer: the winners of all bins, by their exact distances."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, decide
from flatten.kernels.gather import read_return
from flatten.kernels.groups import Bins, Frame, Plan, Returns, Tables
from flatten.kernels.jit import part
from flatten.kernels.lanes import select
from flatten.kernels.loads import load_single
from flatten.kernels.place import exact_square
from flatten.kernels.scatter import CROWDED, INDEX, NO_RETURN, TABLES, Keys
from flatten.kernels.spans import BEYOND_GROUP, FIRST_GROUP

Numbers = npt.NDArray[np.float64]


@part
def reduce_tables(row: int, tables: Keys, least: Keys, second: Keys) -> None:
    """Write the least and the second key of every bin, for each two rows, to (groups, bins)."""
    for g in range(least.shape[0]):
        start = g * TABLES * row
        for b in range(least.shape[1]):
            least[g, b], second[g, b] = min_max(tables[start + b], tables[start + row + b])


@part
def min_max(one: int, other: int) -> tuple[int, int]:
    """Order two keys."""
    return select(one < other, one, other), select(one < other, other, one)


@part
def join_groups(low: int, beyond: int, least: Keys, second: Keys, first: Keys, next_: Keys) -> None:
    """Write the least and the second key of every bin, of the groups low … beyond − 1, to (bins,) each."""
    for b in range(first.size):
        first[b], next_[b] = least[low, b], second[low, b]
    for g in range(low + 1, beyond):
        for b in range(first.size):
            better, worse = min_max(first[b], least[g, b])
            first[b] = better
            rest, _ = min_max(next_[b], second[g, b])
            next_[b] = select(worse < rest, worse, rest)


@part
def has_rivals(first: Keys, next_: Keys) -> bool:
    """Tell whether in some bin the second key is too close to the least to tell."""
    rivals = np.int64(0)
    for b in range(first.size):
        close = (next_[b] < NO_RETURN) & (next_[b] - first[b] <= CROWDED)
        rivals += select(close, np.int64(1), np.int64(0))
    return rivals > 0


@part
def exact_squares(least: Keys, returns: Returns, frame: Frame, points: Numbers, squares: Numbers) -> None:
    """Write the squared distances of the returns behind keys to `squares` (bins,), NaN for none.

    `points` (3, bins) is room for their coordinates. The same sums in the same order as in `place`.
    """
    m = frame.level_from_sensor
    for b in range(least.size):
        index = least[b] & INDEX
        if least[b] >= NO_RETURN:
            points[0, b] = math.nan
        elif returns.stride > 0:
            for axis in range(3):
                points[axis, b] = load_single(returns.x.start, index * returns.stride + 4 * axis)
        else:
            points[0, b], points[1, b], points[2, b] = read_return(index, returns)
    for b in range(least.size):
        x, y, z = points[0, b], points[1, b], points[2, b]
        level_x = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
        level_y = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
        squares[b] = level_x * level_x + level_y * level_y


@part
def decide_bins(
    s: int,
    farthest: bool,
    ending: bool,
    deciding: bool,
    least: Keys,
    squares: Numbers,
    plan: Plan,
    bins: Bins,
) -> None:
    """Let the returns behind `least` decide in all bins of slice s, or end the stretches, or both."""
    best, winner, ends = bins.best, bins.winner, bins.ends
    for b in range(least.size):
        square = squares[b]
        if ending:
            ends[s, b] = select(square < ends[s, b], square, ends[s, b])
        if deciding:
            reached = (square >= plan.near_square) & (square <= plan.far_square)
            index = least[b] & INDEX
            beats = (reached & (square > best[s, b])) if farthest else square < best[s, b]
            beats = beats | ((square == best[s, b]) & (index < winner[s, b]))  # as in gate.decide
            best[s, b] = select(beats, square, best[s, b])
            winner[s, b] = select(beats, index, winner[s, b])


@part
def rivals_decide(
    s: int,
    keys: Keys,
    farthest: bool,
    deciding: bool,
    least: Keys,
    returns: Returns,
    frame: Frame,
    plan: Plan,
    bins: Bins,
) -> None:
    """Let the rivals of a row decide too, one at a time."""
    for b in range(least.size):
        if keys[b] >= NO_RETURN or keys[b] == least[b] or keys[b] - least[b] > CROWDED:
            continue
        index = keys[b] & INDEX
        square = exact_square(index, returns, frame.level_from_sensor)
        if not farthest and square < bins.ends[s, b]:
            bins.ends[s, b] = square
        if deciding:
            decide(square, index, plan.near_square <= square <= plan.far_square, farthest, s, b, bins)


@part
def merge_groups(
    s: int,
    low: int,
    beyond: int,
    farthest: bool,
    deciding: bool,
    returns: Returns,
    frame: Frame,
    plan: Plan,
    bins: Bins,
    tables: Tables,
) -> None:
    """Let the winners of these groups decide in slice s, or (not `deciding`) only end its stretches."""
    first, next_, squares = tables.joined[0], tables.joined[1], tables.points[3]
    join_groups(low, beyond, tables.least, tables.second, first, next_)
    exact_squares(first, returns, frame, tables.points, squares)
    decide_bins(s, farthest, not farthest, deciding, first, squares, plan, bins)
    if has_rivals(first, next_):
        for k in range(low * TABLES, beyond * TABLES):
            keys = tables.keys[k * plan.row : k * plan.row + first.size]
            rivals_decide(s, keys, farthest, deciding, first, returns, frame, plan, bins)


@part
def merge(returns: Returns, frame: Frame, plan: Plan, bins: Bins, tables: Tables) -> None:
    """Let the winners of the fast half decide in all slices, and add its counts."""
    reduce_tables(plan.row, tables.keys, tables.least, tables.second)
    for s in range(plan.spans.shape[0]):
        low, beyond = plan.spans[s, FIRST_GROUP], plan.spans[s, BEYOND_GROUP]
        farthest = plan.slices[s, FARTHEST] != 0.0
        if low == beyond:
            continue
        for side in range(2 if farthest else 1):
            own = beyond - low if side > 0 else 0  # the farthest follow the nearest
            merge_groups(
                s, low + own, beyond + own, side > 0, farthest == (side > 0), returns, frame, plan, bins,
                tables,
            )  # fmt: skip
        if tables.counters.size > 0:
            for k in range(low * TABLES, beyond * TABLES):
                for b in range(plan.bins):
                    bins.hits[s, b] += tables.counters[k * plan.row + b]
