"""Where the robot stands, where its sensor sits, and which slice and fan are asked for.

Plain tuples in metres and radians; `of` takes them from a profile, which speaks of degrees.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten import frames

Matrix = npt.NDArray[np.float64]


class Pose(NamedTuple):
    """Where the body stands in the world: its origin on the floor z = 0, metres and radians."""

    x: float = 0.0
    y: float = 0.0
    yaw: float = 0.0

    @property
    def world_from_level(self) -> Matrix:
        """Take level-frame coordinates to the world: (4, 4) float64."""
        return frames.transform(frames.rotation_z(self.yaw), (self.x, self.y, 0.0))


class Mount(NamedTuple):
    """Pose of the sensor in the body frame: metres, and radians about fixed axes (REP 103)."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0
    yaw: float = 0.0

    @classmethod
    def of(cls, profile: Any) -> Mount:
        """Take the mount of a Profile, whose angles are degrees."""
        m = profile.mount
        return cls(m.x, m.y, m.z, math.radians(m.roll), math.radians(m.pitch), math.radians(m.yaw))

    @property
    def body_from_sensor(self) -> Matrix:
        """Take sensor-frame coordinates to the body frame: (4, 4) float64."""
        return frames.body_from_sensor(*self)


class Slice(NamedTuple):
    """Heights [bottom + rise·r, top) above the floor, metres; `rise` in metres a metre."""

    bottom: float
    top: float
    rise: float = 0.0

    @classmethod
    def of(cls, band: Any) -> Slice:
        """Take bottom, top and rise from a tuple or from a slice of a Profile.

        Raises ValueError where top is not above bottom, or rise is negative.
        """
        taken = cls(*band) if isinstance(band, tuple) else cls(band.bottom, band.top, band.rise)
        if not taken.bottom < taken.top or taken.rise < 0.0:
            raise ValueError(f"slice {tuple(taken)}: wanted bottom < top and rise of 0 or more")
        return taken


class Fan(NamedTuple):
    """First and last bearing in radians, counter-clockwise, and the number of bins."""

    first: float = -math.pi
    last: float = math.pi
    bins: int = 1440

    @classmethod
    def of(cls, profile: Any) -> Fan:
        """Take the fan of a Profile, whose angles are degrees."""
        return cls(math.radians(profile.fan.first), math.radians(profile.fan.last), profile.fan.bins)

    @property
    def step(self) -> float:
        """Width of one bin, radians."""
        return (self.last - self.first) / self.bins

    def bearings(self, parts: int) -> npt.NDArray[np.float64]:
        """Cut every bin in `parts`: the (bins·parts + 1,) bearings of all cuts, both outer edges included."""
        steps = np.arange(self.bins * parts + 1, dtype=np.float64)
        return self.first + steps * (self.last - self.first) / (self.bins * parts)

    def bin_of(self, bearings: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        """Give the number of the bin of each bearing; −1 outside of the fan."""
        turned = np.mod(bearings - self.first, 2.0 * math.pi)
        number = np.minimum(np.floor(turned / self.step), self.bins - 1).astype(np.int64)
        return np.where(turned < self.last - self.first, number, -1)


def world_from_scan(pose: Pose, mount: Mount, attitude: tuple[float, float], level: str) -> Matrix:
    """Take scan coordinates (fan's origin at (0, 0, 0)) to the world: (4, 4) float64.

    With level "gravity" heights are along gravity whatever the attitude (roll, pitch; radians);
    with "body" the slices ride with the chassis. Raises ValueError for any other word.
    """
    if level not in ("gravity", "body"):
        raise ValueError(f"level {level!r}: wanted 'gravity' or 'body'")
    moved = frames.transform(np.eye(3), (mount.x, mount.y, 0.0))
    tilt = frames.level_from_body(*attitude) if level == "body" else np.eye(4)
    matrix: Matrix = pose.world_from_level @ tilt @ moved
    return matrix
