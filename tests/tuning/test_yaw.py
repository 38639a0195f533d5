"""Yaw from walls and from drives of known direction."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from flatten import Cloud, Motion, MotionError, TuningError, frames
from flatten.tuning.mount import Finder
from flatten.tuning.poses import read_poses
from flatten.tuning.yaw import FACING, yaw_from_drive
from tests.tuning.floors import UPRIGHT, beams, cloud, flat, to_plane, walled

START = UPRIGHT._replace(yaw=math.radians(-9.0))
"""12° off."""
SIDES = {"ahead": 0.0, "left": math.pi / 2, "behind": math.pi, "right": -math.pi / 2}
TILT = np.array([UPRIGHT.roll, UPRIGHT.pitch, UPRIGHT.z])


@pytest.mark.parametrize("side", list(FACING))
@pytest.mark.parametrize("roll", [2.0, -178.0])
def test_a_wall_gives_yaw(side: str, roll: float) -> None:
    truth = UPRIGHT._replace(roll=math.radians(roll))
    finder = Finder(START._replace(roll=truth.roll))
    finder.look(walled(truth, side=SIDES[side]))
    found, yaw = finder.find(wall=side)
    assert yaw is not None
    assert abs(yaw.value - truth.yaw) < 4.0 * yaw.sigma
    assert yaw.sigma < math.radians(0.05)
    assert f"the wall {side}, 3.0 m away" in yaw.rests_on and "as you say" in yaw.rests_on
    assert abs(found.values[1] - truth.pitch) < math.radians(0.05)


def test_a_robot_parked_askew_is_wrong_by_just_that() -> None:
    """What the user says of the wall is believed: the words have to warn, the code cannot know."""
    turn = math.radians(1.5)
    finder = Finder(START)
    finder.look(walled(turn=turn))
    _, yaw = finder.find(wall="ahead")
    assert yaw is not None and yaw.value == pytest.approx(UPRIGHT.yaw + turn, abs=math.radians(0.05))


def test_several_parkings_show_how_askew_they_were() -> None:
    finder = Finder(START)
    for turn in (-1.0, 1.0):
        finder.look(walled(turn=math.radians(turn)), f"turned {turn}")
    _, yaw = finder.find(wall="ahead")
    assert yaw is not None and yaw.disagrees
    assert yaw.value == pytest.approx(UPRIGHT.yaw, abs=math.radians(0.1))
    assert yaw.sigma == pytest.approx(math.radians(1.0), rel=0.1)  # the two differ by 2°, their mean by half


def test_yaw_of_a_leaning_body() -> None:
    """Wall and floor upright in the level frame, the body pitched on it."""
    attitude = (math.radians(2.0), math.radians(4.0))
    level_from_sensor = frames.level_from_body(*attitude) @ frames.body_from_sensor(*UPRIGHT)
    directions, _ = beams(UPRIGHT)
    level = directions @ level_from_sensor[:3, :3].T
    floor = to_plane(level, (0.0, 0.0, 1.0), float(level_from_sensor[2, 3]))
    made = cloud(directions, np.minimum(floor, to_plane(level, (-1.0, 0.0, 0.0), 3.0)))
    finder = Finder(START, attitude=attitude)
    finder.look(made)
    found, yaw = finder.find(wall="ahead")
    assert yaw is not None and abs(yaw.value - UPRIGHT.yaw) < 4.0 * yaw.sigma
    assert (np.abs(found.values[:3] - TILT) < 4.0 * found.sigmas[:3]).all()


def test_where_there_is_no_wall() -> None:
    finder = Finder(START)
    finder.look(flat())
    with pytest.raises(TuningError, match="no wall left: no upright plane"):
        finder.find(wall="left")
    askew = Finder(START._replace(yaw=UPRIGHT.yaw + math.radians(40.0)))
    askew.look(walled())
    with pytest.raises(TuningError, match="no wall ahead"):
        askew.find(wall="ahead")


def test_a_post_is_no_wall() -> None:
    directions, level = beams(UPRIGHT)
    narrow = np.abs(np.arctan2(level[:, 1], level[:, 0])) < 0.07  # 0.4 m at 3 m
    post = np.where(narrow, to_plane(level, (-1.0, 0.0, 0.0), 3.0), np.inf)
    finder = Finder(START)
    finder.look(cloud(directions, np.minimum(to_plane(level, (0.0, 0.0, 1.0), UPRIGHT.z), post)))
    with pytest.raises(TuningError, match=r"no wall ahead|is too small"):
        finder.find(wall="ahead")


def drive(
    length: float = 5.0, heading: float = 0.7, curve: float = 0.0, back: bool = False, noise: float = 0.0
) -> Motion:
    """Poses of the sensor while the body drives from the origin of some frame, turning by `curve` in all."""
    k = 51
    along = np.linspace(0.0, length, k) * (-1.0 if back else 1.0)
    rng = np.random.default_rng(5)
    poses = []
    for s in along:
        turn = heading + curve * abs(s) / length
        body = frames.transform(frames.rotation_z(turn), (s * math.cos(heading), s * math.sin(heading), 0.0))
        pose = body @ frames.body_from_sensor(*UPRIGHT)
        pose[:3, 3] += rng.normal(0.0, noise, 3)
        poses.append(pose)
    return Motion(np.arange(k) * 0.1, np.array(poses))


@pytest.mark.parametrize("back", [False, True])
def test_a_straight_drive_gives_yaw(back: bool) -> None:
    yaw = yaw_from_drive(drive(back=back), TILT, START.yaw)
    assert yaw.value == pytest.approx(UPRIGHT.yaw, abs=1e-9)
    assert ("straight back" if back else "straight ahead") in yaw.rests_on and "5.0 m" in yaw.rests_on
    noisy = yaw_from_drive(drive(back=back, noise=0.005), TILT, START.yaw)
    assert abs(noisy.value - UPRIGHT.yaw) < 3.0 * noisy.sigma
    assert math.radians(0.05) < noisy.sigma < math.radians(1.0)


def test_drives_that_tell_nothing() -> None:
    with pytest.raises(TuningError, match=r"too short: 1\.0"):
        yaw_from_drive(drive(length=1.0), TILT, 0.0)
    with pytest.raises(TuningError, match="not straight: the sensor turned"):
        yaw_from_drive(drive(curve=0.2), TILT, 0.0)
    still = Motion([0.0, 1.0], np.array([np.eye(4), np.eye(4)]))
    with pytest.raises(TuningError, match=r"too short: 0\.00 m"):
        yaw_from_drive(still, TILT, 0.0)


class TestPoses:
    def test_a_file_is_read(self, tmp_path: Path) -> None:
        path = tmp_path / "drive.txt"
        path.write_text("# t x y z qx qy qz qw\n\n1.5 0 0 0 0 0 0 1\n2.5 1 2 3 0 0 1 0  # turned\n")
        motion = read_poses(path)
        np.testing.assert_allclose(motion.positions, [[0, 0, 0], [1, 2, 3]])
        np.testing.assert_allclose(motion.seconds, [0.0, 1.0])

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("1 2 3\n", "drive.txt:1: is no pose"),
            ("0 0 0 0 0 0 0 1\nnine\n", "drive.txt:2: is no pose"),
            ("", "drive.txt: holds no poses"),
            ("0 0 0 0 0 0 0 1\n0 0 0 0 0 0 0 1\n", "drive.txt: times are not strictly ascending"),
            ("0 0 0 0 1 1 1 1\n1 0 0 0 0 0 0 1\n", r"drive.txt: poses\[0\]: a quaternion"),
            ("nan 0 0 0 0 0 0 1\n1 0 0 0 0 0 0 1\n", r"drive.txt: times\[0\] is not finite"),
        ],
    )
    def test_bad_files(self, tmp_path: Path, text: str, words: str) -> None:
        path = tmp_path / "drive.txt"
        path.write_text(text)
        with pytest.raises(MotionError, match=words):
            read_poses(path)

    def test_no_file(self, tmp_path: Path) -> None:
        with pytest.raises(MotionError, match="cannot be read as poses"):
            read_poses(tmp_path / "none.txt")


def test_the_floor_is_no_part_of_the_wall() -> None:
    """Without its floor the same wall gives the same yaw."""
    with_floor, bare = walled(), walled()
    points = bare.xyz @ frames.rotation(UPRIGHT.roll, UPRIGHT.pitch, 0.0).T
    finder, other = Finder(START), Finder(START)
    finder.look(with_floor)
    low = (points[:, 2] < 0.1 - UPRIGHT.z) & (points[:, 0] > 2.0)
    other.look(Cloud.from_array(bare.xyz[~low]))
    one, two = finder.find(wall="ahead")[1], other.find(wall="ahead")[1]
    assert one is not None and two is not None
    assert abs(one.value - two.value) < one.sigma
