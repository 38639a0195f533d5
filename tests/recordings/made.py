"""Made-up recordings for tests: small clouds, a drive, and the same in every format."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from flatten import Cloud, Trajectory, frames
from flatten.recordings.messages import standard_types
from flatten.recordings.opening import store_of
from flatten.recordings.writing import fill_recording

START = 1_764_052_812_123_456_789
"""Not a whole number of 256 ns: float64 seconds would lose it."""
STEP = 100_000_000
MOUNT = frames.body_from_sensor(0.34, -0.09, 0.61, 0.01, 0.2, -0.03)
COUNT = 12


def cloud(seed: int, returns: int = 60) -> Cloud:
    """A cloud of random returns with intensities and times since its own start."""
    rng = np.random.default_rng(seed)
    names = ("x", "y", "z", "intensity", "time")
    made = np.zeros(returns, [(name, "f4") for name in names])
    for axis in "xyz":
        made[axis] = rng.normal(0, 3, returns)
    made["intensity"] = rng.uniform(0, 255, returns)
    made["time"] = np.linspace(0.0, 0.0999, returns)
    return Cloud.from_array(made)


def clouds(count: int = COUNT, returns: int = 60) -> Iterator[tuple[int, Cloud]]:
    """Clouds at 10 Hz."""
    for k in range(count):
        yield START + k * STEP, cloud(k, returns)


def drive(count: int = 4 * COUNT + 16, step: int = STEP // 4) -> Trajectory:
    """Poses at 40 Hz from a fifth of a second before the first cloud: 1 m/s, slowly turning and leaning."""
    k = np.arange(count)
    angles = np.stack([0.01 * k, 0.03 * np.cos(k / 9), 0.02 * np.sin(k / 7)], axis=1)
    poses = np.zeros((count, 7))
    poses[:, 0], poses[:, 1] = 0.025 * k, 0.1 * np.sin(k / 20)
    poses[:, 3:] = Rotation.from_euler("ZYX", angles).as_quat()
    return Trajectory.of_rows(START - 2 * STEP + k * step, poses)


def recording(count: int = COUNT, returns: int = 60, **how: Any) -> bytes:
    """The bytes of an MCAP file with clouds, odometry and the mount, as `write_recording` puts them."""
    stream = io.BytesIO()
    fill_recording(stream, clouds(count, returns), drive(4 * count + 16), MOUNT, how)
    return stream.getvalue()


def written(path: Path, *args: int, **how: Any) -> Path:
    """The same as a file."""
    path.write_bytes(recording(*args, **how))
    return path


def as_folder(mcap: Path, folder: Path, storage: str = "sqlite3") -> Path:
    """The same messages as a bag folder, written by rosbags."""
    from rosbags.rosbag2 import StoragePlugin, Writer

    plugin = StoragePlugin.MCAP if storage == "mcap" else StoragePlugin.SQLITE3
    _copy(mcap, Writer(folder, version=9, storage_plugin=plugin), "cdr")
    return folder


def as_first_generation(mcap: Path, path: Path) -> Path:
    """The same messages as a bag file of the first generation, written by rosbags."""
    from rosbags.rosbag1 import Writer

    _copy(mcap, Writer(path), "ros1")
    return path


def _copy(mcap: Path, writer: Any, way: str) -> None:
    types = standard_types(way)
    store = store_of(mcap)
    assert store is not None
    with writer:
        connections = {
            topic.name: writer.add_connection(topic.name, topic.type, typestore=types)
            for topic in store.topics
        }
        for message in store.messages(set(connections)):
            data = bytes(message.data)
            raw = standard_types().cdr_to_ros1(data, message.topic.type) if way == "ros1" else data
            writer.write(connections[message.topic.name], message.logged, bytes(raw))
    store.close()
