"""Where the body was: checks of what is given, and the way between two poses against SciPy."""

from __future__ import annotations

import copy
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

import flatten
from flatten import frames
from flatten.motion import Motion, Stamped, Turning, attitude_of
from tests.rigid import Way, shaking

STILL = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0]
EPOCH = 1_764_000_000_123_456_789  # ns; float64 seconds keep 238 ns of it


@given(st.integers(0, 10**6), st.integers(2, 9), st.floats(0, 3.0))
def test_between_poses_it_is_scipys_slerp(seed: int, k: int, turn: float) -> None:
    rng = np.random.default_rng(seed)
    times, poses = shaking(rng, k, min(turn, 1.5))
    t = np.concatenate([times, rng.uniform(0, times[-1], 20)])
    expected = Way(times, poses).matrices(t)
    # float64: a few roundings of positions of some hundred metres, and of turns
    np.testing.assert_allclose(Motion(times, poses).matrices(t), expected, atol=1e-12, rtol=1e-12)


@given(st.integers(0, 10**6))
def test_matrices_and_quaternions_are_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    times, poses = shaking(rng, 5, 1.0)
    t = rng.uniform(0, times[-1], 9)
    whole = Way(times, poses).matrices(times)
    a, b = Motion(times, poses).matrices(t), Motion(times, whole).matrices(t)
    np.testing.assert_allclose(a, b, atol=1e-12, rtol=1e-12)


@pytest.mark.parametrize("axis", range(3))
def test_half_turns_as_matrices(axis: int) -> None:
    """Where a formula with the trace would divide by zero."""
    turned = np.diag([-1.0, -1.0, -1.0, 1.0])
    turned[axis, axis] = 1.0
    np.testing.assert_allclose(
        Motion([0, 1], [turned, turned]).matrices(np.array([0.5]))[0], turned, atol=1e-15
    )


def test_the_quaternion_of_rep_103() -> None:
    """(roll, pitch, yaw) = (0.1, −0.2, 0.3) is (0.06407, −0.09116, 0.15344, 0.98186): by REP 103."""
    pose = [1, 2, 3, 0.06407, -0.09116, 0.15344, 0.98186]
    motion = Motion([0.0, 1.0], [pose, pose], at=0.5)
    # the numbers are rounded to 5e-6
    np.testing.assert_allclose(
        motion.matrices(np.array([0.5]))[0], frames.body_from_sensor(1, 2, 3, 0.1, -0.2, 0.3), atol=3e-5
    )
    np.testing.assert_allclose(motion.attitude, (0.1, -0.2), atol=3e-5)


@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), st.floats(-3.1, 3.1))
def test_attitude_is_what_levelling_takes_out(roll: float, pitch: float, yaw: float) -> None:
    pose = frames.body_from_sensor(5, 6, 7, roll, pitch, yaw)
    motion = Motion([0.0, 1.0], [pose, pose])
    found = motion.attitude_at(0.3)
    np.testing.assert_allclose(found, (roll, pitch), atol=1e-9)  # asin near ±90° would lose half the digits
    level = frames.rotation_z(yaw) @ frames.level_from_body(*found)[:3, :3]
    np.testing.assert_allclose(level, pose[:3, :3], atol=1e-9)
    assert attitude_of(pose) == pytest.approx((roll, pitch), abs=1e-12)


def test_attitude_between_two_poses() -> None:
    lean = [*STILL[:3], *Rotation.from_euler("y", 0.2).as_quat()]
    motion = Motion([10.0, 11.0], [STILL, lean], at=10.25)
    assert motion.attitude == pytest.approx((0.0, 0.05), abs=1e-12)
    turning = motion.for_frame(Turning(10.0, 10.5))
    assert turning.attitude == pytest.approx((0.0, 0.1), abs=1e-12)
    with pytest.raises(flatten.MotionError, match="latest time"):
        _ = motion.for_frame().attitude


def test_epoch_nanoseconds_lose_nothing() -> None:
    times = EPOCH + np.array([0, 1, 100_000_001])
    poses = np.array([STILL, [1e-9, *STILL[1:]], [0.1, *STILL[1:]]])
    motion = Motion(times, poses)
    # one nanosecond moves by a nanometre: float64 of 0.1 s is exact to 1e-17
    np.testing.assert_allclose(motion.matrices(np.array([motion.since(EPOCH + 1)]))[0, 0, 3], 1e-9, rtol=1e-9)
    assert motion.since(np.int64(EPOCH + 100_000_001)) == pytest.approx(0.100000001, abs=1e-17)
    for times_ in (times.astype(np.uint64), times.tolist()):
        np.testing.assert_array_equal(Motion(times_, poses).seconds, motion.seconds)


def change(**values: Any) -> Motion:
    given = {"times": [0.0, 1.0, 2.0], "poses": np.array([STILL] * 3), **values}
    return Motion(given.pop("times"), given.pop("poses"), **given)


def poses_with(i: int, column: int, value: float) -> Any:
    poses = np.array([STILL] * 3)
    poses[i, column] = value
    return poses


