"""Which returns are the robot's own: what stays put in the body frame while the surroundings change.

Clouds between which the surroundings hardly change count as one place, so that a robot that waits does not
make what stands beside it its own. A voxel is the robot's if it was hit in most of the places that
looked there, in every part of the recording. From a robot that never moved only the declared hull tells.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.profile import Profile
from flatten.tuning.near import Look, Mask, Numbers, Places, Space, changed, look, pose_of, space_about

NEW_PLACE = 0.25
"""Share of the surroundings that must look different for a new place."""
FEWEST_PLACES = 4
"""Places from which on the robot counts as having moved."""
MOST_OFTEN = 0.5
"""Share of the places that looked at a voxel in which the robot's own is hit."""
AT_RIM = 0.15
"""The same for voxels beside these: the rims of parts, and what noise carries out of them."""
SPANS = 4
"""Parts of the recording, in each of which the robot's own must be hit."""
A_LITTLE = 0.05
"""Metres by which the declared hull may be too small, where the robot did not move."""
JOINED = 2
"""Voxels from one to the next of what is joined."""
SEEN = 8
"""Returns of one cloud, close together, that make something that moves: split beams leave fewer."""
CLOSE = 2.9
"""Voxels from one of them to the next: one voxel may be missed between two."""
TOUCH = 3
"""Voxels from the robot's own within which a moving part begins."""
APART = 4.0
"""Voxels between pieces, of all clouds, that count as one moving part."""
OFTEN = 0.2
"""Share of the clouds in which a moving part is seen; at least three."""
NO_FLOOR = 0.3
"""Returns where the mount has the floor, by those in the fullest band of heights: fewer are no floor."""


class Part(NamedTuple):
    """Something at the robot that moves against it."""

    low: Numbers
    """(3,) corners of all that it was seen to sweep, body frame."""
    high: Numbers
    clouds: int
    """In how many clouds it was seen."""
    returns: Numbers
    """(N, 3) its returns, body frame."""


class Own(NamedTuple):
    """What was found."""

    moved: bool
    """Whether the surroundings changed enough."""
    places: int
    """Different places that the clouds were taken at, as far as the surroundings tell."""
    clouds: int
    space: Space
    own: Mask
    """(voxels,) the robot's own."""
    low: Numbers
    """(own voxels, 3) corners of the returns in each own voxel, in the order of the voxels."""
    high: Numbers
    returns: Numbers
    """(N, 3) own returns of all clouds, body frame."""
    others: Numbers
    """(N, 3) returns of all clouds in the space that are neither own nor of a moving part."""
    parts: tuple[Part, ...]
    good: int
    """Good returns in all clouds."""
    floorless: tuple[str, ...] = ()
    """Clouds that have no floor where the profile's mount has it."""
    passing: int = 0
    """Returns that stay put and yet reach out of the space to a side: a wall alongside, and not the robot."""

    @property
    def beyond(self) -> int:
        """Own returns beyond the declared hull and a little."""
        return int((~self.space.in_hull(self.returns, A_LITTLE)).sum())


