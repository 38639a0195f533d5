"""The floor that was fitted to a frame, for whoever wants to look at it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FittedFloor:
    """Floor of one frame, in the level frame moved to the fan's origin; metres and radians.

    Heights are known at the middle of every bin and at whole cells of distance, and straight in between;
    across a bin they stay the same.
    """

    first: float
    """Bearing of the first edge of bin 0."""
    step: float
    """Width of a bin."""
    cell: float
    """Distance from one height to the next."""
    heights: npt.NDArray[np.float32]
    """(bins, cells + 1) where the heights of the slices are counted from: the floor where it is known, the
    highest that it may be where it is not."""
    known: npt.NDArray[np.bool_]
    """(bins, cells) whether the floor was seen there, or remembered, or lies between what was."""
    drops: npt.NDArray[np.float32]
    """(bins,) distance to the nearest way down; inf where none was found."""
    height: float
    """Height of the floor about the robot above where its tracks are declared to stand."""
    tilt: tuple[float, float]
    """Roll and pitch of the floor about the robot (REP 103: left side up, nose down are positive)."""
    returns: int
    """Returns of the frame that lie on it."""

    @property
    def is_seen(self) -> bool:
        """Whether any of it is known."""
        return bool(self.known.any())

    @property
    def doubt(self) -> str:
        """What is amiss with it, in a line; "" where nothing is."""
        if self.returns:
            return ""
        return (
            "no floor was seen: heights count from the highest floor that is possible, so that low things "
            "are not shown; check mount and attitude, or use level: gravity"
        )

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Values:
        """Heights at places about the fan's origin; NaN outside the fan and beyond the last cell."""
        inside, bins, cells = self._places(x, y)
        last = self.known.shape[1] - 1
        whole = np.minimum(cells.astype(np.int64), last)
        low, high = self.heights[bins, whole], self.heights[bins, whole + 1]
        found = low + (cells - whole) * (high - low.astype(np.float64))
        return np.where(inside, found, np.nan)

    def is_known(self, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Tell at which places about the fan's origin the floor is known."""
        inside, bins, cells = self._places(x, y)
        whole = np.minimum(cells.astype(np.int64), self.known.shape[1] - 1)
        found: npt.NDArray[np.bool_] = inside & self.known[bins, whole]
        return found

    def _places(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Any, Any, Any]:
        """Which places lie on the table; the bin of each, and its distance in cells."""
        x, y = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
        count, cells = self.known.shape
        turned = np.mod(np.arctan2(y, x) - self.first, math.tau) / self.step
        away = np.hypot(x, y) / self.cell
        inside = (turned < count * (1 + 1e-12)) & (away <= cells)
        bins = np.minimum(np.where(inside, turned, 0.0).astype(np.int64), count - 1)
        return inside, bins, np.where(inside, away, 0.0)