MIRROR = np.array([np.eye(4)] * 3)
MIRROR[1, 0, 0] = -1.0
SHEARED, MOVED_ROW = np.array([np.eye(4)] * 3), np.array([np.eye(4)] * 3)
SHEARED[2, 0, 1], MOVED_ROW[0, 3, 0] = 0.01, 1.0

BAD: dict[str, tuple[dict[str, Any], str]] = {
    "one pose": ({"times": [0.0], "poses": [STILL]}, r"1 pose\(s\): a motion has two at least"),
    "none": ({"times": [], "poses": []}, r"0 pose\(s\)"),
    "equal times": ({"times": [0.0, 1.0, 1.0]}, r"not strictly ascending: times\[1\] = 1.0,"),
    "times going back": ({"times": [0, 5, 4]}, r"times\[1\] = 5, times\[2\] = 4"),
    "NaN time": ({"times": [0.0, np.nan, 2.0]}, r"times\[1\] is not finite"),
    "infinite time": ({"times": [0.0, 1.0, np.inf]}, r"times\[2\] is not finite"),
    "times of words": ({"times": ["a", "b", "c"]}, "wanted one number a pose"),
    "times in rows": ({"times": [[0.0, 1.0, 2.0]]}, r"shape \(1, 3\)"),
    "ragged times": ({"times": [[0.0], [1.0, 2.0]]}, "wanted one number a pose"),
    "too late": ({"times": np.array([0, 1, 2**63], np.uint64)}, "beyond int64"),
    "fewer poses": ({"poses": np.array([STILL] * 2)}, r"\(2, 7\) for 3 times"),
    "six numbers": ({"poses": np.zeros((3, 6))}, r"wanted \(3, 7\) or \(3, 4, 4\)"),
    "poses of words": ({"poses": [["a"] * 7] * 3}, "no numbers"),
    "NaN": ({"poses": poses_with(1, 0, np.nan)}, r"poses\[1\] is not finite"),
    "NaN in a quaternion": ({"poses": poses_with(2, 4, np.nan)}, r"poses\[2\] is not finite"),
    "zero quaternion": ({"poses": poses_with(2, 6, 0.0)}, r"poses\[2\].* length 1, this one 0"),
    "long quaternion": ({"poses": poses_with(0, 6, 1.0011)}, r"poses\[0\].*1.0011"),
    "NaN in a matrix": ({"poses": np.full((3, 4, 4), np.nan)}, r"poses\[0\] is not finite"),
    "mirror": ({"poses": MIRROR}, r"poses\[1\] is no pose"),
    "sheared": ({"poses": SHEARED}, r"poses\[2\] is no pose"),
    "last row": ({"poses": MOVED_ROW}, r"poses\[0\] is no pose"),
    "at before": ({"at": -0.5}, "at lies 0.5 s before the first pose"),
    "at after": ({"at": 2.5}, "at lies 0.5 s after the last pose: the poses cover 2 s"),
    "at NaN": ({"at": np.nan}, "at nan: wanted a time"),
    "at a word": ({"at": "now"}, "wanted a time"),
    "at a fraction of nanoseconds": ({"times": [0, 1, 2], "at": 1.5}, "whole nanoseconds"),
    "zero a fraction of nanoseconds": ({"times": [0, 1, 2], "stamps": Stamped(zero=math.inf)}, "zero inf"),
    "scale 0": ({"stamps": Stamped(0.0)}, "scale 0.0"),
    "scale NaN": ({"stamps": Stamped(math.nan)}, "scale nan"),
    "no stamps": ({"stamps": None}, "wanted Stamped or Turning, not NoneType"),
    "turn back": ({"stamps": Turning(1.0, 1.0)}, "no later than it starts"),
    "turn from nowhere": ({"stamps": Turning(0.0, 1.0, first=math.inf)}, "first bearing inf"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_right_is_told(name: str) -> None:
    values, words = BAD[name]
    with pytest.raises(flatten.MotionError, match=words) as caught:
        change(**values)
    assert isinstance(caught.value, flatten.FlattenError) and "\n" not in str(caught.value)


def test_nearly_unit_quaternions_are_normalised() -> None:
    motion = change(poses=poses_with(1, 6, 1.0009))
    np.testing.assert_array_equal(motion.matrices(np.array([1.0]))[0], np.eye(4))


def test_a_moment_outside_by_rounding_is_held() -> None:
    motion = change(times=[1.7e9, 1.7e9 + 1, 1.7e9 + 2], at=1.7e9 + 2 + 2.4e-7)
    assert motion.attitude == (0.0, 0.0)
    assert motion.since(np.float32(1.7e9)) == motion.since(1_700_000_000) == 0.0
    assert motion.held(-1e-7, "x") == 0.0 and motion.held(2 + 9e-7, "x") == 2.0


def test_another_frame_has_the_same_poses() -> None:
    motion = change(at=1.0)
    other = motion.for_frame(Stamped(1e-9, 0.5), at=1.5)
    assert other.positions is motion.positions and (motion.at, other.at) == (1.0, 1.5)
    assert motion.stamps == Stamped() and other.stamps.zero == 0.5  # type: ignore[union-attr]
    assert copy.deepcopy(motion).attitude == motion.attitude
    with pytest.raises(flatten.MotionError):
        motion.for_frame(at=9.0)
