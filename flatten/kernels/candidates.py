"""Many slices at once: what each of a grid of candidate slices would say, from one pass over the returns.

A return lies in the slice [bottom + rise·r, top) of every bottom up to height − rise·r and of every top above
its height. So it is entered once a rise, in the cell of the greatest such bottom and the least such top; the
answer of one slice is then a minimum over the cells at and above its bottom, and at and below its top.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import kernel, part
from flatten.kernels.zones import in_zone

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]


@part
def count_up_to(values: Numbers, x: float) -> int:
    """Count the values, ascending, that are not above x."""
    low, high = 0, len(values)
    while low < high:
        middle = (low + high) // 2
        if values[middle] <= x:
            low = middle + 1
        else:
            high = middle
    return low


@kernel
def enter(
    bins: Indices,
    keys: Singles,
    distances: Numbers,
    heights: Numbers,
    bottoms: Numbers,
    tops: Numbers,
    rises: Numbers,
    least: Singles,
) -> None:
    """Enter the keys of returns in `least` (rises, bins, bottoms, tops), the least of each cell.

    Returns with a bin below 0 are left out. Bottoms and tops ascend; metres.
    """
    for i in range(len(bins)):
        b, height = bins[i], heights[i]
        column = count_up_to(tops, height)
        if b < 0 or column == len(tops):
            continue
        for s in range(len(rises)):
            row = count_up_to(bottoms, height - rises[s] * distances[i]) - 1
            if row >= 0 and keys[i] < least[s, b, row, column]:
                least[s, b, row, column] = keys[i]


@kernel
def join(least: Singles) -> None:
    """Turn the cells of `enter` into answers: the least key of every slice of the grid."""
    rises, bins, bottoms, tops = least.shape
    for s in range(rises):
        for b in range(bins):
            for row in range(bottoms - 1, -1, -1):
                for column in range(tops):
                    key = least[s, b, row, column]
                    if row + 1 < bottoms:
                        key = min(key, least[s, b, row + 1, column])
                    if column > 0:
                        key = min(key, least[s, b, row, column - 1])
                    least[s, b, row, column] = key


@kernel
def entering_slopes(
    bins: Indices, distances: Numbers, heights: Numbers, bottoms: Numbers, slopes: Singles
) -> None:
    """Find the least slope by which the floor must tilt up to enter each bottom: (bins, bottoms), m per m.

    A return of the floor at height h and distance r enters [bottom, …) with a tilt of (bottom − h)/r.
    """
    for i in range(len(bins)):
        b = bins[i]
        for k in range(len(bottoms)):
            slope = (bottoms[k] - heights[i]) / distances[i]
            if slope < slopes[b, k]:
                slopes[b, k] = slope


@kernel
def mark_own(points: Numbers, zones: Numbers, own: Flags) -> None:
    """Mark the points (N, 3) of the body frame that lie in one of the blind zones."""
    for i in range(len(points)):
        own[i] = 0
        for k in range(zones.shape[0]):
            if in_zone(zones, k, points[i, 0], points[i, 1], points[i, 2]):
                own[i] = 1
                break
