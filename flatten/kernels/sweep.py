"""One pass over the returns, for all slices: the way of the data, block by block."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import MIN_HITS, collect, gate
from flatten.kernels.gather import Bytes, Layout, gather
from flatten.kernels.jit import kernel, part
from flatten.kernels.place import SKIPPED, SWALLOWED, find_bins, place
from flatten.kernels.witness import Masks, witness
from flatten.kernels.zones import swallow

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]

BLOCK = 1024
"""Returns a block: its coordinates stay in the nearest cache."""

RETURNS_SKIPPED, RETURNS_SWALLOWED = 0, 1
"""Places of a tally."""


@part
def flag_bins(
    n: int,
    placed: Numbers,
    bins: npt.NDArray[np.int32],
    fates: Flags,
    drop: float,
    blocked: Flags,
    dropped: Flags,
) -> None:
    """Mark the bins from which a blind zone swallowed a return, and those with a return beyond an edge."""
    for j in range(n):
        if bins[j] >= 0:
            if fates[j] == SWALLOWED:
                blocked[bins[j]] = 1
            if fates[j] != SKIPPED and placed[2, j] < -drop:
                dropped[bins[j]] = 1


@kernel
def sweep(
    sources: tuple[Bytes, Bytes, Bytes],
    code: int,
    layout: Layout,
    columns: int,
    n_returns: int,
    level_from_sensor: Numbers,
    body_from_sensor: Numbers,
    zones: Numbers,
    slices: Numbers,
    first_turn: float,
    span: float,
    near_square: float,
    far_square: float,
    smallest: float,
    drop: float,
    cells_per_metre: float,
    edges: Numbers,
    masks: Masks,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: npt.NDArray[np.uint32],
    blocked: Flags,
    dropped: Flags,
    listed: Indices,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
    tally: Indices,
) -> None:
    """Fill the tables of all slices from the returns of one cloud.

    Tables are (slices, bins) and arrive in their starting state; `masks` is (slices, bins, words),
    or has no slice where nothing is to be witnessed. Returns of slices with min_hits are only put
    into lists (slices with min_hits, returns), for `accept`. `edges` (bins + 1, 2) are the
    directions of the bins' edges, `zones` (k, 12) and `slices` (s, 6) are rows as in `zones` and
    `gate`; first_turn and span are in quarter turns.
    """
    n_slices, n_bins = best.shape
    sensor = np.empty(3)
    for axis in range(3):
        sensor[axis] = level_from_sensor[axis, 3]
    points, placed = np.empty((3, BLOCK)), np.empty((3, BLOCK))
    squares, bins, fates = np.empty(BLOCK), np.empty(BLOCK, np.int32), np.empty(BLOCK, np.uint8)
    for first in range(0, n_returns, BLOCK):
        n = n_returns - first if n_returns - first < BLOCK else BLOCK
        gather(sources, code, layout, columns, first, n, points)
        tally[RETURNS_SKIPPED] += place(n, points, level_from_sensor, fates, placed)
        tally[RETURNS_SWALLOWED] += swallow(n, points, body_from_sensor, zones, fates)
        find_bins(n, placed, fates, first_turn, span, n_bins, squares, bins)
        flag_bins(n, placed, bins, fates, drop, blocked, dropped)
        lists = 0
        for s in range(n_slices):
            if slices[s, MIN_HITS] > 1.0:
                collect(
                    n, squares, placed, bins, fates, first, slices, s,
                    lists, listed, list_bins, list_squares, list_index,
                )  # fmt: skip
                lists += 1
            else:
                gate(
                    n, squares, placed, bins, fates, first, slices, s,
                    near_square, far_square, best, winner, ends, hits,
                )  # fmt: skip
            if masks.shape[0] > 0:
                witness(
                    n, placed, bins, fates, sensor, slices, s,
                    smallest, drop, cells_per_metre, edges, span >= 4.0, masks,
                )  # fmt: skip
