"""Trajectories: between poses as SciPy has it, nothing beyond them, and every disorder told."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, Slerp

from flatten import Trajectory, frames
from flatten.errors import MotionError
from flatten.recordings.trajectory import between, matrices, quaternions
from tests.recordings.made import MOUNT, START, STEP, drive

SMALL = st.floats(-1.0, 1.0)
ANGLES = st.tuples(st.floats(-math.pi, math.pi), st.floats(-1.4, 1.4), st.floats(-math.pi, math.pi))


def pose(angles: tuple[float, float, float], place: tuple[float, float, float]) -> np.ndarray:
    return np.array([*place, *Rotation.from_euler("ZYX", angles).as_quat()])


@given(ANGLES, ANGLES, st.floats(0.0, 1.0), st.tuples(SMALL, SMALL, SMALL))
def test_between_two_poses_it_is_a_line_and_an_even_turn(first, second, share, place) -> None:
    """SciPy's Slerp is the reference. 1e-9: what half turns leave, which it does by logarithms."""
    ends = np.stack([pose(first, (0.0, 0.0, 0.0)), pose(second, place)])
    turns = Rotation.from_quat(ends[:, 3:])
    apart = (turns[0].inv() * turns[1]).magnitude()
    if apart > math.pi - 1e-4:
        return  # either way round is the short one
    made = between(ends[:1], ends[1:], np.array([share]))[0]
    wanted = Slerp([0.0, 1.0], turns)([share])[0]
    assert (wanted.inv() * Rotation.from_quat(made[3:])).magnitude() < 1e-7  # arccos near 1 has no more
    assert made[:3] == pytest.approx(np.array(place) * share, abs=1e-12)
    assert np.linalg.norm(made[3:]) == pytest.approx(1.0, abs=1e-12)


@given(st.lists(ANGLES, min_size=1, max_size=5))
def test_matrices_are_those_of_scipy(angles) -> None:
    rows = np.stack([pose(one, (1.0, 2.0, 3.0)) for one in angles])
    made = matrices(rows)
    assert made[:, :3, :3] == pytest.approx(Rotation.from_quat(rows[:, 3:]).as_matrix(), abs=1e-12)
    back = quaternions(made)
    assert np.abs((back * rows[:, 3:]).sum(axis=1)) == pytest.approx(1.0, abs=1e-12)  # either sign


