"""The floor from frame to frame: fitted to each, carried along where the poses tell how the body moved."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.floor import Floor
from flatten.kernels import groups
from flatten.motion import Motion
from flatten.plan import Plan
from flatten.profile import Profile

Matrix = npt.NDArray[np.float64]


class Place(NamedTuple):
    """Where the level frame is at one moment."""

    odom_from_level: Matrix
    """(4, 4), the level frame moved to the fan's origin."""
    motion: Motion
    at: float
    """The moment, seconds after the first pose of `motion`."""


def place_of(motion: Motion, at: float, fan_origin: tuple[float, float]) -> Place:
    """Where the level frame is `at` seconds after the first pose: upright, with the body's yaw alone."""
    pose = motion.matrices(np.array([at]))[0]
    yaw = math.atan2(pose[1, 0], pose[0, 0])
    odom_from_level = np.eye(4)
    odom_from_level[:2, :2] = [[math.cos(yaw), -math.sin(yaw)], [math.sin(yaw), math.cos(yaw)]]
    odom_from_level[:3, 3] = pose[:3, 3] + odom_from_level[:3, :3] @ [*fan_origin, 0.0]
    return Place(odom_from_level, motion, at)


class FloorFollower:
    """Fits the floor to frame after frame by a profile with `level: floor`.

    What a frame says nothing about is remembered for `floor.memory` seconds, as long as every frame comes
    with its motion; without poses nobody knows where the remembered floor is now: each frame stands alone.
    """

    def __init__(self, profile: Profile, plan: Plan) -> None:
        robot, numbers = profile.robot, plan.numbers
        self._origin = plan.fan_origin
        self.floor = Floor(
            robot.step, robot.length, robot.width, robot.drop, profile.floor.slope, numbers.far, numbers.bins,
            numbers.first_turn, numbers.span, plan.fan_origin, profile.floor.memory,
        )  # fmt: skip
        self._last: Place | None = None

    def fit(
        self,
        returns: groups.Returns,
        frame: groups.Frame,
        attitude: tuple[float, float] | None,
        motion: Motion | None,
        at: float,
    ) -> groups.Ground:
        """Fit the floor to one frame; `at` is its moment, seconds after the first pose of its motion."""
        place = None if motion is None else place_of(motion, at, self._origin)
        last, self._last = self._last, place
        if place is None or last is None:
            return self.floor.fit(returns, frame, attitude=attitude)
        elapsed = place.motion.seconds_since(place.at, last.motion, last.at)
        if not elapsed >= 0.0:  # another clock, or a recording played again
            return self.floor.fit(returns, frame, attitude=attitude)
        now_from_last = np.linalg.inv(place.odom_from_level) @ last.odom_from_level
        return self.floor.fit(returns, frame, now_from_last, elapsed, attitude)
