"""What lies on rough ground and changes what a beam brings back: gravel, wet patches, grass.

Gravel lifts or sinks a return *along its beam* until it is as high above the ground's plane as the
stones are there; a wet patch mirrors beams; tufts of grass are solids of thin blades.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.scene import meshes
from flatten.scene.ground import Ground
from flatten.scene.meshes import Points
from flatten.scene.place import Hits, Place
from flatten.scene.solids import Shape

Values = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

GRAZING = 0.5
"""Metres: gravel moves no return farther than this along its beam."""


@dataclass(frozen=True)
class Wet:
    """Round patch of wet ground: centre x, y and radius in metres, share of the beams it mirrors."""

    x: float
    y: float
    radius: float
    share: float = 0.5


@dataclass(frozen=True, eq=False)
class Cover:
    """What lies on a ground. Solid number `number` of the place is that ground."""

    ground: Ground
    number: int = 0
    gravel: float = 0.0
    """Stones lie within ± this height, metres."""
    stone: float = 0.03
    """Width of a stone, metres."""
    wet: tuple[Wet, ...] = ()
    seed: int = 0

    def stones(self, x: Values, y: Values) -> Values:
        """Height of the stones over the plane at (x, y), metres: even within ± gravel, always the same."""
        cells = [np.floor(part / self.stone).astype(np.int64).astype(np.uint64) for part in (x, y)]
        mixed = cells[0] * np.uint64(0x9E3779B97F4A7C15) + cells[1] * np.uint64(0xC2B2AE3D27D4EB4F)
        mixed += np.uint64(self.seed % 2**32)
        for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
            mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(factor)
        even = (mixed >> np.uint64(11)).astype(np.float64) * 2.0**-53
        return np.asarray(self.gravel * (2.0 * even - 1.0))

    def mirrored(self, x: Values, y: Values, draws: Values) -> Mask:
        """Say which beams that end at (x, y) are mirrored, by a draw in [0, 1) for each."""
        found = np.zeros(len(x), bool)
        for patch in self.wet:
            found |= (np.hypot(x - patch.x, y - patch.y) <= patch.radius) & (draws < patch.share)
        return found

    def lay(
        self, place: Place, hits: Hits, starts: Points, directions: Points, draws: Values
    ) -> tuple[Values, Mask]:
        """Find distances (N,) of beams with all this on the ground, and which are ghosts.

        Beams leave from `starts`, (3,) or (N, 3), along unit `directions` (N, 3), world frame, metres;
        inf where a mirrored beam ends nowhere.
        """
        distances, ghosts = hits.distances.copy(), np.zeros(len(directions), bool)
        on = np.flatnonzero(
            (hits.solids == self.number) & np.isfinite(distances) & (directions[:, 2] < -1e-6)
        )
        start = np.broadcast_to(starts, directions.shape)[on]
        along, reach = directions[on], hits.distances[on]
        where = start + reach[:, None] * along
        slope = self.ground.slope(where[:, 0], where[:, 1])
        if self.gravel > 0.0:
            # how fast the beam comes nearer to the plane, in height: never so flat that it would not
            closing = np.maximum(slope[:, 0] * along[:, 0] + slope[:, 1] * along[:, 1] - along[:, 2], 1e-6)
            shift = np.clip(self.stones(where[:, 0], where[:, 1]) / closing, -GRAZING, GRAZING)
            shifted = start + (reach - np.minimum(shift, 0.5 * reach))[:, None] * along
            off = shifted[:, 2] - self.ground.height(shifted[:, 0], shifted[:, 1])
            # where that would lead past an edge or a bend there is no stone
            stays = np.abs(off) <= self.gravel
            distances[on[stays]] = np.linalg.norm(shifted - start, axis=1)[stays]
        wet = self.mirrored(where[:, 0], where[:, 1], draws[on])
        if wet.any():
            normal = np.column_stack([-slope[wet], np.ones(int(wet.sum()))])
            normal /= np.linalg.norm(normal, axis=1, keepdims=True)
            back = along[wet] - 2.0 * np.einsum("ij,ij->i", along[wet], normal)[:, None] * normal
            beyond = place.raycaster().cast(where[wet] + 1e-4 * normal, back).distances
            distances[on[wet]] = reach[wet] + beyond
            ghosts[on[wet]] = np.isfinite(beyond)
        return distances, ghosts


def grass(
    name: str, ground: Ground, x: float, y: float, radius: float, *, tufts: int = 30, seed: int = 0
) -> Shape:
    """Round patch of tufts: blades 4 to 8 mm wide and 80 to 150 mm tall that stand on the ground and lean.

    The sizes are common practice, no source.
    """
    rng = np.random.default_rng([80, seed])
    blades = 12
    count = tufts * blades
    angle, reach = rng.uniform(0.0, 2.0 * math.pi, tufts), radius * np.sqrt(rng.uniform(0.0, 1.0, tufts))
    middle = np.repeat(np.stack([x + reach * np.cos(angle), y + reach * np.sin(angle)], 1), blades, axis=0)
    foot = middle + rng.normal(0.0, 0.03, (count, 2))
    tall, wide, facing = (
        rng.uniform(0.08, 0.15, count),
        rng.uniform(0.004, 0.008, count),
        rng.uniform(0, 6.3, count),
    )
    side = 0.5 * wide[:, None] * np.stack([np.cos(facing), np.sin(facing)], axis=1)
    tip = foot + rng.normal(0.0, 0.02, (count, 2))
    z = ground.height(foot[:, 0], foot[:, 1])
    flat = np.stack([foot - side, foot + side, tip + side, tip - side], axis=1)
    rises = np.stack([z, z, z + tall, z + tall], axis=1)
    # none leans out over an edge
    whole = np.ptp(ground.height(flat[..., 0], flat[..., 1]), axis=1) < 0.05
    surface = meshes.quads(np.concatenate([flat, rises[..., None]], axis=2)[whole])
    return Shape(name=name, surface=surface, reflectance=0.3)
