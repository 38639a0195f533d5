"""Rough ground with a height in closed form.

Its pieces run along two directions, so that its creases and edges cut it into parallelograms, in
each of which it is a plane: the triangles are exact, not sampled. Where two neighbours do not
meet there is a vertical face between them, which is a solid of its own.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.scene import meshes
from flatten.scene.meshes import Mesh, Points
from flatten.scene.pieces import Piece
from flatten.scene.solids import Solid

Values = npt.NDArray[np.float64]

HAIR = 1e-6
"""Metres: steps lower than this are rounding."""


class Edges(NamedTuple):
    """Vertical faces of the ground: k straight lines from `start` to `end`, seen from above."""

    start: Points
    """(k, 2) world x, y."""
    end: Points
    """(k, 2)."""
    upper: Points
    """(k, 2) height of the upper side at start and end."""
    lower: Points
    """(k, 2) height of the lower side at start and end."""

    @property
    def heights(self) -> Values:
        """(k,) greatest height of each face: a kerb from below, a drop from above."""
        tallest: Values = (self.upper - self.lower).max(axis=1)
        return tallest


@dataclass(frozen=True, eq=False, kw_only=True)
class Ground(Solid):
    """Surface z(x, y): the sum of its pieces, within `half` metres of its origin both ways.

    The first direction points along the bearing `first`, the second along `second` (radians, world;
    second − first between 0 and π). A place (x, y) has the coordinates u, v = its shadows on the
    two from the origin.
    """

    pieces: tuple[Piece, ...] = ()
    origin: tuple[float, float] = (0.0, 0.0)
    first: float = 0.0
    second: float = 0.5 * math.pi
    half: float = 30.0

    def __post_init__(self) -> None:
        if not 0.1 < self.second - self.first < math.pi - 0.1:
            raise ValueError(f"{self.name}: second direction {self.second}: wanted 0 to π left of the first")

    @functools.cached_property
    def axes(self) -> Points:
        """(2, 2): the two directions as rows, unit vectors."""
        return np.array([[math.cos(a), math.sin(a)] for a in (self.first, self.second)])

    def uv(self, x: Values, y: Values) -> tuple[Values, Values]:
        """Coordinates along the two directions, metres."""
        dx, dy = np.asarray(x) - self.origin[0], np.asarray(y) - self.origin[1]
        (a, b), (c, d) = self.axes.tolist()
        return np.asarray(a * dx + b * dy), np.asarray(c * dx + d * dy)

    def height(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Values:
        """Height at world (x, y), metres; exactly on an edge, that of one of its sides."""
        u, v = self.uv(np.asarray(x, np.float64), np.asarray(y, np.float64))
        return self.sum_at((u, v), (u, v))

    def lowest(self, x: npt.ArrayLike, y: npt.ArrayLike, within: float = 1e-4) -> Values:
        """Least height within about `within` metres of (x, y): the foot of a face."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        around = [(0.0, 0.0), *((math.cos(a), math.sin(a)) for a in np.arange(8) * math.pi / 4)]
        return np.asarray(np.min([self.height(x + within * c, y + within * s) for c, s in around], axis=0))

    def slope(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Points:
        """Gradient (…, 2) of the height, metres a metre; faces aside."""
        u, v = self.uv(np.asarray(x, np.float64), np.asarray(y, np.float64))
        here = self.sum_at((u, v), (u, v))
        along = self.sum_at((u + 1.0, v), (u, v)) - here
        across = self.sum_at((u, v + 1.0), (u, v)) - here
        return np.asarray(np.stack([along, across], axis=-1) @ self.axes)

    def sum_at(self, place: tuple[Values, Values], inside: tuple[Values, Values]) -> Values:
        """Heights at coordinates (u, v), each by the plane in which `inside` lies."""
        total = np.zeros(np.broadcast(*place).shape)
        for piece in self.pieces:
            a, b = piece.axis, 1 - piece.axis
            total += np.where(piece.covers(inside[b]), piece.heights(place[a], inside[a]), 0.0)
        return total

    @functools.cached_property
    def creases(self) -> tuple[Values, Values]:
        """Where the surface bends or breaks, ascending: values of u, and of v, outer edges included."""
        found: tuple[list[float], list[float]] = ([-self.half, self.half], [-self.half, self.half])
        for piece in self.pieces:
            found[piece.axis].extend(s for s, _ in piece.knots)
            found[1 - piece.axis].extend(s for s in piece.across if math.isfinite(s))
        u, v = (np.unique(np.clip(part, -self.half, self.half)) for part in found)
        return u, v

    @functools.cached_property
    def corners(self) -> Points:
        """(u cells, v cells, 2, 2) heights of the cells at their four corners."""
        (u, v), middle = self.creases, [0.5 * (part[1:] + part[:-1]) for part in self.creases]
        ends = [np.stack([part[:-1], part[1:]], axis=1) for part in (u, v)]
        place = (ends[0][:, None, :, None], ends[1][None, :, None, :])
        shape = (len(u) - 1, len(v) - 1, 2, 2)
        inside = (middle[0][:, None, None, None], middle[1][None, :, None, None])
        return self.sum_at(
            (np.broadcast_to(place[0], shape), np.broadcast_to(place[1], shape)),
            (np.broadcast_to(inside[0], shape), np.broadcast_to(inside[1], shape)),
        )

    def to_world(self, u: Values, v: Values) -> Points:
        """World (…, 2) of coordinates along the two directions."""
        flat: Points = np.stack(np.broadcast_arrays(u, v), axis=-1) @ np.linalg.inv(self.axes).T
        return np.asarray(flat + np.array(self.origin))

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Two triangles a cell; exact, normals up."""
        (u, v), z = self.creases, self.corners
        ends_u, ends_v = np.stack([u[:-1], u[1:]], axis=1), np.stack([v[:-1], v[1:]], axis=1)
        flat = self.to_world(
            np.broadcast_to(ends_u[:, None, :, None], z.shape),
            np.broadcast_to(ends_v[None, :, None, :], z.shape),
        )
        corners = np.concatenate([flat, z[..., None]], axis=-1).reshape(-1, 4, 3)
        return meshes.quads(corners[:, [0, 2, 3, 1]])

    @functools.cached_property
    def edges(self) -> Edges:
        """All vertical faces."""
        (u, v), z = self.creases, self.corners
        rows: list[tuple[Values, Values, Values, Values]] = []
        for i, j in np.ndindex(len(u) - 2, len(v) - 1):  # between cells along u
            ends = self.to_world(np.full(2, u[i + 1]), v[j : j + 2])
            rows += _faces(ends, z[i, j, 1, :], z[i + 1, j, 0, :])
        for i, j in np.ndindex(len(u) - 1, len(v) - 2):
            ends = self.to_world(u[i : i + 2], np.full(2, v[j + 1]))
            rows += _faces(ends, z[i, j, :, 1], z[i, j + 1, :, 0])
        packed = np.array(rows, np.float64).reshape(-1, 4, 2)
        return Edges(*(packed[:, k] for k in range(4)))


@dataclass(frozen=True, eq=False, kw_only=True)
class GroundFaces(Solid):
    """The vertical faces of a ground: kerbs, sides of ditches and docks."""

    ground: Ground

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Two triangles a face; exact."""
        e = self.ground.edges
        below = [np.column_stack([p, e.lower[:, k]]) for k, p in enumerate((e.start, e.end))]
        above = [np.column_stack([p, e.upper[:, k]]) for k, p in enumerate((e.start, e.end))]
        return meshes.quads(np.stack([*below, above[1], above[0]], axis=1))


def _faces(ends: Points, one: Values, two: Values) -> list[tuple[Values, Values, Values, Values]]:
    """Rows start, end, upper, lower of what stands between two cells along their border.

    Where the upper side changes on the way, the border is cut in two at that place.
    """
    gap = two - one
    if np.abs(gap).max() < HAIR:
        return []
    if gap[0] * gap[1] >= 0.0:
        return [(ends[0], ends[1], np.maximum(one, two), np.minimum(one, two))]
    share = float(gap[0] / (gap[0] - gap[1]))
    middle = ends[0] + share * (ends[1] - ends[0])
    z = one[0] + share * (one[1] - one[0])
    parts = ((ends[0], middle, 0, 1), (middle, ends[1], 1, 0))
    rows = []
    for start, end, near, _ in parts:
        sides = np.array([[one[0], z], [two[0], z]] if near == 0 else [[z, one[1]], [z, two[1]]])
        rows.append((start, end, sides.max(axis=0), sides.min(axis=0)))
    return rows
