"""The recorded drive: what it shows, that it is made the same again, and that the folder holds it."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from flatten import Profile, frames
from flatten.recordings import open_recording
from flatten.recordings.trajectory import matrices
from flatten.samples import DRIVE_FOLDER, DRIVE_RECORDING, TRUTH, sample_folder
from flatten.scene import drive, drive_samples, rover
from flatten.scene.capture import OWN_ROBOT
from flatten.scene.course import Course
from flatten.scene.ground import Ground
from flatten.scene.layout import Mount
from flatten.scene.moving import STILL, transforms

FOLDER = sample_folder() / DRIVE_FOLDER
LARGEST = 6_000_000
"""Bytes: what the drive may take in the wheel."""


@pytest.fixture(scope="module")
def course() -> Course:
    return drive.drive_course()


def test_the_way_is_as_told(course: Course) -> None:
    """Stand, ramp, weave, aisle, two metres before the edge at x = 18, a quarter turn, stand."""
    at = {t: course.at(np.array([t]))[0] for t in (0.0, 2.9, 7.5, 14.0, 20.0, 29.0, 29.9)}
    np.testing.assert_array_equal(at[0.0], at[2.9])
    assert at[7.5][2] > 0.05  # up the ramp
    assert (
        abs(at[14.0][1]) < 0.05 and abs(at[20.0][1]) < 0.05
    )  # in the middle of the aisle, 0.9 m wide each way
    assert 1.5 < 18.0 - (at[29.0][0] + 0.475) < 2.5
    assert at[29.0][5] == pytest.approx(math.pi / 2, abs=0.01)
    np.testing.assert_allclose(at[29.0], at[29.9], atol=1e-12)


def test_it_shakes_while_its_tracks_turn_and_only_then(course: Course) -> None:
    rest, going = (course.at(np.arange(a, a + 1.0, 0.002))[:, 3:5] for a in (1.0, 17.0))
    assert np.abs(rest).max() < 1e-12
    np.testing.assert_allclose(np.degrees(np.abs(going).max(axis=0)), 1.5, atol=0.01)


def test_speeds_are_the_change_of_places() -> None:
    ground = Ground(name="flat")
    course = Course((1.0, 2.0, 0.5), ((0.0, 0.0, 0.0), (2.0, 2.0, 0.0), (4.0, 2.0, 1.0)), ground, STILL)
    end = course.at(np.array([4.0, 100.0]))
    assert end[0][5] == pytest.approx(0.5 + 1.0)  # the mean of 0 and 1 rad/s, for 2 s
    np.testing.assert_array_equal(end[0], end[1])
    way = course.at(np.linspace(0.0, 4.0, 401))
    assert np.hypot(*np.diff(way[:, :2], axis=0).T).sum() == pytest.approx(2.0 + 4.0, abs=1e-3)
    np.testing.assert_array_equal(course.at(np.array([1.7])), course.at(np.array([0.2, 1.7]))[1:])


def test_the_folder_holds_it_and_is_small() -> None:
    """That it is what is made now is looked at in test_samples, for all samples."""
    assert all(path.is_file() for path in drive_samples.targets(sample_folder()))
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < LARGEST


def test_differences_are_told(tmp_path: Path) -> None:
    shutil.copytree(FOLDER, tmp_path / DRIVE_FOLDER)
    (tmp_path / DRIVE_FOLDER / "rover.yaml").write_text("robot: {}\n")
    whole = (FOLDER / DRIVE_RECORDING).read_bytes()
    (tmp_path / DRIVE_FOLDER / DRIVE_RECORDING).write_bytes(whole[: len(whole) // 2])
    with np.load(FOLDER / TRUTH) as packed:
        arrays = dict(packed)
    np.savez_compressed(tmp_path / DRIVE_FOLDER / TRUTH, **{**arrays, "mount": arrays["mount"] + 0.001})
    told = " ".join(drive_samples.differences(tmp_path))
    assert "rover.yaml" in told and "drive.mcap" in told and "mount" in told


def test_the_truth_is_true() -> None:
    """What is labelled floor lies on the floor by true mount and odometry, and not by the profile's mount.

    7 cm: gravel of 1 cm, three sigma of noise, the attitude between two poses, 0.3° off at most, at 8 m.
    """
    with np.load(FOLDER / TRUTH) as packed:
        counts, labels, mount, names = (packed[key] for key in ("counts", "labels", "mount", "solids"))
    gravel = int(np.flatnonzero(names == "gravel")[0])
    ends = np.cumsum(counts)
    nominal = Mount.of(Profile.load(FOLDER / "rover.yaml"))
    true, declared = (frames.body_from_sensor(*one) for one in (mount, nominal))
    off = {"true": [], "declared": []}
    with open_recording(FOLDER / DRIVE_RECORDING) as recording:
        assert recording.count == len(counts) == drive.FRAMES
        trajectory = recording.trajectory
        assert trajectory is not None and trajectory.of == "body" and not trajectory.faults
        np.testing.assert_allclose(recording.body_from_sensor, declared, atol=1e-9)
        for frame in recording.frames():
            if frame.index % 60 != 59:
                continue
            at = slice(ends[frame.index] - counts[frame.index], ends[frame.index])
            assert len(frame.cloud) == counts[frame.index]
            times = frame.time + (frame.cloud.time.astype(np.float64) * 1e9).astype(np.int64)
            poses = matrices(trajectory.at(times))
            for name, placed in (("true", true), ("declared", declared)):
                body = frame.cloud.xyz @ placed[:3, :3].T + placed[:3, 3]
                z = np.einsum("nj,nj->n", poses[:, 2, :3], body) + poses[:, 2, 3]
                near = (labels[at] == gravel) & (np.linalg.norm(frame.cloud.xyz, axis=1) < 8.0)
                off[name].append(z[near])
    assert np.abs(np.concatenate(off["true"])).max() < 0.07
    assert np.abs(np.concatenate(off["declared"])).max() > 0.12
    assert (labels == OWN_ROBOT).mean() > 0.1
    for part in ("hose ramp up", "dock pit", "heating pipe 1", "bench left 1 board"):
        assert (labels == int(np.flatnonzero(names == part)[0])).sum() > 20, part


def test_odometry_tells_where_the_body_is(course: Course) -> None:
    times, told = drive.drive_poses(course)
    true = course.at((times - drive.START) / 1e9)
    true[:, :2] -= drive.BEGIN[:2]
    turned = np.linalg.norm(matrices(told)[:, :3, :3] - transforms(true)[:, :3, :3], axis=(1, 2))
    assert turned.max() < 10.0 * drive.POSE_NOISE and turned.mean() > 0.5 * drive.POSE_NOISE
    np.testing.assert_allclose(told[:, :3], true[:, :3], atol=1e-9)


def test_another_mount_and_another_robot_are_another_drive() -> None:
    usual, _, _ = rover.layout_of("rover.yaml")
    place, course = drive.drive_place(), drive.drive_course()
    one, other = (
        next(drive.drive_frames(mount, robot=robot, frames=[5], place=place, course=course))
        for mount, robot in ((drive.TRUE_MOUNT, rover.own_solids()), (usual, ()))
    )
    assert one.stamp == other.stamp == drive.START + 500_000_000
    assert (one.labels == OWN_ROBOT).any() and not (other.labels == OWN_ROBOT).any()
    for cloud in (one.cloud, other.cloud):
        np.testing.assert_array_equal(cloud.xyz / drive.GRAIN % 1.0, 0.0)
        assert cloud.time is not None and float(cloud.time.max()) < drive.PERIOD
