"""A body that moves, for what motion costs: frames one after the other, each with poses at 100 Hz.

It drives at 1 m/s and turns at 60°/s, so that every return has a matrix of its own and every beam a
start of its own. The clouds come from elsewhere and show another way: that costs the same.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.motion import Motion, Stamped

Numbers = npt.NDArray[np.float64]

RATE, SPEED, TURN = 100.0, 1.0, math.radians(60.0)
"""Poses a second, m/s, rad/s."""


def timed(cloud: Cloud, seconds: float) -> Cloud:
    """Give the returns times from the frame's start, float32 seconds: as their own, or evenly one by one."""
    own = np.arange(float(len(cloud))) if cloud.time is None else cloud.time.astype(np.float64).reshape(-1)
    since = own - own.min(initial=0.0 if cloud.time is None else np.inf)
    longest = since.max(initial=0.0)
    share = since / longest if 0.0 < longest < np.inf else np.zeros(len(cloud))
    time = (seconds * share).astype(np.float32).reshape(cloud.x.shape)
    return Cloud(cloud.x, cloud.y, cloud.z, cloud.intensity, time, cloud.name)


def poses_about(start: float, seconds: float, attitude: tuple[float, float]) -> tuple[Numbers, Numbers]:
    """Times (k,) and poses (k, 7) x, y, z, qx, qy, qz, qw, from before a frame to after it."""
    times = start + np.arange(-1, math.ceil(seconds * RATE) + 2) / RATE
    (cr, cp), (sr, sp) = (tuple(f(0.5 * angle) for angle in attitude) for f in (math.cos, math.sin))
    x, y, z, w = sr * cp, cr * sp, -sr * sp, cr * cp  # Ry(pitch)·Rx(roll), REP 103
    c, s = np.cos(0.5 * TURN * times), np.sin(0.5 * TURN * times)
    ahead, beside = np.sin(TURN * times), 1.0 - np.cos(TURN * times)
    radius, level = SPEED / TURN, np.zeros_like(times)
    turns = (c * x - s * y, c * y + s * x, c * z + s * w, c * w - s * z)
    return times, np.stack([radius * ahead, radius * beside, level, *turns], axis=1)


def motion_of(start: float, times: Numbers, poses: Numbers) -> Motion:
    """Make the motion of a frame whose returns are stamped from `start` on, as a node does."""
    return Motion(times, poses, stamps=Stamped(zero=start))
