"""The whole way for a body that moves while a frame is taken."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import frames
from flatten.cloud import Cloud
from flatten.errors import MotionError
from flatten.flattener import Flattener
from flatten.motion import Motion
from flatten.profile import Profile
from tests import twin

Array = npt.NDArray[np.float64]

ROOM: dict[str, Any] = {
    "mount": {"x": 0.3, "y": -0.1, "z": 0.7, "pitch": 8.0},
    "slices": {"drive": {"bottom": 0.1, "top": 1.2}, "high": {"bottom": 0.6, "top": 1.0, "rise": 0.01}},
    "fan": {"bins": 360},
    "reach": {"near": 0.3, "far": 12.8},
}
STANDING = Flattener(Profile.from_dict(ROOM))
STILL = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0]


def poses_of(times: Array, speed: float, turning: float) -> Array:
    """A body that drives ahead (m/s) and turns left (rad/s), once about its own middle and once along x."""
    yaw, zeros = turning * times, np.zeros_like(times)
    return np.stack([speed * times, zeros, zeros, zeros, zeros, np.sin(yaw / 2), np.cos(yaw / 2)], axis=1)


def walls_seen(speed: float, turning: float, seed: int = 0) -> tuple[Cloud, Array]:
    """Returns of a frame of 0.1 s on the walls of a room of 10 x 6 m, from a body that moves."""
    rng = np.random.default_rng(seed)
    n = 20_000
    times = np.sort(rng.uniform(0.0, 0.1, n))
    side = rng.integers(0, 4, n)
    u, height = rng.uniform(-1, 1, n), rng.uniform(0.2, 1.1, n)
    x = np.select([side == 0, side == 1], [5.0, -5.0], 5 * u)
    y = np.select([side == 2, side == 3], [3.0, -3.0], 3 * u)
    profile = Profile.from_dict(ROOM)
    turn = twin.rotation(0.0, math.radians(8.0), 0.0)
    yaw = turning * times
    dx, dy = x - speed * times, y
    body = np.stack(
        [np.cos(yaw) * dx + np.sin(yaw) * dy, np.cos(yaw) * dy - np.sin(yaw) * dx, height], axis=1
    )
    mount = np.array([profile.mount.x, profile.mount.y, profile.mount.z])
    sensor = ((body - mount) @ turn).astype(np.float32)
    return Cloud(*sensor.T, time=times), sensor


def wall_distance(bearings: Array, profile: Profile, speed: float, turning: float) -> Array:
    """Distance to the walls along bearings of the fan, at the frame's end."""
    t = 0.1
    yaw = turning * t + bearings
    ox = speed * t + math.cos(turning * t) * profile.mount.x - math.sin(turning * t) * profile.mount.y
    oy = math.sin(turning * t) * profile.mount.x + math.cos(turning * t) * profile.mount.y
    with np.errstate(divide="ignore"):
        along = np.where(np.cos(yaw) > 0, 5 - ox, -5 - ox) / np.cos(yaw)
        across = np.where(np.sin(yaw) > 0, 3 - oy, -3 - oy) / np.sin(yaw)
    return np.minimum(along, across)


@pytest.mark.parametrize(("speed", "turning"), [(1.0, math.radians(60.0)), (-0.5, -1.5), (2.0, 0.0)])
def test_walls_stay_where_they_are(speed: float, turning: float) -> None:
    """A frame taken at 1 m/s and 60°/s: the walls lie within 2 cm of the truth at the frame's end.

    A range lies between those of its bin's two edges; without the correction it is far off.
    """
    profile = Profile.from_dict(ROOM)
    cloud, _ = walls_seen(speed, turning)
    times = np.linspace(0.0, 0.1, 11)
    motion = Motion(times, poses_of(times, speed, turning), at=0.1)
    flattener = Flattener(profile)

    def off(scan: Any) -> Array:
        edges = scan.first + np.arange(361) * scan.step
        true = wall_distance(edges, profile, speed, turning)
        low, high = np.minimum(true[:-1], true[1:]), np.maximum(true[:-1], true[1:])
        return np.where(scan.states == 1, np.maximum(low - scan.ranges, scan.ranges - high), 0.0)

    corrected = flattener.flatten(cloud, motion=motion)["drive"]
    assert np.count_nonzero(corrected.states == 1) == 360
    assert off(corrected).max() < 0.02
    plain = flattener.flatten(cloud)["drive"]
    assert off(plain).max() > 0.05


