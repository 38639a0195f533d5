"""Yaw of the sensor, which no floor can tell: from a straight wall, or from a straight drive."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from flatten import frames
from flatten.errors import TuningError
from flatten.frames import Matrix
from flatten.motion import Motion
from flatten.tuning import start
from flatten.tuning.floor_plane import FEWEST_PATCHES, Plane, PlaneFit, fit_plane
from flatten.tuning.patches import Beams, Numbers
from flatten.tuning.weighing import surprising, weigh

FACING = {"ahead": math.pi, "left": -math.pi / 2, "behind": 0.0, "right": math.pi / 2}
"""Bearing in the body of the normal of a wall that stands there, towards the robot."""
OFF = math.radians(20.0)
"""How far the profile's yaw may be off."""
UPRIGHT = math.radians(5.0)
"""How far a wall may lean; more is a fence or a slope."""
NEAREST, FARTHEST = 0.4, 12.0
LOWEST, HIGHEST = 0.15, 4.0
"""Metres above the floor between which a wall is looked for."""
LEAST_SURE = math.radians(0.5)
LEAST_WIDE = 0.25
"""Metres, one sigma, along the wall over which its patches must be spread."""
ROUGHEST = 0.03

SHORTEST_DRIVE = 2.0
"""Metres."""
STEP = 0.25
"""Metres between the places of a drive that are compared."""
STRAIGHT = math.radians(2.0)
"""How far a straight drive may turn."""


class Heading(NamedTuple):
    """Yaw as one cloud tells it."""

    yaw: float
    """Radians."""
    influence: Numbers
    """(K, 1) how far each patch of the wall moves it, one sigma."""
    wall: float
    """Metres to the wall."""
    returns: int
    patches: int


@dataclass(frozen=True)
class Yaw:
    """Yaw of the mount, radians, and what it rests on."""

    value: float
    sigma: float
    """Standard error of the fit; that wall or drive are true to the robot's axis is taken for granted."""
    rests_on: str
    """In words."""
    disagrees: bool = False
    """Whether clouds disagreed by more than their errors, so that the error was widened."""


def yaw_from_walls(clouds: Sequence[Beams], tilts: Sequence[Numbers], start_yaw: float, side: str) -> Yaw:
    """Find yaw from a straight wall that stands square ahead or behind, or runs along left or right.

    Parameters
    ----------
    clouds:
        Clouds as beams of the sensor, metres.
    tilts:
        (roll, pitch, z) of the sensor at each of them: radians and metres.
    start_yaw:
        Yaw in the profile, radians, within 20° of the true one.
    side:
        Where the wall stands: ahead, left, behind or right.

    Raises TuningError where a cloud has no such wall.

    """
    found = [yaw_from_wall(beams, tilt, start_yaw, side) for beams, tilt in zip(clouds, tilts, strict=True)]
    first = found[0].yaw
    told = weigh(
        [np.array([math.remainder(part.yaw - first, 2 * math.pi)]) for part in found],
        [part.influence for part in found],
    )
    distances = sorted(part.wall for part in found)
    where = f"{distances[0]:.1f} m" if len(found) == 1 else f"{distances[0]:.1f} to {distances[-1]:.1f} m"
    runs = "standing square" if side in ("ahead", "behind") else "running along"
    words = (
        f"the wall {side}, {where} away ({sum(part.returns for part in found):,} returns in "
        f"{sum(part.patches for part in found)} patches), {runs} as you say"
    )
    value = math.remainder(first + float(told.values[0]), 2 * math.pi)
    wide = bool(told.disagreement[0] > surprising(len(found) - 1))
    return Yaw(value, float(told.sigmas[0]), words, wide)


def yaw_from_wall(beams: Beams, tilt: Numbers, start_yaw: float, side: str) -> Heading:
    """Find yaw from the wall in one cloud; see `yaw_from_walls`."""
    level_from_sensor = frames.rotation(float(tilt[0]), float(tilt[1]), 0.0)
    bearing = FACING[side] - start_yaw
    expected = np.array([math.cos(bearing), math.sin(bearing), 0.0])
    points = beams.directions * beams.ranges[:, None] @ level_from_sensor.T
    height = points[:, 2] + float(tilt[2])
    away = -points @ expected
    aside = np.hypot(points[:, 0], points[:, 1])
    there = (height >= LOWEST) & (height <= HIGHEST) & (aside <= FARTHEST)
    there &= (away >= NEAREST) & (away >= aside * math.cos(math.radians(50.0)))
    plane = _wall_among(points[there], expected, side)
    # the floor, and what is not on this side, are no part of it
    kept = Beams(beams.directions[there], beams.ranges[there])
    fit = fit_plane([kept], Plane(level_from_sensor.T @ plane.up, plane.distance), f"wall {side}")
    _check_wall(fit, level_from_sensor, side)
    return _heading(fit, level_from_sensor, side)


def _wall_among(points: Numbers, expected: Numbers, side: str) -> Plane:
    """Find the largest upright plane that faces the robot within OFF of where it is expected."""
    for found in start.planes(points):
        up = found.plane.up
        level = math.hypot(up[0], up[1])
        if level >= math.cos(UPRIGHT) and up @ expected >= level * math.cos(OFF):
            return found.plane
    raise TuningError(
        f"no wall {side}: no upright plane {NEAREST:g} to {FARTHEST:g} m away faces the robot "
        f"within {math.degrees(OFF):.0f}° of where the profile's yaw has it: correct one of the two"
    )


