"""Where the returns of a frame lie: mount, attitude and pose after REP 103."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from flatten import scene
from flatten.scene import solids
from tests.scene.beams import Beams, random_beams

FLOOR = solids.Floor(name="floor", x=(-80, 80), y=(-80, 80))
SIDES = Beams(((1, 0, 0), (0, 1, 0), (-1, 0, 0), (0, -1, 0)))  # ahead, left, behind, right
angles = st.floats(-0.6, 0.6)


def test_pitched_mount_looks_at_the_floor_ahead() -> None:
    # REP 103: pitch is a turn about y (left), so pitch > 0 takes x towards −z: nose down
    shot = scene.capture(scene.Place([FLOOR]), SIDES, mount=(0, 0, 0.5, 0, math.radians(5), 0))
    assert shot.ray_of.tolist() == [0]
    # h / sin(5°) along the beam; the planes are exact in float64
    assert shot.distances[0] == pytest.approx(0.5 / math.sin(math.radians(5)), rel=1e-12)


def test_rolled_mount_lifts_the_left_side() -> None:
    # REP 103: roll > 0 takes y (left) towards +z, so the right beam meets the floor
    shot = scene.capture(scene.Place([FLOOR]), SIDES, mount=(0, 0, 0.5, math.radians(5), 0, 0))
    assert shot.ray_of.tolist() == [3]


def test_pitched_body_carries_the_sensor_with_it() -> None:
    tilt, ahead, up = math.radians(5), 0.3, 0.6
    shot = scene.capture(scene.Place([FLOOR]), SIDES, mount=(ahead, 0, up, 0, 0, 0), attitude=(0.0, tilt))
    # Ry(tilt) about the body origin: z' = −x·sin + z·cos
    height = up * math.cos(tilt) - ahead * math.sin(tilt)
    assert shot.ray_of.tolist() == [0]
    assert shot.distances[0] == pytest.approx(height / math.sin(tilt), rel=1e-12)


def test_yaw_of_the_body_is_counter_clockwise() -> None:
    north = solids.Box(name="north", x=0, y=5, length=1, width=0.2, top=1)
    shot = scene.capture(scene.Place([north]), SIDES, (0.0, 1.0, math.pi / 2), (0, 0, 0.5, 0, 0, 0))
    assert shot.ray_of.tolist() == [0]
    assert shot.distances[0] == pytest.approx(3.9, rel=1e-12)
    assert shot.labels.tolist() == [shot.labels[0]] == [0]


@settings(max_examples=40, deadline=None)
@given(
    roll=angles,
    pitch=angles,
    yaw=st.floats(-3.0, 3.0),
    body=st.tuples(angles, angles),
    turn=st.floats(-3.0, 3.0),
)
def test_leaning_wall(roll: float, pitch: float, yaw: float, body: tuple[float, float], turn: float) -> None:
    corners = ((6.0, -30.0, -30.0), (6.0, 30.0, -30.0), (9.0, 30.0, 30.0), (9.0, -30.0, 30.0))
    place = scene.Place([solids.Sheet(name="leaning wall", corners=corners)])
    mount, pose = (0.3, -0.1, 0.7, roll, pitch, yaw), (0.5, -0.4, turn)
    shot = scene.capture(place, random_beams(200, 3), pose, mount, attitude=body)
    # rotations by scipy: fixed axes x, y, z; level = Ry·Rx of the body, then Rz of its yaw
    body_turn = Rotation.from_euler("xyz", [body[0], body[1], turn])
    origin = np.add(body_turn.apply([0.3, -0.1, 0.7]), [0.5, -0.4, 0.0])
    beams = (body_turn * Rotation.from_euler("xyz", [roll, pitch, yaw])).apply(shot.rays.directions)
    normal = np.array([60.0, 0.0, -3.0])
    with np.errstate(divide="ignore"):
        along = ((np.array([6.0, 0.0, -30.0]) - origin) @ normal) / (beams @ normal)
    met = np.isfinite(shot.distances)
    assert met.any()
    np.testing.assert_allclose(
        shot.distances[met], along[met], rtol=1e-9
    )  # two float64 ways, cos down to 1e-3
    where = origin + along[:, None] * beams
    inside = (along > 0) & np.all(np.abs(where[:, 1:]) < 29.99, axis=1)
    assert np.all(met[inside])
    # float32 coordinates up to 100 m: half a unit in the last place is 4e-6, three of them and a turn
    np.testing.assert_allclose(shot.world(), where[shot.ray_of], atol=1e-5)


def test_level_frame_of_the_truth() -> None:
    box = solids.Box(name="box", x=4, y=0, length=1, width=40, top=0.3)
    place, tilt = scene.Place([box]), math.radians(5)
    mount, fan = (0.5, 0.0, 0.6, 0, 0, 0), scene.Fan(-0.01, 0.01, 4)
    level = scene.truth(place, (0, 0, 0), mount, (0.1, 0.2), fan, attitude=(0.0, tilt))
    np.testing.assert_allclose(level.nearest, 3.0, rtol=1e-4)  # 1 − cos(0.01) = 5e-5
    # with the body, a beam at height h meets x = 3.5 where (0.5 + r)·cos + h·sin = 3.5
    body = scene.truth(place, (0, 0, 0), mount, (0.4, 0.6), fan, attitude=(0.0, tilt), level="body")
    exact = (3.5 - 0.6 * math.sin(tilt)) / math.cos(tilt) - 0.5
    np.testing.assert_allclose(body.nearest, exact, rtol=1e-4)
    assert np.isinf(scene.truth(place, (0, 0, 0), mount, (0.4, 0.6), fan).nearest).all()
    with pytest.raises(ValueError, match="gravity"):
        scene.truth(place, (0, 0, 0), mount, (0.4, 0.6), fan, level="floor")
