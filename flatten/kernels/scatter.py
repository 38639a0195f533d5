"""The nearest (or farthest) of each bin, from the fast half: a minimum over keys, and no branch taken.

A key holds the bits of r² above the number of the return: positive floats are in the order of their
bits, so that the least key is the nearest return, its number for free. Returns take four tables in
turn, because a table cell that was written a moment ago is slow to read, and neighbours in a scan
fall into one bin.

float32 may take two returns for each other whose r² differ in the last places. Wherever that could
matter, both go onto the *crowd* list, and the exact half decides between them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import MIN_HITS
from flatten.kernels.jit import part
from flatten.kernels.lanes import bits, select
from flatten.kernels.sift import pick
from flatten.kernels.workroom import BIN, INSIDE, KEY

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Numbers = npt.NDArray[np.float64]
Keys = npt.NDArray[np.uint64]
Indices = npt.NDArray[np.int64]

TABLES = 4
NO_KEY = np.uint64(0xFFFFFFFFFFFFFFFF)
HALF = np.uint64(32)
LOW = np.uint64(0xFFFFFFFF)
INFINITE = np.uint32(0x7F800000)
NOWHERE = np.uint32(0x80000000)
"""Bits that are far from those of any r² and of NO_KEY: for a return that is not entered."""
CROWDED = np.uint32(512)
"""Units in the last place of r² within which two returns are too close to tell.

The bound of `sift`, for beams no steeper than STEEPEST: 34u·(1.42 + 8) + 4u = 324u on each side of a
comparison, u = half a unit: 324 units together.
"""


@part
def scatter(
    n: int,
    first: int,
    work: Singles,
    lanes: Lanes,
    farthest: bool,
    t: int,
    tables: Keys,
    crowd: Indices,
    crowded: int,
) -> int:
    """Enter a block's keys, where they are finite, into table group t of `tables` (groups, TABLES, bins).

    `crowd` takes the numbers of returns too close to tell; gives how many it holds. It must have
    room for 2·n more.
    """
    for j in range(n):
        value = bits(work[KEY + j])
        rejected = value == INFINITE
        value = np.uint32(INFINITE - value) if farthest else value
        b, turn = select(lanes[BIN + j] < 0, np.int32(0), lanes[BIN + j]), j % TABLES
        key = select(rejected, NO_KEY, (np.uint64(value) << HALF) | np.uint64(first + j))
        old = tables[t, turn, b]
        probe = select(rejected, NOWHERE, value)
        apart = np.uint32(probe - np.uint32(old >> HALF) + CROWDED)
        if apart <= CROWDED + CROWDED:  # rare, and so foreseen
            crowd[crowded] = first + j
            crowd[crowded + 1] = np.int64(old & LOW)
            crowded += 2
        tables[t, turn, b] = select(key < old, key, old)
    return crowded


@part
def count_hits(n: int, lanes: Lanes, s: int, hits: npt.NDArray[np.uint32]) -> None:
    """Count the returns inside the reach in their bins."""
    for j in range(n):
        if lanes[INSIDE + j] != 0:
            hits[s, lanes[BIN + j]] += np.uint32(1)


@part
def take_slices(
    n: int,
    first: int,
    work: Singles,
    lanes: Lanes,
    bands: Singles,
    slices: Numbers,
    groups: Indices,
    tables: Keys,
    crowd: Indices,
    crowded: int,
    counting: bool,
    hits: npt.NDArray[np.uint32],
    used: Indices,
) -> int:
    """Enter the sure returns of a block into the tables of all slices without min_hits.

    `groups` (slices, 2) are the table groups for the nearest of any kind and for the farthest in
    reach, −1 for none. Gives the length of the crowd.
    """
    for s in range(slices.shape[0]):
        if slices[s, MIN_HITS] > 1.0:
            continue
        used[s] += pick(n, bands, s, work, lanes)
        crowded = scatter(n, first, work, lanes, False, groups[s, 0], tables, crowd, crowded)
        if counting:
            count_hits(n, lanes, s, hits)
        if groups[s, 1] >= 0:
            for j in range(n):
                if lanes[INSIDE + j] == 0:
                    work[KEY + j] = np.float32(np.inf)
            crowded = scatter(n, first, work, lanes, True, groups[s, 1], tables, crowd, crowded)
    return crowded
