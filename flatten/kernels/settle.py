"""The exact half: float64, one return at a time, for what the fast half was not sure of."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS, decide, in_slice
from flatten.kernels.ground import above
from flatten.kernels.groups import Bins, Frame, Ground, Lists, Newest, Plan, Returns
from flatten.kernels.jit import part
from flatten.kernels.lanes import flags_of_eight
from flatten.kernels.lists import append_unsure
from flatten.kernels.newest import is_overruled
from flatten.kernels.place import exact_bin, place_return
from flatten.kernels.scatter import INDEX, NO_RETURN
from flatten.kernels.workroom import NUMBER, UNSURE

Indices = npt.NDArray[np.int64]
Lanes = npt.NDArray[np.int32]


@part
def enter(square: float, index: int, count: int, s: int, b: int, plan: Plan, bins: Bins) -> None:
    """Enter a return of slice s in bin b: as what may decide, as an end, and in the counts."""
    inside = plan.near_square <= square <= plan.far_square
    if inside:
        bins.hits[s, b] += np.uint32(count)
        bins.used[s] += count
    bins.ends[s, b] = min(bins.ends[s, b], square)
    decide(square, index, inside, plan.slices[s, FARTHEST] != 0.0, s, b, bins)


@part
def settle(
    index: int,
    count: int,
    returns: Returns,
    frame: Frame,
    ground: Ground,
    plan: Plan,
    bins: Bins,
    lists: Lists,
    newest: Newest,
) -> None:
    """Let one return, which no blind zone swallowed, decide in all slices where it is not overruled.

    With `count` 0 it has been counted before, and only comes to decide.
    """
    x, y, z = place_return(index, returns, frame.level_from_sensor)
    if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)):
        return
    b = exact_bin(x, y, plan)
    if b < 0:
        return
    square, number = x * x + y * y, 0
    z = above(z, square, b, ground)
    for s in range(plan.slices.shape[0]):
        member = in_slice(z, square, plan.slices, s) and not is_overruled(index, square, s, b, newest)
        if plan.slices[s, MIN_HITS] > 1.0:
            if count > 0 and member:
                append_unsure(b, square, index, number, plan, lists)
            number += 1
        elif member:
            enter(square, index, count, s, b, plan, bins)


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
    returns: Returns,
    frame: Frame,
    ground: Ground,
    plan: Plan,
    bins: Bins,
    lists: Lists,
    newest: Newest,
) -> None:
    """Settle what was put aside: unsure returns, and those too close to tell, which have been counted."""
    for k in range(waiting):
        key = aside[k]
        if key >= NO_RETURN:
            continue
        index, count = (-1 - key, 1) if key < 0 else (key & INDEX, 0)
        settle(index, count, returns, frame, ground, plan, bins, lists, newest)
