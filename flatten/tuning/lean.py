"""From the sensor above level floor to the sensor in a body that leans on it.

The floor is level; the body need not be (springs, load). Where its attitude is given, the mount is told in
the body's own axes: level_from_sensor = level_from_body · body_from_sensor, and the first two are known.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from flatten import frames
from flatten.frames import Matrix
from flatten.tuning.floor_plane import Plane
from flatten.tuning.patches import Numbers


class Pose(NamedTuple):
    """A mount: metres and radians."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0
    yaw: float = 0.0


def floor_before(mount: Pose, attitude: tuple[float, float]) -> Plane:
    """Level floor as a sensor mounted so has it before it, on a body that leans by (roll, pitch)."""
    level_from_sensor = frames.level_from_body(*attitude) @ frames.body_from_sensor(*mount)
    return Plane(np.asarray(level_from_sensor[2, :3]), float(level_from_sensor[2, 3]))


def level_values(up: Numbers, distance: float) -> Numbers:
    """Roll, pitch (radians) and height of a sensor by the floor alone: as in a body that does not lean."""
    ux, uy, uz = up.tolist()
    return np.array([math.atan2(uy, uz), -math.asin(max(-1.0, min(1.0, ux))), distance])


def mounted(level: Numbers, attitude: tuple[float, float], x: float, y: float, yaw: float) -> Numbers:
    """Roll, pitch (radians) and z (metres) of the mount, from those above level floor.

    With g the vertical in the body's axes and u in the sensor's, Rz(yaw)·Ry(pitch)·Rx(roll)·u = g; the roll
    is solved from the part along y, then the pitch. `yaw` is that of the mount; x and y lift the sensor where
    the body leans.
    """
    vertical = frames.level_from_body(*attitude)[2, :3]
    gx, gy, gz = (frames.rotation_z(-yaw) @ vertical).tolist()
    ux, uy, uz = frames.rotation(float(level[0]), float(level[1]), 0.0)[2].tolist()
    flat = math.hypot(uy, uz)
    roll = math.atan2(uy, uz) - math.asin(max(-1.0, min(1.0, gy / max(flat, 1e-12))))
    rest = math.sqrt(max(flat**2 - gy**2, 0.0))
    pitch = math.atan2(gx, gz) - math.atan2(ux, rest)
    height = (float(level[2]) - vertical[0] * x - vertical[1] * y) / vertical[2]
    return np.array([math.remainder(roll, 2.0 * math.pi), pitch, height])


def mounted_by(level: Numbers, attitude: tuple[float, float], x: float, y: float, yaw: float) -> Matrix:
    """(3, 3) how `mounted` moves with roll, pitch and height above level floor, by differences."""
    columns = []
    for k in range(3):
        step = 1e-6 * np.eye(3)[k]
        off = mounted(level + step, attitude, x, y, yaw) - mounted(level - step, attitude, x, y, yaw)
        off[0] = math.remainder(off[0], 2.0 * math.pi)
        columns.append(off / 2e-6)
    return np.stack(columns, axis=1)


def yaw_of_mount(level: Numbers, level_yaw: float, attitude: tuple[float, float]) -> float:
    """Yaw of the mount in the body's axes, from roll, pitch and yaw in level ones (radians)."""
    level_from_sensor = frames.rotation(float(level[0]), float(level[1]), level_yaw)
    body_from_sensor = frames.level_from_body(*attitude)[:3, :3].T @ level_from_sensor
    return math.atan2(float(body_from_sensor[1, 0]), float(body_from_sensor[0, 0]))
