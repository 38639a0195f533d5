"""Outlines against brute force: a point belongs to a footprint if some height of the body lies above it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten.pictures import geometry
from tests.pictures import scratch
from tests.twin import rotation

LEAN = (math.radians(9.0), math.radians(-14.0))
SHAPES = {
    "box": {"box": {"x": [-0.3, 0.5], "y": [0.1, 0.4], "z": [0.2, 1.4]}},
    "cylinder": {"cylinder": {"x": 0.4, "y": -0.3, "radius": 0.2, "z": [-0.1, 1.0]}},
    "pie": {"sector": {"first": 20, "last": 75, "far": 0.9, "z": [0.0, 1.2]}},
    "wrapped": {"sector": {"first": 150, "last": -160, "near": 0.3, "far": 0.8, "z": [0.1, 0.9]}},
    "wide": {"sector": {"first": -120, "last": 130, "near": 0.4, "far": 0.7, "z": [0.0, 1.0]}},
    "ring": {"sector": {"first": -180, "last": 180, "near": 0.5, "far": 0.8, "z": [0.0, 0.5]}},
    "disc": {"sector": {"first": 0, "last": 360, "far": 0.6, "z": [0.3, 0.8]}},
}


def inside_prism(shape: dict, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Whether body coordinates lie in the shape, from the meaning of its keys alone."""
    if "box" in shape:
        (x0, x1), (y0, y1) = shape["box"]["x"], shape["box"]["y"]
        return (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
    if "cylinder" in shape:
        c = shape["cylinder"]
        return np.hypot(x - c["x"], y - c["y"]) <= c["radius"]
    s = shape["sector"]
    away, up = x - scratch.ORIGIN[0], y - scratch.ORIGIN[1]
    distance, bearing = np.hypot(away, up), np.degrees(np.arctan2(up, away))
    width = (s["last"] - s["first"]) % 360 or 360
    return (distance >= s.get("near", 0.0)) & (distance <= s["far"]) & ((bearing - s["first"]) % 360 <= width)


def by_brute_force(shape: dict, points: np.ndarray, lean: tuple[float, float]) -> np.ndarray:
    """Try many heights: the body point above `points` at body height z solves a 2 × 2 system."""
    turn = rotation(*lean, 0.0)
    z0, z1 = next(iter(shape.values()))["z"]
    found = np.zeros(len(points), bool)
    for z in np.linspace(z0, z1, 1201):
        x, y = np.linalg.solve(turn[:2, :2], (points - turn[:2, 2] * z).T)
        found |= inside_prism(shape, x, y)
    return found


@pytest.mark.parametrize("lean", [(0.0, 0.0), LEAN], ids=["level", "leaning"])
@pytest.mark.parametrize("kind", SHAPES)
def test_zone_footprint_holds_what_lies_below_the_zone(kind: str, lean: tuple[float, float]) -> None:
    profile = scratch.profile(blind_zones=[{"name": kind, **SHAPES[kind]}])
    rings = geometry.zone_footprint(profile.blind_zones[0], profile, lean)
    points = np.random.default_rng(5).uniform(-1.1, 1.6, (3000, 2))
    drawn, true = scratch.winding(rings, points) != 0, by_brute_force(SHAPES[kind], points, lean)
    # chords of 2° lie at most 0.015 % of 0.9 m inside the arc, the heights are 1 mm apart: 2 mm in all
    edges = np.concatenate([np.stack([r, np.roll(r, -1, axis=0)], axis=1) for r in rings])
    unsure = distance_to(edges, points) < 0.002
    assert (drawn == true)[~unsure].all()
    assert 0.005 < true.mean() < 0.9 and unsure.mean() < 0.2


def distance_to(edges: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Least distance of each point to the edges (n, 2, 2)."""
    a, along = edges[:, 0], edges[:, 1] - edges[:, 0]
    length = np.maximum((along**2).sum(axis=1), 1e-18)
    part = np.clip(((points[:, None] - a) * along).sum(axis=2) / length, 0.0, 1.0)
    return np.sqrt((((a + part[..., None] * along) - points[:, None]) ** 2).sum(axis=2)).min(axis=1)


def test_level_outlines_are_the_declared_ones() -> None:
    profile = scratch.profile()
    hull, mast, lamp = (geometry.zone_footprint(zone, profile, None) for zone in profile.blind_zones)
    assert sorted(map(tuple, hull[0])) == [(-0.48, -0.36), (-0.48, 0.36), (0.48, -0.36), (0.48, 0.36)]
    away = np.hypot(*(mast[0] - scratch.ORIGIN).T)
    assert np.isclose(away[:, None], [0.1, 0.6], atol=1e-12).any(axis=1).all()
    assert np.allclose(np.hypot(*(lamp[0] - (0.4, 0.3)).T), 0.06, atol=1e-12)
    robot = geometry.robot_footprint(profile, None)
    assert np.ptp(robot, axis=0) == pytest.approx([profile.robot.length, profile.robot.width], abs=1e-12)


def test_level_body_does_not_lean() -> None:
    profile = scratch.profile(level="body")
    leaning = geometry.robot_footprint(profile, LEAN)
    assert np.array_equal(leaning, geometry.robot_footprint(profile, None))


@pytest.mark.parametrize("lean", [(0.0, 0.0), LEAN])
def test_robot_from_the_side_spans_the_corners_of_its_box(lean: tuple[float, float]) -> None:
    profile = scratch.profile()
    robot = profile.robot
    corners = np.array([
        [x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (0.0, 1.0)
    ]) * (robot.length, robot.width, robot.height)  # fmt: skip
    placed = corners @ rotation(*lean, 0.0).T
    side = geometry.robot_side(profile, lean)
    for turn in np.linspace(0.0, 2.0 * math.pi, 60):  # the farthest corner in every direction
        way = np.array([math.cos(turn), math.sin(turn)])
        assert (side @ way).max() == pytest.approx((placed[:, [0, 2]] @ way).max(), abs=1e-12)


def test_returns_come_back_to_where_they_were_put() -> None:
    points = np.random.default_rng(1).uniform(-5.0, 5.0, (200, 3))
    profile = scratch.profile()
    for lean in (None, LEAN):
        placed = geometry.level_returns(scratch.seen(points, lean), profile, lean)
        assert placed == pytest.approx(points, abs=1e-12)  # float64 all the way


def test_bad_returns_are_left_out_and_too_many_thinned() -> None:
    profile = scratch.profile()
    xyz = np.ones((100, 3))
    xyz[:3] = [[0.0, 0.0, 0.0], [np.nan, 1.0, 1.0], [1.0, np.inf, 1.0]]
    cloud = scratch.Cloud.from_array(xyz)
    assert len(geometry.level_returns(cloud, profile, None)) == 97
    few = [geometry.level_returns(cloud, profile, None, most=10) for _ in range(2)]
    assert len(few[0]) == 10 and np.array_equal(*few)
