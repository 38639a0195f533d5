"""What the library is measured by: reading the bytes, vectorised NumPy, Open3D; see `compiled` for C++."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.contest import Run
from benchmarks.profiles import BARE, BINS, BOTTOM, FAR, NEAR, TOP
from flatten import frames

Ranges = npt.NDArray[np.float32]


def level_from_sensor() -> npt.NDArray[np.float64]:
    """(4, 4) of the bare profile with the body level; from the frames alone, not from the library's plan."""
    mount = BARE["mount"]
    matrix = frames.body_from_sensor(
        mount["x"], mount["y"], mount["z"], 0.0, math.radians(mount["pitch"]), 0.0
    )
    matrix[:2, 3] -= (mount["x"], mount["y"])
    return matrix


def reading(data: npt.NDArray[Any]) -> Run:
    """Read the bytes once: the sum over them as 64-bit numbers."""
    raw = data.reshape(-1).view(np.uint8)
    aligned = raw[-raw.ctypes.data % 8 :]
    numbers = aligned[: aligned.size // 8 * 8].view(np.uint64)
    return numbers.sum


def copying(data: npt.NDArray[Any]) -> Run:
    """Copy the bytes once, into memory that is there already."""
    raw = data.reshape(-1).view(np.uint8)
    room = np.empty_like(raw)
    return lambda: np.copyto(room, raw)


def by_numpy(xyz: npt.NDArray[np.float32], bins: int = BINS) -> Callable[[], Ranges]:
    """The one-slice answer in vectorised NumPy, float64, NaN where nothing is."""
    matrix = level_from_sensor()

    def flat() -> Ranges:
        x, y, z = matrix[:3, :3] @ xyz.T + matrix[:3, 3:4]
        square = x * x + y * y
        keep = (z >= BOTTOM) & (z < TOP)
        where = ((np.arctan2(y[keep], x[keep]) + np.pi) * (bins / (2 * np.pi))).astype(np.int64) % bins
        best = np.full(bins, np.inf)
        np.minimum.at(best, where, square[keep])
        r = np.sqrt(best)
        return np.where(r < NEAR, -np.inf, np.where(r <= FAR, r, np.nan)).astype(np.float32)

    return flat


def by_open3d(xyz: npt.NDArray[np.float32]) -> tuple[Callable[[], int] | None, str]:
    """The same transform, then the crop to the slice's heights, by Open3D's tensor cloud: how many are kept.

    No bins: a part of the work, as a general library offers it. A note instead where it is missing.
    """
    try:
        o3d: Any = importlib.import_module("open3d")
    except (ImportError, OSError) as error:
        return None, f"Open3D: left out, {error}"
    core = o3d.core
    cloud = o3d.t.geometry.PointCloud(core.Tensor.from_numpy(xyz))
    matrix = core.Tensor(level_from_sensor().astype(np.float32))
    low, high = [-1e3, -1e3, BOTTOM], [1e3, 1e3, TOP]
    box = o3d.t.geometry.AxisAlignedBoundingBox(
        core.Tensor(low, core.float32), core.Tensor(high, core.float32)
    )

    def cropped() -> int:
        return len(cloud.clone().transform(matrix).crop(box).point.positions)

    return cropped, ""


def inside(xyz: npt.NDArray[np.float32]) -> int:
    """How many returns lie in the slice, in float64."""
    z = level_from_sensor()[2] @ np.vstack([xyz.T, np.ones(len(xyz))])
    return int(((z >= BOTTOM) & (z < TOP)).sum())
