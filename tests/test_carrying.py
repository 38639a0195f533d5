"""Clouds carried to one moment, against SciPy, closed forms and themselves in other orders and layouts.

Tolerances: a result is float32, so half a step of it at its own size; what is added is worked out in
float32 (`BLUR` parts of distance and way), and the parabolas are off by less than 1 µm at 100 m.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

import flatten
from flatten import frames
from flatten.carrying import Carried, CarryRoom, carry_cloud
from flatten.cloud import Cloud
from flatten.motion import Motion, Stamped, Turning
from tests.rigid import Way, carried, shaking

STILL = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0]
MOUNT = frames.body_from_sensor(0.34, -0.09, 0.61, 0.02, 0.2, -0.3)
BLUR = 8 * 2.0**-24
ROOM = CarryRoom()


def cloud_of(xyz: Any, time: Any = None, **more: Any) -> Cloud:
    return Cloud(xyz[..., 0], xyz[..., 1], xyz[..., 2], time=time, **more)


def close(got: Carried, expected: tuple[Any, Any], xyz: Any) -> None:
    """Within one float32 step of the end, the blur of what was added, and the parabolas' micrometre."""
    ends, starts = expected
    with np.errstate(invalid="ignore"):
        size = np.abs(xyz).sum(axis=1, keepdims=True) + np.abs(starts).sum(axis=1, keepdims=True) + 1.0
        allowed = 2.0**-24 * np.abs(ends) + BLUR * size + 1e-8 * size
        found = got.cloud.xyz
        assert np.isnan(found[np.isnan(ends)]).all() and not np.isnan(found[~np.isnan(ends)]).any()
        assert (np.abs(found - ends) <= allowed)[~np.isnan(ends)].all()
    if got.starts is not None:
        np.testing.assert_allclose(got.starts, starts, atol=1e-6, rtol=2.0**-23)
    assert got.cloud.corrected


@given(st.integers(0, 10**6), st.integers(2, 12), st.sampled_from([0.0, 1e-6, 0.01, 0.1, 1.0]), st.booleans())
def test_it_is_scipys_slerp(seed: int, k: int, turn: float, sort: bool) -> None:
    rng = np.random.default_rng(seed)
    times, poses = shaking(rng, k, turn)
    n = int(rng.integers(1, 2500))
    xyz = (rng.normal(size=(n, 3)) * 10.0 ** rng.uniform(-2, 2, (n, 1))).astype(np.float32)
    xyz[rng.random(n) < 0.05] = rng.choice([0.0, np.nan, np.inf])
    t = rng.uniform(0, times[-1], n)
    t = np.sort(t) if sort else t
    got = carry_cloud(cloud_of(xyz, t), Motion(times, poses), MOUNT, starts=True, room=ROOM)
    close(got, carried(Way(times, poses), xyz.astype(float), t, float(t.max()), MOUNT), xyz)


@given(st.integers(0, 10**6), st.sampled_from(["f4", "f8"]))
def test_a_body_that_stands_still_changes_nothing(seed: int, dtype: str) -> None:
    rng = np.random.default_rng(seed)
    pose = shaking(rng, 2, 1.0)[1][0]
    n = int(rng.integers(1, 1500))
    xyz = rng.normal(size=(n, 3)).astype(dtype) * dtype_scale(rng, n).astype(dtype)
    t = rng.uniform(5.0, 5.1, n)
    motion = Motion([5.0, 5.03, 5.2], [pose] * 3)
    got = carry_cloud(cloud_of(xyz, t), motion, MOUNT, starts=True)
    np.testing.assert_array_equal(got.cloud.xyz, xyz.astype(np.float32))
    np.testing.assert_array_equal(got.starts, np.zeros((n, 3)))


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.01, 0.5]))
def test_only_how_poses_differ_matters(seed: int, turn: float) -> None:
    """The same motion in another fixed frame, anywhere and turned any way, carries the returns alike."""
    rng = np.random.default_rng(seed)
    times, poses = shaking(rng, 5, turn)
    whole = Way(times, poses).matrices(times)
    other = np.eye(4)
    other[:3, :3], other[:3, 3] = Rotation.random(random_state=seed).as_matrix(), rng.normal(0, 1e3, 3)
    xyz, t = rng.normal(0, 9, (600, 3)).astype(np.float32), rng.uniform(0, times[-1], 600)
    here = carry_cloud(cloud_of(xyz, t), Motion(times, whole), MOUNT, starts=True)
    there = carry_cloud(cloud_of(xyz, t), Motion(times, other @ whole), MOUNT, starts=True)
    assert here.starts is not None and there.starts is not None
    # poses are off by 1e-12 m; so that float32 parabolas and sums may round to the other side
    np.testing.assert_allclose(there.cloud.xyz, here.cloud.xyz, atol=2e-6, rtol=2.0**-23)
    np.testing.assert_allclose(there.starts, here.starts, atol=1e-6)


