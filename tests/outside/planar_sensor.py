"""A perfect planar sensor of made-up places: level beams along the edges of the bins, cast by Open3D.

It knows nothing of clouds, slices' gates or bins of the library. The solids of `random_place` are
upright prisms with convex outlines. On each of their faces the range is monotonic between corner,
foot of the perpendicular and edge of the bin, so that these three say how near and far it comes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import open3d as o3d

from flatten.scene import Place

HAIR = 2e-5
"""Radians by which the outer beams of a bin stand outside it. It is 300 times the float32 unit, so that
what rounding of coordinates does to a bearing or, on a grazed face, to a distance, stays inside."""


@dataclass(frozen=True)
class Solids:
    """What stands in a place, floor left out, seen from the fan's origin with x along bearing 0."""

    corners: list[np.ndarray]
    triangles: list[np.ndarray]
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True)
class Alone:
    """Each solid by itself at the bins' outer beams: (solids, bins) m; NaN where an outer beam misses it."""

    front: tuple[np.ndarray, np.ndarray]
    """Nearest and farthest distance at which the beams enter."""
    back: tuple[np.ndarray, np.ndarray]
    """Nearest and farthest distance at which they leave for good."""


def solids_seen_from(place: Place, x: float, y: float, yaw: float) -> Solids:
    c, s = math.cos(yaw), math.sin(yaw)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    meshes = [solid.mesh for solid in place.solids if solid.name != "floor"]
    corners = [(mesh.vertices - [x, y, 0.0]) @ turn for mesh in meshes]
    low, high = (np.array([end(part[:, 2]) for part in corners]) for end in (np.min, np.max))
    return Solids(corners, [mesh.triangles for mesh in meshes], low, high)


class PlanarSensor:
    """Level beams at the outer edges of `bins` bins of the full circle that begins at −180°."""

    def __init__(self, solids: Solids, bins: int) -> None:
        self.solids, self.bins = solids, bins
        edges = -math.pi + np.arange(bins) * (2 * math.pi / bins)
        self.bearings = np.concatenate([edges - HAIR, edges + 2 * math.pi / bins + HAIR])
        self.bin_of_beam = np.tile(np.arange(bins), 2)
        self._scene = o3d.t.geometry.RaycastingScene()
        for corners, triangles in zip(solids.corners, solids.triangles, strict=True):
            self._scene.add_triangles(
                o3d.core.Tensor(corners.astype(np.float32)), o3d.core.Tensor(triangles.astype(np.uint32))
            )

    def crossings(self, height: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Beam, solid and distance of every crossing of a beam and a face at this height."""
        rays = np.zeros((len(self.bearings), 6), np.float32)
        rays[:, 2] = height
        rays[:, 3], rays[:, 4] = np.cos(self.bearings), np.sin(self.bearings)
        found = self._scene.list_intersections(o3d.core.Tensor(rays))
        names = ("ray_ids", "geometry_ids", "t_hit")
        beams, solids, distances = (found[name].numpy() for name in names)
        return beams.astype(int), solids.astype(int), distances.astype(float)

    def bracket(self, bottom: float, top: float, rise: float) -> tuple[np.ndarray, np.ndarray]:
        """Nearest and farthest face of the slice in each bin, m; inf and −inf where there is none.

        Between two heights at which a solid begins or ends all levels look alike; the highest of them
        stays longest in a slice whose bottom rises.
        """
        near, far = np.full(self.bins, np.inf), np.full(self.bins, -np.inf)
        edges = np.unique(np.concatenate([self.solids.low, self.solids.high]))
        for level in [*edges[(edges > bottom) & (edges < top)], top]:
            beams, _, distances = self.crossings(level - 1e-5)
            keep = bottom + rise * distances <= level
            spread(near, far, self.bin_of_beam[beams[keep]], distances[keep])
        for points, low, high in zip(self.special_points(), self.solids.low, self.solids.high, strict=True):
            distance = np.hypot(*points.T)
            keep = (bottom + rise * distance <= min(high, top)) & (low < top)
            for side in (-HAIR, HAIR):
                bearing = np.arctan2(points[:, 1], points[:, 0]) + side
                b = np.floor((bearing + math.pi) / (2 * math.pi) * self.bins).astype(int) % self.bins
                spread(near, far, b[keep], distance[keep])
        return near, far

    def special_points(self) -> list[np.ndarray]:
        """Corners of each solid, and feet of the perpendiculars on the edges of its outline: (N, 2)."""
        points = []
        for corners, triangles in zip(self.solids.corners, self.solids.triangles, strict=True):
            flat = corners[:, :2]
            a, b = flat[triangles].reshape(-1, 2), flat[np.roll(triangles, 1, axis=1)].reshape(-1, 2)
            along = b - a
            length = np.maximum((along**2).sum(axis=1), 1e-18)
            part = -(a * along).sum(axis=1) / length
            feet = (a + part[:, None] * along)[(part > 0) & (part < 1)]
            points.append(np.concatenate([flat, feet]))
        return points

    def alone(self, height: float) -> Alone:
        """Each solid by itself: where the outer beams of every bin enter and leave it at this height."""
        shape = (len(self.solids.corners), len(self.bearings))
        front, back = np.full(shape, np.inf), np.full(shape, -np.inf)
        beams, solids, distances = self.crossings(height)
        np.minimum.at(front, (solids, beams), distances)
        np.maximum.at(back, (solids, beams), distances)
        met = np.isfinite(front)
        fills = met[:, : self.bins] & met[:, self.bins :]
        return Alone(self._extremes(front, fills), self._extremes(back, fills))

    def _extremes(self, distances: np.ndarray, fills: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        one, other = distances[:, : self.bins], distances[:, self.bins :]
        least, most = np.minimum(one, other), np.maximum(one, other)
        return np.where(fills, least, np.nan), np.where(fills, most, np.nan)


def spread(near: np.ndarray, far: np.ndarray, bins: np.ndarray, distances: np.ndarray) -> None:
    np.minimum.at(near, bins, distances)
    np.maximum.at(far, bins, distances)
