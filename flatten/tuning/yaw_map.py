"""Yaw of the sensor from a drive with known poses: upright surfaces lie still while they are driven past.

Seen from one place, a sensor that is turned about the vertical shows the same surroundings, turned. On a
drive whose poses are known otherwise (tracks, gyroscope) they come apart: a wall at the rover's side is put
too near where it lies ahead and too far where it lies behind. The yaw is the one by which they fall together.

Returns of all clouds are put on one map by the poses and sorted into cells. In a cell that holds a piece of
an upright surface, a return lies r off that surface; turning the mount by ψ moves it across by ψ times its
distance along the surface from the sensor. Both are taken about the cell's mean and free of where along the
surface the return lies, as a surface may run as it likes; what is left tells one place of the sensor from
another, and ψ is the regression of the one on the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from flatten import frames
from flatten.errors import TuningError
from flatten.frames import Matrix
from flatten.tuning.patches import Mask, Numbers, Places
from flatten.tuning.yaw import Yaw

LOWEST, HIGHEST = 0.3, 2.5
"""Metres above the floor between which returns are used."""
NEAREST, FARTHEST = 0.8, 12.0
"""Metres from the sensor."""
CELL = 0.4
"""Metres."""
FEWEST = 12
"""Returns in a cell."""
THIN = 0.02
"""Share of its returns' spread along a surface that is left across it, variances."""
BIWEIGHT = 4.7
"""Residuals in sigma at which a return no longer counts (Tukey's biweight, 95 % efficient; from memory)."""
ROUNDS = 8
SETTLED = 1e-5
PARTS = 10
"""Stretches of the drive; leaving each out in turn tells the error (the jackknife)."""
LEAST_WAY = 0.5
"""Metres, one sigma, over which the places of the sensor must be spread."""
LEAST_SURE = math.radians(0.5)


class _Views(NamedTuple):
    """Returns of upright things as clouds saw them; arrays (N, …)."""

    points: Numbers
    """(N, 2) about the sensor, in the map's axes by the mount's yaw as it was thought to be, metres."""
    sensors: Numbers
    """(N, 2) where the sensor was on the map."""
    part: Places
    """Stretch of the drive."""


def yaw_from_map(
    clouds: Sequence[Numbers], odom_from_body: Numbers, body_from_sensor: Matrix, start_yaw: float
) -> Yaw:
    """Find yaw from clouds of a drive and the body's poses.

    Parameters
    ----------
    clouds:
        Returns (N, 3) in the sensor's axes at one moment each, metres.
    odom_from_body:
        (k, 4, 4) poses of the body at these moments.
    body_from_sensor:
        (4, 4) the mount with roll, pitch and z as they are.
    start_yaw:
        Its yaw, radians, within a few degrees of the true one.

    Raises TuningError where too little stands about, or it was not driven past.

    """
    views = _views(clouds, odom_from_body, body_from_sensor)
    if len(views.part) < 100:
        raise TuningError("yaw: hardly anything stands about: drive past walls or benches, several metres")
    if float(np.hypot(*views.sensors.std(axis=0))) < LEAST_WAY:
        raise TuningError("yaw: the robot hardly moved: drive past walls or benches, several metres")
    turn, formal = _turn(views, np.ones(len(views.part), bool), 0.0)
    parts = [part for part in range(PARTS) if (views.part == part).any()]
    without = np.array([_turn(views, views.part != part, turn)[0] for part in parts])
    n = len(parts)
    jackknife = math.sqrt((n - 1) / n * float(np.square(without - without.mean()).sum()))
    sigma = max(formal, jackknife) if n > 1 else math.inf
    if not sigma <= LEAST_SURE:
        raise TuningError(
            f"yaw: the drive tells it to {math.degrees(sigma):.1f}° only, at most "
            f"{math.degrees(LEAST_SURE):.1f}° are of use: drive past walls or benches, several metres"
        )
    value = math.remainder(start_yaw + turn, math.tau)
    words = f"{len(views.part):,} returns of what was driven past, as the poses of the body have it"
    return Yaw(value, sigma, words)


def _views(clouds: Sequence[Numbers], odom_from_body: Numbers, body_from_sensor: Matrix) -> _Views:
    points, sensors, part = [], [], []
    for number, (cloud, pose) in enumerate(zip(clouds, odom_from_body, strict=True)):
        odom_from_sensor = pose @ body_from_sensor
        seen = cloud[np.isfinite(cloud).all(axis=1) & (cloud != 0.0).any(axis=1)]
        turned = seen @ odom_from_sensor[:3, :3].T
        up = (seen @ body_from_sensor[:3, :3].T + body_from_sensor[:3, 3]) @ pose[:3, :3].T
        away = np.hypot(turned[:, 0], turned[:, 1])
        used = (up[:, 2] >= LOWEST) & (up[:, 2] <= HIGHEST) & (away >= NEAREST) & (away <= FARTHEST)
        points.append(turned[used, :2])
        sensors.append(np.tile(odom_from_sensor[:2, 3], (int(used.sum()), 1)))
        part.append(np.full(int(used.sum()), number * PARTS // len(clouds)))
    return _Views(np.concatenate(points), np.concatenate(sensors), np.concatenate(part))


def _turn(views: _Views, chosen: Mask, turn: float) -> tuple[float, float]:
    """Angle by which the mount must be turned, from one near it on, and its error by noise; radians."""
    sigma = math.inf
    for _ in range(ROUNDS):
        turned = views.points[chosen] @ frames.rotation_z(turn)[:2, :2].T
        step, sigma = _step(turned, views.sensors[chosen])
        turn += step
        if abs(step) < SETTLED:
            break
    return turn, sigma


def _step(turned: Numbers, sensors: Numbers) -> tuple[float, float]:
    """Regression of how far returns lie off their surfaces on how far a turn would move them; its error."""
    on_map = turned + sensors
    _, cell = np.unique(np.floor(on_map / CELL).astype(np.int64), axis=0, return_inverse=True)
    cell = cell.reshape(-1)
    count = np.bincount(cell)

    def about_mean(values: Numbers) -> Numbers:
        return np.asarray(values - (np.bincount(cell, values) / count)[cell])

    x, y = about_mean(on_map[:, 0]), about_mean(on_map[:, 1])
    xx, yy, xy = (np.bincount(cell, product) / count for product in (x * x, y * y, x * y))
    half, off = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    flat = (count >= FEWEST) & (half - off <= THIN * (half + off))
    along = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    nx, ny = -np.sin(along)[cell], np.cos(along)[cell]
    good = flat[cell]
    # turned by ψ about the sensor, a return moves by ψ·(−y, x)
    across, moved = nx * x + ny * y, about_mean(ny * turned[:, 0] - nx * turned[:, 1])
    # across is free of where along the surface a return lies, by the choice of the surface; so must moved be
    place = ny * x - nx * y
    slope = np.bincount(cell, moved * place) / np.maximum(np.bincount(cell, place * place), 1e-12)
    moved = moved - slope[cell] * place
    across, moved = across[good], moved[good]
    if len(across) < FEWEST:
        return 0.0, math.inf
    weights = np.ones(len(across))
    step, scale = 0.0, 1.0
    for _ in range(5):
        step = -float((weights * moved * across).sum() / max((weights * moved * moved).sum(), 1e-12))
        left = across + step * moved
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-4)
        weights = np.square(np.maximum(1.0 - np.square(left / (BIWEIGHT * scale)), 0.0))
    return step, scale / math.sqrt(max(float((weights * moved * moved).sum()), 1e-12))
