"""What a perfect planar scan of a place would say, bin by bin.

Level beams leave the fan's origin at many bearings and heights. The bearings are an even
division of every bin, both edges included, and those at which a solid begins, ends or is nearest;
the heights are even steps through the slice, and the edges and middles of the solids. So bodies
with vertical sides are exact (up to a hair, `HAIR`); round and sloping ones are exact at the
height of their edges and middles, and otherwise as fine as the steps. A floor is no obstacle:
keep `bottom` above its roughness.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.scene.layout import Fan, Mount, Pose, Slice, world_from_scan
from flatten.scene.place import NOTHING, Place
from flatten.scene.solids import Cylinder, Floor, Shape

Values = npt.NDArray[np.float64]

HAIR = 2e-5
"""Metres: how far beside an edge a beam must pass for float32 to know on which side."""
FEW_CORNERS = 8
"""A mesh of more corners than this is watched at its rims and nearest corner only."""


@dataclass(frozen=True, eq=False)
class SliceTruth:
    """True surfaces of one slice in each bin: arrays (bins,), metres from the fan's origin, inf for none."""

    nearest: Values
    """Nearest surface of the slice at any bearing of the bin: no honest scan says less."""
    farthest_of_nearest: Values
    """Farthest, over the bearings of the bin that meet the slice, of the nearest surface at that bearing."""
    farthest: Values
    """Last surface of the slice at any bearing of the bin, hidden or not: no honest scan says more."""
    filled: npt.NDArray[np.bool_]
    """Whether the slice holds something at every bearing of the bin."""


def truth(
    place: Place,
    body_pose: tuple[float, float, float],
    mount: tuple[float, float, float, float, float, float],
    slice_: Any,
    fan: tuple[float, float, int] = Fan(),
    *,
    attitude: tuple[float, float] = (0.0, 0.0),
    level: str = "gravity",
    far: float = 100.0,
    parts: int = 4,
    heights: int = 24,
) -> SliceTruth:
    """Find the true surfaces of a slice, seen from (mount.x, mount.y, 0) of the level frame.

    body_pose is (x, y, yaw) in the world, mount (x, y, z, roll, pitch, yaw) in the body; slice_ is
    (bottom, top[, rise]) or has these attributes; fan is (first, last, bins). Metres and radians.
    Nothing beyond `far` is looked for; `parts` divides a bin, `heights` the slice. The attitude
    (roll, pitch) matters with level "body" only, where the slices ride with the chassis.

    Raises ValueError for a slice without height and MissingPartError where Open3D does not load.
    """
    band, cut = Slice.of(slice_), Fan(*fan)
    world = world_from_scan(Pose(*body_pose), Mount(*mount), attitude, level)
    seen = _seen_from(place, world)
    bearings, bins = _bearings(cut, parts, seen)
    levels = _heights(band, heights, seen)
    first = np.full(len(bearings), np.inf)
    last = np.full(len(bearings), -np.inf)
    for height in levels:
        end = far if band.rise == 0.0 else min(far, (height - band.bottom) / band.rise)
        forth, back = _cast_both_ways(place, world, bearings, height, end)
        np.minimum(first, forth, out=first)
        np.maximum(last, back, out=last)
    return _by_bin(first, last, bins, cut.bins)


def objects_in_bins(
    place: Place,
    body_pose: tuple[float, float, float],
    mount: tuple[float, float, float, float, float, float],
    fan: tuple[float, float, int] = Fan(),
    *,
    bottom: float = 0.0,
    top: float = 0.4,
    far: float = 100.0,
    parts: int = 4,
    heights: int = 5,
) -> ObjectTruth:
    """Find for every solid and bin how near and how far it begins, and whether it fills the bin.

    A solid fills a bin if every beam between heights bottom and top and at every bearing of the
    bin, both edges included, would meet it were it alone. Arguments otherwise as for `truth`.
    """
    cut = Fan(*fan)
    world = world_from_scan(Pose(*body_pose), Mount(*mount), (0.0, 0.0), "gravity")
    bearings = cut.bearings(parts)
    shape = (len(place.solids), len(bearings))
    near, far_side = np.full(shape, np.inf), np.zeros(shape)
    for height in np.linspace(bottom + HAIR, top - HAIR, heights):
        met = _first_of_each(place, world, bearings, height, far)
        np.minimum(near, met, out=near)
        np.maximum(far_side, met, out=far_side)
    columns = np.arange(cut.bins)[:, None] * parts + np.arange(parts + 1)
    nearest, farthest = near[:, columns].min(axis=2), far_side[:, columns].max(axis=2)
    return ObjectTruth(tuple(solid.name for solid in place.solids), nearest, farthest, np.isfinite(farthest))


@dataclass(frozen=True, eq=False)
class ObjectTruth:
    """Every solid by itself, as if it stood alone: arrays (solids, bins), metres, inf for none."""

    names: tuple[str, ...]
    nearest: Values
    """Nearest point in the bin."""
    farthest: Values
    """Farthest of the nearest points over bearings and heights; inf where it does not fill the bin."""
    fills: npt.NDArray[np.bool_]
    """Whether it is met at every bearing and height of the bin."""


class Seen(NamedTuple):
    """A solid in scan coordinates."""

    corners: Values
    triangles: npt.NDArray[np.int64]
    low: float
    high: float
    sharp: bool
    """Whether its lowest and highest z are edges: so for all but free shapes."""
    level_axis: bool
    """Whether it is a lying bar, nearest at the height of its axis."""