class Watch:
    """Looks at clouds one after the other, then tells what is the robot's own.

    Parameters
    ----------
    profile:
        Mount and declared hull.
    reach:
        Metres beyond the hull in which own parts are looked for.
    moved:
        Whether the robot moved, where it is known; None to tell it by the surroundings.

    """

    def __init__(self, profile: Profile, reach: float, moved: bool | None = None) -> None:
        self.space = space_about(profile, reach)
        self._moved = moved
        self._body_from_sensor = pose_of(profile.mount)
        self._looks: list[Look] = []
        self._hits: list[Mask] = []
        self._passed: list[Mask] = []
        self._place: Numbers | None = None

    def look(self, cloud: Cloud, name: str = "") -> None:
        """Take a cloud; TuningError for one in millimetres or with hardly any returns."""
        seen = look(cloud, name or cloud.name, self.space, self._body_from_sensor)
        self._looks.append(seen._replace(passed=np.empty(0, bool)))
        if self._is_new(seen.surroundings):
            self._place = seen.surroundings
            self._hits.append(np.zeros(self.space.size, bool))
            self._passed.append(np.zeros(self.space.size, bool))
        self._hits[-1][seen.voxels] = True
        self._passed[-1] |= seen.passed

    def _is_new(self, surroundings: Numbers) -> bool:
        """Tell whether a cloud is from another place; where nothing stands about, what is known decides."""
        if self._place is None:
            return True
        share = changed(self._place, surroundings)
        return bool(self._moved) if math.isnan(share) else share > NEW_PLACE

    def find(self) -> Own:
        """Tell what is the robot's own; TuningError where the clouds do not fit the profile's mount."""
        if not self._looks:
            raise TuningError("no clouds given")
        lacking = [seen.name for seen in self._looks if seen.floor < NO_FLOOR]
        if 2 * len(lacking) >= len(self._looks):
            raise TuningError(
                f"{lacking[0]}: no floor where the profile's mount has it (so in {len(lacking)} of "
                f"{len(self._looks)} clouds): is it the profile of this sensor? `flatten mount` tells how "
                "it sits"
            )
        moved = len(self._hits) >= FEWEST_PLACES and self._moved is not False
        staying = self._while_moving() if moved else self._standing()
        outside = reaching_out(staying, self.space)
        own = staying & ~outside
        parts = tuple(moving_parts(self._looks, own, outside, self.space)) if moved else ()
        passing = sum(int(outside[seen.voxels].sum()) for seen in self._looks)
        return self._gathered(own, moved, parts)._replace(passing=passing, floorless=tuple(lacking))

    def _while_moving(self) -> Mask:
        hits, passed = np.stack(self._hits), np.stack(self._passed)
        count, looked = hits.sum(axis=0), (hits | passed).sum(axis=0)
        own = count >= np.maximum(3, MOST_OFTEN * looked)
        for span in np.array_split(np.arange(len(hits)), max(1, min(SPANS, len(hits) // 3))):
            own &= hits[span].any(axis=0)
        rim = (count >= 2) & (count >= AT_RIM * looked)
        return np.asarray(own | (rim & widened(own, self.space)))

    def _standing(self) -> Mask:
        """What most clouds hit in the declared hull and a little around it, and what is joined to that."""
        count = np.zeros(self.space.size, np.int64)
        held = np.zeros(self.space.size, bool)
        for seen in self._looks:
            count[np.unique(seen.voxels)] += 1
            held[seen.voxels[self.space.in_hull(seen.near, A_LITTLE)]] = True
        often = count >= max(1.0, MOST_OFTEN * len(self._looks))
        rim = count >= max(1.0, AT_RIM * len(self._looks))
        own = spread(often & held, often, self.space, JOINED)
        return np.asarray(own | (rim & widened(own, self.space)))

    def _gathered(self, own: Mask, moved: bool, parts: tuple[Part, ...]) -> Own:
        near = np.concatenate([seen.near for seen in self._looks])
        voxels = np.concatenate([seen.voxels for seen in self._looks])
        mine = own[voxels]
        low, high = corners(near[mine], voxels[mine], own)
        moving = np.zeros(len(near), bool)
        for part in parts:
            moving |= ((near >= part.low) & (near <= part.high)).all(axis=1)
        return Own(
            moved, len(self._hits), len(self._looks), self.space, own, low, high, near[mine],
            near[~mine & ~moving], parts, sum(seen.returns for seen in self._looks),
        )  # fmt: skip


def reaching_out(own: Mask, space: Space) -> Mask:
    """Find what lies beyond the hull and goes on to a side of the space: it does not end with the robot."""
    sides = np.zeros(space.shape, bool)
    sides[0], sides[-1], sides[:, 0], sides[:, -1] = True, True, True, True
    beyond = own & ~space.in_hull(space.centres(np.arange(space.size)), A_LITTLE)
    return spread(beyond & sides.reshape(-1), beyond, space, 1)


def spread(start: Mask, over: Mask, space: Space, by: int) -> Mask:
    """Grow a set of voxels over those of another that lie at most so many voxels apart, as far as it goes."""
    found = start
    for _ in range(sum(space.shape)):
        more = found | (over & widened(found, space, by))
        if np.array_equal(more, found):
            break
        found = more
    return np.asarray(found)


def widened(mask: Mask, space: Space, by: int = 1) -> Mask:
    """Grow a set of voxels by so many voxels to all sides."""
    grid = np.pad(mask.reshape(space.shape), by)
    for axis in range(3):
        grid = np.logical_or.reduce([np.roll(grid, k, axis) for k in range(-by, by + 1)])
    inner = (slice(by, -by),) * 3
    return np.ascontiguousarray(grid[inner]).reshape(-1)


def corners(points: Numbers, voxels: Places, own: Mask) -> tuple[Numbers, Numbers]:
    """Corners (K, 3) of the points in each voxel of a set, in the order of its K voxels."""
    number = np.full(own.size, -1)
    number[own] = np.arange(int(own.sum()))
    low = np.full((int(own.sum()), 3), np.inf)
    high = -low
    np.minimum.at(low, number[voxels], points)
    np.maximum.at(high, number[voxels], points)
    return low, high


def moving_parts(looks: list[Look], own: Mask, outside: Mask, space: Space) -> list[Part]:
    """Find what is close to the robot's own in many clouds and somewhere else in each.

    `outside` stays put as well, and is neither.
    """
    beside, rim = widened(own, space, TOUCH), widened(own | outside, space)
    hull = space.in_hull(space.centres(np.arange(space.size)))
    swept = np.zeros(space.size, bool)
    for seen in looks:
        count = np.bincount(seen.voxels, minlength=space.size)
        there = np.flatnonzero((count > 0) & ~rim)
        if len(there) == 0:
            continue
        label = grouped(there, space, CLOSE)
        enough = np.bincount(label, count[there]) >= SEEN
        touching = np.bincount(label, (beside | hull)[there]) > 0
        swept[there[(enough & touching)[label]]] = True
    there = np.flatnonzero(swept)
    label = grouped(there, space, APART)
    parts = [_part(looks, there[label == k], space) for k in range(int(label.max(initial=-1)) + 1)]
    return [part for part in parts if part.clouds >= max(3, math.ceil(OFTEN * len(looks)))]


def _part(looks: list[Look], voxels: Places, space: Space) -> Part:
    mask = np.zeros(space.size, bool)
    mask[voxels] = True
    held = [seen.near[mask[seen.voxels]] for seen in looks]
    points = np.concatenate(held)
    return Part(points.min(axis=0), points.max(axis=0), sum(len(part) >= SEEN for part in held), points)


def grouped(voxels: Places, space: Space, by: float = 1.8) -> Places:
    """Number the groups of voxels, (K,) from 0 on: by Open3D's DBSCAN, with `by` voxels from one to the next.

    With 1.8 voxels belong together that touch by face, edge or corner (1, √2 and √3 apart).
    """
    if len(voxels) == 0:
        return np.empty(0, np.int64)
    from flatten.scene.open3d_part import load_open3d  # noqa: PLC0415 - a desk library

    o3d = load_open3d("telling parts that move needs")
    cloud: Any = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(space.centres(voxels)))
    return np.asarray(cloud.cluster_dbscan(by * space.voxel, 1), np.int64)
