"""Figures of merit of a map, by which the maps of two slices can be held against each other.

| figure | what it says | better is |
| --- | --- | --- |
| thickness | how thick walls are, as the shortest of four runs of occupied cells through each one | less |
| entropy | bits a seen cell, −p·log₂ p − (1 − p)·log₂(1 − p): how undecided the map is | less |
| cleared, then occupied | of the cells once held for free, those that are occupied in the end | less |
| hits in free cells | of the cells hit, those that the map held for free at that time | less |
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.mapping.grid import Counted
from flatten.occupancy import OccupancyMap

Places = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.float64]


class Figures(NamedTuple):
    """What is said of a map; shares are 0 to 1, NaN where there is nothing to share."""

    scans: int
    seen: int
    """Cells of which anything is known."""
    occupied: int
    free: int
    thickness: float
    """Median over the occupied cells, metres."""
    thickness_most: float
    """95 % of the occupied cells have no more, metres."""
    entropy: float
    """Bits a seen cell."""
    cleared_then_occupied: float
    hits_in_free: float
    freed_occupied: float
    """Of the cells passed by a beam, once a scan, those that the map held for occupied at that time."""


def figures(made: OccupancyMap, counted: Counted) -> Figures:
    """Tell how good a map is by itself."""
    occupied = made.occupied
    walls = thickness(occupied) * made.cell
    return Figures(
        scans=counted.scans,
        seen=int(made.seen.sum()),
        occupied=int(occupied.sum()),
        free=int(made.free.sum()),
        thickness=float(np.median(walls)) if walls.size else math.nan,
        thickness_most=float(np.quantile(walls, 0.95)) if walls.size else math.nan,
        entropy=entropy(made.chances),
        cleared_then_occupied=share(int((made.was_free & occupied).sum()), int(made.was_free.sum())),
        hits_in_free=share(counted.hits_in_free, counted.hits),
        freed_occupied=share(counted.freed_occupied, counted.freed),
    )


def share(part: int, whole: int) -> float:
    """Part by whole; NaN where there is no whole."""
    return part / whole if whole else math.nan


def entropy(chances: npt.NDArray[np.float32]) -> float:
    """Bits a cell (Shannon 1948) over the cells that are not NaN; NaN where all are."""
    p = chances[~np.isnan(chances)].astype(np.float64)
    if not p.size:
        return math.nan
    p = np.clip(p, 1e-12, 1.0 - 1e-12)
    return float(np.mean(-p * np.log2(p) - (1.0 - p) * np.log2(1.0 - p)))


def thickness(occupied: npt.NDArray[np.bool_]) -> Numbers:
    """Thickness at each occupied cell, in cells: the shortest run along rows, columns and both diagonals.

    A step along a diagonal is √2 cells long. (N,) in the order of `np.nonzero`.
    """
    row, column = (part.astype(np.int64) for part in np.nonzero(occupied))
    if not row.size:
        return np.empty(0)
    runs = [
        run_lengths(row, column), run_lengths(column, row),
        math.sqrt(2.0) * run_lengths(row - column, column),
        math.sqrt(2.0) * run_lengths(row + column, column),
    ]  # fmt: skip
    shortest: Numbers = np.minimum.reduce(runs)
    return shortest


def run_lengths(line: Places, along: Places) -> Numbers:
    """Length of the unbroken run that each cell belongs to; a cell is told by its line and place on it."""
    order = np.lexsort((along, line))
    lines, places = line[order], along[order]
    begins = np.ones(len(order), bool)
    begins[1:] = (np.diff(lines) != 0) | (np.diff(places) != 1)
    run = np.cumsum(begins) - 1
    lengths = np.empty(len(order))
    lengths[order] = np.bincount(run)[run]
    return lengths
