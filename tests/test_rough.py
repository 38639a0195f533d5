"""The whole way over ground that is not flat: floors, ways down, ghosts; heights in closed form."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from flatten.flattener import Flattener
from flatten.motion import Motion
from flatten.profile import Profile
from flatten.scan import Kind, State

Array = npt.NDArray[np.float64]
Height = Callable[[Array, Array], Array]

ROVER: dict[str, Any] = {
    "robot": {"length": 0.9, "width": 0.7, "height": 0.9, "step": 0.06, "drop": 0.06},
    "mount": {"z": 0.7},
    "level": "floor",
    "slices": {"drive": {"bottom": 0.1, "top": 1.0, "drops": True}},
    "fan": {"bins": 720},
    "reach": {"near": 0.3, "far": 16.0},
}


def flat(x: Array, y: Array) -> Array:
    return 0.0 * x


def ramp(degrees: float) -> Height:
    """Level for 2 m ahead, then up."""
    return lambda x, y: np.maximum(x - 2.0, 0.0) * math.tan(math.radians(degrees))


def dock(x: Array, y: Array) -> Array:
    """An edge 2 m ahead, 0.6 m deep."""
    return np.where(x > 2.0, -0.6, 0.0)


def seen(height: Height, noise: float = 0.0, seed: int = 0) -> Array:
    """Returns (N, 3) in sensor axes of 48 beams between 50 degrees down and 8 up, 1,080 around."""
    down, around = np.radians(np.linspace(-50, 8, 48)), np.radians(np.arange(1080) / 3.0 - 179.9)
    down, around = (part.reshape(-1) for part in np.meshgrid(down, around))
    d = np.stack([np.cos(down) * np.cos(around), np.cos(down) * np.sin(around), np.sin(down)], axis=1)
    before, at = np.zeros(len(d)), np.full(len(d), np.nan)
    for t in np.arange(0.05, 16.0, 0.05):
        p = t * d
        new = np.isnan(at) & (p[:, 2] + 0.7 <= height(p[:, 0], p[:, 1]))
        at[new] = t
    low, high = at - 0.05, at.copy()
    for _ in range(20):
        middle = 0.5 * (low + high)
        p = middle[:, None] * d
        under = p[:, 2] + 0.7 <= height(p[:, 0], p[:, 1])
        low, high = np.where(under, low, middle), np.where(under, middle, high)
    del before
    r = high + np.random.default_rng(seed).normal(0.0, noise, len(high))
    return (r[:, None] * d)[np.isfinite(r)]


@pytest.mark.parametrize("degrees", [5.0, 10.0, 15.0])
def test_a_ramp_is_floor_and_a_post_on_it_is_not(degrees: float) -> None:
    """Up to the profile's slope of 20 degrees; the same ramp is an obstacle to level slices."""
    ground = ramp(degrees)
    post = lambda x, y: ground(x, y) + 0.5 * (np.hypot(x - 4.0, y) < 0.1)  # noqa: E731
    points = seen(post, 0.01)
    scan = Flattener(Profile.from_dict(ROVER)).flatten(points)["drive"]
    assert scan.ranges is not None and scan.states is not None and scan.heights is not None
    hit = scan.states == State.HIT
    ahead = np.abs(scan.bearings) < math.atan2(0.1, 4.0)
    assert hit[ahead].any() and np.all(np.abs(scan.ranges[hit & ahead] - 3.95) < 0.15)
    assert np.count_nonzero(hit & ~ahead) <= 2
    level = {**ROVER, "level": "gravity", "slices": {"drive": {"bottom": 0.1, "top": 1.0}}}
    plain = Flattener(Profile.from_dict(level)).flatten(points)["drive"]
    assert np.count_nonzero((plain.states == State.HIT) & ~ahead) > 100