def dtype_scale(rng: np.random.Generator, n: int) -> Any:
    return 10.0 ** rng.uniform(-20, 20, (n, 1))


@given(st.integers(0, 10**6), st.booleans())
def test_the_order_of_the_returns_changes_nothing(seed: int, double: bool) -> None:
    rng = np.random.default_rng(seed)
    times, poses = shaking(rng, 6, 0.05)
    n = int(rng.integers(2, 2500))
    xyz = rng.normal(0, 9, (n, 3)).astype(np.float64 if double else np.float32)
    t, order = np.sort(rng.uniform(0, times[-1], n)), rng.permutation(n)
    motion = Motion(times, poses)
    a = carry_cloud(cloud_of(xyz, t), motion, MOUNT, starts=True)
    b = carry_cloud(cloud_of(xyz[order], t[order]), motion, MOUNT, starts=True)
    np.testing.assert_array_equal(a.cloud.xyz[order], b.cloud.xyz)
    assert a.starts is not None and b.starts is not None
    np.testing.assert_array_equal(a.starts[order], b.starts)


@given(st.floats(-30, 30), st.floats(-30, 30), st.floats(-3, 3))
def test_a_straight_way_at_constant_speed(vx: float, vy: float, vz: float) -> None:
    """p′ = p − v·(at − t), in axes that do not turn."""
    rng = np.random.default_rng(5)
    velocity, times = np.array([vx, vy, vz]), np.array([100.0, 100.05, 100.1])
    poses = np.tile(STILL, (3, 1))
    poses[:, :3] = 1e6 + velocity * (times - 100.0)[:, None]
    xyz, t = rng.uniform(-20, 20, (700, 3)).astype(np.float32), rng.uniform(100.0, 100.1, 700)
    got = carry_cloud(cloud_of(xyz, t), Motion(times, poses, at=100.08), np.eye(4), starts=True)
    # positions of a million metres are float64: 1.2e-10 m; the rest is a float32 step of 23 m
    np.testing.assert_allclose(got.cloud.xyz, xyz - velocity * (100.08 - t)[:, None], atol=2e-6)
    np.testing.assert_allclose(got.starts, -velocity * (100.08 - t)[:, None], atol=1e-6)


def test_the_smear_of_a_turn() -> None:
    """60°/s over 0.1 s is 6°, 1.05 m at 10 m (10·6·π/180); corrected, a post stands at one place."""
    times = np.linspace(0.0, 0.1, 11)
    yaw = math.radians(60.0) * times
    poses = np.zeros((11, 7))
    poses[:, 5], poses[:, 6] = np.sin(yaw / 2), np.cos(yaw / 2)
    t = np.linspace(0.0, 0.1, 1000)
    seen = -math.radians(60.0) * t  # bearing of a post at (10, 0) in odom, from a body that turns left
    xyz = np.stack([10 * np.cos(seen), 10 * np.sin(seen), 0 * t], axis=1).astype(np.float32)
    smear = 10.0 * (math.atan2(xyz[0, 1], xyz[0, 0]) - math.atan2(xyz[-1, 1], xyz[-1, 0]))
    assert smear == pytest.approx(1.0472, abs=1e-4)
    got = carry_cloud(cloud_of(xyz, t), Motion(times, poses), np.eye(4)).cloud.xyz
    end = [10 * math.cos(math.radians(6)), -10 * math.sin(math.radians(6)), 0.0]
    np.testing.assert_allclose(got, np.tile(end, (1000, 1)), atol=2e-6)  # two float32 steps at 10 m


