"""Floors as a sensor sees them, in closed form: a beam against level planes, walls and a table."""

from __future__ import annotations

import math

import numpy as np

from flatten import Cloud, frames, scene
from flatten.tuning.lean import Pose
from flatten.tuning.patches import Numbers

SENSOR = scene.Rotating(columns=256, lowest=math.radians(-50.0), highest=math.radians(10.0))
UPRIGHT = Pose(0.3, -0.1, 0.8, math.radians(2.0), math.radians(5.0), math.radians(3.0))


def beams(mount: Pose, turn: float = 0.0) -> tuple[Numbers, Numbers]:
    """Directions (N, 3) of the beams in the sensor's axes and in those of the body, turned to the left."""
    directions = SENSOR.rays().directions
    if abs(mount.roll) > math.pi / 2:  # hung upside-down it would look up
        directions = directions * [1.0, 1.0, -1.0]
    level = directions @ frames.rotation(mount.roll, mount.pitch, mount.yaw).T
    return directions, level @ frames.rotation_z(turn).T


def to_plane(level: Numbers, normal: tuple[float, float, float], distance: float) -> Numbers:
    """Distance along each beam to the plane normal·p = −distance, seen from above; inf where none."""
    along = level @ np.array(normal)
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(along < 0.0, -distance / along, np.inf))


def to_patch(level: Numbers, z: float, x: tuple[float, float], y: tuple[float, float]) -> Numbers:
    """Distance along each beam to a level rectangle z above the sensor (below, where negative)."""
    away = to_plane(level, (0.0, 0.0, 1.0), -z)
    with np.errstate(invalid="ignore"):
        px, py = level[:, 0] * away, level[:, 1] * away
        inside = (px >= x[0]) & (px <= x[1]) & (py >= y[0]) & (py <= y[1])
    return np.asarray(np.where(inside, away, np.inf))


def cloud(
    directions: Numbers, ranges: Numbers, seed: int = 0, noise: float = 0.01, bias: float = 0.0
) -> Cloud:
    """The cloud of what is nearer than 40 m, with range noise and bias, metres."""
    kept = np.isfinite(ranges) & (ranges < 40.0)
    rng = np.random.default_rng(seed)
    measured = ranges[kept] + bias + rng.normal(0.0, noise, int(kept.sum()))
    return Cloud.from_array(directions[kept] * measured[:, None], "made")


def flat(mount: Pose = UPRIGHT, seed: int = 0, noise: float = 0.01, bias: float = 0.0) -> Cloud:
    """Nothing but level floor."""
    directions, level = beams(mount)
    return cloud(directions, to_plane(level, (0.0, 0.0, 1.0), mount.z), seed, noise, bias)


def walled(
    mount: Pose = UPRIGHT, turn: float = 0.0, away: float = 3.0, side: float = 0.0, seed: int = 0
) -> Cloud:
    """Level floor and one wall, `away` from the sensor in the direction `side` of the place.

    The body is turned by `turn` in the place.
    """
    directions, level = beams(mount, turn)
    normal = (-math.cos(side), -math.sin(side), 0.0)
    ranges = np.minimum(to_plane(level, (0.0, 0.0, 1.0), mount.z), to_plane(level, normal, away))
    return cloud(directions, ranges, seed)
