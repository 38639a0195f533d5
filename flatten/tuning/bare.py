"""Own returns that no blind zone holds: what was bolted on, or has moved out of its zone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from flatten.profile import BlindZone, Mount, Profile
from flatten.tuning.bodies import contains
from flatten.tuning.near import Mask, Numbers, pose_of
from flatten.tuning.own import Own, grouped

FEWEST = 12
"""Returns of all clouds that make a part worth a line; fewer are told as a sum."""
APART = 2.9
"""Voxels from one of its returns to the next."""


class BarePart(NamedTuple):
    """Own returns close together, outside of all blind zones."""

    low: Numbers
    """(3,) corners, body frame, metres."""
    high: Numbers
    returns: int


class Bare(NamedTuple):
    """What the blind zones leave out."""

    clouds: int
    own: int
    """Own returns of all clouds."""
    bare: int
    """Those that no zone of the profile holds."""
    parts: tuple[BarePart, ...]
    """The largest first."""
    empty: tuple[str, ...]
    """Zones that hold no own return: what they were for is gone, or out of sight."""
    moved: bool
    """Whether the robot moved; a standing one shows only what lies in its declared hull."""
    moving: tuple[BarePart, ...]
    """Parts that move against the robot, outside of all zones."""

    @property
    def per_cloud(self) -> float:
        """Own returns a cloud that no zone holds: each may become an obstacle that is not there."""
        return self.bare / max(self.clouds, 1)


def find_bare(own: Own, declared: Profile, now: Mount) -> Bare:
    """Hold own returns, placed by the mount as it is now, against the zones as the profile places them.

    Whether a zone holds a return is asked where the profile's mount puts it, as the scans do; where a part
    is, is told by the mount as it is.
    """
    declared_from_now = pose_of(declared.mount) @ np.linalg.inv(pose_of(now))
    zones, mount = declared.blind_zones, declared.mount
    placed = own.returns @ declared_from_now[:3, :3].T + declared_from_now[:3, 3]
    held = held_by(zones, placed, mount)
    bare = ~held.any(axis=0)
    moving = []
    for part in own.parts:
        there = part.returns @ declared_from_now[:3, :3].T + declared_from_now[:3, 3]
        out = ~held_by(zones, there, mount).any(axis=0)
        if out.sum() >= FEWEST:
            moving.append(_part(part.returns[out]))
    empty = tuple(zone.name for zone, mask in zip(zones, held, strict=True) if not mask.any())
    return Bare(
        own.clouds, len(placed), int(bare.sum()), parts_of(own, own.returns[bare]), empty, own.moved,
        tuple(moving),
    )  # fmt: skip


def held_by(zones: Sequence[BlindZone], points: Numbers, mount: Mount) -> Mask:
    """(zones, N) which zone holds which of (N, 3) points of the body frame."""
    rows = [contains(zone, points, mount) for zone in zones]
    return np.array(rows) if rows else np.zeros((0, len(points)), bool)


def parts_of(own: Own, points: Numbers) -> tuple[BarePart, ...]:
    """Sort points (N, 3) of the space about the robot into parts, the largest first."""
    voxels, number = np.unique(own.space.voxels(points), return_inverse=True)
    label = grouped(voxels, own.space, APART)[number] if len(points) else np.empty(0, np.int64)
    parts = [_part(points[label == k]) for k in range(int(label.max(initial=-1)) + 1)]
    return tuple(sorted((part for part in parts if part.returns >= FEWEST), key=lambda part: -part.returns))


def _part(points: Numbers) -> BarePart:
    return BarePart(points.min(axis=0), points.max(axis=0), len(points))
