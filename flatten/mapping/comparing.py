"""Two maps of one place held against each other: by their figures, and cell by cell."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from flatten.errors import MapError
from flatten.occupancy import Mask, OccupancyMap


class Difference(NamedTuple):
    """Where two maps differ, in cells that both know; walls within a cell of each other count as the same."""

    both: int
    """Cells that both know."""
    same: int
    """Occupied in both, or in one with an occupied cell of the other beside it."""
    only_first: int
    """Occupied in the first; free, and no occupied cell beside it, in the second."""
    only_second: int


def difference(first: OccupancyMap, second: OccupancyMap) -> Difference | None:
    """Hold two maps against each other; None where they share no ground. MapError for cells of two sizes."""
    if not math.isclose(first.cell, second.cell, rel_tol=1e-9):
        raise MapError(
            f"cells of {first.cell:g} m and of {second.cell:g} m do not compare: make both with one --cell"
        )
    low = [max(a, b) for a, b in zip(first.corner, second.corner, strict=True)]
    high = [
        min(a + m, b + n)
        for a, b, m, n in zip(first.corner, second.corner, first.shape[::-1], second.shape[::-1], strict=True)
    ]
    if low[0] >= high[0] or low[1] >= high[1]:
        return None
    one, other = (_Cut.of(each, low, high) for each in (first, second))
    return Difference(
        both=int((one.seen & other.seen).sum()),
        same=int((one.occupied & other.near).sum() + (other.occupied & one.near & ~one.occupied).sum()),
        only_first=int((one.occupied & other.free & ~other.near).sum()),
        only_second=int((other.occupied & one.free & ~one.near).sum()),
    )


class _Cut(NamedTuple):
    """The shared rectangle of a map."""

    seen: Mask
    occupied: Mask
    free: Mask
    near: Mask
    """Occupied cells and those beside them."""

    @classmethod
    def of(cls, made: OccupancyMap, low: list[int], high: list[int]) -> _Cut:
        x, y = made.corner
        cut = (slice(low[1] - y, high[1] - y), slice(low[0] - x, high[0] - x))
        return cls(made.seen[cut], made.occupied[cut], made.free[cut], grown(made.occupied)[cut])


def grown(mask: Mask) -> Mask:
    """Add the eight cells beside each."""
    padded = np.pad(mask, 1)
    rows, columns = mask.shape
    parts = [padded[i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
    return np.asarray(np.logical_or.reduce(parts))
