"""A finished map: what is known of each cell, and the field values of a standard occupancy-grid message."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]

UNKNOWN = -1
"""What an occupancy-grid message says of a cell of which nothing is known (nav_msgs/OccupancyGrid)."""


@dataclass(frozen=True, eq=False)
class OccupancyMap:
    """A map of square cells; row 0 has the lowest y, column 0 the lowest x."""

    name: str
    """Of the slice."""
    frame: str
    """In which the poses were given."""
    cell: float
    """Side of a cell, metres."""
    corner: tuple[int, int]
    """(x, y) of the lower left corner of cell (0, 0), in cells from the frame's origin."""
    log_odds: npt.NDArray[np.float32]
    """(rows, columns) ln(p/(1 − p)) of being occupied, NaN where nothing is known."""
    was_free: Mask
    """(rows, columns) whether the cell was held for free at some time."""
    free_at: float
    """Log-odds at or below which a cell is free."""
    occupied_at: float
    """Log-odds at or above which a cell is occupied."""
    figures: dict[str, Any] = field(default_factory=dict)
    """What `flatten.mapping.figures` says of it."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, columns = self.log_odds.shape
        return rows, columns

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Metres: left, right, bottom, top."""
        rows, columns = self.shape
        x, y = self.corner
        return x * self.cell, (x + columns) * self.cell, y * self.cell, (y + rows) * self.cell

    @property
    def seen(self) -> Mask:
        """(rows, columns) whether anything is known."""
        return ~np.isnan(self.log_odds)

    @property
    def occupied(self) -> Mask:
        """(rows, columns) what is occupied."""
        return np.asarray(self.log_odds >= self.occupied_at)  # false for NaN

    @property
    def free(self) -> Mask:
        """(rows, columns) what is free."""
        return np.asarray(self.log_odds <= self.free_at)

    @property
    def chances(self) -> npt.NDArray[np.float32]:
        """(rows, columns) probability of being occupied, NaN where nothing is known."""
        return np.asarray(1.0 / (1.0 + np.exp(-self.log_odds)), np.float32)

    def message_fields(self) -> dict[str, Any]:
        """Field values of a standard occupancy-grid message, all but its header and the time of loading.

        The keys are those of nav_msgs/OccupancyGrid: cell (x, y) is data[x + y·width], -1 where nothing is
        known, else the probability in per cent, 0 to 100; info.origin is the pose of the lower left corner of
        cell (0, 0). Metres.
        """
        rows, columns = self.shape
        left, _, bottom, _ = self.extent
        chances = self.chances
        data = np.where(np.isnan(chances), float(UNKNOWN), np.round(100.0 * chances)).astype(np.int8)
        return {
            "info": {
                "resolution": float(np.float32(self.cell)),
                "width": columns,
                "height": rows,
                "origin": {
                    "position": {"x": left, "y": bottom, "z": 0.0},
                    "orientation": {"x": 0.0, "y": 0.0, "z": 0.0, "w": 1.0},
                },
            },
            "data": data.reshape(-1),
        }
