"""The two sensor classes: field, counts, order in time, and that the rosette does not repeat."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from flatten import scene
from flatten.scene import solids

EPS = 1e-12  # arcsin and sin in float64


def elevations(rays: scene.Rays) -> np.ndarray:
    return np.arcsin(rays.directions[:, 2])


@settings(max_examples=30, deadline=None)
@given(frame=st.integers(0, 10_000), seed=st.integers(0, 2**32), returns=st.integers(100, 30_000))
def test_rosette_keeps_its_field(frame: int, seed: int, returns: int) -> None:
    sensor = scene.Rosette(returns=returns)
    rays = sensor.rays(frame, seed)
    assert rays.directions.shape == (returns, 3)
    np.testing.assert_allclose(np.linalg.norm(rays.directions, axis=1), 1.0, rtol=1e-12)
    up = elevations(rays)
    assert up.min() >= math.radians(-7) - EPS and up.max() <= math.radians(52) + EPS
    assert np.all(np.diff(rays.times) > 0) and rays.times[0] == 0.0 and rays.times[-1] < 0.1


def test_rosette_class_figures() -> None:
    # 360° × 59°, 0.1 to 40 m, 200,000 returns a second at 10 Hz: common practice
    sensor = scene.Rosette()
    rays = sensor.rays(0, 0)
    assert len(rays.times) / sensor.period == pytest.approx(200_000)
    assert (sensor.near, sensor.far) == (0.1, 40.0)
    assert math.degrees(np.ptp(elevations(rays))) == pytest.approx(59, abs=0.1)  # 1/57 stroke a return
    around = np.histogram(np.arctan2(rays.directions[:, 1], rays.directions[:, 0]), 72, (-math.pi, math.pi))[
        0
    ]
    # the tenth turn of a frame is not complete: up to one turn in nine and a half more here than there
    assert around.min() > 0.85 * 20_000 / 72 and around.max() < 1.15 * 20_000 / 72


def test_rosette_does_not_repeat_and_is_determined_by_its_seed() -> None:
    sensor = scene.Rosette()
    first = sensor.rays(0, 5).directions
    np.testing.assert_array_equal(first, sensor.rays(0, 5).directions)
    tree = cKDTree(first)
    spacing = math.sqrt(2 * math.pi * (math.sin(math.radians(52)) + math.sin(math.radians(7))) / 20_000)
    for other in (sensor.rays(1, 5), sensor.rays(2, 5), sensor.rays(37, 5), sensor.rays(0, 6)):
        away = tree.query(other.directions)[0]
        # as far from the first pattern as points thrown at random: mean half a spacing (Clark & Evans 1954)
        assert 0.3 * spacing < away.mean() < 0.7 * spacing
        assert np.mean(away < 1e-4) < 0.01


def test_gathered_frames_fill_the_field() -> None:
    sensor = scene.Rosette()
    cells = []
    for count in (1, 4, 16):
        beams = np.concatenate([sensor.rays(frame, 0).directions for frame in range(count)])
        bearing, up = np.arctan2(beams[:, 1], beams[:, 0]), np.arcsin(beams[:, 2])
        grid = np.histogram2d(bearing, up, (1440, 118), ((-math.pi, math.pi), np.radians((-7, 52))))[0]
        cells.append(np.mean(grid > 0))
    # thrown at random, n frames of 20,000 leave exp(−n·20,000/169,920) of the cells empty
    for count, filled in zip((1, 4, 16), cells, strict=True):
        assert filled == pytest.approx(1.0 - math.exp(-count * 20_000 / (1440 * 118)), abs=0.08)


def ring(distance: float) -> scene.Place:
    corners = [(distance * math.cos(a), distance * math.sin(a)) for a in np.linspace(0, 2 * math.pi, 361)]
    sheets = [
        solids.Sheet(name=f"sheet {k}", corners=((*a, 0.08), (*b, 0.08), (*b, 0.95), (*a, 0.95)))
        for k, (a, b) in enumerate(itertools.pairwise(corners))
    ]
    return scene.Place(sheets)


@pytest.mark.parametrize(("distance", "answered"), [(2.0, 1.0), (10.0, 0.70), (25.0, 0.40)])
def test_rosette_answers_as_the_class_does(distance: float, answered: float) -> None:
    # shares of 1,440 bins answered by a wall all round: common practice for the class
    shot = scene.capture(ring(distance), scene.Rosette(), mount=(0, 0, 0.61, 0, 0, 0))
    where = shot.world()
    bins = np.unique(scene.Fan().bin_of(np.arctan2(where[:, 1], where[:, 0])))
    assert len(bins) / 1440 == pytest.approx(answered, abs=0.03)


def test_rosette_misses_the_thin_body_in_half_its_frames() -> None:
    # Ø70 × 400 mm at 10 m: missed in half the frames (common practice); 150 frames: σ = 4 %
    place = scene.Place([solids.upright_body("body", 10.0, 0.0)])
    mount = (0, 0, 0.61, math.pi, 0, 0)
    shots = [scene.capture(place, scene.Rosette(), mount=mount, frame=frame) for frame in range(150)]
    assert np.mean([len(shot.cloud) == 0 for shot in shots]) == pytest.approx(0.5, abs=0.12)


def test_rotating_pattern() -> None:
    sensor = scene.Rotating(beams=32, columns=1024)
    rays = sensor.rays(0, 0)
    assert rays.directions.shape == (32 * 1024, 3)
    up = np.degrees(elevations(rays)).reshape(1024, 32)
    np.testing.assert_allclose(up, np.broadcast_to(np.linspace(-25, 15, 32), (1024, 32)), atol=1e-10)
    bearing = np.unwrap(np.arctan2(rays.directions[::32, 1], rays.directions[::32, 0]))
    np.testing.assert_allclose(np.diff(bearing), 2 * math.pi / 1024, rtol=1e-9)
    assert np.all(np.diff(rays.times) > 0) and rays.times[-1] < sensor.period
    np.testing.assert_array_equal(rays.directions, sensor.rays(9, 9).directions)


def test_reach_of_the_sensor() -> None:
    place = scene.Place([solids.Floor(name="floor", x=(-100, 100), y=(-100, 100))])
    sensor = scene.Rotating(near=2.0, far=10.0)
    shot = scene.capture(place, sensor, mount=(0, 0, 1.0, 0, 0, 0))
    along = shot.distances[shot.ray_of]
    assert along.min() >= 2.0 and along.max() <= 10.0
    assert np.sum((shot.distances >= 2.0) & (shot.distances <= 10.0)) == len(shot.cloud) > 1000
