"""What is drawn, as plain coordinates: returns, outlines, blind zones, sensor.

All in the level frame about the body's origin on the floor (x forward, y left, z up, metres): a
scan's own frame, moved back from the fan's origin to the robot's centre.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.cloud import Cloud
from flatten.fitted import FittedFloor
from flatten.plan import mount_transform
from flatten.profile import BlindZone, Mount, Profile

Numbers = npt.NDArray[np.float64]
Attitude = tuple[float, float]

ARC = math.radians(2.0)
"""Arcs are drawn as chords of at most this angle: 0.015 % of the radius beside the true arc."""

PLAN = (0, 1)
"""Axes of a view from above: x and y."""
SIDE = (0, 2)
"""Axes of a view from the right: x and z."""


def level_turn(profile: Profile, attitude: Attitude | None) -> Numbers:
    """Give the (3, 3) rotation level_from_body at an attitude (rad); none with `level: body`."""
    if attitude is None or profile.level == "body":
        return np.eye(3)
    turn: Numbers = frames.level_from_body(*attitude)[:3, :3]
    return turn


def level_from_sensor(profile: Profile, attitude: Attitude | None) -> Numbers:
    """Give the (4, 4) pose of the sensor in the level frame about the body's origin."""
    turn = frames.transform(level_turn(profile, attitude), (0.0, 0.0, 0.0))
    pose: Numbers = turn @ mount_transform(profile.mount)
    return pose


def level_returns(
    cloud: Cloud, profile: Profile, attitude: Attitude | None, most: int | None = None
) -> Numbers:
    """Place the good returns of a cloud: (n, 3); NaN, infinite and exactly zero ones are left out.

    Of more than `most` an even random choice of that number, always the same one.
    """
    xyz = cloud.xyz
    xyz = xyz[np.isfinite(xyz).all(axis=1) & (xyz != 0.0).any(axis=1)]
    if most is not None and len(xyz) > most:
        xyz = xyz[np.sort(np.random.default_rng(0).choice(len(xyz), most, replace=False))]
    pose = level_from_sensor(profile, attitude)
    placed: Numbers = xyz @ pose[:3, :3].T + pose[:3, 3]
    return placed


def over_floor(points: Numbers, profile: Profile, floor: FittedFloor | None) -> Numbers:
    """Turn heights of the level frame, (n, 3), into heights above a fitted floor; as they are without one."""
    if floor is None:
        return points
    under = floor.at(points[:, 0] - profile.mount.x, points[:, 1] - profile.mount.y)
    lowered: Numbers = points.copy()
    lowered[:, 2] -= np.where(np.isfinite(under), under, 0.0)
    return lowered


def in_band(
    distance: Numbers, height: Numbers, bottom: float, top: float, rise: float
) -> npt.NDArray[np.bool_]:
    """Tell which returns lie in a slice [bottom + rise·distance, top)."""
    return (height >= bottom + rise * distance) & (height < top)


def swept(ring: Numbers, along: Numbers) -> Numbers:
    """Sweep a closed ring (n, 2) along a vector (2,): (2n, 2), to be filled by non-zero winding.

    Each edge goes to the end of the way if its outer side looks along it and stays otherwise; what
    lies within (winding number not zero) is the union of all places of the ring on its way.
    """
    after = np.roll(ring, -1, axis=0)
    edge = after - ring
    moved = (edge[:, 1] * along[0] - edge[:, 0] * along[1] > 0.0)[:, None] * along
    return np.stack([ring + moved, after + moved], axis=1).reshape(-1, 2)


def prism_rings(rings: Sequence[Numbers], z: tuple[float, float], turn: Numbers) -> list[Numbers]:
    """Outline from above of an upright prism of the body frame when the body is turned.

    `rings` are its outlines in the body's x and y, outer ones counter-clockwise, holes clockwise.
    """
    across, along = turn[:2, :2], turn[:2, 2]
    placed = [ring @ across.T + along * z[0] for ring in rings]
    way = along * (z[1] - z[0])
    return [swept(ring, way) for ring in placed] if way.any() else placed


def box_ring(x: tuple[float, float], y: tuple[float, float]) -> Numbers:
    """Corners (4, 2) of a rectangle, counter-clockwise."""
    return np.array([[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]])


def arc(centre: tuple[float, float], radius: float, first: float, last: float) -> Numbers:
    """Points of an arc about `centre` from bearing `first` to `last` (rad), both included."""
    steps = max(1, math.ceil(abs(last - first) / ARC))
    bearings = np.linspace(first, last, steps + 1)
    return np.array(centre) + radius * np.stack([np.cos(bearings), np.sin(bearings)], axis=1)


def zone_rings(zone: BlindZone, mount: Mount) -> list[Numbers]:
    """Outline of a blind zone in the body's x and y, outer ring counter-clockwise, a hole clockwise."""
    if zone.box is not None:
        return [box_ring(zone.box.x, zone.box.y)]
    if zone.cylinder is not None:
        centre = zone.cylinder.x, zone.cylinder.y
        return [arc(centre, zone.cylinder.radius, 0.0, 2.0 * math.pi)[:-1]]
    sector = zone.sector
    assert sector is not None  # the profile has seen to it that a zone has one body
    apex = mount.x, mount.y
    first = math.radians(sector.first)
    last = first + math.radians(sector.width)
    outer, inner = arc(apex, sector.far, first, last), arc(apex, sector.near, last, first)
    if sector.width == 360.0:
        return [outer[:-1], inner[:-1]] if sector.near > 0.0 else [outer[:-1]]
    return [np.concatenate([outer, inner if sector.near > 0.0 else np.array([apex])])]


def zone_heights(zone: BlindZone, profile: Profile) -> tuple[float, float]:
    """Heights between which a zone is drawn; one without bounds as high as the robot."""
    z: tuple[float, float] | None = zone.shape.z
    return (0.0, profile.robot.height) if z is None else z


def zone_footprint(zone: BlindZone, profile: Profile, attitude: Attitude | None) -> list[Numbers]:
    """Outline of a blind zone from above, as the body leans."""
    turn = level_turn(profile, attitude)
    return prism_rings(zone_rings(zone, profile.mount), zone_heights(zone, profile), turn)


def robot_footprint(profile: Profile, attitude: Attitude | None) -> Numbers:
    """Outline of the robot from above, as it leans."""
    robot = profile.robot
    ring = box_ring((-robot.length / 2, robot.length / 2), (-robot.width / 2, robot.width / 2))
    return prism_rings([ring], (0.0, robot.height), level_turn(profile, attitude))[0]


def robot_side(profile: Profile, attitude: Attitude | None) -> Numbers:
    """Outline of the robot in x and z, as it leans: the shadow of its box on an upright plane."""
    robot, turn = profile.robot, level_turn(profile, attitude)
    ring = box_ring((-robot.length / 2, robot.length / 2), (0.0, robot.height))
    placed = ring @ turn[np.ix_(SIDE, SIDE)].T - turn[list(SIDE), 1] * robot.width / 2
    way = turn[list(SIDE), 1] * robot.width
    return swept(placed, way) if way.any() else placed


def in_robot_axes(
    points: Sequence[tuple[float, float]], profile: Profile, attitude: Attitude | None
) -> Numbers:
    """Place points (x, y) of the body's floor plane, seen from above: (n, 2)."""
    placed: Numbers = np.array(points, np.float64) @ level_turn(profile, attitude)[:2, :2].T
    return placed