@given(st.floats(0, 1))
def test_motion_correction_is_the_exponential_of_a_share_of_the_motion(s_ref: float) -> None:
    """p′ = exp((s − s_ref)·log ΔT)·p for a body that only turns: the rotation vector scaled (computed)."""
    turn = np.array([0.1, -0.3, 0.7])
    poses = np.hstack([np.zeros((2, 3)), Rotation.from_rotvec([0 * turn, turn]).as_quat()])
    rng = np.random.default_rng(6)
    xyz, s = rng.normal(0, 5, (400, 3)).astype(np.float32), rng.uniform(0, 1, 400)
    got = carry_cloud(cloud_of(xyz, s), Motion([0.0, 1.0], poses, at=s_ref), np.eye(4)).cloud.xyz
    expected = Rotation.from_rotvec((s - s_ref)[:, None] * turn).apply(xyz)
    np.testing.assert_allclose(got, expected, atol=5e-6)  # some float32 steps at 20 m


STAMPS = {
    "f4": 1.0, ">f4": 1.0, "f8": 1.0, ">f8": 1.0, "u4": 1e-9, ">u4": 1e-9, "i4": 1e-9, "i8": 1e-9,
    ">i8": 1e-9, "u8": 1e-9, "u2": 1e-5, "i2": 1e-5, "f2": 1.0, "u1": 1e-3,
}  # fmt: skip


@pytest.mark.parametrize("dtype", STAMPS)
@pytest.mark.parametrize("stride", [0, 1, 5])
def test_stamps_of_any_dtype_and_stride(dtype: str, stride: int) -> None:
    rng = np.random.default_rng(8)
    times, poses = shaking(rng, 5, 0.05, 0.2)
    whole = np.rint(np.sort(rng.uniform(0, 0.2, 1500)) / STAMPS[dtype] if STAMPS[dtype] < 1 else 0)
    stamps = (whole if STAMPS[dtype] < 1 else np.sort(rng.uniform(0, 0.2, 1500))).astype(dtype)
    t = stamps.astype(np.float64) * STAMPS[dtype]
    xyz = rng.normal(0, 8, (1500, 3)).astype(np.float32)
    if stride:  # a field of packed records, off alignment
        records = np.zeros(1500, np.dtype([("a", "u1", (stride,)), ("t", dtype), ("b", "u1")]))
        records["t"] = stamps
        stamps = records["t"]
    motion = Motion(times, poses, stamps=Stamped(STAMPS[dtype]))
    got = carry_cloud(cloud_of(xyz, stamps), motion, MOUNT, starts=True, room=ROOM)
    close(got, carried(Way(times, poses), xyz.astype(float), t, float(t.max()), MOUNT), xyz)


@pytest.mark.parametrize("dtype", ["i8", "u8"])
def test_epoch_nanoseconds_on_both_sides(dtype: str) -> None:
    epoch = 1_764_000_000_123_456_789
    rng = np.random.default_rng(9)
    times, poses = shaking(rng, 9, 0.3)
    whole = np.rint(times * 1e9).astype(np.int64)
    t = rng.integers(0, whole[-1], 800)
    xyz = rng.normal(0, 30, (800, 3))
    motion = Motion(epoch + whole, poses, stamps=Stamped(1e-9), at=epoch + int(t[5]))
    got = carry_cloud(cloud_of(xyz, (epoch + t).astype(dtype)), motion, MOUNT)
    expected = carried(Way(whole * 1e-9, poses), xyz, t * 1e-9, float(t[5] * 1e-9), MOUNT)
    close(got, expected, xyz)
    later = motion.for_frame(Stamped(1e-9, epoch), at=epoch + int(t[5]))
    np.testing.assert_array_equal(carry_cloud(cloud_of(xyz, t), later, MOUNT).cloud.xyz, got.cloud.xyz)


