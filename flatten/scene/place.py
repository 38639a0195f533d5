"""A made-up place: a list of solids, and the beams that meet them."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from flatten.scene.open3d_part import load_open3d
from flatten.scene.solids import Solid

Points = npt.NDArray[np.float64]

NOTHING = -1
"""Solid number of a beam that meets nothing."""


class Hits(NamedTuple):
    """Where N beams end first."""

    distances: Points
    """Along the beam, in lengths of its direction; inf where it meets nothing."""
    solids: npt.NDArray[np.int32]
    """Number of the solid; NOTHING where there is none."""
    cosines: Points
    """Cosine of the angle between beam and surface normal, 0 (grazing) to 1; 0 where nothing is met."""


class AllHits(NamedTuple):
    """Every crossing of beams and surfaces, in no order that means anything."""

    distances: Points
    """(M,) along the beam."""
    solids: npt.NDArray[np.int32]
    """(M,) number of the solid."""
    rays: npt.NDArray[np.int64]
    """(M,) number of the beam."""


class Raycaster:
    """Finds where beams end. Raises MissingPartError where Open3D does not load.

    Open3D, whose ray tracer works in float32, says which triangle a beam meets; where on the
    plane of that triangle is then computed in float64, so that coordinates do not depend on the
    processor. Only which of two triangles a beam meets that passes their edge within about
    1e-6 of its length may differ.
    """

    def __init__(self, solids: Iterable[Solid]) -> None:
        corners, self._owners = _gather(list(solids))
        self._anchors = corners[:, 0]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        self._normals = across / np.linalg.norm(across, axis=1, keepdims=True)
        core = load_open3d()
        self._tensor: Any = core.core.Tensor
        self._scene: Any = core.t.geometry.RaycastingScene()
        if len(corners):
            numbers = np.arange(3 * len(corners), dtype=np.uint32).reshape(-1, 3)
            vertices = corners.reshape(-1, 3).astype(np.float32)
            self._scene.add_triangles(self._tensor(vertices), self._tensor(numbers))

    def cast(self, origins: npt.ArrayLike, directions: Points) -> Hits:
        """First hits of beams from origins, (3,) or (N, 3) m, along directions (N, 3), float64."""
        start = np.broadcast_to(np.asarray(origins, np.float64), directions.shape)
        if not len(self._owners) or not len(directions):
            nothing = np.full(len(directions), NOTHING, np.int32)
            return Hits(np.full(len(directions), np.inf), nothing, np.zeros(len(directions)))
        rays = np.concatenate([start, directions], axis=1).astype(np.float32)
        found = self._scene.cast_rays(self._tensor(rays))
        rough = found["t_hit"].numpy().astype(np.float64)
        met = np.isfinite(rough)
        triangle = np.where(met, found["primitive_ids"].numpy(), 0).astype(np.int64)
        exact, cosines = self._on_plane(triangle, start, directions, rough)
        owners = np.where(met, self._owners[triangle], NOTHING).astype(np.int32)
        return Hits(np.where(met, exact, np.inf), owners, np.where(met, cosines, 0.0))

    def cast_all(self, origin: npt.ArrayLike, directions: Points) -> AllHits:
        """Every surface on beams from one origin (3,) m along directions (N, 3), not only the first."""
        if not len(self._owners) or not len(directions):
            return AllHits(np.empty(0), np.empty(0, np.int32), np.empty(0, np.int64))
        start = np.broadcast_to(np.asarray(origin, np.float64), directions.shape)
        rays = np.concatenate([start, directions], axis=1).astype(np.float32)
        found = self._scene.list_intersections(self._tensor(rays))
        beam, triangle = (found[key].numpy().astype(np.int64) for key in ("ray_ids", "primitive_ids"))
        rough = found["t_hit"].numpy().astype(np.float64)
        exact, _ = self._on_plane(triangle, start[beam], directions[beam], rough)
        return AllHits(exact, self._owners[triangle], beam)

    def _on_plane(
        self, triangle: npt.NDArray[np.int64], start: Points, directions: Points, rough: Points
    ) -> tuple[Points, Points]:
        """Cross beams with the planes of their triangles: distances and cosines, float64."""
        normals = self._normals[triangle]
        slant = np.einsum("ij,ij->i", normals, directions)
        height = np.einsum("ij,ij->i", normals, self._anchors[triangle] - start)
        # a beam in the plane of its triangle has no crossing to compute: keep what Open3D says
        exact = np.divide(height, slant, out=rough.copy(), where=np.abs(slant) > 1e-9)
        return exact, np.abs(slant) / np.linalg.norm(directions, axis=1)


class Covering(Protocol):
    """What lies on the ground and changes what beams bring back."""

    def lay(
        self, place: Place, hits: Hits, starts: Points, directions: Points, draws: Points
    ) -> tuple[Points, npt.NDArray[np.bool_]]:
        """Distances (N,) of the beams now, and which returns are ghosts."""


class Place:
    """A list of solids with different names; the number of a solid is its position in the list."""

    cover: Covering | None = None
    """What lies on its ground; only an `Outdoors` has any."""

    def __init__(self, solids: Iterable[Solid], name: str = "place") -> None:
        self.solids = tuple(solids)
        self.name = name
        self.numbers = {solid.name: number for number, solid in enumerate(self.solids)}
        if len(self.numbers) != len(self.solids):
            raise ValueError(f"{name}: every solid needs a name of its own")

    def number_of(self, name: str) -> int:
        """Find the number of the solid of that name, as labels give it; KeyError if there is none."""
        return self.numbers[name]

    def raycaster(self) -> Raycaster:
        """Build the ray caster, once a place (needs Open3D)."""
        return self._raycaster

    @functools.cached_property
    def _raycaster(self) -> Raycaster:
        return Raycaster(self.solids)


def _gather(solids: list[Solid]) -> tuple[Points, npt.NDArray[np.int32]]:
    """Corners (T, 3, 3) of all triangles that have an area, and the number of the solid each belongs to."""
    parts = [solid.mesh.vertices[solid.mesh.triangles] for solid in solids]
    corners = np.concatenate([np.empty((0, 3, 3)), *parts])
    owners = np.repeat(np.arange(len(parts), dtype=np.int32), [len(part) for part in parts])
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return corners[area > 0.0], owners[area > 0.0]
