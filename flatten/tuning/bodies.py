"""A few simple bodies around what belongs to the robot.

One box around everything is cut in two where that saves the most volume, then the two are, and so on, until
nothing worth a body is saved: the greedy way to build trees of bounding volumes. What volume is left is where
something else could hide. At last each box becomes a cylinder or a sector where these are smaller.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from flatten.profile import BlindZone, Box, Cylinder, Mount, Sector
from flatten.tuning.near import Mask, Numbers

MOST_BODIES = 8
WORTH = 0.02
"""Share of the declared hull's volume that one more body must save."""
LEAST_WORTH = 0.002
"""Cubic metres: the same for small robots."""
ROUNDER = 0.85
"""A cylinder or a sector is taken where it has less than this share of the box's volume."""
WIDEST = 150.0
"""Degrees that a sector may be wide: beyond that a box or several are plainer."""
FLAT, TALL = 0.5, 3.0
"""Shares and times by which bodies are called hull and post."""


class Body(NamedTuple):
    """One proposed zone."""

    zone: BlindZone
    returns: int
    """Own returns inside it, of all clouds."""
    volume: float
    """Cubic metres."""


def split(low: Numbers, high: Numbers, margin: float, worth: float) -> list[Mask]:
    """Group pieces with corners low and high (K, 3) into few boxes; (K,) which belong to each.

    `worth` is the volume, m³, that one more box must save; boxes are counted with `margin` m around.
    """
    groups = [np.ones(len(low), bool)] if len(low) else []
    while groups and len(groups) < MOST_BODIES:
        cuts = [best_cut(low, high, group, margin) for group in groups]
        k = int(np.argmax([gain for gain, _ in cuts]))
        gain, first = cuts[k]
        if gain < worth:
            break
        groups[k : k + 1] = [first, groups[k] & ~first]
    return joined(low, high, groups, margin, worth)


def best_cut(low: Numbers, high: Numbers, group: Mask, margin: float) -> tuple[float, Mask]:
    """Where one plane across an axis saves the most: the volume saved, and (K,) the pieces below it."""
    members = np.flatnonzero(group)
    whole = volume(low[members].min(axis=0), high[members].max(axis=0), margin)
    best, first = 0.0, np.zeros(len(low), bool)
    for axis in range(3):
        order = members[np.argsort(low[members, axis] + high[members, axis], kind="stable")]
        before = volume(
            np.minimum.accumulate(low[order]), np.maximum.accumulate(high[order]), margin
        )  # of the first 1, 2, … pieces
        back = order[::-1]
        after = volume(np.minimum.accumulate(low[back]), np.maximum.accumulate(high[back]), margin)[::-1]
        saved = whole - before[:-1] - after[1:]
        if len(saved) and saved.max() > best:
            k = int(np.argmax(saved))
            best, first = float(saved[k]), np.zeros(len(low), bool)
            first[order[: k + 1]] = True
    return best, first


def joined(low: Numbers, high: Numbers, groups: list[Mask], margin: float, worth: float) -> list[Mask]:
    """Put two groups together again as long as that costs less than a body is worth."""
    groups = list(groups)
    while len(groups) > 1:
        boxes = [(low[group].min(axis=0), high[group].max(axis=0)) for group in groups]
        costs = [(_joint(boxes[i], boxes[j], margin), i, j) for j in range(len(groups)) for i in range(j)]
        cost, i, j = min(costs)
        if cost >= worth:
            break
        groups[i] = groups[i] | groups.pop(j)
    return groups


def _joint(one: tuple[Numbers, Numbers], other: tuple[Numbers, Numbers], margin: float) -> float:
    both = volume(np.minimum(one[0], other[0]), np.maximum(one[1], other[1]), margin)
    return float(both - volume(*one, margin) - volume(*other, margin))


def volume(low: Numbers, high: Numbers, margin: float) -> Any:
    """Volume of boxes (…, 3) with a margin, m³."""
    return np.prod(high - low + 2.0 * margin, axis=-1)


def bodies(
    points: Numbers, low: Numbers, high: Numbers, mount: Mount, hull: tuple[float, float, float],
    margin: float, taken: Sequence[str] = (),
) -> list[Body]:  # fmt: skip
    """Put zones around own returns.

    Parameters
    ----------
    points:
        (N, 3) own returns, body frame, metres.
    low, high:
        (K, 3) corners of the returns of each own voxel.
    mount:
        Mount of the profile: sectors begin at its x and y.
    hull:
        Length, width and height of the declared hull.
    margin:
        Metres left around the returns.
    taken:
        Names that are not free.

    """
    worth = max(LEAST_WORTH, WORTH * math.prod(hull))
    made: list[Body] = []
    names = set(taken)
    groups = split(low, high, margin, worth)
    groups.sort(key=lambda group: -volume(low[group].min(axis=0), high[group].max(axis=0), margin))
    for group in groups:
        first, last = low[group].min(axis=0), high[group].max(axis=0)
        held = points[((points >= first) & (points <= last)).all(axis=1)]
        zone = around(held, mount, margin, free_name(called(first, last, hull), names))
        names.add(zone.name)
        made.append(Body(zone, int(contains(zone, points, mount).sum()), zone_volume(zone)))
    return made