@pytest.mark.parametrize("clockwise", [False, True])
@pytest.mark.parametrize("first", [-math.pi, 0.3, 2.0, 7.0])
@pytest.mark.parametrize("dtype", ["f4", "f8"])
def test_a_turning_sensor_without_times(clockwise: bool, first: float, dtype: str) -> None:
    rng = np.random.default_rng(10)
    times, poses = shaking(rng, 6, 0.03)
    share, r = rng.uniform(0.0001, 0.9999, 1800), rng.uniform(0.5, 90, 1800)
    bearing = first + (-1 if clockwise else 1) * 2 * math.pi * share
    xyz = np.stack([r * np.cos(bearing), r * np.sin(bearing), rng.normal(0, 2, 1800)], axis=1).astype(dtype)
    xyz[7] = xyz[9] = 0.0
    motion = Motion(times, poses, stamps=Turning(0.01, 0.09, first, clockwise))
    got = carry_cloud(cloud_of(xyz), motion, MOUNT, starts=True, room=ROOM)
    t = 0.01 + 0.08 * share
    ends, starts = carried(Way(times, poses), xyz.astype(float), t, 0.09, MOUNT)
    # a bearing is off by 2e-6 rad: 2.5e-8 s, in which this body turns by up to 1e-6 rad and moves by 1e-6 m
    np.testing.assert_allclose(got.cloud.xyz, ends, atol=2e-6 * 100, rtol=0, equal_nan=True)
    good = np.isfinite(ends[:, 0])
    assert got.starts is not None
    np.testing.assert_allclose(got.starts[good], starts[good], atol=2e-6)
    assert got.attitude == pytest.approx(motion.attitude, abs=1e-12)


@pytest.mark.parametrize("dtype", ["<f4", ">f4", "<f8", ">f8"])
@pytest.mark.parametrize(
    "layout", ["packed", "record", "odd", "columns", "back to front", "rows", "rows of more"]
)
def test_the_layout_changes_nothing(dtype: str, layout: str) -> None:
    rng = np.random.default_rng(11)
    times, poses = shaking(rng, 6, 0.05)
    xyz = rng.normal(0, 8, (40 * 75, 3)).astype(np.float32)
    xyz[::50], xyz[1::70] = 0.0, np.nan
    t = rng.uniform(0, 0.1, len(xyz))
    motion = Motion(times, poses)
    expected = carry_cloud(cloud_of(xyz.astype(dtype), t), motion, MOUNT).cloud.xyz
    if layout == "packed":
        cloud = cloud_of(np.ascontiguousarray(xyz.astype(dtype)), t)
    elif layout in ("record", "odd"):
        pad = 12 if layout == "record" else 5
        fields = [("x", dtype), ("y", dtype), ("z", dtype), ("pad", "u1", (pad,)), ("time", "f8")]
        records = np.zeros(len(xyz), np.dtype(fields))
        records["x"], records["y"], records["z"], records["time"] = *xyz.T, t
        cloud = Cloud.from_array(records)
    elif layout == "columns":
        cloud = cloud_of(np.asfortranarray(xyz.astype(dtype)), t)
    elif layout == "back to front":
        cloud = cloud_of(xyz[::-1].astype(dtype)[::-1], t[::-1].copy()[::-1])
    else:
        wide = 75 if layout == "rows" else 80
        grid, stamps = np.full((40, wide, 3), 7, dtype), np.full((40, wide), 0.01)
        grid[:, :75], stamps[:, :75] = xyz.reshape(40, 75, 3), t.reshape(40, 75)
        cloud = cloud_of(grid[:, :75], stamps[:, :75])
    got = carry_cloud(cloud, motion, MOUNT)
    assert got.cloud.x.shape == cloud.x.shape
    np.testing.assert_array_equal(got.cloud.xyz, expected)


