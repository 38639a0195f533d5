"""`min_hits` in full: every return of a bin is judged, in the order of the distances.

For the bins that the first few returns do not decide (see `accept`). The exact distances of a bin
are made and sorted once, when it or one beside it is first judged.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS, WITHIN
from flatten.kernels.groups import Bins, Frame, Lists, Plan, Returns
from flatten.kernels.jit import part
from flatten.kernels.lists import NUMBER, OFF, VALUE, value_of
from flatten.kernels.place import exact_square

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@part
def sift_down(top: int, low: int, high: int, values: Numbers) -> None:
    """Let the value at place `top` of the heap low … high − 1 sink below all greater ones."""
    value, size = values[low + top], high - low
    while 2 * top + 1 < size:
        child = 2 * top + 1
        if child + 1 < size and values[low + child + 1] > values[low + child]:
            child += 1
        if not values[low + child] > value:
            break
        values[low + top] = values[low + child]
        top = child
    values[low + top] = value


@part
def sort_bin(low: int, high: int, values: Numbers) -> None:
    """Sort values[low:high] in place: a heap, whose worst case is no worse than any other."""
    size = high - low
    for step in range(size + size // 2 - 1, 0, -1):
        if step >= size:  # first the heap is made, from its last parent up to its top
            sift_down(step - size, low, high, values)
        else:  # then the greatest goes behind it, again and again
            values[low], values[low + step] = values[low + step], values[low]
            sift_down(0, low, low + step, values)


@part
def beside(b: int, side: int, n_bins: int, full: bool) -> tuple[int, int]:
    """Bins b − 1 to b + 1 as [first, last): side 0 are those in one row, side 1 the one over the seam."""
    if side == 0:
        return max(b - 1, 0), min(b + 2, n_bins)
    if full and n_bins > 2 and b == 0:
        return n_bins - 1, n_bins
    if full and n_bins > 2 and b == n_bins - 1:
        return 0, 1
    return 0, 0


@part
def order_around(b: int, full: bool, starts: Indices, returns: Returns, frame: Frame, lists: Lists) -> None:
    """Make the exact distances of bin `b` and those beside it and sort them, where not yet done."""
    keys, distances, ordered = lists.sorted_keys, lists.distances, lists.ordered
    for side in range(2):
        first, last = beside(b, side, ordered.size, full)
        for k in range(first, last):
            if ordered[k] != 0:
                continue
            ordered[k] = 1
            for i in range(starts[k], starts[k + 1]):
                number = keys[i] & NUMBER
                distances[i] = math.sqrt(exact_square(number, returns, frame.level_from_sensor))
            sort_bin(starts[k], starts[k + 1], distances)


@part
def count_company(
    b: int, r: float, end: float, full: bool, starts: Indices, distances: Numbers, moving: Indices
) -> int:
    """Count the returns of bin `b` and those beside it in [r, end].

    `moving` (2, 3) are the first place in the interval and the first beyond it, in each of the
    bins; as r only grows they only move on.
    """
    found, at = 0, 0
    for side in range(2):
        first, last = beside(b, side, starts.size - 2, full)
        for k in range(first, last):
            beyond, low, high = starts[k + 1], moving[0, at], moving[1, at]
            while low < beyond and distances[low] < r:
                low += 1
            while high < beyond and distances[high] <= end:
                high += 1
            moving[0, at], moving[1, at] = low, high
            found += high - low
            at += 1
    return found


@part
def start_moving(b: int, full: bool, starts: Indices, moving: Indices) -> None:
    """Put `moving` to the start of the bins, in the order of `count_company`."""
    at = 0
    for side in range(2):
        first, last = beside(b, side, starts.size - 2, full)
        for k in range(first, last):
            moving[0, at] = moving[1, at] = starts[k]
            at += 1


@part
def judge_all(
    s: int, b: int, full: bool, starts: Indices, plan: Plan, bins: Bins, lists: Lists
) -> tuple[float, float]:
    """Judge the returns of bin b, nearest first, as long as that can change what the bin says.

    `order_around` has seen the bin. Gives the distances of the nearest accepted return and, for
    `pick: farthest`, of the farthest accepted one in the reach; −1 for none.
    """
    slices, distances, moving, doubtful = plan.slices, lists.distances, lists.moving, bins.doubtful
    # the roots of the ends of the reach's squares part the same distances as the squares do
    near, far = math.sqrt(plan.near_square), math.sqrt(plan.far_square)
    nearest = farthest = -1.0
    start_moving(b, full, starts, moving)
    for i in range(starts[b], starts[b + 1]):
        r = distances[i]
        found = count_company(b, r, r + slices[s, WITHIN], full, starts, distances, moving)
        if found < slices[s, MIN_HITS]:
            doubtful[s, b] = 1
            continue
        nearest = r if nearest < 0.0 else nearest
        if slices[s, FARTHEST] != 0.0:
            farthest = r if near <= r <= far else farthest
        elif r <= far or doubtful[s, b] != 0:
            break
    return nearest, farthest


@part
def first_at(
    r: float, low: int, high: int, flip: int, keys: Indices, returns: Returns, frame: Frame
) -> tuple[float, int]:
    """Give the least square (with `flip` −1 the greatest) that is at distance r, and its return's number.

    Different squares may have one root. Of equals the first in the cloud is taken.
    """
    value = value_of(r * r)
    square, number = -1.0, -1
    for i in range(low, high):
        if abs((keys[i] >> VALUE) - value) > OFF:
            continue
        mine = keys[i] & NUMBER
        other = exact_square(mine, returns, frame.level_from_sensor)
        if math.sqrt(other) != r:
            continue
        beats = other > square if flip != 0 else other < square
        if number < 0 or beats or (other == square and mine < number):
            square, number = other, mine
    return square, number