def called(low: Numbers, high: Numbers, hull: tuple[float, float, float]) -> str:
    """A plain name by its shape: hull, post or part."""
    length, width, height = (float(side) for side in high - low)
    if length > FLAT * hull[0] and width > FLAT * hull[1]:
        return "hull"
    return "post" if height > TALL * max(length, width) else "part"


def free_name(name: str, taken: set[str]) -> str:
    """The name, or the name with the first number that nobody has."""
    return next(
        word for k in range(1, len(taken) + 2) if (word := name if k == 1 else f"{name} {k}") not in taken
    )


def around(points: Numbers, mount: Mount, margin: float, name: str) -> BlindZone:
    """The smallest of box, cylinder and sector around points (N, 3), rounded outward to centimetres."""
    z = down(points[:, 2].min() - margin), up(points[:, 2].max() + margin)
    z = max(z[0], 0.0), z[1]
    low, high = points[:, :2].min(axis=0) - margin, points[:, :2].max(axis=0) + margin
    box = Box(x=(down(low[0]), up(high[0])), y=(down(low[1]), up(high[1])), z=z)
    best = BlindZone(name=name, box=box)
    others = [BlindZone(name=name, cylinder=cylinder_about(points, margin, z))]
    sector = sector_about(points, mount, margin, z)
    if sector is not None:
        others.append(BlindZone(name=name, sector=sector))
    for zone in others:
        if zone_volume(zone) < ROUNDER * zone_volume(best):
            best = zone
    return best


def cylinder_about(points: Numbers, margin: float, z: tuple[float, float]) -> Cylinder:
    """An upright cylinder around points: about the middle of their box, or their mean if that is less."""
    flat = points[:, :2]
    centres = (0.5 * (flat.min(axis=0) + flat.max(axis=0)), flat.mean(axis=0))
    centres = tuple(np.round(centre, 2) + 0.0 for centre in centres)
    radii = [float(np.linalg.norm(flat - centre, axis=1).max()) for centre in centres]
    k = int(np.argmin(radii))
    x, y = (float(part) for part in centres[k])
    return Cylinder(x=x, y=y, radius=up(radii[k] + margin), z=z)


def sector_about(points: Numbers, mount: Mount, margin: float, z: tuple[float, float]) -> Sector | None:
    """A piece of pie about the fan's origin around points; None where it would be wide."""
    way = points[:, :2] - np.array([mount.x, mount.y])
    away = np.linalg.norm(way, axis=1)
    near, far = float(away.min()), float(away.max())
    if near <= margin:
        return None
    bearings = np.sort(np.degrees(np.arctan2(way[:, 1], way[:, 0])))
    gaps = np.diff(bearings, append=bearings[0] + 360.0)
    k = int(np.argmax(gaps))
    more = math.degrees(math.asin(min(1.0, margin / near)))
    first = math.floor(bearings[(k + 1) % len(bearings)] - more)
    width = math.ceil(360.0 - float(gaps[k]) + 2.0 * more) + 1
    if width > WIDEST:
        return None
    last = math.remainder(first + width, 360.0)
    inner = max(0.0, down(near - margin))
    return Sector(first=math.remainder(first, 360.0), last=last, near=inner, far=up(far + margin), z=z)


def down(value: float) -> float:
    """The next centimetre below."""
    return math.floor(round(float(value) * 100.0, 6)) / 100.0


def up(value: float) -> float:
    """The next centimetre above."""
    return math.ceil(round(float(value) * 100.0, 6)) / 100.0


def zone_volume(zone: BlindZone) -> float:
    """Volume of a zone with bounded heights, m³."""
    shape: Any = zone.shape
    height = shape.z[1] - shape.z[0]
    if isinstance(shape, Cylinder):
        return float(math.pi * shape.radius**2 * height)
    if isinstance(shape, Sector):
        return float(math.radians(shape.width) / 2.0 * (shape.far**2 - shape.near**2) * height)
    return float((shape.x[1] - shape.x[0]) * (shape.y[1] - shape.y[0]) * height)


def contains(zone: BlindZone, points: Numbers, mount: Mount) -> Mask:
    """Tell which points (N, 3) of the body frame lie in a zone, borders included."""
    shape: Any = zone.shape
    x, y, height = points.T
    inside = (
        np.ones(len(points), bool) if shape.z is None else (height >= shape.z[0]) & (height <= shape.z[1])
    )
    if isinstance(shape, Cylinder):
        return np.asarray(inside & (np.hypot(x - shape.x, y - shape.y) <= shape.radius))
    if isinstance(shape, Sector):
        px, py = x - mount.x, y - mount.y
        away = np.hypot(px, py)
        turn = np.mod(np.degrees(np.arctan2(py, px)) - shape.first, 360.0)
        return np.asarray(inside & (away >= shape.near) & (away <= shape.far) & (turn <= shape.width))
    inside &= (x >= shape.x[0]) & (x <= shape.x[1]) & (y >= shape.y[0]) & (y <= shape.y[1])
    return np.asarray(inside)