def test_rest_of_the_cloud_stays() -> None:
    xyz, t = np.ones((4, 3), np.int32), np.linspace(0, 1, 4)
    cloud = cloud_of(xyz, t, intensity=np.arange(4), name="aisle")
    got = carry_cloud(cloud, Motion([0, 1], [STILL] * 2, stamps=Stamped(1e-9)), np.eye(4)).cloud
    assert got.intensity is cloud.intensity and got.time is cloud.time and got.name == "aisle"
    assert got.x.dtype == np.float32 and got.x.strides == (12,) and not cloud.corrected


def test_a_frame_in_one_moment() -> None:
    times, poses = shaking(np.random.default_rng(12), 4, 0.2)
    xyz = np.random.default_rng(1).normal(size=(50, 3)).astype(np.float32)
    t = np.full(50, times[2])
    np.testing.assert_array_equal(carry_cloud(cloud_of(xyz, t), Motion(times, poses), MOUNT).cloud.xyz, xyz)
    got = carry_cloud(cloud_of(xyz, t), Motion(times, poses, at=0.0), MOUNT, starts=True)
    close(got, carried(Way(times, poses), xyz.astype(float), t, 0.0, MOUNT), xyz)


@pytest.mark.parametrize("time", [np.empty(0), None])
def test_no_returns_is_a_frame(time: Any) -> None:
    motion = Motion([0.0, 1.0], [STILL] * 2)
    got = carry_cloud(cloud_of(np.empty((0, 3)), time), motion, MOUNT, starts=True)
    assert len(got.cloud) == 0 and got.cloud.corrected and (got.at, got.attitude) == (1.0, (0.0, 0.0))
    assert carry_cloud(cloud_of(np.empty((0, 3))), motion.for_frame(at=0.25), MOUNT).at == 0.25
    assert carry_cloud(cloud_of(np.empty((0, 3))), motion.for_frame(Turning(0.0, 0.5)), MOUNT).at == 0.5


def test_times_of_what_is_no_return_may_be_anything() -> None:
    xyz = np.array([[1, 2, 3], [0, 0, 0], [np.nan, 1, 1], [4, 5, 6]], np.float32)
    motion = Motion([0.0, 1.0], [STILL, [1.0, *STILL[1:]]])
    for wild in (np.nan, np.inf, -np.inf, -1e300, 1e300, 7.0):
        got = carry_cloud(cloud_of(xyz, np.array([0.25, wild, -wild, 0.5])), motion, np.eye(4))
        np.testing.assert_array_equal(got.cloud.xyz, [[0.75, 2, 3], [np.nan] * 3, [np.nan] * 3, [4, 5, 6]])
        assert got.at == 0.5
    nothing = carry_cloud(cloud_of(xyz[1:3], np.array([np.nan, 5.0])), motion, np.eye(4))
    assert np.isnan(nothing.cloud.xyz).all() and nothing.at == 1.0


def test_what_comes_to_lie_at_the_sensor_stays_a_return() -> None:
    xyz = np.array([[0.5, 0, 0], [0, 1, 0]], np.float32)
    motion = Motion([0.0, 1.0], [STILL, [0.5, *STILL[1:]]])
    got = carry_cloud(cloud_of(xyz, np.array([0.0, 1.0])), motion, np.eye(4)).cloud.xyz
    assert 0 < np.abs(got[0]).sum() < 1e-20


