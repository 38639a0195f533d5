"""An occupancy grid that grows as scans are entered, tile by tile, up to a stated limit."""

from __future__ import annotations

import math
from typing import NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from flatten.errors import MapError
from flatten.kernels import cells
from flatten.mapping.beams import Beams
from flatten.occupancy import OccupancyMap

Kind = TypeVar("Kind", bound=np.generic)

CELL = 0.05
"""Metres: half of the smallest thing a rover must not drive into is a few cells."""
SMALLEST_CELL, LARGEST_CELL = 0.005, 5.0
MOST_CELLS = 100_000_000
"""Cells of the rectangle around all that was seen: 500 m × 500 m of 5 cm. A map takes five bytes for each
cell of the tiles that were met, and a dozen more a cell of the rectangle while it is written."""
MOST_PLACES = 1 << 31
"""Cells from the origin beyond which nothing is entered; up to there float64 knows a cell's millionth."""
TILE = cells.TILE


class Odds(NamedTuple):
    """How evidence is weighed, as probabilities that a cell is occupied."""

    hit: float = 0.7
    """By one scan that hits it."""
    free: float = 0.4
    """By one scan that sees through it."""
    least: float = 0.12
    most: float = 0.97
    """Bounds: how sure the map may become, so that it can still be taught otherwise."""
    is_free: float = 0.35
    """At or below this a cell is free: after two passages."""
    is_occupied: float = 0.65
    """At or above this it is occupied: after one hit."""

    def checked(self) -> Odds:
        """Give itself; MapError where the numbers make no sense."""
        inside = all(0.0 < chance < 1.0 for chance in self)  # also false for NaN
        if not (inside and self.least <= self.is_free < 0.5 < self.is_occupied <= self.most):
            raise MapError(f"odds {tuple(self)}: wanted 0 < least ≤ is_free < 0.5 < is_occupied ≤ most < 1")
        if not self.free < 0.5 < self.hit:
            raise MapError(f"odds {tuple(self)}: wanted free < 0.5 < hit")
        return self


def log_odds(chance: float) -> float:
    """ln(p/(1 − p)): 0 for a half."""
    return math.log(chance / (1.0 - chance))


ODDS = Odds()


class Counted(NamedTuple):
    """What was entered into a grid, in cells and scans."""

    scans: int
    hits: int
    """Cells hit, once a scan."""
    hits_in_free: int
    """Those of them that the map held for free at that time."""
    freed: int
    freed_occupied: int
    """Cells passed that the map held for occupied at that time."""


