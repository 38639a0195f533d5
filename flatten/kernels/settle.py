"""The exact half: float64, one return at a time, for what the fast half was not sure of."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS, decide, in_slice
from flatten.kernels.gather import Layout
from flatten.kernels.jit import part
from flatten.kernels.lanes import flags_of_eight
from flatten.kernels.lists import append_unsure
from flatten.kernels.place import exact_bin, place_return
from flatten.kernels.scatter import INDEX, NO_RETURN
from flatten.kernels.workroom import NUMBER, UNSURE

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Counts = npt.NDArray[np.uint32]
Lanes = npt.NDArray[np.int32]


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
def settle(
    index: int,
    count: int,
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
    list_keys: Indices,
    starts: Indices,
) -> None:
    """Let one return, which no blind zone swallowed, decide in all slices.

    With `count` 0 it has been counted before, and only comes to decide.
    """
    x, y, z = place_return(code, layout, columns, index, level_from_sensor)
    if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)):
        return
    b = exact_bin(x, y, first_turn, span, best.shape[1])
    if b < 0:
        return
    square, lists = x * x + y * y, 0
    for s in range(best.shape[0]):
        if slices[s, MIN_HITS] > 1.0:
            if count > 0 and in_slice(z, square, slices, s):
                append_unsure(
                    b, square, index, near_square, far_square, lists, listed, list_bins, list_keys, starts
                )
            lists += 1
        elif in_slice(z, square, slices, s):
            farthest = slices[s, FARTHEST] != 0.0
            enter(
                square, index, count, farthest, near_square, far_square, s, b, best, winner, ends, hits, used
            )


@part
def put_aside(n: int, first: int, lanes: Lanes, aside: Indices, waiting: int) -> int:
    """Put the unsure ones of n returns (a multiple of eight) aside, of which there are `waiting`; count all.

    As −1 − number, so that they differ from keys. They are so few that eight are passed at a time.
    """
    for j in range(0, n, 8):
        flags = flags_of_eight(lanes, UNSURE + j)
        k = j
        while flags != 0:
            if flags & 1 != 0:
                aside[waiting] = -1 - (first + lanes[NUMBER + k])
                waiting += 1
            flags, k = flags >> 1, k + 1
    return waiting


@part
def settle_all(
    aside: Indices,
    waiting: int,
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
    list_bins: Lanes,
    list_keys: Indices,
    starts: Indices,
) -> None:
    """Settle what was put aside: unsure returns, and those too close to tell, which have been counted."""
    for k in range(waiting):
        key = aside[k]
        if key >= NO_RETURN:
            continue
        settle(
            -1 - key if key < 0 else key & INDEX, 1 if key < 0 else 0, code, layout, columns,
            level_from_sensor, slices, first_turn, span, near_square, far_square, best, winner, ends, hits,
            used, listed, list_bins, list_keys, starts,
        )  # fmt: skip