@given(st.integers(0, 10_000), st.booleans())
def test_a_body_that_stands_changes_nothing(seed: int, leaning: bool) -> None:
    """Wherever it stands, and however it leans there: not a bit."""
    rng = np.random.default_rng(seed)
    xyz = rng.normal(0, 3, (500, 3)).astype(np.float32)
    cloud = Cloud(*xyz.T, time=rng.uniform(0, 0.1, 500))
    pose = frames.body_from_sensor(
        *rng.normal(0, 100, 3), *(rng.normal(0, 0.1, 3) if leaning else [0, 0, 1.2])
    )
    motion = Motion([0.0, 0.04, 0.1], [pose] * 3, at=0.1)
    plain = STANDING.flatten(cloud, attitude=motion.attitude)
    moved = STANDING.flatten(cloud, motion=motion)
    for name, scan in plain.items():
        for field in ("ranges", "states", "heights", "hits", "clear_from", "clear_to"):
            np.testing.assert_array_equal(getattr(scan, field), getattr(moved[name], field))


def test_beams_begin_where_the_sensor_was() -> None:
    """Stretches are those of beams from where the sensor was at each time (the twin, start by start)."""
    profile = Profile.from_dict(ROOM)
    rng = np.random.default_rng(4)
    stops = np.linspace(0.0, 0.1, 6)
    xyz = rng.normal(0, 3, (600, 3)).astype(np.float32)
    time = rng.choice(stops, 600)
    motion = Motion(stops, poses_of(stops, 3.0, 2.0), at=0.1)
    flattener = Flattener(profile)
    scans = flattener.flatten(Cloud(*xyz.T, time=time), motion=motion)
    now = motion.matrices(np.array([0.1]))[0]
    mount = np.array([profile.mount.x, profile.mount.y, 0.0])
    sensor = np.array([profile.mount.x, profile.mount.y, profile.mount.z])
    turn = twin.rotation(0.0, math.radians(8.0), 0.0)
    for name, band in profile.slices.items():
        seen, nearest = np.zeros((360, twin.CELLS), bool), np.full(360, np.inf)
        for t in stops:
            change = np.linalg.inv(now) @ motion.matrices(np.array([t]))[0]
            own = xyz[time == t].astype(float) @ turn.T + sensor
            level = own @ change[:3, :3].T + change[:3, 3] - mount
            start = change[:3, :3] @ sensor + change[:3, 3] - mount
            bins, _ = twin.bins_of(level, profile)
            good = np.ones(len(level), bool)
            seen |= twin.witnessed_cells(level, bins, good, start, band, profile, samples=9)
            r = np.hypot(level[:, 0], level[:, 1])
            inside = (level[:, 2] >= band.bottom + band.rise * r) & (level[:, 2] < band.top)
            np.minimum.at(nearest, bins[inside], r[inside])
        expected = np.array([twin.first_run(seen[b], 12.8 / twin.CELLS, nearest[b]) for b in range(360)])
        got = np.stack([scans[name].clear_from, scans[name].clear_to], axis=1)
        # the kernel claims a cell only where straight bounds allow it: less than the twin, never more
        assert np.all((got[:, 1] <= expected[:, 1] + 1e-5) | (got[:, 0] >= expected[:, 1]))
        same = np.abs(got - expected).max(axis=1) < 1e-5
        assert np.count_nonzero(same) > 300


def test_corrected_once_only() -> None:
    motion = Motion([0.0, 0.1], [STILL, STILL])
    flattener = Flattener(Profile.from_dict(ROOM))
    ones = np.ones(3)
    with pytest.raises(MotionError, match="corrected already"):
        flattener.flatten(Cloud(ones, ones, ones, time=ones, corrected=True), motion=motion)
    wrong: Any = [(0.0, STILL)]
    with pytest.raises(MotionError, match=r"wanted a flatten\.Motion, not list"):
        flattener.flatten(Cloud(ones, ones, ones, time=ones), motion=wrong)


def test_the_attitude_is_that_of_the_motion() -> None:
    """A body that leans 5° by its poses is levelled as by that attitude passed in."""
    half = math.radians(5.0) / 2
    lean = [0.0, 0.0, 0.0, 0.0, math.sin(half), 0.0, math.cos(half)]
    xyz = np.random.default_rng(1).normal(0, 3, (2000, 3)).astype(np.float32)
    cloud = Cloud(*xyz.T, time=np.linspace(0, 0.1, 2000))
    flattener = Flattener(Profile.from_dict(ROOM))
    by_motion = flattener.flatten(cloud, motion=Motion([0.0, 0.1], [lean, lean]))["drive"]
    passed = flattener.flatten(cloud, attitude=(0.0, math.radians(5.0)))["drive"]
    np.testing.assert_allclose(by_motion.ranges, passed.ranges, rtol=1e-6)