def _check_wall(fit: PlaneFit, level_from_sensor: Matrix, side: str) -> None:
    counts = fit.weights > 0.5
    along = fit.axes[:2].T @ fit.patches.rows[counts, 1:3].T
    level = level_from_sensor @ along
    wide = math.sqrt(float(np.var(level[0]) + np.var(level[1]))) if counts.any() else 0.0
    if int(counts.sum()) < FEWEST_PATCHES or wide < LEAST_WIDE:
        raise TuningError(
            f"the wall {side} is too small: {int(counts.sum())} patches spread {2 * wide:.2f} m along it; "
            f"wanted are {FEWEST_PATCHES} and {2 * LEAST_WIDE:g} m: go nearer, or choose a longer wall"
        )
    if fit.unevenness > ROUGHEST:
        raise TuningError(
            f"the wall {side} is not straight: its patches scatter by {1e3 * fit.unevenness:.0f} mm, at most "
            f"{1e3 * ROUGHEST:.0f} mm are wanted: choose a plainer wall"
        )


def _heading(fit: PlaneFit, level_from_sensor: Matrix, side: str) -> Heading:
    mx, my, _ = level_from_sensor @ fit.plane.up
    yaw = math.remainder(FACING[side] - math.atan2(my, mx), 2 * math.pi)
    turned = -level_from_sensor @ fit.axes[:2].T  # (3, 2) how the normal moves with the rises along x and y
    by_rise = -(mx * turned[1] - my * turned[0]) / (mx**2 + my**2)
    influence = fit.influence[:, 1:3] @ by_rise
    sigma = float(np.linalg.norm(influence))
    if sigma > LEAST_SURE:
        raise TuningError(
            f"the wall {side} says too little: standard error of yaw {math.degrees(sigma):.2f}°, at most "
            f"{math.degrees(LEAST_SURE):.1f}° are of use: choose a longer or plainer wall"
        )
    support = fit.weights > 0.5
    returns = int(fit.patches.counts[support].sum())
    return Heading(yaw, influence[:, None], fit.plane.distance, returns, int(support.sum()))


def yaw_from_drive(sensor_poses: Motion, tilt: Numbers, start_yaw: float) -> Yaw:
    """Find yaw from a drive straight ahead or straight back.

    Parameters
    ----------
    sensor_poses:
        Poses of the **sensor**, its own axes in some fixed frame, as lidar odometry gives them.
    tilt:
        (roll, pitch, …) of the sensor in the body, radians.
    start_yaw:
        Yaw in the profile, radians; it settles which way is ahead.

    Between places a step apart the body moves along its x axis; seen in the sensor's axes this is where
    x points. Raises TuningError where the drive is too short or not straight.

    """
    level_from_sensor = frames.rotation(float(tilt[0]), float(tilt[1]), 0.0)
    odom_from_sensor = _places(sensor_poses)
    position, turn = odom_from_sensor[:, :3, 3], odom_from_sensor[:, :3, :3]
    moved = np.einsum("kji,kj->ki", turn[:-1] + turn[1:], np.diff(position, axis=0)) / 2.0
    along = moved @ level_from_sensor.T
    total = along[:, :2].sum(axis=0)
    length = float(np.linalg.norm(total))
    if length < SHORTEST_DRIVE or len(along) < 4:
        raise TuningError(
            f"the drive is too short: {length:.2f} m in one direction, of {SHORTEST_DRIVE:g} m wanted"
        )
    turned = _turned(turn)
    if turned > STRAIGHT:
        raise TuningError(
            f"the drive is not straight: the sensor turned {math.degrees(turned):.1f}° on its way, at most "
            f"{math.degrees(STRAIGHT):.0f}° are allowed: drive straight, or cut the poses to where it is"
        )
    yaw = -math.atan2(total[1], total[0])
    back = math.cos(yaw - start_yaw) < 0.0
    yaw = math.remainder(yaw + math.pi * back, 2 * math.pi)
    across = (along[:, 1] * total[0] - along[:, 0] * total[1]) / length
    n = len(across)
    # as if each step went astray by itself (tracks that slip, odometry that drifts): errors add up
    sigma = math.sqrt(float(np.square(across - across.mean()).sum()) * n / (n - 1)) / length
    way = "back" if back else "ahead"
    return Yaw(yaw, sigma, f"a drive of {length:.1f} m straight {way}, as the poses of the sensor tell it")


def _places(poses: Motion) -> Numbers:
    """(k, 4, 4) poses about STEP apart along the drive."""
    matrices = poses.matrices(poses.seconds)
    gone = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(matrices[:, :3, 3], axis=0), axis=1)))
    first = np.unique(np.searchsorted(gone, np.arange(0.0, gone[-1] + 1e-9, STEP)))
    return np.asarray(matrices[np.minimum(first, len(matrices) - 1)])


def _turned(turn: Numbers) -> float:
    """Greatest angle between the orientations and the middle one, radians."""
    middle = turn[len(turn) // 2]
    cosines = (np.einsum("kij,ij->k", turn, middle) - 1.0) / 2.0
    return float(np.arccos(np.clip(cosines, -1.0, 1.0)).max())