def test_a_leaning_body_without_an_attitude() -> None:
    """Pitched by 1.5° the floor is in a level slice at 3.8 m (0.1 / tan 1.5°), but not over its own floor."""
    c, s = math.cos(math.radians(1.5)), math.sin(math.radians(1.5))
    points = seen(flat, 0.01)
    up = np.array([0.0, 0.0, 0.7])
    leaning = (points + up) @ np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]).T - up
    scan = Flattener(Profile.from_dict(ROVER)).flatten(leaning)["drive"]
    assert np.count_nonzero(scan.states == State.HIT) == 0
    flattener = Flattener(Profile.from_dict(ROVER))
    flattener.flatten(leaning)
    assert flattener._follower is not None
    assert abs(math.degrees(flattener._follower.floor.tilt[1])) == pytest.approx(1.5, abs=0.1)


def test_a_dock_edge_is_a_hit_of_its_own_kind() -> None:
    scan = Flattener(Profile.from_dict(ROVER)).flatten(seen(dock, 0.005))["drive"]
    assert scan.kinds is not None and scan.ranges is not None and scan.states is not None
    drop = scan.kinds == Kind.DROP
    x = scan.ranges * np.cos(scan.bearings)
    ahead = np.abs(scan.bearings) < 0.6
    assert np.count_nonzero(drop & ahead) > 0.9 * np.count_nonzero(ahead)
    # the last safe floor: at the edge or before it, by the distance from one beam to the next; behind it by
    # no more than the edge runs slantwise through half a sector: 2 m · tan 34° · 2° = 0.05 m
    assert np.all((x[drop & ahead] < 2.06) & (x[drop & ahead] > 1.3))
    assert np.all(scan.states[drop] == State.HIT) and np.all(np.isnan(scan.heights[drop]))
    assert np.all(scan.clear_to[drop] <= scan.ranges[drop])
    assert np.count_nonzero(drop & (np.abs(scan.bearings) > 1.5)) == 0


def test_ghosts_below_wet_ground_are_no_way_down() -> None:
    """A third of the returns of a wet patch come from below: mirrored."""
    points = seen(flat, 0.01)
    wet = (points[:, 0] > 2) & (points[:, 0] < 5) & (np.abs(points[:, 1]) < 1.5) & (points[:, 2] < -0.6)
    ghosts = wet & (np.random.default_rng(2).random(len(points)) < 0.33)
    points[ghosts] *= 1.6
    scan = Flattener(Profile.from_dict(ROVER)).flatten(points)["drive"]
    assert np.count_nonzero(scan.kinds == Kind.DROP) <= 2
    assert np.count_nonzero(scan.states == State.HIT) <= 2
    assert scan.counts.ghosts > 0 and scan.counts.floor > 10_000


def test_the_floor_is_remembered_where_poses_tell_the_way() -> None:
    """A frame that sees nothing of a part of the floor keeps what the last one saw, for `floor.memory`."""
    points = seen(ramp(10.0), 0.005)
    ahead = np.abs(np.arctan2(points[:, 1], points[:, 0])) < 0.5
    post = np.array([[x, 0.02 * k, math.tan(math.radians(10)) * (x - 2) - 0.7 + z]
                     for k in range(-3, 4) for x in (5.0,) for z in (0.02, 0.05)])  # fmt: skip
    low = np.concatenate([points[~ahead], post])  # lower than the slice, if one knows of the ramp
    profile = Profile.from_dict(ROVER)
    still = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0]

    def frame(start: float, xyz: Array) -> tuple[Any, Motion]:
        from flatten.cloud import Cloud

        stamps = np.full(len(xyz), start + 0.05)
        return Cloud(*xyz.T, time=stamps), Motion([start, start + 0.1], [still, still])

    known, forgotten = Flattener(profile), Flattener(profile)
    for flattener, pause in ((known, 0.1), (forgotten, 5.0)):
        cloud, motion = frame(0.0, points)
        flattener.flatten(cloud, motion=motion)
        cloud, motion = frame(pause, low)
        scan = flattener.flatten(cloud, motion=motion)["drive"]
        hits = np.count_nonzero((scan.states == State.HIT) & (np.abs(scan.bearings) < 0.05))
        ground = flattener._ground
        cells = slice(int(3.0 * ground.cells_per_metre), int(4.5 * ground.cells_per_metre))
        seen_there = ground.known[np.abs(scan.bearings) < 0.3, cells].mean()
        assert (hits == 0 and seen_there > 0.8) if flattener is known else seen_there < 0.1
