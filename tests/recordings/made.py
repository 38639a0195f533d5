"""Made-up recordings for tests: small clouds, a drive, and the same file damaged in known ways."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from flatten import Cloud, Trajectory, frames
from flatten.recordings.writing import RecordingWriter

START = 1_764_052_812_123_456_789
"""Not a whole number of 256 ns: float64 seconds would lose it."""
STEP = 100_000_000
MOUNT = frames.body_from_sensor(0.34, -0.09, 0.61, 0.01, 0.2, -0.03)


def cloud(seed: int, returns: int = 60) -> Cloud:
    """A cloud of random returns with intensities and times since its own start."""
    rng = np.random.default_rng(seed)
    made = np.zeros(returns, [(name, "f4") for name in ("x", "y", "z", "intensity")] + [("time", "f4")])
    for axis in "xyz":
        made[axis] = rng.normal(0, 3, returns)
    made["intensity"] = rng.uniform(0, 255, returns)
    made["time"] = np.linspace(0.0, 0.0999, returns)
    return Cloud.from_array(made)


def clouds(count: int, returns: int = 60) -> Iterator[tuple[int, Cloud]]:
    """Clouds at 10 Hz."""
    for k in range(count):
        yield START + k * STEP, cloud(k, returns)


def drive(count: int = 120, step: int = STEP // 4) -> Trajectory:
    """Poses at 40 Hz from a fifth of a second before the first cloud: 1 m/s, slowly turning and leaning."""
    k = np.arange(count)
    angles = np.stack([0.02 * np.sin(k / 7), 0.03 * np.cos(k / 9), 0.01 * k], axis=1)
    poses = np.zeros((count, 7))
    poses[:, 0], poses[:, 1] = 0.025 * k, 0.1 * np.sin(k / 20)
    poses[:, 3:] = [_quaternion(*row) for row in angles]
    return Trajectory.of_rows(START - 2 * STEP + k * step, poses)


def _quaternion(roll: float, pitch: float, yaw: float) -> list[float]:
    from scipy.spatial.transform import Rotation

    return list(Rotation.from_euler("ZYX", [yaw, pitch, roll]).as_quat())


def recording(count: int = 12, returns: int = 60, **how: object) -> bytes:
    """The bytes of an MCAP file with clouds, odometry and the mount, as `write_recording` puts them."""
    from flatten.recordings.writing import _fill

    stream = io.BytesIO()
    _fill(stream, clouds(count, returns), drive(4 * count + 16), MOUNT, how)
    return stream.getvalue()


def written(path: Path, *args: int, **how: object) -> Path:
    """The same as a file."""
    path.write_bytes(recording(*args, **how))
    return path


__all__ = ["MOUNT", "START", "STEP", "RecordingWriter", "cloud", "clouds", "drive", "recording", "written"]
