"""The nearest (or farthest) of each bin, from the fast half: a minimum over keys, and no branch taken.

A key holds the bits of r² above the number of the return: positive floats are in the order of their
bits, so that the least key is the nearest return, its number for free. Returns take two tables in
turn, because a table cell that was written a moment ago is slow to read, and neighbours in a scan
fall into one bin.

float32 may take two returns for each other whose r² differ in the last places. Wherever that could
matter, the keys of both are put *aside*, and the exact half decides between them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import select
from flatten.kernels.workroom import CELL, INSIDE

Lanes = npt.NDArray[np.int32]
Keys = npt.NDArray[np.int64]
Counts = npt.NDArray[np.uint32]
Indices = npt.NDArray[np.int64]

TABLES = 2
NO_KEY = 0x7FFFFFFFFFFFFFFF
NO_RETURN = 0x7F800000 << 32
"""From here on keys are those of no return: no r² that the fast half is sure of is infinite."""
GREATEST = np.uint32(0x7F7FFFFF)
"""Bits of the greatest finite float32."""
BEYOND = np.uint32(0x7F800400)
INDEX = 0xFFFFFFFF
"""The bits of a key that are the number of its return."""
CLOSE = 512
"""Units in the last place of r² within which two returns are too close to tell.

By the bound of `sift`, for beams no steeper than STEEPEST, r² is off by at most 22.7u·(1.42 + 8) + 4u = 218u
of itself, and u is at most a unit in its last place: 436 units on the two sides of a comparison.
"""
CROWDED = (CLOSE + 1) << 32
"""The same as a distance of keys."""
TWICE = np.uint64(2 * CROWDED)


@part
def elsewhere(number: np.uint32) -> np.uint32:
    """Upper half of a key for a return that is of no slice: beyond all returns, and far from others'."""
    return np.uint32(BEYOND + np.uint32(np.uint32(number & np.uint32(0xFFF)) << np.uint32(10)))


@part
def scatter(n: int, keys: Keys, lanes: Lanes, tables: Keys, aside: Indices, waiting: int) -> int:
    """Enter the keys of n returns into their cells of `tables`.

    The keys of returns too close to tell, and some of no returns, are put `aside`; gives how many wait
    there. It must have room for 2·n more.
    """
    for j in range(n):
        key, cell = keys[j], np.uint32(lanes[CELL + j])
        old = tables[cell]
        if np.uint64(key - old + CROWDED) <= TWICE:  # rare, and so foreseen
            aside[waiting], aside[waiting + 1] = key, old
            waiting += 2
        tables[cell] = select(key < old, key, old)
    return waiting


@part
def count(n: int, lanes: Lanes, counters: Counts) -> None:
    """Count the returns inside the reach in their cells of `counters`."""
    for j in range(n):
        cell = np.uint32(lanes[CELL + j])
        counters[cell] -= np.uint32(lanes[INSIDE + j])
