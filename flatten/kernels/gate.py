"""Slices: which returns are obstacles, and which of them decides each bin."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.place import GOOD

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

BOTTOM, TOP, RISE, FARTHEST, MIN_HITS, WITHIN = range(6)
"""Columns of a slice row: m, m, m per m, one for `pick: farthest` else zero, returns, m."""


@part
def in_slice(height: float, square: float, slices: Numbers, s: int) -> bool:
    """Tell whether a return at `height` and squared distance `square` lies in [bottom + rise·r, top)."""
    low = slices[s, BOTTOM]
    if slices[s, RISE] > 0.0:
        low += slices[s, RISE] * math.sqrt(square)
    return low <= height < slices[s, TOP]


@part
def decide(
    square: float, index: int, inside: bool, farthest: bool, s: int, b: int, best: Numbers, winner: Indices
) -> None:
    """Let a return decide bin b of slice s where it beats the one that did so far.

    `pick: nearest` takes the least distance, in the reach or not; `pick: farthest` the greatest
    inside the reach, with best starting at −1.
    """
    beats = (inside and square > best[s, b]) if farthest else square < best[s, b]
    if beats:
        best[s, b] = square
        winner[s, b] = index


@part
def gate(
    n: int,
    squares: Numbers,
    placed: Numbers,
    bins: npt.NDArray[np.int32],
    fates: npt.NDArray[np.uint8],
    first: int,
    slices: Numbers,
    s: int,
    near_square: float,
    far_square: float,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: npt.NDArray[np.uint32],
) -> None:
    """Put the returns of a block of n that lie in slice s into the tables (slices, bins).

    `ends` takes the nearest return of the slice of any kind, `best` and `winner` the deciding one,
    `hits` the number inside the reach.
    """
    farthest = slices[s, FARTHEST] != 0.0
    for j in range(n):
        b, square = bins[j], squares[j]
        if b < 0 or fates[j] != GOOD or not in_slice(placed[2, j], square, slices, s):
            continue
        inside = near_square <= square <= far_square
        if inside:
            hits[s, b] += np.uint32(1)
        ends[s, b] = min(ends[s, b], square)
        decide(square, first + j, inside, farthest, s, b, best, winner)


@part
def collect(
    n: int,
    squares: Numbers,
    placed: Numbers,
    bins: npt.NDArray[np.int32],
    fates: npt.NDArray[np.uint8],
    first: int,
    slices: Numbers,
    s: int,
    lists: int,
    listed: Indices,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
) -> None:
    """Append the returns of a block of n that lie in slice s to list number `lists`.

    For slices with min_hits, whose returns can only be judged when all are known.
    """
    count = listed[lists]
    for j in range(n):
        if bins[j] >= 0 and fates[j] == GOOD and in_slice(placed[2, j], squares[j], slices, s):
            list_bins[lists, count] = bins[j]
            list_squares[lists, count] = squares[j]
            list_index[lists, count] = first + j
            count += 1
    listed[lists] = count
