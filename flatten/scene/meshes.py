"""Triangle meshes of simple bodies, wound so that normals point outwards."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten import frames

Points = npt.NDArray[np.float64]


class Mesh(NamedTuple):
    """Corners (V, 3) float64 in metres and triangles (F, 3) int64 of corner numbers."""

    vertices: Points
    triangles: npt.NDArray[np.int64]

    def moved(self, rotate: Points, translate: Sequence[float]) -> Mesh:
        """Turn by a (3, 3) rotation, then shift by (3,) metres."""
        return Mesh(self.vertices @ np.asarray(rotate).T + np.asarray(translate, np.float64), self.triangles)


def block(low: Sequence[float], high: Sequence[float]) -> Mesh:
    """Box between two opposite corners (x, y, z)."""
    lo, hi = np.asarray(low, np.float64), np.asarray(high, np.float64)
    pick = np.array([[i & 1, i >> 1 & 1, i >> 2 & 1] for i in range(8)])
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    return Mesh(np.where(pick == 1, hi, lo), _split(np.array(quads)))


def wedge(length: float, width: float, height: float) -> Mesh:
    """Ramp that rises along +x from its toe, the edge x = 0, −width/2 ≤ y ≤ width/2, at z = 0."""
    w = 0.5 * width
    vertices = [
        (0, -w, 0),
        (0, w, 0),
        (length, -w, 0),
        (length, w, 0),
        (length, -w, height),
        (length, w, height),
    ]
    triangles = [(0, 1, 3), (0, 3, 2), (0, 4, 5), (0, 5, 1), (2, 3, 5), (2, 5, 4), (0, 2, 4), (1, 5, 3)]
    return Mesh(np.array(vertices, np.float64), np.array(triangles, np.int64))


def turned(profile: Sequence[tuple[float, float]], segments: int) -> Mesh:
    """Body of revolution about z: (radius, height) pairs from the lowest to the highest.

    Every ring has `segments` corners that lie on the true surface; the flats between them lie
    inside by at most the sagitta radius·(1 − cos(π/segments)). Rings of radius 0 are not allowed:
    the ends are closed with flat discs.
    """
    around = np.arange(segments) * (2.0 * math.pi / segments)
    circle = np.stack([np.cos(around), np.sin(around)], axis=1)
    rings = [np.column_stack([r * circle, np.full(segments, z)]) for r, z in profile]
    ends = [(0.0, 0.0, profile[0][1]), (0.0, 0.0, profile[-1][1])]
    here = np.arange(segments)
    following = (here + 1) % segments
    quads = [
        np.stack(
            [
                k * segments + here,
                k * segments + following,
                (k + 1) * segments + following,
                (k + 1) * segments + here,
            ],
            1,
        )
        for k in range(len(profile) - 1)
    ]
    low = len(profile) * segments
    last = (len(profile) - 1) * segments
    caps = [
        np.stack([np.full(segments, low), following, here], 1),
        np.stack([np.full(segments, low + 1), last + here, last + following], 1),
    ]
    vertices = np.concatenate([*rings, np.array(ends)])
    return Mesh(vertices, np.concatenate([_split(np.concatenate(quads)), *caps]))


def grid(x: tuple[float, float], y: tuple[float, float], heights: Points) -> Mesh:
    """Height field over a rectangle: heights (columns along x, rows along y), normals up."""
    nx, ny = heights.shape
    xs, ys = np.linspace(*x, nx), np.linspace(*y, ny)
    vertices = np.stack([*np.meshgrid(xs, ys, indexing="ij"), heights], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(nx - 1), np.arange(ny - 1), indexing="ij")
    corner = (i * ny + j).reshape(-1)
    return Mesh(vertices, _split(np.stack([corner, corner + ny, corner + ny + 1, corner + 1], axis=1)))


def quads(corners: Points) -> Mesh:
    """Flat four-cornered patches, (k, 4, 3) corners in order: two triangles each, nothing shared."""
    return Mesh(corners.reshape(-1, 3), _split(np.arange(4 * len(corners)).reshape(-1, 4)))


def axis_rotation(start: Sequence[float], end: Sequence[float]) -> Points:
    """Turn z onto the direction from start to end: a (3, 3) rotation."""
    along = np.asarray(end, np.float64) - np.asarray(start, np.float64)
    length = float(np.linalg.norm(along))
    tilt = math.acos(max(-1.0, min(1.0, along[2] / length)))
    rotate: Points = frames.rotation_z(math.atan2(along[1], along[0])) @ frames.rotation_y(tilt)
    return rotate


def _split(quads: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int64)
