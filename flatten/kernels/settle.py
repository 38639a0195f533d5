"""The exact half: float64, one return at a time, for what the fast half was not sure of."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS, decide, in_slice
from flatten.kernels.gather import Bytes, Layout
from flatten.kernels.jit import part
from flatten.kernels.place import exact_bin, place_return
from flatten.kernels.scatter import CROWDED, HALF, LOW, NO_KEY, TABLES, Keys
from flatten.kernels.workroom import BIN, KEY

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Counts = npt.NDArray[np.uint32]


@part
def enter(
    square: float,
    index: int,
    count: int,
    farthest: bool,
    near_square: float,
    far_square: float,
    s: int,
    b: int,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: Counts,
    used: Indices,
) -> None:
    """Enter a return of slice s in bin b: as what may decide, as an end, and in the counts."""
    inside = near_square <= square <= far_square
    if inside:
        hits[s, b] += np.uint32(count)
        used[s] += count
    ends[s, b] = min(ends[s, b], square)
    decide(square, index, inside, farthest, s, b, best, winner)


@part
def append(
    lists: int,
    b: int,
    square: float,
    index: int,
    listed: Indices,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
) -> None:
    """Append a return to list number `lists`, for `accept`: it can only be judged when all are known."""
    count = listed[lists]
    list_bins[lists, count], list_squares[lists, count], list_index[lists, count] = b, square, index
    listed[lists] = count + 1


@part
def settle(
    index: int,
    count: int,
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    slices: Numbers,
    first_turn: float,
    span: float,
    near_square: float,
    far_square: float,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: Counts,
    used: Indices,
    listed: Indices,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
) -> None:
    """Let one return, which no blind zone swallowed, decide in all slices.

    With `count` 0 it has been counted before, and only comes to decide.
    """
    x, y, z = place_return(source, code, layout, columns, index, level_from_sensor)
    if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)):
        return
    b = exact_bin(x, y, first_turn, span, best.shape[1])
    if b < 0:
        return
    square, lists = x * x + y * y, 0
    for s in range(best.shape[0]):
        if slices[s, MIN_HITS] > 1.0:
            if count > 0 and in_slice(z, square, slices, s):
                append(lists, b, square, index, listed, list_bins, list_squares, list_index)
            lists += 1
        elif in_slice(z, square, slices, s):
            farthest = slices[s, FARTHEST] != 0.0
            enter(
                square, index, count, farthest, near_square, far_square, s, b, best, winner, ends, hits, used
            )


@part
def exact_square(index: int, source: Bytes, code: int, layout: Layout, columns: int, m: Numbers) -> float:
    """Squared horizontal distance of one return."""
    x, y, _ = place_return(source, code, layout, columns, index, m)
    return x * x + y * y


@part
def merge(
    s: int,
    t: int,
    tables: Keys,
    farthest: bool,
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    near_square: float,
    far_square: float,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    deciding: bool,
) -> None:
    """Let the winners of table group t decide in slice s, or (not `deciding`) only end its stretches.

    All that come within CROWDED of the least key of their bin are compared by their exact distances.
    """
    for b in range(best.shape[1]):
        least = NO_KEY
        for lane in range(TABLES):
            key = tables[t, lane, b]
            least = key if key < least else least
        if least == NO_KEY:
            continue
        limit = (least >> HALF) + np.uint64(CROWDED)
        for lane in range(TABLES):
            key = tables[t, lane, b]
            if key == NO_KEY or (key >> HALF) > limit:
                continue
            index = np.int64(key & LOW)
            square = exact_square(index, source, code, layout, columns, level_from_sensor)
            if not farthest and square < ends[s, b]:
                ends[s, b] = square
            if deciding:
                inside = near_square <= square <= far_square
                decide(square, index, inside, farthest, s, b, best, winner)


@part
def collect_sure(
    n: int,
    first: int,
    work: npt.NDArray[np.float32],
    lanes: npt.NDArray[np.int32],
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    lists: int,
    listed: Indices,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
) -> None:
    """Append the returns that surely lie in a slice with min_hits to its list, with their exact distances."""
    for j in range(n):
        if work[KEY + j] < np.float32(np.inf):
            square = exact_square(first + j, source, code, layout, columns, level_from_sensor)
            append(lists, lanes[BIN + j], square, first + j, listed, list_bins, list_squares, list_index)