def test_two_poses_close_together() -> None:
    """A jump within a microsecond, far below the length of a cell."""
    times = np.array([0.0, 0.05, 0.05 + 1e-6, 0.1])
    poses = np.tile(STILL, (4, 1))
    poses[2:, 0] = 1.0
    rng = np.random.default_rng(13)
    t = np.append(rng.uniform(0, 0.1, 500), 0.05 + 5e-7)
    got = carry_cloud(cloud_of(np.ones((501, 3), np.float32), t), Motion(times, poses, at=0.1), np.eye(4))
    # a tick is 9e-11 s: of a jump of 1 m in 1e-6 s that is 1e-4 m
    np.testing.assert_allclose(got.cloud.xyz[:, 0], np.interp(t, times, poses[:, 0]), atol=2e-4)


def test_a_violent_turn_of_many_knots() -> None:
    """Three turns a frame at 31 poses: 2,400 knots, and cells that are more than those of a calm frame."""
    times, poses = shaking(np.random.default_rng(14), 31, 0.8)
    rng = np.random.default_rng(15)
    xyz, t = rng.normal(0, 30, (5000, 3)).astype(np.float32), np.sort(rng.uniform(0, 0.1, 5000))
    got = carry_cloud(cloud_of(xyz, t), Motion(times, poses), MOUNT, starts=True)
    close(got, carried(Way(times, poses), xyz.astype(float), t, float(t.max()), MOUNT), xyz)


def test_the_room_grows_and_is_used_again() -> None:
    room, motion = CarryRoom(), Motion([0.0, 1.0], [STILL] * 2)
    xyz = np.ones((3000, 3), np.float32)
    addresses = set()
    for n in (3000, 5, 2000, 3000):
        got = carry_cloud(cloud_of(xyz[:n], np.linspace(0, 1, n)), motion, np.eye(4), room=room)
        addresses.add(got.cloud.x.__array_interface__["data"][0])
        assert len(got.cloud) == n and got.cloud.addresses() == [min(addresses) + 4 * k for k in range(3)]
    assert len(addresses) == 1
    assert not np.shares_memory(
        carry_cloud(cloud_of(xyz), motion.for_frame(Turning(0, 1)), np.eye(4)).cloud.x, xyz
    )


def frame(**values: Any) -> Carried:
    given = {
        "xyz": np.ones((100, 3), np.float32),
        "time": np.linspace(0.0, 0.1, 100),
        "stamps": Stamped(),
        **values,
    }
    times = given.pop("times", np.linspace(0.0, 0.1, 5))
    motion = Motion(times, np.tile(STILL, (len(times), 1)), stamps=given["stamps"], at=given.get("at"))
    cloud = cloud_of(given["xyz"], given["time"], corrected=given.get("corrected", False))
    return carry_cloud(cloud, motion, given.get("mount", np.eye(4)))


