"""`min_hits`: a return counts only in company, so that dust and stray returns do not decide.

A return at r is accepted if its bin and the two beside it hold at least k returns of the slice in
[r, r + w], itself among them, counted before the reach is applied.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS, WITHIN, decide
from flatten.kernels.jit import kernel, part

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@part
def sort_bin(low: int, high: int, squares: Numbers, index: Indices) -> None:
    """Sort the returns low … high − 1 by distance, in place: Shell's method, for a handful insertion."""
    gap = 1
    while gap < (high - low) // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(low + gap, high):
            square, number = squares[i], index[i]
            j = i
            while j >= low + gap and squares[j - gap] > square:
                squares[j], index[j] = squares[j - gap], index[j - gap]
                j -= gap
            squares[j], index[j] = square, number
        gap //= 3


@part
def sort_by_bin(
    count: int,
    lists: int,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
    starts: Indices,
    squares: Numbers,
    index: Indices,
) -> None:
    """Lay the returns of a list out bin by bin, ascending: bin b is squares[starts[b]:starts[b + 1]]."""
    for b in range(starts.size):
        starts[b] = 0
    for i in range(count):
        starts[list_bins[lists, i] + 1] += 1
    for b in range(1, starts.size):
        starts[b] += starts[b - 1]
    for i in range(count):
        b = list_bins[lists, i]
        squares[starts[b]], index[starts[b]] = list_squares[lists, i], list_index[lists, i]
        starts[b] += 1
    for b in range(starts.size - 1, 0, -1):  # each start has moved to the next bin's
        starts[b] = starts[b - 1]
    starts[0] = 0
    for b in range(starts.size - 1):
        sort_bin(starts[b], starts[b + 1], squares, index)


@part
def neighbours(b: int, n_bins: int, full: bool, out: Indices) -> int:
    """Write bin `b` and the ones beside it, each once, to `out`; give their number."""
    out[0] = b
    count = 1
    for side in range(-1, 2, 2):
        other = (b + side) % n_bins if full else b + side
        if 0 <= other < n_bins and other != b and not (count == 2 and out[1] == other):
            out[count] = other
            count += 1
    return count


@part
def company(
    r: float,
    within: float,
    n_around: int,
    around: Indices,
    starts: Indices,
    squares: Numbers,
    moving: Indices,
) -> int:
    """Count the returns of the bins `around` in [r, r + within].

    `moving` (2, 3) are the first place in the interval and the first beyond it, in each of the
    bins; as r only grows they only move on.
    """
    found = 0
    for k in range(n_around):
        end, low, high = starts[around[k] + 1], moving[0, k], moving[1, k]
        while low < end and math.sqrt(squares[low]) < r:
            low += 1
        while high < end and math.sqrt(squares[high]) <= r + within:
            high += 1
        moving[0, k], moving[1, k] = low, high
        found += high - low
    return found


@kernel
def accept(
    s: int,
    slices: Numbers,
    full: bool,
    near_square: float,
    far_square: float,
    lists: int,
    count: int,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
    starts: Indices,
    squares: Numbers,
    index: Indices,
    best: Numbers,
    winner: Indices,
    closest: Numbers,
    ends: Numbers,
    hits: npt.NDArray[np.uint32],
    doubtful: npt.NDArray[np.uint8],
) -> None:
    """Fill the tables (slices, bins) of a slice with min_hits from the `count` returns in its list.

    `closest` takes the nearest accepted return, `doubtful` marks bins with returns that were not
    accepted, the others as in `gate`. `starts`, `squares` and `index` are room to sort in.
    """
    sort_by_bin(count, lists, list_bins, list_squares, list_index, starts, squares, index)
    around, moving = np.empty(3, np.int64), np.empty((2, 3), np.int64)
    b, n_around = -1, 0
    for i in range(count):
        while b < 0 or i >= starts[b + 1]:
            b += 1
            n_around = neighbours(b, starts.size - 1, full, around)
            for k in range(n_around):
                moving[0, k] = moving[1, k] = starts[around[k]]
        square = squares[i]
        inside = near_square <= square <= far_square
        if inside:
            hits[s, b] += np.uint32(1)
        ends[s, b] = min(ends[s, b], square)
        found = company(math.sqrt(square), slices[s, WITHIN], n_around, around, starts, squares, moving)
        if found < slices[s, MIN_HITS]:
            doubtful[s, b] = 1
            continue
        closest[s, b] = min(closest[s, b], square)
        decide(square, index[i], inside, slices[s, FARTHEST] != 0.0, s, b, best, winner)