def _seen_from(place: Place, world: Values) -> list[Seen]:
    """All solids but floors, in scan coordinates."""
    seen = []
    for solid in place.solids:
        if isinstance(solid, Floor):
            continue
        corners = (solid.mesh.vertices - world[:3, 3]) @ world[:3, :3]
        low, high = float(corners[:, 2].min()), float(corners[:, 2].max())
        lying = isinstance(solid, Cylinder) and abs(solid.start[2] - solid.end[2]) < solid.radius
        seen.append(Seen(corners, solid.mesh.triangles, low, high, not isinstance(solid, Shape), lying))
    return seen


def _heights(band: Slice, steps: int, seen: list[Seen]) -> Values:
    """Heights of the beams: even steps, one in every band between two edges, level axes.

    Where the bottom rises, also just below every upper edge: what stays in the slice longest.
    """
    low, high = band.bottom + 1e-6, band.top - HAIR
    edges = {round(float(z), 5) for one in seen if one.sharp for z in (one.low, one.high)}
    inside = np.array([low, *sorted(z for z in edges if low < z < high), high])
    even = np.linspace(low, high, steps)
    empty = np.searchsorted(even, inside[1:]) == np.searchsorted(even, inside[:-1], side="right")
    between = 0.5 * (inside[1:] + inside[:-1])[empty]
    axes = [0.5 * (one.low + one.high) for one in seen if one.level_axis]
    tops = [one.high - HAIR for one in seen] if band.rise else []
    wanted = np.unique(np.concatenate([even, between, axes, tops]).round(6))
    return wanted[(wanted >= low) & (wanted <= high)]


def _bearings(cut: Fan, parts: int, seen: list[Seen]) -> tuple[Values, npt.NDArray[np.int64]]:
    """Bearings of the beams and the bin of each, outer edges of a bin listed for both neighbours."""
    even = cut.bearings(parts)
    columns = (np.arange(cut.bins)[:, None] * parts + np.arange(parts + 1)).reshape(-1)
    special = np.concatenate([np.empty(0), *(_special(one.corners, one.triangles) for one in seen)])
    number = cut.bin_of(special)
    bearings = np.concatenate([even[columns], special[number >= 0]])
    bins = np.concatenate([np.repeat(np.arange(cut.bins), parts + 1), number[number >= 0]])
    return bearings, bins


def _special(corners: Values, triangles: npt.NDArray[np.int64]) -> Values:
    """Bearings at which a solid begins, ends, or is nearest."""
    flat = corners[:, :2]
    distance = np.hypot(flat[:, 0], flat[:, 1])
    if distance.min() < 1e-6:
        return np.empty(0)
    bearing = np.arctan2(flat[:, 1], flat[:, 0])
    if len(corners) > FEW_CORNERS:
        middle = math.atan2(*flat.mean(axis=0)[::-1])
        turned = np.mod(bearing - middle + math.pi, 2.0 * math.pi)
        keep = np.array([turned.argmin(), turned.argmax(), distance.argmin()])
        bearing, distance = bearing[keep], distance[keep]
        return np.concatenate([bearing, bearing - HAIR / distance, bearing + HAIR / distance])
    a, b = flat[triangles].reshape(-1, 2), flat[np.roll(triangles, -1, axis=1)].reshape(-1, 2)
    along = b - a
    length = np.einsum("ij,ij->i", along, along)
    part = -np.einsum("ij,ij->i", a, along) / np.where(length > 0.0, length, 1.0)
    feet = (a + part[:, None] * along)[(part > 0.0) & (part < 1.0) & (length > 0.0)]
    hairs = [bearing + side * HAIR / distance for side in (-1.0, 1.0)]
    return np.unique(np.concatenate([np.arctan2(feet[:, 1], feet[:, 0]), *hairs]).round(9))


def _cast_both_ways(
    place: Place, world: Values, bearings: Values, height: float, end: float
) -> tuple[Values, Values]:
    """First and last surface up to `end` along each bearing; inf and −inf where there is none."""
    rotate, origin = world[:3, :3], world[:3, 3] + world[:3, 2] * height
    flat = np.stack([np.cos(bearings), np.sin(bearings), np.zeros(len(bearings))], axis=1) @ rotate.T
    forth = place.raycaster().cast(origin, flat).distances
    forth = np.where(forth <= end, forth, np.inf)
    back = np.full(len(bearings), -np.inf)
    met = np.isfinite(forth)
    # the last surface is the first one that is met on the way back
    back[met] = end - place.raycaster().cast(origin + end * flat[met], -flat[met]).distances
    return forth, np.where(met, np.maximum(back, np.where(met, forth, 0.0)), -np.inf)


def _by_bin(first: Values, last: Values, bins: npt.NDArray[np.int64], count: int) -> SliceTruth:
    nearest, farthest, last_of = np.full(count, np.inf), np.full(count, -np.inf), np.full(count, -np.inf)
    filled = np.ones(count, bool)
    met = np.isfinite(first)
    np.minimum.at(nearest, bins, first)
    np.maximum.at(farthest, bins[met], first[met])
    np.maximum.at(last_of, bins, last)
    np.logical_and.at(filled, bins, met)
    none = ~np.isfinite(nearest)
    return SliceTruth(nearest, np.where(none, np.inf, farthest), np.where(none, np.inf, last_of), filled)


def _first_of_each(place: Place, world: Values, bearings: Values, height: float, far: float) -> Values:
    """First hit of every solid alone along each bearing: (solids, bearings), inf where there is none."""
    origin = world[:3, 3] + world[:3, 2] * height
    flat = np.stack([np.cos(bearings), np.sin(bearings), np.zeros(len(bearings))], axis=1) @ world[:3, :3].T
    first = np.full((len(place.solids), len(bearings)), np.inf)
    hits = place.raycaster().cast_all(origin, flat)
    near = (hits.solids != NOTHING) & (hits.distances <= far)
    np.minimum.at(first, (hits.solids[near], hits.rays[near]), hits.distances[near])
    return first