NS = np.linspace(0, 1e8, 100).astype(np.uint32)
BAD: dict[str, tuple[dict[str, Any], str]] = {
    "twice": ({"corrected": True}, "corrected already"),
    "no times": ({"time": None}, "has no times"),
    "NaN": ({"time": np.append(np.linspace(0, 0.1, 99), np.nan)}, "times of 1 returns are not finite"),
    "before": (
        {"time": np.linspace(-0.01, 0.1, 100)},
        r"from -0.01 to 0.1 s after the first pose, the poses from 0 to 0.1",
    ),
    "after": ({"time": np.linspace(0.0, 0.1001, 100)}, "nothing is extrapolated"),
    "nanoseconds": ({"time": NS}, "are these nanoseconds.*scale=1e-09"),
    "microseconds": ({"time": NS // 1000}, "are these microseconds.*scale=1e-06"),
    "milliseconds": ({"time": NS // 1_000_000}, "are these milliseconds.*scale=0.001"),
    "seconds": (
        {"stamps": Stamped(1e-3), "time": np.linspace(1.0, 9.0, 100), "times": np.linspace(1, 9, 5)},
        "are these seconds.*scale=1$",
    ),
    "seconds, as nanoseconds": ({"stamps": Stamped(1e-9)}, "100 returns in 1e-10 s: in which unit"),
    "another clock": ({"stamps": Stamped(zero=50.0)}, "from 50 to 50.1 s after the first pose"),
    "poses in nanoseconds": ({"times": np.array([0, 100, 200])}, "nothing is extrapolated"),
    "at": ({"at": 0.2}, "at lies 0.1 s after"),
    "turn begins early": ({"stamps": Turning(-0.5, 0.1)}, "the turn's start lies 0.5 s before"),
    "turn ends late": ({"stamps": Turning(0.0, 0.3)}, "the turn's end lies 0.2 s after"),
    "mount": ({"mount": np.eye(3)}, r"body_from_sensor of shape \(3, 3\)"),
    "mount NaN": ({"mount": np.full((4, 4), np.nan)}, "finite"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_does_not_fit_is_told(name: str) -> None:
    values, words = BAD[name]
    with pytest.raises(flatten.MotionError, match=words) as caught:
        frame(**values)
    assert "\n" not in str(caught.value)


def test_rounding_of_epoch_seconds_is_no_gap() -> None:
    """float64 seconds of today step by 238 ns: stamps that end with the last pose may come out behind it."""
    times = 1.764e9 + np.linspace(0.0, 0.1, 5)
    frame(times=times, stamps=Stamped(zero=1.764e9), time=np.linspace(0.0, 0.1 + 3e-7, 100))
    frame(times=times, stamps=Stamped(), time=1.764e9 + np.linspace(0.0, 0.1, 100))


def test_a_corrected_cloud_says_so_from_the_start() -> None:
    xyz = np.ones((3, 4), np.float32)
    for cloud in (Cloud.from_array(xyz, corrected=True), Cloud.from_array(xyz[:0], corrected=True)):
        with pytest.raises(flatten.MotionError, match="corrected already"):
            carry_cloud(cloud, Motion([0.0, 1.0], [STILL] * 2), np.eye(4))


PROGRAM = """
import sys, numpy as np
from flatten.carrying import carry_cloud
from flatten.cloud import Cloud
from flatten.motion import Motion, Stamped, Turning
from tests.rigid import shaking
rng = np.random.default_rng(2)
times, poses = shaking(rng, 5, 0.1)
xyz = rng.normal(0, 5, (300, 3))
xyz[5], xyz[6] = 0.0, np.nan
t, out = np.sort(rng.uniform(0, times[-1], 300)), {}
for dtype in ("<f4", ">f4", "<f8"):
    for order in (np.arange(300), rng.permutation(300)):
        for stamps, scale in ((t, 1.0), (t.astype("f4"), 1.0), ((t * 1e9).astype("u4"), 1e-9),
                              ((t * 1e9).astype("i8"), 1e-9), (t.astype(">f8"), 1.0), (None, 0.0)):
            told = Turning(0.0, times[-1]) if stamps is None else Stamped(scale)
            points = xyz[order].astype(dtype)
            cloud = Cloud(*points.T, time=None if stamps is None else stamps[order])
            got = carry_cloud(cloud, Motion(times, poses, stamps=told), np.eye(4), starts=True)
            out[str(len(out))] = np.hstack([got.cloud.xyz, got.starts])
np.savez(sys.argv[1], **out)
"""


def test_without_compiler_it_is_the_same(tmp_path: Any) -> None:
    """Within float32: a fused multiply-add of plain Python is rounded twice."""
    found = []
    for name, environment in (("a", {}), ("b", {"NUMBA_DISABLE_JIT": "1"})):
        out = tmp_path / f"{name}.npz"
        subprocess.run(
            [sys.executable, "-c", PROGRAM, str(out)], env={**os.environ, **environment}, check=True
        )
        found.append(dict(np.load(out)))
    assert found[0].keys() == found[1].keys() and len(found[0]) == 36
    for key, value in found[0].items():
        np.testing.assert_allclose(found[1][key], value, atol=1e-6, equal_nan=True)
