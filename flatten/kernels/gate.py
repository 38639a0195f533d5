"""Slices: which returns are obstacles, and which of them decides each bin."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Bins
from flatten.kernels.jit import part

Numbers = npt.NDArray[np.float64]

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
def decide(square: float, index: int, inside: bool, farthest: bool, s: int, b: int, bins: Bins) -> None:
    """Let a return decide bin b of slice s where it beats the one that did so far.

    `pick: nearest` takes the least distance, in the reach or not; `pick: farthest` the greatest
    inside the reach, with best starting at −1. Of equals the first in the cloud is taken, in whatever
    order they come.
    """
    best, winner = bins.best, bins.winner
    beats = (inside and square > best[s, b]) if farthest else square < best[s, b]
    if beats or (square == best[s, b] and index < winner[s, b]):
        best[s, b] = square
        winner[s, b] = index
