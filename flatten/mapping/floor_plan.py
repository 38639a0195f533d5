"""A floor plan from a registered cloud of a whole place, which has points and no viewpoint.

Nothing tells where beams went, so a cell is free only where its floor was seen and nothing stands on it in
the slice: what hangs above the slice is passed under. All else is not known.

The floor is level at a given height, or found: the place is cut into squares; the floor of a square is its
lowest layer that has a few points; squares whose floors step by little belong together, and the largest such
piece is the floor (a roof, table tops, a pit are pieces of their own). Squares without floor take that of
their neighbours.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.errors import MapError
from flatten.mapping.grid import CELL, MOST_CELLS, ODDS, log_odds
from flatten.occupancy import OccupancyMap

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

BLOCK = 1 << 20
"""Points that are worked on at a time."""
SQUARE = 1.0
"""Metres: side of a square whose floor is found."""
LAYER = 0.05
"""Metres: height of a layer."""
FEWEST = 5
"""Points that make a layer: single ones below the floor are mirror images or noise."""
STEEPEST = 0.35
"""Metres by which the floors of two squares side by side may step: a slope of 19°, or a kerb."""
MOST_LAYERS = 20_000_000
"""Layers of all squares; beyond it layers are thicker."""
FLOOR_BAND = 0.08
"""Metres about the floor within which a point is of the floor; less where the slice begins lower."""
FARTHEST = 1e7
"""Metres: a coordinate beyond it is no point."""


class FloorFound(NamedTuple):
    """The floor of a cloud, in squares."""

    corner: tuple[int, int]
    """(x, y) of the lower left square, in squares."""
    heights: Numbers
    """(rows, columns) metres, the cloud's own z."""
    own: Mask
    """(rows, columns) whether the square's own points tell it; else it has its neighbours' height."""

    def words(self) -> str:
        """Say where it lies, and how much of the place tells it."""
        low, high = (float(part) for part in np.quantile(self.heights[self.own], [0.02, 0.98]))
        return (
            f"floor found in {100.0 * float(self.own.mean()):.0f} % of the square metres, between "
            f"z = {low:.2f} and {high:.2f} m"
        )

    def at(self, x: Numbers, y: Numbers) -> Numbers:
        """Height of the floor at points, between the middles of the squares."""
        rows, columns = self.heights.shape
        u = np.clip(x / SQUARE - self.corner[0] - 0.5, 0.0, columns - 1.0)
        v = np.clip(y / SQUARE - self.corner[1] - 0.5, 0.0, rows - 1.0)
        i, j = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
        k, m = np.minimum(i + 1, columns - 1), np.minimum(j + 1, rows - 1)
        u, v, h = u - i, v - j, self.heights
        below, above = h[j, i] * (1.0 - u) + h[j, k] * u, h[m, i] * (1.0 - u) + h[m, k] * u
        found: Numbers = below * (1.0 - v) + above * v
        return found


class Bounds(NamedTuple):
    """Good points of a cloud and the rectangle around them, metres."""

    points: int
    low: Numbers
    high: Numbers


def find_floor(cloud: Cloud) -> FloorFound:
    """Find the floor of a registered cloud, z up, metres; MapError where there is none."""
    bounds = find_bounds(cloud)
    low, high = (np.floor(side[:2] / SQUARE).astype(np.int64) for side in (bounds.low, bounds.high))
    columns, rows = (int(side) for side in high - low + 1)
    depth = float(bounds.high[2] - bounds.low[2])
    layer = max(LAYER, depth * rows * columns / MOST_LAYERS)
    layers = math.ceil(depth / layer) + 1
    _refuse_large(columns * SQUARE, rows * SQUARE, rows * columns * 2, SQUARE)
    counts, sums = np.zeros(rows * columns * layers, np.int64), np.zeros(rows * columns * layers)
    for xyz in blocks(cloud):
        square = np.floor(xyz[:, :2] / SQUARE).astype(np.int64) - low
        at = (square[:, 1] * columns + square[:, 0]) * layers
        at += np.floor((xyz[:, 2] - bounds.low[2]) / layer).astype(np.int64)
        np.add.at(counts, at, 1)
        np.add.at(sums, at, xyz[:, 2])
    heights = _lowest(counts.reshape(-1, layers), sums.reshape(-1, layers)).reshape(rows, columns)
    own = _largest_piece(heights)
    if not own.any():
        raise MapError(
            f"{cloud.name or 'cloud'}: no floor: no square metre has {FEWEST} points in a layer of "
            f"{100 * layer:.0f} cm: give its height (--floor)"
        )
    return FloorFound((int(low[0]), int(low[1])), _filled(np.where(own, heights, np.nan)), own)


def _lowest(counts: Places, sums: Numbers) -> Numbers:
    """Height of the lowest layer of each square that has a few points, the one above it counted along."""
    both, all_sums = counts.copy(), sums.copy()
    both[:, :-1] += counts[:, 1:]
    all_sums[:, :-1] += sums[:, 1:]
    lowest = (both >= FEWEST).argmax(axis=1)
    square = np.arange(len(counts))
    enough = both[square, lowest] >= FEWEST
    return np.where(enough, all_sums[square, lowest] / np.maximum(both[square, lowest], 1), np.nan)


