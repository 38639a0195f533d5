"""Noise, drop-outs, mixed pixels, dust and the own robot, each against what its numbers promise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from flatten import scene
from flatten.scene import solids
from tests.scene.beams import Beams

DOME = scene.Place([solids.Box(name="hall", x=0, y=0, length=20, width=20, bottom=-1, top=9)])
MOUNT = (0.0, 0.0, 0.5, 0.0, 0.0, 0.0)


def take(effects: scene.Effects, place: scene.Place = DOME, seed: int = 3) -> scene.Capture:
    return scene.capture(place, scene.Rosette(), mount=MOUNT, effects=effects, seed=seed)


def measured(shot: scene.Capture) -> np.ndarray:
    return np.linalg.norm(shot.cloud.xyz, axis=1)


def test_clean_by_default() -> None:
    shot = take(scene.CLEAN)
    assert len(shot.cloud) == 20_000
    np.testing.assert_allclose(measured(shot), shot.distances[shot.ray_of], rtol=3e-7)  # float32 coordinates
    assert set(shot.labels) == {0}
    assert shot.cloud.x.dtype == shot.cloud.time.dtype == shot.cloud.intensity.dtype == np.float32


def test_range_noise() -> None:
    shot = take(scene.Effects(range_noise=0.02))
    error = measured(shot) - shot.distances[shot.ray_of]
    # standard errors of mean and deviation: σ/√N and σ/√(2N); five of each
    assert abs(error.mean()) < 5 * 0.02 / math.sqrt(20_000)
    assert error.std() == pytest.approx(0.02, abs=5 * 0.02 / math.sqrt(40_000))


def test_far_drop_outs_grow_with_the_distance_squared() -> None:
    walls = [
        solids.Box(name=f"wall {k}", x=d, y=0, length=0.2, width=1, top=1) for k, d in ((1, 20.1), (2, -40.1))
    ]
    count = 20_000
    beams = Beams(((1.0, 0.0, 0.0), (-1.0, 0.0, 0.0)) * count, far=41.0)
    shot = scene.capture(scene.Place(walls), beams, mount=MOUNT, effects=scene.Effects(drop_far=0.8))
    for number, distance in ((0, 20.0), (1, 40.0)):
        lost = 1.0 - np.sum(shot.labels == number) / count
        expected = 0.8 * (distance / 41.0) ** 2
        assert lost == pytest.approx(expected, abs=5 * math.sqrt(expected * (1 - expected) / count))


def test_grazing_drop_outs() -> None:
    floor = scene.Place([solids.Floor(name="floor", x=(-60, 60), y=(-60, 60))])
    count, angle = 20_000, math.radians(3.0)
    beams = Beams(((math.cos(angle), 0.0, -math.sin(angle)), (0.0, 0.0, -1.0)) * count)
    shot = scene.capture(floor, beams, mount=MOUNT, effects=scene.Effects(drop_grazing=0.7))
    lost = [1.0 - np.sum(shot.ray_of % 2 == k) / count for k in (0, 1)]
    expected = 0.7 * (1 - math.sin(angle)) ** 4
    assert lost[0] == pytest.approx(expected, abs=5 * math.sqrt(expected * (1 - expected) / count))
    assert lost[1] == 0.0


def test_mixed_pixels_lie_between_the_surfaces_of_an_edge() -> None:
    post = solids.post("post", 3.0, 0.0, 0.5, 5.0, bottom=-1.0)
    place = scene.Place([*DOME.solids, post])
    shot = take(scene.Effects(mixed=1.0, divergence=0.003), place)
    mixed = shot.labels == scene.MIXED
    assert mixed.sum() > 10
    bearing = np.abs(np.arctan2(shot.cloud.y, shot.cloud.x))[mixed]
    rim = math.asin(0.25 / 3.0)
    up = np.arcsin(shot.cloud.z[mixed] / measured(shot)[mixed])
    # a mixed beam passes the rim within its half-width; the bearing widens with 1/cos of the elevation
    assert np.all(np.abs(bearing - rim) <= 0.003 / np.cos(up) + 5e-4)
    level = np.hypot(shot.cloud.x, shot.cloud.y)[mixed]
    assert np.all(level > 2.7) and np.all(level < math.hypot(10, 10))
    assert np.ptp(level) > 3.0
    assert not np.any(take(scene.Effects(mixed=1.0)).labels == scene.MIXED)  # the hall has no such edge


def test_dust() -> None:
    shot = take(scene.Effects(dust=0.05, dust_reach=2.0))
    dust = shot.labels == scene.DUST
    assert dust.mean() == pytest.approx(0.05, abs=5 * math.sqrt(0.05 * 0.95 / 20_000))
    along = measured(shot)[dust]
    assert along.min() >= 0.1 - 1e-6 and along.max() <= 2.0 + 1e-6
    # even along the beam: mean of the middle, five standard errors width/√(12 N)
    assert along.mean() == pytest.approx(1.05, abs=5 * 1.9 / math.sqrt(12 * dust.sum()))


def test_own_robot_rides_with_the_body() -> None:
    hull = solids.Box(name="hull", x=0, y=0, length=0.9, width=0.7, bottom=0.1, top=0.4)
    effects = scene.Effects(robot=(hull,))
    floor = scene.Place([solids.Floor(name="floor", x=(-60, 60), y=(-60, 60))])
    mount = scene.Mount(0.2, 0.0, 0.8, math.pi, 0.1, 0.0)
    shots = [
        scene.capture(floor, scene.Rosette(), pose, mount, attitude=attitude, effects=effects)
        for pose, attitude in [((0, 0, 0), (0, 0)), ((3, -2, 1.0), (0.1, -0.2))]
    ]
    own = [shot.cloud.xyz[shot.labels == scene.OWN_ROBOT] for shot in shots]
    assert len(own[0]) > 1000
    np.testing.assert_allclose(own[0], own[1], atol=1e-6)  # fixed in the sensor frame, float32
    body = own[0] @ mount.body_from_sensor[:3, :3].T + mount.body_from_sensor[:3, 3]
    assert np.all(np.abs(body[:, 0]) <= 0.45 + 1e-6) and np.all(np.abs(body[:, 1]) <= 0.35 + 1e-6)
    assert np.all((body[:, 2] >= 0.1 - 1e-6) & (body[:, 2] <= 0.4 + 1e-6))


def test_the_seed_decides() -> None:
    every = scene.Effects(range_noise=0.01, drop_far=0.5, drop_grazing=0.5, mixed=0.5, dust=0.02)
    first, again, other = take(every, seed=1), take(every, seed=1), take(every, seed=2)
    np.testing.assert_array_equal(first.cloud.xyz, again.cloud.xyz)
    np.testing.assert_array_equal(first.labels, again.labels)
    assert len(other.cloud) != len(first.cloud) or not np.array_equal(other.cloud.x, first.cloud.x)


def test_intensity_follows_the_angle() -> None:
    floor = scene.Place([solids.Floor(name="floor", x=(-60, 60), y=(-60, 60), reflectance=0.8)])
    angles = np.radians([90.0, 60.0, 30.0])
    beams = Beams(tuple((math.cos(a), 0.0, -math.sin(a)) for a in angles))
    shot = scene.capture(floor, beams, mount=MOUNT)
    # Lambert's cosine law, in whole steps of 255
    np.testing.assert_array_equal(shot.cloud.intensity, np.round(255 * 0.8 * np.sin(angles)))


@pytest.mark.parametrize(
    "wrong", [{"dust": 1.5}, {"mixed": -0.1}, {"range_noise": -1.0}, {"drop_far": math.nan}]
)
def test_numbers_that_make_no_sense(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        replace(scene.CLEAN, **wrong)
