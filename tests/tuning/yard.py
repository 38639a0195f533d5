"""A yard in closed form: level floor, and upright plates across the way, as a tilted sensor sees them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from flatten import Cloud, Profile, frames, scene
from tests.tuning.floors import to_plane

SENSOR = scene.Rotating(beams=64, columns=360, lowest=math.radians(-50.0), highest=math.radians(12.0))
HEIGHT = 0.8
PROFILE = """\
# the rover of the seedling house
robot: {length: 0.9, width: 0.7, height: 0.9, step: 0.06, drop: 0.06, clearance: 0.1}
mount: {x: 0.0, y: 0.0, z: 0.8, roll: 0.0, pitch: 0.0, yaw: 0.0}
level: gravity
slices:
  drive: {bottom: 0.20, top: 1.30}   # by eye
fan: {first: -180, last: 180, bins: 360}
reach: {near: 0.3, far: 15.0}
blind_zones:
  - {name: hull, box: {x: [-0.45, 0.45], y: [-0.35, 0.35], z: [0.0, 0.75]}}
"""
"""Must be seen is 0.06 to 1.00 m."""


class Plate(NamedTuple):
    """Upright, square to a bearing (degrees), `half` metres to both sides, between two heights."""

    away: float
    bearing: float
    low: float
    high: float
    half: float = 1.0


KERB = Plate(3.0, 0.0, 0.0, 0.14)
WALL = Plate(5.0, 90.0, 0.0, 2.0)
BAR = Plate(4.0, 180.0, 1.2, 1.4)
BEAM = Plate(4.0, 270.0, 0.8, 0.98)
"""Hangs low enough to be hit."""
ALL = (KERB, WALL, BAR, BEAM)


def profile(**overrides: object) -> Profile:
    """The profile, with values above it; keys have __ for the dot."""
    return Profile.parse(PROFILE, "rover.yaml", {k.replace("__", "."): v for k, v in overrides.items()})


def frame(
    plates: Sequence[Plate] = ALL, lean: tuple[float, float] = (0.0, 0.0), seed: int = 0, noise: float = 0.005
) -> Cloud:
    """One cloud of a body that leans by (roll, pitch) radians about the sensor's foot."""
    directions = SENSOR.rays().directions
    level = directions @ frames.level_from_body(*lean)[:3, :3].T
    ranges = to_plane(level, (0.0, 0.0, 1.0), HEIGHT)
    for plate in plates:
        turn = math.radians(plate.bearing)
        ahead, left = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
        with np.errstate(divide="ignore", invalid="ignore"):
            to = plate.away / (level[:, :2] @ ahead)
            height, aside = HEIGHT + to * level[:, 2], np.abs(to * (level[:, :2] @ left))
        met = (to > 0.0) & (height >= plate.low) & (height < plate.high) & (aside <= plate.half)
        ranges = np.where(met, np.minimum(to, ranges), ranges)
    kept = np.isfinite(ranges) & (ranges < 30.0)
    measured = ranges[kept] + np.random.default_rng(seed).normal(0.0, noise, int(kept.sum()))
    return Cloud.from_array((directions[kept] * measured[:, None]).astype(np.float32), f"yard {seed}")
