"""What one cloud says about the space at the robot: what is there, and where beams have passed.

The space is the declared hull, grown to all sides; outside of it nothing is ever taken for the robot.
It is cut into voxels of the body frame. A return is a hit of its voxel; every voxel that its beam
crossed on the way is passed (the carving of occupancy grids, Moravec & Elfes 1985, from memory). The
rest of the cloud becomes a coarse picture of the surroundings, by which is told whether the robot moved.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.frames import Matrix
from flatten.profile import Mount, Profile

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

VOXEL = 0.04
"""Metres; wider than the noise of the class, narrower than what is to be told apart."""
MOST_VOXELS = 160
"""Along the longest side; voxels of a longer robot are larger."""
FLOOR = 0.05
"""Metres: what lies lower may be floor, which stays put under a robot that drives as its own parts do."""
SHORT = 1.5
"""Voxels before its return in which a beam does not count as passing."""
MOST_BEAMS = 50_000
"""Of more, a random choice is used, always the same: every so-many-th would leave out beams of a rotating
sensor."""
FARTHEST = 1e5
"""Metres: what is said to be farther is no return."""
FEWEST = 200
"""Good returns that a cloud must have."""
MILLIMETRES = 150.0
"""Median distance from which on a cloud cannot be in metres."""
SURROUNDINGS = 15.0
"""Metres out to which the surroundings are looked at."""
ABOVE_FLOOR = 0.15
CELL = math.radians(4.0)
"""Width and height of one piece of the picture of the surroundings."""
ROWS, COLUMNS = 45, 90
FLOOR_RING = (0.5, 15.0)
"""Metres from the body's origin between which floor is looked for."""
FLOOR_BAND, FLOOR_TILT, FLOOR_MOST = 0.10, 0.03, 0.25
"""Metres, metres a metre, and metres at most, by which floor may lie off where the mount has it."""
BANDS = np.arange(-4.1, 4.2, 0.2)
"""Borders of the heights that are compared with it, metres."""


class Space(NamedTuple):
    """The voxels about the robot, body frame, metres."""

    hull_low: Numbers
    """(3,) corners of the declared hull; it stands on the floor, centred on the body's origin."""
    hull_high: Numbers
    low: Numbers
    """(3,) corners of the hull grown by the reach; down to FLOOR."""
    high: Numbers
    voxel: float
    shape: tuple[int, int, int]

    @property
    def size(self) -> int:
        """How many voxels there are."""
        return math.prod(self.shape)

    def inside(self, points: Numbers) -> Mask:
        """Tell which of (N, 3) points lie in the space."""
        return np.asarray(((points >= self.low) & (points < self.high)).all(axis=1))

    def voxels(self, points: Numbers) -> Places:
        """Number of the voxel of each of (N, 3) points of the space."""
        cells = ((points - self.low) / self.voxel).astype(np.int64)
        cells = np.minimum(cells, np.array(self.shape) - 1)
        return np.asarray(np.ravel_multi_index(tuple(cells.T), self.shape))

    def centres(self, voxels: Places) -> Numbers:
        """(N, 3) middles of voxels."""
        cells = np.stack(np.unravel_index(voxels, self.shape), axis=1)
        return np.asarray(self.low + (cells + 0.5) * self.voxel)

    def in_hull(self, points: Numbers, grown: float = 0.0) -> Mask:
        """Tell which of (N, 3) points lie in the declared hull, grown to the sides and above."""
        low, high = self.hull_low - grown, self.hull_high + grown
        return np.asarray(((points >= low) & (points <= high)).all(axis=1))


class Look(NamedTuple):
    """What one cloud says."""

    name: str
    returns: int
    """Good returns in the cloud."""
    near: Numbers
    """(N, 3) returns in the space, body frame."""
    voxels: Places
    """(N,) the voxel of each."""
    passed: Mask
    """(voxels,) whether a beam has passed."""
    surroundings: Numbers
    """(ROWS · COLUMNS,) distance of the nearest thing that stands there, NaN where nothing is seen."""
    floor: float
    """Returns where the mount has the floor, by those in the fullest band of heights."""


def space_about(profile: Profile, reach: float) -> Space:
    """Cut the declared hull, grown by `reach` m to the sides and above, into voxels."""
    robot = profile.robot
    half = np.array([0.5 * robot.length, 0.5 * robot.width])
    hull_low, hull_high = np.append(-half, 0.0), np.append(half, robot.height)
    low, high = np.append(-half - reach, FLOOR), np.append(half + reach, robot.height + reach)
    voxel = max(VOXEL, float((high - low).max()) / MOST_VOXELS)
    nx, ny, nz = (max(1, math.ceil(side / voxel - 1e-9)) for side in high - low)
    return Space(hull_low, hull_high, low, high, voxel, (nx, ny, nz))