def _largest_piece(heights: Numbers) -> Mask:
    """Squares of the largest piece whose floors step by little from square to square."""
    rows, columns = heights.shape
    waiting = ~np.isnan(heights)
    best: list[tuple[int, int]] = []
    for row, column in zip(*np.nonzero(waiting), strict=True):
        start = (int(row), int(column))
        if not waiting[start]:
            continue
        waiting[start] = False
        piece, edge = [start], deque([start])
        while edge:
            y, x = edge.popleft()
            for near in ((y + 1, x), (y - 1, x), (y, x + 1), (y, x - 1)):
                if not (0 <= near[0] < rows and 0 <= near[1] < columns and waiting[near]):
                    continue
                if abs(heights[near] - heights[y, x]) <= STEEPEST:
                    waiting[near] = False
                    piece.append(near)
                    edge.append(near)
        best = piece if len(piece) > len(best) else best
    found = np.zeros(heights.shape, bool)
    for place in best:
        found[place] = True
    return found


def _filled(heights: Numbers) -> Numbers:
    """Fill squares without floor with the mean of those beside them that have one, ring by ring."""
    known: Numbers = heights.copy()
    while np.isnan(known).any():
        padded = np.pad(known, 1, constant_values=np.nan)
        beside = np.stack([padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:]])
        there = ~np.isnan(beside)
        count = there.sum(axis=0)
        mean = np.where(there, beside, 0.0).sum(axis=0) / np.maximum(count, 1)
        known = np.where(np.isnan(known) & (count > 0), mean, known)
    return known


def flatten_plan(
    cloud: Cloud,
    bottom: float,
    top: float,
    floor: float | FloorFound,
    *,
    cell: float = CELL,
    least: int = 2,
    name: str = "plan",
) -> OccupancyMap:
    """Flatten a registered cloud to a floor plan.

    Parameters
    ----------
    cloud:
        Points in axes with z up, metres.
    bottom, top:
        The slice, metres above the floor: a point in [bottom, top) stands there.
    floor:
        Height of a level floor in the cloud's own z, or what `find_floor` found.
    cell:
        Side of a cell, metres.
    least:
        Points that occupy a cell.
    name:
        Of the slice.

    Raises MapError for a slice without height, a cloud without points, or a plan that would be too large.

    """
    if not (math.isfinite(bottom) and math.isfinite(top) and bottom < top):
        raise MapError(f"slice {bottom:g} to {top:g} m: wanted bottom below top, metres above the floor")
    bounds = find_bounds(cloud)
    low, high = (np.floor(side[:2] / cell).astype(np.int64) for side in (bounds.low, bounds.high))
    columns, rows = (int(side) for side in high - low + 1)
    _refuse_large(columns * cell, rows * cell, rows * columns, cell)
    standing, ground = np.zeros(rows * columns, np.int32), np.zeros(rows * columns, bool)
    band = min(FLOOR_BAND, bottom) if bottom > 0.0 else FLOOR_BAND
    for xyz in blocks(cloud):
        height = xyz[:, 2] - (floor if isinstance(floor, (int, float)) else floor.at(xyz[:, 0], xyz[:, 1]))
        place = np.floor(xyz[:, :2] / cell).astype(np.int64) - low
        at = place[:, 1] * columns + place[:, 0]
        np.add.at(standing, at[(height >= bottom) & (height < top)], 1)
        ground[at[np.abs(height) < band]] = True
    occupied = standing >= least
    values = np.full(rows * columns, np.nan, np.float32)
    values[ground & (standing == 0)] = log_odds(ODDS.least)
    values[occupied] = log_odds(ODDS.most)
    return OccupancyMap(
        name=name, frame="", cell=cell, corner=(int(low[0]), int(low[1])),
        log_odds=values.reshape(rows, columns), was_free=np.zeros((rows, columns), bool),
        free_at=log_odds(ODDS.is_free), occupied_at=log_odds(ODDS.is_occupied),
    )  # fmt: skip


def blocks(cloud: Cloud) -> Iterator[Numbers]:
    """Yield the good points of a cloud, (up to BLOCK, 3) float64 at a time."""
    axes = [part.reshape(-1) for part in (cloud.x, cloud.y, cloud.z)]
    for k in range(0, len(axes[0]), BLOCK):
        xyz = np.stack([np.asarray(part[k : k + BLOCK], np.float64) for part in axes], axis=1)
        with np.errstate(invalid="ignore"):
            good = (np.abs(xyz) < FARTHEST).all(axis=1)
        yield xyz[good]


def find_bounds(cloud: Cloud) -> Bounds:
    """Count the good points and find the box around them; MapError where there is none."""
    count, low, high = 0, np.full(3, np.inf), np.full(3, -np.inf)
    for xyz in blocks(cloud):
        if len(xyz):
            count += len(xyz)
            low, high = np.minimum(low, xyz.min(axis=0)), np.maximum(high, xyz.max(axis=0))
    if not count:
        raise MapError(f"{cloud.name or 'cloud'}: has no points: there is nothing to flatten")
    return Bounds(count, low, high)


def _refuse_large(wide: float, tall: float, cells: int, cell: float) -> None:
    if cells > MOST_CELLS:
        raise MapError(
            f"the cloud is {wide:,.0f} m × {tall:,.0f} m: {cells:,} cells of {cell:g} m, and the most is "
            f"{MOST_CELLS:,}: choose larger cells, or cut stray points off"
        )
