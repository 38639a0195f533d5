"""A small robot that drives among things, as a made-up sensor sees it; and what is truly its own."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from flatten import Cloud, Profile, scene
from flatten.scene.solids import Box, Cylinder, Solid, wall
from flatten.tuning.near import pose_of

SENSOR = scene.Rosette(returns=12_000)
ROBOT: tuple[Solid, ...] = (
    Box(name="deck", x=0.0, y=0.0, length=0.8, width=0.6, bottom=0.08, top=0.4),
    Cylinder(name="mast", start=(0.05, 0.0, 0.4), end=(0.05, 0.0, 0.8), radius=0.03),
    Cylinder(name="antenna", start=(-0.35, 0.25, 0.4), end=(-0.35, 0.25, 0.9), radius=0.008),
)
PROFILE = Profile.from_dict(
    {
        "robot": {"length": 0.8, "width": 0.6, "height": 0.8},
        "mount": {"x": 0.25, "y": 0.0, "z": 0.75, "roll": 180.0},
        "slices": {"drive": {"bottom": 0.08, "top": 1.0}},
        "fan": {"bins": 360},
    }
)
MOUNT = scene.Mount(0.25, 0.0, 0.75, math.pi)
CIRCLE = [(math.cos(a) * 1.2, math.sin(a) * 1.2, a + math.pi / 2) for a in np.arange(0.0, 12.0, 0.6)]
"""Poses (x, y, yaw) of a drive round a circle of 1.2 m, nearly twice."""


def yard(*more: Solid, clear: float = 1.9) -> scene.Place:
    """Floor with things that come as near as 0.4 m to the circle, and some more."""
    made = scene.random_place(5, objects=30, reach=8.0, clear=clear)
    return scene.Place([*made.solids, *more])


def shots(
    place: scene.Place,
    poses: Sequence[tuple[float, float, float]] = CIRCLE,
    robot: Callable[[int], Sequence[Solid]] = lambda k: ROBOT,
    seed: int = 0,
) -> Iterator[scene.Capture]:
    """A frame at each pose, range noise 10 mm."""
    for k, pose in enumerate(poses):
        effects = scene.Effects(range_noise=0.01, mixed=0.2, dust=0.001, robot=tuple(robot(k)))
        yield scene.capture(place, SENSOR, pose, MOUNT, effects=effects, seed=seed, frame=k)


def clouds(*args: object, **options: object) -> list[Cloud]:
    """The clouds of `shots` alone."""
    return [shot.cloud for shot in shots(*args, **options)]  # type: ignore[arg-type]


def in_body(shot: scene.Capture) -> np.ndarray:
    """Returns (N, 3) of a frame in the body frame."""
    pose = pose_of(PROFILE.mount)
    return np.asarray(shot.cloud.xyz @ pose[:3, :3].T + pose[:3, 3])


def long_wall(y: float) -> Box:
    """A wall along x."""
    return wall("wall", (-30.0, y), (30.0, y), 2.0, 0.1)
