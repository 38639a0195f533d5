"""One recorded frame, as the slices see it and as the floor under it says: heights twice, and labels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.floor import Floor
from flatten.kernels import groups
from flatten.kernels.candidates import mark_own
from flatten.plan import make_plan
from flatten.profile import Profile
from flatten.returns import lay_out
from flatten.tuning.labels import Label, Limits, label

Numbers = npt.NDArray[np.float64]

MILLIMETRES = 150.0
"""Median range from which on a cloud must be in millimetres: in metres no floor is in sight there."""
FEWEST_RETURNS = 200
FEWEST_FLOOR = 60
"""Returns of a frame, and returns on its floor, below which nothing can be said."""
FLOOR_REACH = 8.0
"""Metres of floor that tell how it leans."""
FLAT = 0.03
"""Metres by which floor may leave its plane before it counts as a slope: three times coarse gravel."""
SCATTER_REACH, SCATTER_BAND = 5.0, 0.08
"""Metres within which, and metres up and down from the fitted floor, returns tell the floor's noise."""


@dataclass(frozen=True, eq=False)
class Seen:
    """The returns of a frame that are finite; arrays (N,)."""

    name: str
    bins: npt.NDArray[np.int64]
    """−1 outside of the fan."""
    distances: Numbers
    """Horizontal, from the fan's origin, metres."""
    heights: Numbers
    """As the slices count them: by the level of the profile, metres."""
    above: Numbers
    """Above the floor that was fitted; where none is known, above the highest that it may be; metres."""
    most: Numbers
    """The same; where no floor is known, above the plane of the rest."""
    known: npt.NDArray[np.bool_]
    """Whether the floor is known there."""
    sloping: npt.NDArray[np.bool_]
    """Whether the floor there leaves the plane of the rest by more than FLAT."""
    labels: npt.NDArray[np.uint8]
    cloud: Cloud
    """In metres."""
    attitude: tuple[float, float] | None
    lean: tuple[float, float]
    """Slope of the floor ahead and to the left as the slices see it, m per m."""
    scatter: float
    """Scatter of the floor near the robot, metres, one sigma."""
    millimetres: bool = False

    def of(self, *wanted: Label) -> npt.NDArray[np.bool_]:
        """Say which returns have one of these labels."""
        return np.isin(self.labels, wanted)