def pose_of(mount: Mount) -> Matrix:
    """(4, 4) body_from_sensor of a profile's mount."""
    angles = (math.radians(angle) for angle in (mount.roll, mount.pitch, mount.yaw))
    return frames.body_from_sensor(mount.x, mount.y, mount.z, *angles)


def look(cloud: Cloud, name: str, space: Space, body_from_sensor: Matrix) -> Look:
    """Look at one cloud; raises TuningError for one that is in millimetres or has hardly any returns."""
    sensor = cloud.xyz
    sensor = sensor[(np.abs(sensor) < FARTHEST).all(axis=1) & (sensor != 0.0).any(axis=1)]
    if len(sensor) < FEWEST:
        raise TuningError(
            f"{name}: {len(sensor)} good returns are too few, {FEWEST} are wanted: record whole frames"
        )
    if float(np.median(np.linalg.norm(sensor, axis=1))) > MILLIMETRES:
        raise TuningError(f"{name}: is in millimetres: convert it to metres, as the profile has them")
    points = sensor @ body_from_sensor[:3, :3].T + body_from_sensor[:3, 3]
    eye = body_from_sensor[:3, 3]
    near, some = chosen(points[space.inside(points)]), chosen(points)
    return Look(
        name, len(points), near, space.voxels(near), passed_voxels(some, eye, space),
        surroundings(points, eye, space), floor_found(points[~space.inside(points)]),
    )  # fmt: skip


def chosen(points: Numbers) -> Numbers:
    """At most MOST_BEAMS of points (N, 3)."""
    if len(points) <= MOST_BEAMS:
        return points
    return points[np.sort(np.random.default_rng(0).choice(len(points), MOST_BEAMS, replace=False))]


def passed_voxels(points: Numbers, eye: Numbers, space: Space) -> Mask:
    """Mark the voxels that beams from `eye` (3,) to their returns (N, 3) have crossed, (voxels,)."""
    way = points - eye
    length = np.linalg.norm(way, axis=1)
    good = length > 0.0
    way, length = way[good] / length[good, None], length[good]
    stop = length - SHORT * space.voxel
    corners = np.abs(np.stack([space.low, space.high]) - eye).max(axis=0)
    passed = np.zeros(space.size, bool)
    step = 0.7 * space.voxel
    for distance in np.arange(0.5 * step, float(np.linalg.norm(corners)), step):
        on_way = stop > distance
        way, stop = way[on_way], stop[on_way]
        there = eye + way * distance
        passed[space.voxels(there[space.inside(there)])] = True
    return passed


def surroundings(points: Numbers, eye: Numbers, space: Space) -> Numbers:
    """Coarse picture of what stands about the robot: nearest distance by direction, NaN where nothing."""
    way = points - eye
    away = np.linalg.norm(way, axis=1)
    there = ~space.inside(points) & (points[:, 2] > ABOVE_FLOOR) & (away < SURROUNDINGS) & (away > 0.0)
    way, away = way[there], away[there]
    row = ((np.arcsin(np.clip(way[:, 2] / away, -1.0, 1.0)) + 0.5 * math.pi) / CELL).astype(np.int64)
    column = ((np.arctan2(way[:, 1], way[:, 0]) + math.pi) / CELL).astype(np.int64)
    cell = np.minimum(row, ROWS - 1) * COLUMNS + np.minimum(column, COLUMNS - 1)
    picture = np.full(ROWS * COLUMNS, np.inf)
    np.minimum.at(picture, cell, away)
    return np.where(np.isfinite(picture), picture, np.nan)


def changed(one: Numbers, other: Numbers) -> float:
    """Share of the pieces seen in both pictures that are at another distance; NaN where too few are."""
    both = np.isfinite(one) & np.isfinite(other)
    if int(both.sum()) < FEWEST_PIECES:
        return math.nan
    off = np.abs(one[both] - other[both])
    return float((off > 0.15 + 0.05 * np.minimum(one[both], other[both])).mean())


FEWEST_PIECES = 15
"""Pieces that two pictures must share before they can be compared."""


def floor_found(points: Numbers) -> float:
    """Returns (N, 3), body frame, where level floor is, by those in the fullest band of heights.

    About 1 where the mount is right and floor is in sight; next to nothing where it is wrong.
    """
    away = np.hypot(points[:, 0], points[:, 1])
    ring = (away >= FLOOR_RING[0]) & (away <= FLOOR_RING[1])
    height, away = points[ring, 2], away[ring]
    most = int(np.histogram(height, BANDS)[0].max())
    band = np.minimum(FLOOR_BAND + FLOOR_TILT * away, FLOOR_MOST)
    return float((np.abs(height) <= band).sum()) / max(1, most)
