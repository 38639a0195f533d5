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
def count(
    answers: Singles,
    before: Singles,
    same: float,
    late: Singles,
    bands: Indices,
    over: Singles,
    near: float,
    counts: Indices,
) -> None:
    """Add what the answers of one frame (rises, bins, bottoms, tops) are worth, candidate by candidate.

    Parameters
    ----------
    answers, before:
        This frame's and the last one's, which has no bins where there is none; not finite is no answer.
    same:
        Metres by which two answers in a row may differ.
    late, bands:
        (bins,) distance beyond which an answer misses what is there, inf where nothing is; its band.
    over, near:
        (bins,) distance of what the robot passes under, inf where there is no free way under something;
        metres about it within which an answer reports it.
    counts:
        (rises, bottoms, tops, 4 + bands): answered, answered twice in a row, of these the same, blocked,
        missed.

    """
    rises, bins, bottoms, tops = answers.shape
    repeated = before.shape[1] == bins
    for s in range(rises):
        for b in range(bins):
            least, band = late[b], 4 + bands[b]
            for i in range(bottoms):
                for j in range(tops):
                    answer = answers[s, b, i, j]
                    if answer > least:
                        counts[s, i, j, band] += 1
                    if not abs(answer) < np.inf:
                        continue
                    counts[s, i, j, 0] += 1
                    if abs(answer - over[b]) <= near:
                        counts[s, i, j, 3] += 1
                    if repeated and abs(before[s, b, i, j]) < np.inf:
                        counts[s, i, j, 1] += 1
                        counts[s, i, j, 2] += abs(answer - before[s, b, i, j]) <= same


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
            slopes[b, k] = min(slopes[b, k], slope)


@kernel
def mark_own(points: Numbers, zones: Numbers, own: Flags) -> None:
    """Mark the points (N, 3) of the body frame that lie in one of the blind zones."""
    for i in range(len(points)):
        own[i] = 0
        for k in range(zones.shape[0]):
            if in_zone(zones, k, points[i, 0], points[i, 1], points[i, 2]):
                own[i] = 1
                break
