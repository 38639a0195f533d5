"""How a tracked rover stands on rough ground: body poses in six degrees of freedom."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.scene.ground import Ground

Values = npt.NDArray[np.float64]

LENGTH, WIDTH = 0.95, 0.72
"""Footprint of the sample rover, metres."""
ALONG = 9
"""Places along each track at which it may touch the ground."""


class Stance(NamedTuple):
    """Pose of the body in the world: metres; radians about fixed axes (REP 103)."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0
    yaw: float = 0.0

    @property
    def world_from_body(self) -> Values:
        """(4, 4) float64."""
        return frames.transform(frames.rotation(self.roll, self.pitch, self.yaw), (self.x, self.y, self.z))

    @property
    def world_from_level(self) -> Values:
        """(4, 4) float64: roll and pitch taken out about the body's origin."""
        return frames.transform(frames.rotation_z(self.yaw), (self.x, self.y, self.z))

    @property
    def attitude(self) -> tuple[float, float]:
        """Roll and pitch, radians."""
        return self.roll, self.pitch


def contacts(length: float = LENGTH, width: float = WIDTH) -> Values:
    """(2·ALONG, 2) places under the two tracks, body x and y; the first four are the corners."""
    along = np.linspace(-0.5 * length, 0.5 * length, ALONG)
    order = [0, ALONG - 1, *range(1, ALONG - 1)]
    tracks = [(float(x), side * 0.5 * width) for x in along[order] for side in (-1, 1)]
    return np.array(tracks)


def stand(
    ground: Ground, x: float, y: float, yaw: float, length: float = LENGTH, width: float = WIDTH
) -> Stance:
    """Set the body down at (x, y) with a yaw: at rest on its tracks, its centre of mass over its origin.

    Of all planes through three contact places around the origin, the body rests on the one that is
    highest at the origin: no place of the tracks then lies below the ground. Where the body could
    rock about a line through its origin, one of its two ways to lie is taken, always the same.
    """
    points = contacts(length, width)
    turned = points @ frames.rotation_z(yaw)[:2, :2].T
    heights = ground.height(x + turned[:, 0], y + turned[:, 1])
    triples, shares = _around_the_origin(length, width)
    level = np.einsum("ij,ij->i", shares, heights[triples])
    z = float(level.max())
    a, b, c = triples[level > z - 1e-9].T
    sides = np.stack([points[b] - points[a], points[c] - points[a]], axis=1)
    rises = np.stack([heights[b] - heights[a], heights[c] - heights[a]], axis=1)
    slopes = np.linalg.solve(sides, rises[:, :, None])[:, :, 0]
    # several such planes meet in a line through the origin: of these one has no place above it
    above = (heights - z - slopes @ points.T).max(axis=1)
    ahead, left = slopes[int(np.argmin(np.round(above, 9)))].tolist()
    roll = math.asin(left / math.sqrt(1.0 + ahead**2 + left**2))
    return Stance(x, y, z, roll, -math.atan(ahead), yaw)


_TRIANGLES: dict[tuple[float, float], tuple[npt.NDArray[np.int64], Values]] = {}


def _around_the_origin(length: float, width: float) -> tuple[npt.NDArray[np.int64], Values]:
    """Triples of contact places whose triangle holds the origin, and the weights of the three there."""
    if (length, width) not in _TRIANGLES:
        points = contacts(length, width)
        triples = np.array(list(itertools.combinations(range(len(points)), 3)))
        a, b, c = (points[triples[:, k]] for k in range(3))
        area = _cross(b - a, c - a)
        good = np.abs(area) > 1e-6
        triples, a, b, c, area = triples[good], a[good], b[good], c[good], area[good]
        shares = np.stack([_cross(b, c), _cross(c, a), _cross(a, b)], axis=1) / area[:, None]
        holds = np.all(shares >= -1e-9, axis=1)
        _TRIANGLES[length, width] = triples[holds], shares[holds]
    return _TRIANGLES[length, width]


def _cross(a: Values, b: Values) -> Values:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