class Grid:
    """Collects scans.

    Parameters
    ----------
    cell:
        Side of a cell, metres. Cell (0, 0) has its lower left corner at the origin of the poses' frame.
    odds:
        How evidence is weighed.
    most_cells:
        Largest rectangle of cells that may come about.

    Raises MapError for a cell or odds that make no sense.
    """

    def __init__(self, cell: float = CELL, odds: Odds = ODDS, most_cells: int = MOST_CELLS) -> None:
        if not SMALLEST_CELL <= cell <= LARGEST_CELL:
            raise MapError(f"cell {cell}: wanted {SMALLEST_CELL} to {LARGEST_CELL} m")
        self.cell, self.odds, self.most_cells = float(cell), odds.checked(), most_cells
        chances = (odds.hit, odds.free, odds.least, odds.most, odds.is_free, odds.is_occupied)
        # two passages, or a hit, shall reach a threshold that is met exactly
        slack = np.array([0.0, 0.0, 0.0, 0.0, 1e-6, -1e-6])
        self._odds = np.array([log_odds(chance) for chance in chances] + slack, np.float32)
        self._tiles: dict[tuple[int, int], int] = {}
        self._values = np.zeros((0, TILE), np.float32)
        self._flags = np.zeros((0, TILE), np.uint8)
        self._counts = np.zeros(4, np.int64)
        self._scans = 0
        self._box: tuple[int, int, int, int] | None = None
        self._sheet = np.zeros(0, np.uint8)

    @property
    def counted(self) -> Counted:
        """What was entered so far."""
        return Counted(self._scans, *(int(count) for count in self._counts))

    @property
    def tiles(self) -> int:
        """Tiles that are there, of TILE × TILE cells."""
        return len(self._tiles)

    def enter(self, beams: Beams) -> None:
        """Enter one scan; MapError, with nothing changed, where it or its pose cannot be, or is too far."""
        told = _Told.of(beams, self.cell)
        low, high = told.tiles()
        self._grow(low, high, beams)
        rows, columns = high[0] - low[0] + 1, high[1] - low[1] + 1
        size = rows * columns * TILE * TILE
        if self._sheet.size < size:
            self._sheet = np.zeros(size, np.uint8)
        sheet = self._sheet[:size]
        cells.mark(
            sheet, columns * TILE, told.x - low[1] * TILE, told.y - low[0] * TILE, told.along_x, told.along_y,
            told.hits, told.free_from, told.free_to,
        )  # fmt: skip
        slots = np.array(
            [[self._tiles[y, x] for x in range(low[1], high[1] + 1)] for y in range(low[0], high[0] + 1)],
            np.int32,
        )
        cells.add(
            sheet.reshape(-1, TILE), sheet.view(np.uint64).reshape(-1, TILE // 8), self._odds, slots,
            self._values, self._flags, self._counts,
        )  # fmt: skip
        self._scans += 1

    def _grow(self, low: tuple[int, int], high: tuple[int, int], beams: Beams) -> None:
        """See to it that all tiles from low to high (row, column; both inclusive) are there."""
        (bottom, left), (top, right) = low, high
        if self._box is not None:
            bottom, left = min(bottom, self._box[0]), min(left, self._box[1])
            top, right = max(top, self._box[2]), max(right, self._box[3])
        tall, wide = (top - bottom + 1) * TILE, (right - left + 1) * TILE
        if tall * wide > self.most_cells:
            x, y, _ = beams.place
            raise MapError(
                f"the scan at ({x:.6g}, {y:.6g}) m would make the map {wide * self.cell:,.0f} m × "
                f"{tall * self.cell:,.0f} m: {tall * wide:,} cells of {self.cell:g} m, and the most "
                f"is {self.most_cells:,}: choose larger cells, or leave that pose out"
            )
        self._box = (bottom, left, top, right)
        wanted = [(y, x) for y in range(low[0], high[0] + 1) for x in range(low[1], high[1] + 1)]
        new = [place for place in wanted if place not in self._tiles]
        if not new:
            return
        count = len(self._tiles) + len(new)
        if count * TILE > len(self._values):
            room = max(count, len(self._tiles) * 3 // 2) * TILE
            self._values = _longer(self._values, room)
            self._flags = _longer(self._flags, room)
        for place in new:
            self._tiles[place] = len(self._tiles)

    def finish(self, name: str = "map", frame: str = "odom") -> OccupancyMap:
        """Give the map as it is now, cut to what was seen; MapError where nothing was seen at all."""
        if self._box is None or not self._counts[[cells.HITS, cells.FREED]].any():
            raise MapError(
                "nothing was seen: no scan hits anything or frees a stretch: check slices and poses"
            )
        bottom, left, top, right = self._box
        shape = ((top - bottom + 1) * TILE, (right - left + 1) * TILE)
        values, flags = np.full(shape, np.nan, np.float32), np.zeros(shape, np.uint8)
        for (row, column), slot in self._tiles.items():
            y, x = (row - bottom) * TILE, (column - left) * TILE
            values[y : y + TILE, x : x + TILE] = self._values[slot * TILE : (slot + 1) * TILE]
            flags[y : y + TILE, x : x + TILE] = self._flags[slot * TILE : (slot + 1) * TILE]
        values[flags & cells.SEEN == 0] = np.nan
        rows = np.flatnonzero((flags & cells.SEEN).any(axis=1))
        columns = np.flatnonzero((flags & cells.SEEN).any(axis=0))
        cut = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        corner = (left * TILE + int(columns[0]), bottom * TILE + int(rows[0]))
        return OccupancyMap(
            name=name, frame=frame, cell=self.cell, corner=corner, log_odds=values[cut].copy(),
            was_free=(flags[cut] & cells.WAS_FREE).astype(bool),
            free_at=float(self._odds[cells.FREE]), occupied_at=float(self._odds[cells.OCCUPIED]),
        )  # fmt: skip


def _longer(array: npt.NDArray[Kind], rows: int) -> npt.NDArray[Kind]:
    longer = np.zeros((rows, array.shape[1]), array.dtype)
    longer[: len(array)] = array
    return longer


class _Told(NamedTuple):
    """What a scan says, in cells from the map's origin."""

    cell: float
    x: float
    y: float
    along_x: npt.NDArray[np.float64]
    along_y: npt.NDArray[np.float64]
    hits: npt.NDArray[np.float64]
    free_from: npt.NDArray[np.float64]
    free_to: npt.NDArray[np.float64]

    @classmethod
    def of(cls, beams: Beams, cell: float) -> _Told:
        """Check a scan and count it in cells."""
        x, y, yaw = beams.place
        if not all(abs(part) < math.inf for part in beams.place):
            raise MapError(f"pose {beams.place}: wanted finite x, y and yaw: leave that pose out")
        arrays = [np.ascontiguousarray(part, np.float64) for part in beams[2:]]
        bearings, *lengths = arrays
        if bearings.ndim != 1 or any(part.shape != bearings.shape for part in lengths):
            raise MapError(
                f"beams of shapes {', '.join(str(part.shape) for part in arrays)}: wanted one, (bins,)"
            )
        if not np.isfinite(bearings).all():
            raise MapError("a bearing is not finite: check the scan's angles")
        hits, free_from, free_to = (part / cell for part in lengths)
        with np.errstate(invalid="ignore"):
            sound = (free_from >= 0.0) & (free_to > free_from) & (free_to < np.inf)
            hits = np.where(hits >= 0.0, hits, np.nan)
        turned = bearings + yaw
        return cls(
            cell, x / cell, y / cell, np.cos(turned), np.sin(turned), hits, np.where(sound, free_from, 0.0),
            np.where(sound, free_to, 0.0),
        )  # fmt: skip

    def tiles(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """Row and column of the lowest and the highest tile that is met, and of those a cell beside."""
        reach = np.maximum(np.where(np.isfinite(self.hits), self.hits, 0.0), self.free_to)
        found = []
        for at, along in ((self.y, self.along_y), (self.x, self.along_x)):
            ends = reach * along
            low, high = (
                at + min(float(ends.min(initial=0.0)), 0.0),
                at + max(float(ends.max(initial=0.0)), 0.0),
            )
            if not max(abs(low), abs(high)) < MOST_PLACES:
                raise MapError(
                    f"the scan at ({self.x * self.cell:.6g}, {self.y * self.cell:.6g}) m tells of places "
                    f"more than {MOST_PLACES * self.cell:.3g} m from the origin: leave that pose out"
                )
            found.append((math.floor(low - 1.0) // TILE, math.floor(high + 1.0) // TILE))
        (bottom, top), (left, right) = found
        return (bottom, left), (top, right)
