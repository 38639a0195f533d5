"""Motion the slow way: SciPy's rotations and slerp, float64, one formula."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

Array = np.ndarray[Any, Any]


class Way:
    """Where the body was: straight lines and SciPy's slerp between poses; seconds from the first pose on."""

    def __init__(self, seconds: Array, poses: Array) -> None:
        self.seconds, self.positions = seconds, poses[:, :3]
        self.slerp = Slerp(seconds, Rotation.from_quat(poses[:, 3:]))

    def matrices(self, t: Array) -> Array:
        """odom_from_body at these times, (m, 4, 4)."""
        out = np.tile(np.eye(4), (len(t), 1, 1))
        out[:, :3, :3] = self.slerp(t).as_matrix()
        for axis in range(3):
            out[:, axis, 3] = np.interp(t, self.seconds, self.positions[:, axis])
        return out


def carried(way: Way, xyz: Array, t: Array, at: float, mount: Array) -> tuple[Array, Array]:
    """Returns in the sensor's axes at `at`, and where the sensor was at each one's time: (n, 3) each."""
    now = way.matrices(np.array([at]))[0]
    then = way.matrices(t)
    shift = now[:3, 3].copy()  # poses may be far from odom's origin
    now[:3, 3] -= shift
    then[:, :3, 3] -= shift
    now_from_then = np.linalg.inv(now @ mount) @ then @ mount
    ends = np.einsum("nij,nj->ni", now_from_then[:, :3, :3], xyz) + now_from_then[:, :3, 3]
    bad = ~np.isfinite(xyz).all(axis=1) | (xyz == 0).all(axis=1)
    ends[bad] = np.nan
    return ends, now_from_then[:, :3, 3]


def shaking(rng: np.random.Generator, k: int, turn: float, seconds: float = 0.1) -> tuple[Array, Array]:
    """Poses of a body that turns by about `turn` rad and moves by half a metre from pose to pose, any way."""
    times = np.concatenate([[0.0], np.cumsum(rng.uniform(0.3, 1.7, k - 1))])
    times *= seconds / times[-1]
    steps = Rotation.from_rotvec(rng.normal(0, turn / np.sqrt(3), (k, 3)))
    rotation, quaternions = Rotation.from_rotvec(rng.normal(size=3)), []
    for i in range(k):
        rotation = rotation * steps[i]
        quaternions.append(rotation.as_quat())
    positions = rng.normal(0, 100.0, 3) + np.cumsum(rng.normal(0, 0.3, (k, 3)), axis=0)
    signs = rng.choice([-1.0, 1.0], (k, 1))  # q and −q are one rotation
    return times, np.hstack([positions, signs * np.array(quaternions)])