class Watcher:
    """Looks at frames by one profile; slices are not looked at."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self._plan = make_plan(profile)
        robot, numbers = profile.robot, self._plan.numbers
        self._floor = Floor(
            robot.step, robot.length, robot.width, robot.drop, profile.floor.slope, numbers.far, numbers.bins,
            numbers.first_turn, numbers.span, self._plan.fan_origin, profile.floor.memory,
        )  # fmt: skip
        self._reach = (profile.reach.near, profile.reach.far)

    def look(self, cloud: Cloud, attitude: tuple[float, float] | None = None, name: str = "") -> Seen:
        """Place the returns, fit the floor and label.

        Raises TuningError where the frame holds too little, or no floor that the sensor stands above.
        """
        who = name or cloud.name or "cloud"
        cloud, millimetres = in_metres(cloud, who)
        frame = self._plan.frame(attitude)
        returns, owners = lay_out(cloud)
        leaning = attitude if self._plan.gravity else None
        ground = self._floor.fit(returns, frame, attitude=leaning)
        del owners  # until here their memory was read
        points = cloud.xyz
        points = points[np.isfinite(points).all(axis=1) & (points != 0.0).any(axis=1)]
        if len(points) < FEWEST_RETURNS:
            raise TuningError(
                f"{who}: {len(points)} returns are too few, {FEWEST_RETURNS} and more are wanted: record a "
                "whole frame"
            )
        seen = self._place(points, frame, ground)
        self._check_floor(who, seen, frame, ground)
        seen = self._against_plane(seen, points, frame)
        return replace(
            seen, name=who, cloud=cloud, attitude=attitude, scatter=scatter_of(seen), millimetres=millimetres
        )

    def _place(self, points: Numbers, frame: groups.Frame, ground: groups.Ground) -> Seen:
        numbers = self._plan.numbers
        level = points @ frame.level_from_sensor[:, :3].T + frame.level_from_sensor[:, 3]
        bins = bins_of(level, numbers)
        distances = np.hypot(level[:, 0], level[:, 1])
        floor, known = floor_at(ground, bins, distances)
        above = level[:, 2] - floor
        heights = above if self.profile.level == "floor" else level[:, 2]
        body = points @ numbers.body_from_sensor[:3, :3].T + numbers.body_from_sensor[:3, 3]
        own = np.zeros(len(points), np.uint8)
        mark_own(body, numbers.zones, own)
        labels = np.where(own == 0, np.uint8(Label.SKIPPED), np.uint8(Label.OWN))
        flat, nothing = np.zeros(len(points), bool), Cloud.from_array(np.empty((0, 3)))
        placed = Seen(
            "", bins, distances, heights, above, above, known, flat, labels, nothing, None, (0.0, 0.0), 0.0
        )
        return self.relabel(placed, Limits.of(self.profile))

    def _against_plane(self, seen: Seen, points: Numbers, frame: groups.Frame) -> Seen:
        """Hold the fitted floor against a plane through it: what slopes, how high things may be at most."""
        level = points @ frame.level_from_sensor[:, :3].T + frame.level_from_sensor[:, 3]
        plane = plane_through(seen, level[:, 2], level[:, :2])
        high = level[:, :2] @ plane[:2] + plane[2]
        floor = level[:, 2] - seen.above
        most = np.where(seen.known, seen.above, np.maximum(level[:, 2] - high, seen.above))
        sloping = seen.known & (np.abs(floor - high) > FLAT)
        seen = self.relabel(replace(seen, most=most, sloping=sloping), Limits.of(self.profile))
        slopes = plane if self.profile.level != "floor" else plane_through(seen, seen.heights, level[:, :2])
        return replace(seen, lean=(float(slopes[0]), float(slopes[1])))

    def relabel(self, seen: Seen, limits: Limits) -> Seen:
        """Label anew, with limits that are known better by now."""
        free = seen.labels != Label.OWN
        labels = seen.labels.copy()
        labels[free] = label(
            seen.bins[free], seen.distances[free], seen.above[free], seen.most[free], seen.known[free],
            seen.sloping[free], limits, self._reach, self._plan.numbers.bins,
        )  # fmt: skip
        return replace(seen, labels=labels)

    @staticmethod
    def _check_floor(who: str, seen: Seen, frame: groups.Frame, ground: groups.Ground) -> None:
        height = float(frame.level_from_sensor[2, 3]) - float(np.median(ground.heights[:, 0]))
        if height <= 0.0:
            raise TuningError(
                f"{who}: the sensor is {-height:.2f} m under the floor by the profile's mount: correct "
                "mount.z"
            )
        floor = seen.of(Label.FLOOR)
        if int(floor.sum()) < FEWEST_FLOOR:
            raise TuningError(
                f"{who}: no floor: {int(floor.sum())} returns lie where the profile has it, {FEWEST_FLOOR} "
                "are wanted: check the mount with `flatten mount`, and look where floor is in sight"
            )


def in_metres(cloud: Cloud, who: str) -> tuple[Cloud, bool]:
    """Give a cloud in metres; one in millimetres is recognised, which is told."""
    points = cloud.xyz
    ranges = np.linalg.norm(points, axis=1)
    ranges = ranges[np.isfinite(ranges) & (ranges > 0.0)]
    if len(ranges) == 0:
        raise TuningError(f"{who}: no return in it is finite and away from the sensor: record another")
    if float(np.median(ranges)) < MILLIMETRES:
        return cloud, False
    x, y, z = (points * 1e-3).T
    time = None if cloud.time is None else cloud.time.reshape(-1)
    return Cloud(x, y, z, time=time, name=cloud.name, stamp=cloud.stamp), True


def bins_of(level: Numbers, plan: groups.Plan) -> npt.NDArray[np.int64]:
    """Bins (N,) of points in level axes about the fan's origin, −1 outside; as `kernels.place` has them."""
    turns = np.arctan2(level[:, 1], level[:, 0]) * (2.0 / math.pi)
    beyond = np.mod(turns - plan.first_turn, 4.0)
    found = np.minimum((beyond * (plan.bins / plan.span)).astype(np.int64), plan.bins - 1)
    return np.where(beyond < plan.span, found, -1)


def floor_at(
    ground: groups.Ground, bins: npt.NDArray[np.int64], distances: Numbers
) -> tuple[Numbers, npt.NDArray[np.bool_]]:
    """Height of the floor under returns, and whether it is known there; by the rule of `kernels.ground`."""
    cells = ground.heights.shape[1] - 1
    u = np.minimum(distances * ground.cells_per_metre, float(cells))
    k = np.minimum(u.astype(np.int64), cells - 1)
    b = np.maximum(bins, 0)
    low, high = ground.heights[b, k].astype(np.float64), ground.heights[b, k + 1].astype(np.float64)
    within = distances * ground.cells_per_metre <= cells
    return low + (u - k) * (high - low), (ground.known[b, k] != 0) & within


def plane_through(seen: Seen, heights: Numbers, places: Numbers) -> Numbers:
    """Plane through the floor's returns: slope ahead and to the left (m per m), height at the fan's origin.

    Least squares, once more without what lies off by more than FLAT: ramps are no part of it.
    """
    floor = np.flatnonzero(seen.of(Label.FLOOR, Label.SLOPE) & (seen.distances <= FLOOR_REACH))
    plane: Numbers = np.zeros(3)
    for near in (0.3, FLAT, FLAT):
        a = np.column_stack([places[floor], np.ones(len(floor))])
        kept = np.abs(heights[floor] - a @ plane) <= near + 0.1 * seen.distances[floor] * (near > FLAT)
        if kept.sum() < FEWEST_FLOOR:
            break
        plane = np.asarray(np.linalg.lstsq(a[kept], heights[floor][kept], rcond=None)[0], np.float64)
    return plane


def scatter_of(seen: Seen) -> float:
    """Scatter of the floor's returns about the fitted floor, robust, metres, one sigma."""
    flat = seen.known & (np.abs(seen.above) <= SCATTER_BAND) & (seen.bins >= 0) & ~seen.of(Label.OWN)
    near = flat & (seen.distances <= SCATTER_REACH)
    above = seen.above[near if near.sum() >= FEWEST_FLOOR else flat]
    return float(1.4826 * np.median(np.abs(above - np.median(above))))
