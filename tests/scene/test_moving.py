"""Frames of a moving body, and how a body stands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from flatten import frames, scene
from flatten.scene import moving, pieces, solids
from flatten.scene.ground import Ground
from flatten.scene.standing import contacts, stand
from tests.scene.beams import Beams

SENSOR = scene.Rotating(beams=8, columns=256, lowest=-0.4, highest=0.1)
MOUNT = (0.3, -0.1, 0.7, 0.1, 0.2, 0.3)


def room() -> scene.Place:
    corners = [(-10, -10), (10, -10), (10, 10), (-10, 10), (-10, -10)]
    walls = [solids.wall(f"wall {k}", corners[k], corners[k + 1], 3.0) for k in range(4)]
    return scene.Place([solids.Floor(name="floor", x=(-12, 12), y=(-12, 12)), *walls])


@settings(max_examples=30, deadline=None)
@given(
    slopes=st.tuples(st.floats(-0.35, 0.35), st.floats(-0.35, 0.35)),
    where=st.tuples(st.floats(-5, 5), st.floats(-5, 5)),
    yaw=st.floats(-3.1, 3.1),
)
def test_on_a_plane_all_corners_touch(
    slopes: tuple[float, float], where: tuple[float, float], yaw: float
) -> None:
    parts = tuple(pieces.crossfall(math.atan(s), axis) for axis, s in enumerate(slopes))
    ground = Ground(name="ground", pieces=parts)
    stance = stand(ground, *where, yaw)
    corners = np.array([[x, y, 0.0, 1.0] for x in (-0.475, 0.475) for y in (-0.36, 0.36)])
    world = corners @ stance.world_from_body.T
    np.testing.assert_allclose(world[:, 2], ground.height(world[:, 0], world[:, 1]), atol=1e-12)
    assert stance.yaw == yaw
    # REP 103 by scipy: the body's z axis is the normal of the plane
    up = Rotation.from_euler("xyz", [stance.roll, stance.pitch, yaw]).apply([0, 0, 1])
    normal = np.array([-slopes[0], -slopes[1], 1.0])
    np.testing.assert_allclose(up, normal / np.linalg.norm(normal), atol=1e-12)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), yaw=st.floats(-3.1, 3.1))
def test_no_track_lies_below_the_ground_and_three_places_carry(seed: int, yaw: float) -> None:
    rng = np.random.default_rng(seed)
    parts = (
        pieces.step(rng.uniform(-0.4, 0.4), 0.1),
        pieces.ramp(rng.uniform(-1, 1), 0.3, 0.5, 1),
        pieces.crest(rng.uniform(-3, 0), 3.0, 0.3, 1),
    )
    ground = Ground(name="ground", pieces=parts)
    stance = stand(ground, 0.0, 0.0, yaw)
    flat = contacts() @ frames.rotation_z(yaw)[:2, :2].T
    normal = stance.world_from_body[:3, 2]
    gap = stance.z - flat @ normal[:2] / normal[2] - ground.height(*flat.T)
    assert gap.min() == pytest.approx(0.0, abs=1e-9)
    assert (gap < 1e-9).sum() >= 3
    touching = contacts()[gap < 1e-9]
    # it does not tip over: what touches lies all around the origin
    assert touching[:, 0].min() <= 1e-9 and touching[:, 0].max() >= -1e-9
    assert touching[:, 1].min() < 0.0 < touching[:, 1].max()


def test_a_body_that_keeps_still_gives_the_frame_of_a_pose() -> None:
    pose, tilt = (1.0, -2.0, 0.7), (0.05, -0.03)
    one = scene.capture(room(), SENSOR, pose, MOUNT, attitude=tilt)
    held = moving.Held(scene.Stance(1.0, -2.0, 0.0, *tilt, 0.7))
    two = scene.capture(room(), SENSOR, mount=MOUNT, trajectory=held)
    np.testing.assert_array_equal(one.labels, two.labels)
    np.testing.assert_allclose(one.cloud.xyz, two.cloud.xyz, atol=2e-6)  # float32 of 14 m
    np.testing.assert_allclose(one.world_from_sensor, two.world_from_sensor, atol=1e-15)
    np.testing.assert_allclose(one.world(), two.true_world(), atol=5e-6)


def test_smear_of_a_turn() -> None:
    # 60°/s over 0.1 s = 6°, 1.05 m at 10 m: the last beam ahead, not the first, sees it that far aside
    trajectory = moving.Drive(turn=math.radians(60.0))
    first, last = trajectory.at(np.array([0.0, 0.1]))
    assert math.degrees(last[5] - first[5]) == pytest.approx(6.0)
    assert 10.0 * (last[5] - first[5]) == pytest.approx(1.05, abs=0.005)

    class Ahead(Beams):
        def rays(self, frame: int, seed: int) -> scene.Rays:
            return scene.Rays(np.array([[1.0, 0.0, 0.0]] * 2), np.array([0.0, 0.1]))

    mast = solids.wall("wall", (9.9, -5.0), (9.9, 5.0), 3.0, 0.0002)
    shot = scene.capture(scene.Place([mast]), Ahead(()), mount=(0, 0, 1, 0, 0, 0), trajectory=trajectory)
    moved = shot.true_world()
    assert moved[1, 1] - moved[0, 1] == pytest.approx(9.9 * math.tan(math.radians(6.0)), abs=1e-3)
    # taken for a frame of a body that keeps still, both lie straight ahead
    np.testing.assert_allclose(shot.world()[:, 1], 0.0, atol=1e-6)


def test_returns_of_a_moving_body_lie_on_the_walls() -> None:
    ground = Ground(name="ground", pieces=(pieces.ramp(-0.2, 0.2, 0.4),))
    drive = moving.Drive((0, 0, 0.4), 1.0, math.radians(60.0), ground, moving.Shake())
    shot = scene.capture(room(), SENSOR, mount=MOUNT, trajectory=drive, start=0.2)
    walls = shot.labels > 0
    where = shot.true_world()[walls]
    # inner faces are at 10 m less half the thickness of 120 mm; float32 and a pose in float64
    assert np.abs(np.abs(where[:, :2]).max(axis=1) - 9.94).max() < 1e-5
    smeared = np.abs(np.abs(shot.world()[walls][:, :2]).max(axis=1) - 9.94)
    assert smeared.max() > 0.3  # which is why one wants to know the motion
    begun = moving.transforms(drive.at(np.array([0.2])))[0] @ frames.body_from_sensor(*MOUNT)
    np.testing.assert_array_equal(shot.world_from_sensor, begun)


def test_drive_is_an_arc_over_the_ground() -> None:
    ground = Ground(name="ground", pieces=(pieces.crossfall(0.1, 0),))
    drive = moving.Drive((1.0, 2.0, 0.3), 1.0, 0.8, ground)
    times = np.linspace(-0.5, 2.0, 26)
    poses = drive.at(times)
    # an arc of radius v/ω about a centre to the left
    centre = np.array([1.0 - 1.25 * math.sin(0.3), 2.0 + 1.25 * math.cos(0.3)])
    np.testing.assert_allclose(np.hypot(*(poses[:, :2] - centre).T), 1.25)
    assert math.dist(*drive.at(np.array([0.0, 1e-3]))[:, :2]) == pytest.approx(1e-3, rel=1e-6)
    # between the grid's moments z is straight: within v²ω²·GRID²/8·slope of the plane
    np.testing.assert_allclose(poses[:, 2], ground.height(*poses[:, :2].T), atol=1e-5)
    np.testing.assert_array_equal(poses[3], drive.at(times[3:4])[0])


def test_shake_swings_as_far_as_said() -> None:
    poses = moving.Drive(shake=moving.Shake(math.radians(1.5), 20.0)).at(np.arange(0, 0.05, 1e-4))
    for part in (3, 4):
        assert np.degrees(np.abs(poses[:, part]).max()) == pytest.approx(1.5, rel=1e-3)
    np.testing.assert_allclose(poses[0, 3:5], [0.0, math.radians(1.5)])


def test_measured_poses_are_quaternions_of_the_body() -> None:
    drive = moving.Drive((1.0, 2.0, 3.0), 1.0, 1.0, shake=moving.Shake())
    times = np.arange(0, 0.5, 0.01)
    told, true = moving.measured_poses(drive, times), drive.at(times)
    assert told.shape == (50, 7)
    np.testing.assert_allclose(told[:, :3], true[:, :3])
    turn = Rotation.from_quat(told[:, 3:])  # x, y, z, w
    np.testing.assert_allclose(turn.as_matrix(), moving.transforms(true)[:, :3, :3], atol=1e-12)
    # (0.1, −0.2, 0.3) → 0.06407, −0.09116, 0.15344, 0.98186
    np.testing.assert_allclose(
        moving.quaternions(np.array([[0.1, -0.2, 0.3]]))[0], [0.06407, -0.09116, 0.15344, 0.98186], atol=5e-6
    )
    noisy = moving.measured_poses(drive, times, noise=math.radians(0.2), seed=3)
    off = (Rotation.from_quat(noisy[:, 3:]) * turn.inv()).magnitude()
    # three angles of 0.2° each: √3·0.2° = 0.35°, its mean over 50 draws within 0.1°
    assert math.degrees(float(np.sqrt(np.mean(off**2)))) == pytest.approx(0.35, abs=0.1)
    np.testing.assert_array_equal(noisy, moving.measured_poses(drive, times, noise=math.radians(0.2), seed=3))
    assert np.any(noisy != moving.measured_poses(drive, times, noise=math.radians(0.2), seed=4))


def test_a_walker_is_where_it_is_at_each_beam() -> None:
    person = scene.walker("person", 5.0, 0.0, (0.0, 1.5))

    class Twice(Beams):
        def rays(self, frame: int, seed: int) -> scene.Rays:
            return scene.Rays(
                np.array([[1.0, 0.0, 0.0], [1.0, 0.3, 0.0], [1.0, 0.3, 0.0]]), np.array([0, 0, 1.0])
            )

    place = scene.Place([solids.wall("wall", (8, -9), (8, 9), 3.0)])
    shot = scene.capture(place, Twice(()), mount=(0, 0, 1, 0, 0, 0), movers=[person])
    # at 1 s it stands at y = 1.5, on the ray y = 0.3·x at x = 5: labels count on after the place's
    assert shot.labels.tolist() == [1, 0, 1]
    assert shot.cloud.x[0] == pytest.approx(4.8, abs=2e-4)  # Ø400 mm, flats of 0.1 mm
    later = scene.capture(place, Twice(()), mount=(0, 0, 1, 0, 0, 0), movers=[person], start=1.0)
    assert later.labels.tolist() == [0, 1, 0]
