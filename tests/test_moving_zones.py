"""The robot's own returns while it moves: they move with it, whatever their time.

A body that drives at 1 m/s and turns at 60°/s sees its hull, a mast behind and a lamp. They stand still in
its axes, so that nothing may tell its scans from those of a body that stands: they are compared bit for bit.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.carrying import carry_cloud
from flatten.cloud import Cloud
from flatten.flattener import Flattener
from flatten.motion import Motion, Turning
from flatten.plan import make_plan
from flatten.profile import Profile
from flatten.scan import State
from tests import twin
from tests.conftest import assert_scans_equal
from tests.rigid import shaking
from tests.test_moving import ROOM, poses_of, walls_seen

Array = npt.NDArray[Any]

SPEED, TURNING = 1.0, math.radians(60.0)
ZONES = [
    {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [0.0, 0.65]}},
    {"name": "mast", "sector": {"first": 170, "last": -170, "far": 1.5, "z": [0.0, 1.8]}},
    {"name": "lamp", "cylinder": {"x": 0.75, "y": -0.35, "radius": 0.06, "z": [0.3, 1.1]}},
]
PROFILE = Profile.from_dict({**ROOM, "blind_zones": ZONES})
SWALLOWING = Flattener(PROFILE)
SURFACE = 0.01
"""Metres to which the parts fill their zones: less than the body moves in a tenth of a frame."""


def own_parts(n: int, seed: int = 0) -> Array:
    """Returns (n, 3) on the outsides of hull, mast and lamp, sensor axes."""
    rng = np.random.default_rng(seed)
    u, depth, height = rng.uniform(-1, 1, n), rng.uniform(0.001, SURFACE, n), rng.uniform(0.35, 0.6, n)
    side = rng.integers(0, 6, n)
    mount = PROFILE.mount
    edge = math.pi + np.sign(u) * (math.radians(10.0) - depth)  # of the mast's sector
    out = 0.6 + 0.8 * np.abs(u)
    around = math.pi * u
    x = np.select(
        [side == 0, side == 1, side < 4, side == 4],
        [0.5 - depth, depth - 0.5, 0.49 * u, mount.x + out * np.cos(edge)],
        0.75 + (0.06 - depth) * np.cos(around),
    )
    y = np.select(
        [side < 2, side == 2, side == 3, side == 4],
        [0.39 * u, 0.4 - depth, depth - 0.4, mount.y + out * np.sin(edge)],
        (0.06 - depth) * np.sin(around) - 0.35,
    )
    place = np.array([mount.x, mount.y, mount.z])
    turn = twin.rotation(0.0, math.radians(mount.pitch), 0.0)
    return (np.stack([x, y, height], axis=1) - place) @ turn


def driving(end: float) -> Motion:
    """The drive over the tenth of a second before this time."""
    times = np.linspace(end - 0.1, end, 11)
    return Motion(times, poses_of(times, SPEED, TURNING), at=end)


@pytest.mark.parametrize("clear", [{}, {"clear": "off"}])
@pytest.mark.parametrize("dtype", ["<f4", ">f4", "<f8"])
@pytest.mark.parametrize("order", ["of time", "any"])
def test_own_parts_say_what_they_say_of_a_body_that_stands(clear: Any, dtype: str, order: str) -> None:
    profile = Profile.from_dict({**ROOM, **clear, "blind_zones": ZONES})
    xyz, time = own_parts(3000), np.linspace(0.0, 0.1, 3000)
    time = time if order == "of time" else np.random.default_rng(1).permutation(time)
    cloud, motion, flattener = Cloud(*xyz.astype(dtype).T, time=time), driving(0.1), Flattener(profile)
    moving = flattener.flatten(cloud, motion=motion)
    standing = flattener.flatten(xyz.astype(np.float32))
    assert_scans_equal(moving, standing)
    assert moving["drive"].counts.swallowed == 3000
    states = moving["drive"].states
    assert set(states.tolist()) == {State.UNSEEN, State.BLOCKED}
    assert np.count_nonzero(states == State.BLOCKED) > 200
    # carried as if they stood in the world, they come out of their zones
    loose = carry_cloud(cloud, motion, make_plan(profile).numbers.body_from_sensor).cloud
    told = flattener.flatten(loose)["drive"].states
    assert np.count_nonzero((told == State.HIT) | (told == State.TOO_NEAR)) > 50


def test_a_turning_sensor_without_times() -> None:
    xyz = own_parts(3000).astype(np.float32)
    times = np.linspace(0.0, 0.1, 11)
    motion = Motion(times, poses_of(times, SPEED, TURNING), stamps=Turning(0.0, 0.1))
    flattener = Flattener(PROFILE)
    moving = flattener.flatten(Cloud(*xyz.T), motion=motion)
    assert_scans_equal(moving, flattener.flatten(xyz))


def test_walls_are_carried_and_own_parts_are_not() -> None:
    """In one cloud: the walls ahead lie where they lie without own parts, what is own marks its bins."""
    flattener, motion = Flattener(PROFILE), driving(0.1)
    walls, xyz = walls_seen(SPEED, TURNING)
    times = np.asarray(walls.time).copy()
    times[[0, -1]] = 0.0, 0.1  # so that the frame is as long with own parts as without
    xyz = np.where((xyz[:, :1] > 0.0), xyz, np.nan).astype(np.float32)
    alone = flattener.flatten(Cloud(*xyz.T, time=times), motion=motion)["drive"]
    own = own_parts(3000).astype(np.float32)
    marked = flattener.flatten(own)["drive"].states == State.BLOCKED
    both, when = np.concatenate([xyz, own]), np.concatenate([times, np.linspace(0.0, 0.1, 3000)])
    order = np.random.default_rng(2).permutation(len(both))
    found = flattener.flatten(Cloud(*both[order].T, time=when[order]), motion=motion)["drive"]
    hit = alone.states == State.HIT
    assert 150 < np.count_nonzero(hit) < 200 and np.count_nonzero(marked & ~hit) > 50
    np.testing.assert_array_equal(found.states == State.HIT, hit)
    np.testing.assert_array_equal(found.hits, alone.hits)
    np.testing.assert_array_equal(found.ranges[hit], alone.ranges[hit])
    np.testing.assert_array_equal(found.states == State.BLOCKED, marked & ~hit)


@pytest.mark.parametrize("clear", [{}, {"clear": "off"}])
@pytest.mark.parametrize("window", [{"frames": 4}, {"seconds": 0.35}])
def test_a_window_meets_no_own_part_again(clear: Any, window: Any) -> None:
    """Frame after frame the scans are those of the newest frame of a body that stands; none is kept."""
    windowed = Flattener(Profile.from_dict({**ROOM, **clear, "blind_zones": ZONES, "window": window}))
    plain = Flattener(Profile.from_dict({**ROOM, **clear, "blind_zones": ZONES}))
    for k in range(5):
        xyz, end = own_parts(2000, k).astype(np.float32), 5.0 + 0.1 * (k + 1)
        cloud = Cloud(*xyz.T, time=np.linspace(end - 0.1, end, 2000))
        scans = windowed.flatten(cloud, motion=driving(end))
        assert_scans_equal(scans, plain.flatten(xyz))
        assert windowed.window is not None
        assert windowed.window.frames == min(k + 1, 4) and windowed.window.returns == 2000
        assert scans["drive"].counts.swallowed == 2000


@given(st.integers(0, 10**6), st.sampled_from(["<f4", ">f4", "<f8"]), st.sampled_from([0.0, 0.02, 0.5]))
def test_own_returns_stay_and_all_others_are_carried_as_without_zones(
    seed: int, dtype: str, turn: float
) -> None:
    """To the bit, on the borders too: whose a return is, the twin says, where rounding does not decide."""
    rng = np.random.default_rng(seed)
    plan = make_plan(PROFILE)
    mount = plan.numbers.body_from_sensor
    n = int(rng.integers(1, 2500))
    body = rng.normal(0, 0.7, (n, 3)) + np.array([0.0, 0.0, 0.5])
    on = rng.random((n, 3)) < 0.1  # on faces of the hull, as near as the dtype allows
    body = np.where(on, rng.choice([-1.0, 1.0], (n, 3)) * [0.5, 0.4, 0.65], body)
    xyz = ((body - mount[:3, 3]) @ mount[:3, :3]).astype(dtype)
    xyz[rng.random(n) < 0.05] = rng.choice([0.0, np.nan, np.inf, 1e30])
    times, poses = shaking(rng, 5, turn)
    cloud = Cloud(*xyz.T, time=rng.uniform(0, times[-1], n))
    motion = Motion(times, poses)
    plain = carry_cloud(cloud, motion, mount, starts=True)
    found = carry_cloud(cloud, motion, mount, starts=True, zones=plan.zones)
    assert plain.starts is not None and found.starts is not None
    good = np.isfinite(plain.cloud.xyz).all(axis=1)
    np.testing.assert_array_equal(np.isfinite(found.cloud.xyz).all(axis=1), good)
    single = xyz.astype(np.float32)
    at = np.where(good[:, None], single, np.float32(9.0)).astype(np.float64)
    own, unsure = twin.in_zones(at @ mount[:3, :3].T + mount[:3, 3], PROFILE, PROFILE.reach.far)
    stays = (found.cloud.xyz == single).all(axis=1) & (found.starts == 0.0).all(axis=1)
    carried = (found.cloud.xyz == plain.cloud.xyz).all(axis=1) & (found.starts == plain.starts).all(axis=1)
    assert (stays | carried)[good].all()
    assert stays[good & own & ~unsure].all() and carried[good & ~own & ~unsure].all()
    # what stays is what the sweep then swallows, on the borders too
    moved = good & ~carried
    again = SWALLOWING.flatten(found.cloud.xyz[moved].reshape(-1, 3))
    assert again["drive"].counts.swallowed == np.count_nonzero(moved)


def test_own_returns_without_room_for_starts() -> None:
    """The same ends where nobody asks for the beams."""
    plan, xyz = make_plan(PROFILE), own_parts(1500).astype(np.float32)
    cloud, motion = Cloud(*xyz.T, time=np.linspace(0.0, 0.1, 1500)), driving(0.1)
    found = carry_cloud(cloud, motion, plan.numbers.body_from_sensor, zones=plan.zones)
    np.testing.assert_array_equal(found.cloud.xyz, xyz)
    assert found.starts is None