@given(st.integers(0, 63 * STEP // 4))
def test_it_agrees_with_motion(after: int) -> None:
    """`flatten.Motion` turns by Rodrigues: another way to the same pose."""
    path = drive()
    time = path.start + after
    motion = path.motion()
    assert matrices(path.at([time]))[0] == pytest.approx(
        motion.matrices(np.array([after / 1e9]))[0], abs=1e-9
    )
    assert path.attitude(time) == pytest.approx(motion.attitude_at(time), abs=1e-9)


def test_poses_stand_where_they_were_recorded() -> None:
    path = drive()
    assert path.at(path.times) == pytest.approx(path.poses, abs=1e-15)
    assert len(path.at([])) == 0


def test_nothing_is_extrapolated() -> None:
    path = drive()
    assert path.covers(path.start, path.end)
    for first, last, words in [
        (path.start - 1, path.start, "1e-09|0.000000001 s before the first"),
        (path.end, path.end + 10**9, "1 s after the last"),
    ]:
        assert not path.covers(first, last)
        with pytest.raises(MotionError, match=words):
            path.at([first, last])
        with pytest.raises(MotionError, match=words):
            path.motion(first, last)
    assert not path.covers(path.end, path.start)


def test_times_are_whole_nanoseconds() -> None:
    with pytest.raises(MotionError, match="integers"):
        drive().at([1.5e9])


def straight(times: np.ndarray, speed: float = 1.0) -> np.ndarray:
    rows = np.zeros((times.size, 7))
    rows[:, 0], rows[:, 6] = speed * (times - times[0]) / 1e9, 1.0
    return rows


def test_a_gap_is_told_and_never_read_across() -> None:
    times = START + np.concatenate([np.arange(50), np.arange(150, 200)]) * STEP // 10
    path = Trajectory.of_rows(times, straight(times))
    (told,) = path.faults
    assert "1 gap without poses" in told and "1.01 s" in told
    inside = int(times[49]) + STEP
    assert not path.covers(inside, inside)
    for ask in (
        lambda: path.at([inside]),
        lambda: path.motion(inside - STEP, inside),
        lambda: path.attitude(inside),
    ):
        with pytest.raises(MotionError, match="gap or a jump"):
            ask()
    assert path.covers(int(times[0]), int(times[49])) and path.covers(int(times[50]), int(times[-1]))
    assert path.at(times[[49, 50]]) == pytest.approx(path.poses[[49, 50]])  # both ends are poses


@pytest.mark.parametrize(("far", "turn"), [(0.5, 0.0), (0.0, 0.3)])
def test_a_jump_is_told_and_never_read_across(far: float, turn: float) -> None:
    times = START + np.arange(100) * STEP // 10
    rows = straight(times)
    rows[60:, 1] += far
    rows[60:, 3:] = Rotation.from_euler("Z", turn).as_quat()
    path = Trajectory.of_rows(times, rows)
    (told,) = path.faults
    assert told.startswith("1 jump of the poses") and "0.590 s" in told
    with pytest.raises(MotionError, match="gap or a jump"):
        path.at([int(times[59]) + 1])


def test_a_robot_that_starts_brakes_and_turns_on_the_spot_does_not_jump() -> None:
    times = START + np.arange(400) * STEP // 10
    k = np.arange(400)
    rows = straight(times, 0.0)
    rows[:, 0] = np.cumsum(np.where(k > 200, 0.01, 0.0) * np.minimum(1.0, (k - 200) / 30))
    yaw = np.cumsum(np.where(k < 150, 0.01, 0.0))  # 1 rad/s
    rows[:, 3:] = Rotation.from_euler("Z", yaw[:, None]).as_quat()
    assert Trajectory.of_rows(times, rows).faults == ()


@given(st.lists(st.integers(-3, 6), min_size=1, max_size=60))
def test_rows_out_of_order_are_left_out_and_told(steps: list[int]) -> None:
    times = START + np.cumsum(np.array(steps, np.int64)) * STEP
    path = Trajectory.of_rows(times, straight(times, 0.1))
    # the slow twin: what is later than all before it
    kept, latest = [], -1
    for time in times.tolist():
        if time > latest:
            kept.append(time)
            latest = time
    assert path.times.tolist() == kept
    lost = len(times) - len(kept)
    told = " ".join(path.faults)
    assert ("come twice" in told or "runs backward" in told) == (lost > 0)


def test_what_comes_twice_and_back_is_counted() -> None:
    times = START + np.array([0, 1, 1, 2, 3, 1, 2, 4]) * STEP
    told = Trajectory.of_rows(times, straight(times)).faults
    assert told[0].startswith("1 stamps come twice, with the same pose")
    assert told[1].startswith("time runs backward: 2 poses are up to 0.2 s older")


@given(ANGLES, ANGLES)
def test_sensor_poses_become_the_bodys(first, second) -> None:
    body = np.stack([pose(first, (0.0, 0.0, 0.0)), pose(second, (1.0, 0.5, 0.2))])
    sensor = matrices(body) @ MOUNT
    rows = np.concatenate([sensor[:, :3, 3], quaternions(sensor)], axis=1)
    times = np.array([START, START + 10 * STEP])
    path = Trajectory.of_rows(times, rows, of="sensor")
    with pytest.raises(MotionError, match="sensor's poses"):
        path.attitude(START)
    turned = path.of_body(MOUNT)
    assert turned.of == "body"
    assert matrices(turned.poses) == pytest.approx(matrices(body), abs=1e-9)


def test_an_attitude_levels_the_body() -> None:
    path = drive()
    time = path.start + 3 * STEP // 2 + 12345
    turn = matrices(path.at([time]))[0]
    level = frames.level_from_body(*path.attitude(time))[:3, :3] @ turn[:3, :3].T
    assert level @ [0, 0, 1] == pytest.approx([0, 0, 1], abs=1e-12)


@pytest.mark.parametrize(
    ("times", "poses", "words"),
    [
        ([], np.zeros((0, 7)), "wanted one integer a pose"),
        ([1.5, 2.5], np.zeros((2, 7)), "wanted one integer a pose"),
        ([1, 2], np.zeros((2, 6)), r"wanted \(2, 7\)"),
        ([1, 2], np.zeros((2, 7)), "quaternion"),
        ([1, 2], np.full((2, 7), np.nan), "not finite"),
        (np.array([1, 2**63], np.uint64), np.tile([0, 0, 0, 0, 0, 0, 1], (2, 1)), "beyond int64"),
    ],
)
def test_rows_that_are_none(times, poses, words: str) -> None:
    with pytest.raises(MotionError, match=words):
        Trajectory.of_rows(np.array(times), poses)


def test_one_pose_is_a_place_but_no_motion() -> None:
    path = Trajectory.of_rows(np.array([START]), np.array([[1, 2, 3, 0, 0, 0, 1.0]]))
    assert path.at([START])[0] == pytest.approx([1, 2, 3, 0, 0, 0, 1])
    with pytest.raises(MotionError, match="has one pose"):
        path.motion()
