"""Sensor axes to level axes about the fan's origin, and on to bins."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part

Numbers = npt.NDArray[np.float64]

GOOD, SKIPPED, SWALLOWED = 0, 1, 2
"""Fate of a return: it counts; NaN, inf or zero; inside a blind zone."""

TURNS_PER_RADIAN = 2.0 / math.pi  # quarter turns


@part
def quarter_turns(x: float, y: float) -> float:
    """Bearing of (x, y) in quarter turns, −2 … 2 counter-clockwise from x.

    Quarter turns and not radians, so that the axes and every bin edge that is a fraction of a
    right angle come out exact, and nothing falls between the two sides of ±π.
    """
    ax, ay = abs(x), abs(y)
    turn = 1.0 - math.atan2(ax, ay) * TURNS_PER_RADIAN if ay > ax else math.atan2(ay, ax) * TURNS_PER_RADIAN
    if x < 0.0:
        turn = 2.0 - turn
    return -turn if y < 0.0 else turn


@part
def bin_of(turn: float, first: float, span: float, bins: int) -> int:
    """Bin of a bearing; −1 outside the fan. `first` and `span` in quarter turns.

    Bin k covers [first + k·step, first + (k+1)·step); on a full circle the closing edge is bin 0.
    """
    beyond = turn - first
    beyond -= 4.0 * math.floor(beyond * 0.25)
    if beyond >= 4.0:
        beyond = 0.0
    if beyond >= span:
        return -1
    b = int(beyond * (bins / span))
    return b if b < bins else bins - 1


@part
def place(
    n: int, points: Numbers, level_from_sensor: Numbers, fates: npt.NDArray[np.uint8], out: Numbers
) -> int:
    """Place a block of n: `points` (3, …) in sensor axes to `out` in level axes about the fan's origin.

    Sets the fate of each return and gives the number of skipped ones: those with a coordinate that
    is not finite, and those at exactly zero (how many drivers write «nothing came back»).
    `level_from_sensor` is (3, 4): rotation and translation.
    """
    m = level_from_sensor
    skipped = 0
    for j in range(n):
        px, py, pz = points[0, j], points[1, j], points[2, j]
        x = m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz + m[0, 3]
        y = m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz + m[1, 3]
        z = m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz + m[2, 3]
        out[0, j], out[1, j], out[2, j] = x, y, z
        # a coordinate that is not finite makes all three so, and so does one past 1e307
        good = math.isfinite(x) and math.isfinite(y) and math.isfinite(z)
        good = good and not (px == 0.0 and py == 0.0 and pz == 0.0)
        fates[j] = GOOD if good else SKIPPED
        skipped += 0 if good else 1
    return skipped


@part
def find_bins(
    n: int,
    placed: Numbers,
    fates: npt.NDArray[np.uint8],
    first: float,
    span: float,
    n_bins: int,
    squares: Numbers,
    bins: npt.NDArray[np.int32],
) -> None:
    """Squared horizontal distance and bin of each return; bin −1 for skipped ones and outside the fan."""
    for j in range(n):
        x, y = placed[0, j], placed[1, j]
        squares[j] = x * x + y * y
        bins[j] = -1
        if fates[j] != SKIPPED:
            bins[j] = bin_of(quarter_turns(x, y), first, span, n_bins)
