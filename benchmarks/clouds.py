"""The clouds that are measured: a made-up room seen by a sensor of 64 beams, in several orders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.profiles import BOTTOM, HEIGHT, PITCH, TOP

Points = npt.NDArray[np.float32]

BEAMS = 64
ORDERS = ("scan order", "shuffled", "beam by beam", "near to far")
FLOAT32 = 7  # code of sensor_msgs/PointField


def room(n: int, order: str = "scan order") -> Points:
    """Walls at 1 to 7 m, floor, and behind the sensor the rover itself: (n, 3) in sensor axes, metres.

    `scan order` is column after column, as a rotating sensor fires; the returns are the same in any order.
    """
    rng = np.random.default_rng(n)
    columns = -(-n // BEAMS)
    azimuth = azimuths(n)
    elevation = np.tile(np.radians(np.linspace(-25, 15, BEAMS)), columns)[:n]
    walls = 4.0 + 3.0 * np.cos(3 * azimuth) + rng.normal(0, 0.02, n)
    floor = np.where(elevation < -0.02, HEIGHT / np.tan(np.maximum(-elevation, 0.02)), np.inf)
    r = np.minimum(walls, floor)
    own = (np.abs(azimuth) > np.radians(172.0)) & (rng.random(n) < 0.3)
    r[own] = rng.uniform(0.2, 0.5, n)[own]
    level = np.stack([r * np.cos(azimuth), r * np.sin(azimuth), r * np.tan(elevation)], axis=1)
    return put_in_order(sensor_axes(level), order, rng)


def with_share(n: int, share: float) -> Points:
    """Returns in scan order of which this share lies in the slice: by their heights alone, at random."""
    rng = np.random.default_rng(n)
    azimuth = azimuths(n)
    r = 4.0 + 3.0 * np.cos(3 * azimuth) + rng.normal(0, 0.02, n)
    margin = 0.01  # clear of both faces, whatever the arithmetic
    inside = rng.uniform(BOTTOM + margin, TOP - margin, n)
    outside = np.where(rng.random(n) < 0.5, -0.05, TOP + 0.5)
    z = np.where(rng.random(n) < share, inside, outside) - HEIGHT
    return sensor_axes(np.stack([r * np.cos(azimuth), r * np.sin(azimuth), z], axis=1))


def azimuths(n: int) -> npt.NDArray[np.float64]:
    """Of n returns of a full turn, radians; off the bins' edges, where float32 cannot tell the sides."""
    columns = -(-n // BEAMS)
    return np.repeat((np.arange(columns) + 0.37) * (2 * np.pi / columns) - np.pi, BEAMS)[:n]


def sensor_axes(level: npt.NDArray[np.float64]) -> Points:
    """Level axes about the sensor, (n, 3), to those of a sensor that is mounted nose down."""
    c, s = np.cos(np.radians(PITCH)), np.sin(np.radians(PITCH))
    return np.ascontiguousarray(level @ np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]), np.float32)


def put_in_order(xyz: Points, order: str, rng: np.random.Generator) -> Points:
    """The same returns in another order."""
    n = len(xyz)
    if order == "shuffled":
        return rng.permutation(xyz)
    if order == "beam by beam":
        return xyz[np.argsort(np.arange(n) % BEAMS, kind="stable")]
    if order == "near to far":
        return xyz[np.argsort((xyz**2).sum(axis=1), kind="stable")]
    if order != "scan order":
        raise ValueError(f"unknown order {order!r}; known: {', '.join(ORDERS)}")
    return xyz


@dataclass(frozen=True)
class Field:
    """A field of a message look-alike."""

    name: str
    offset: int
    datatype: int = FLOAT32
    count: int = 1


@dataclass(frozen=True)
class Message:
    """What a point-cloud message looks like to a reader (sensor_msgs/PointCloud2, without its header)."""

    height: int
    width: int
    fields: tuple[Field, ...]
    point_step: int
    row_step: int
    data: npt.NDArray[np.uint8]
    is_bigendian: bool = False
    is_dense: bool = True

    @property
    def address(self) -> int:
        """Where its first byte lies."""
        return int(self.data.ctypes.data)


def message(xyz: Points, step: int, shift: int = 0) -> Message:
    """The returns as records of `step` bytes: x, y, z, then noise; the first `shift` bytes off alignment."""
    n = len(xyz)
    memory = np.empty(n * step + 64, np.uint8)
    start = -memory.ctypes.data % 64 + shift
    data = memory[start : start + n * step]
    records = data.reshape(n, step)
    records[:, :12] = xyz.view(np.uint8)
    records[:, 12:] = (np.arange(step - 12) * 37 % 256).astype(np.uint8)
    fields = [Field(name, 4 * k) for k, name in enumerate(("x", "y", "z"))]
    if step >= 16:
        fields.append(Field("intensity", 12))
    return Message(1, n, tuple(fields), step, n * step, data)


def cloud_message(types: Any, xyz: Points, step: int = 16) -> Any:
    """The returns as a real PointCloud2 of a rosbags type store, intensity included."""
    told = message(xyz, step)
    point_field = types["sensor_msgs/msg/PointField"]
    stamp = types["builtin_interfaces/msg/Time"](sec=5, nanosec=7)
    return types["sensor_msgs/msg/PointCloud2"](
        header=types["std_msgs/msg/Header"](stamp=stamp, frame_id="lidar"),
        height=1, width=told.width, is_bigendian=False, point_step=step, row_step=told.row_step,
        fields=[point_field(name=f.name, offset=f.offset, datatype=f.datatype, count=1) for f in told.fields],
        data=told.data, is_dense=True,
    )  # fmt: skip
