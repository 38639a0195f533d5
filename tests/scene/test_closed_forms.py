"""Ray caster and truth against closed forms, and the closed forms against handbook values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import scene
from flatten.scene import closed, solids
from tests.scene.beams import random_beams, sagitta

HERE = (0.0, 0.0, 0.0)
MOUNT = (0.0, 0.0, 0.5, 0.0, 0.0, 0.0)
HAIR = 2e-5  # how far beside a corner the truth looks, metres


def test_visible_width_of_the_test_bodies() -> None:
    # Ø70 mm at 5 and 10 m = 0.80° and 0.40°; Ø200 mm = 2.29° and 1.15° (computed: 2·asin(r/d))
    for diameter, distance, degrees in [(0.07, 5, 0.80), (0.07, 10, 0.40), (0.2, 5, 2.29), (0.2, 10, 1.15)]:
        bearings = np.radians(np.linspace(-2.0, 2.0, 400_001))
        met = np.isfinite(closed.post_ranges((0, 0), bearings, (distance, 0), diameter / 2))
        assert met.sum() * 1e-5 == pytest.approx(degrees, abs=0.005)  # half a unit of the last digit


def test_ray_and_circle() -> None:
    # f = O − C, a = d·d, b = 2 f·d, c = f·f − r²: centre hit at d − r, tangent at √(d² − r²), then a miss
    tangent = math.asin(0.5 / 3.0)
    ranges = closed.post_ranges((0, 0), np.array([0.0, tangent - 1e-9, tangent + 1e-6, math.pi]), (3, 0), 0.5)
    assert ranges[0] == 2.5
    assert ranges[1] == pytest.approx(
        math.sqrt(9 - 0.25), abs=1e-4
    )  # the root goes with √(angle to the tangent)
    assert np.all(np.isinf(ranges[2:]))


def test_closed_box_against_its_four_walls() -> None:
    centre, size, yaw = (4.0, 1.0), (1.0, 2.0), 0.4
    turn = np.array([[math.cos(yaw), -math.sin(yaw)], [math.sin(yaw), math.cos(yaw)]])
    corners = centre + np.array([(-0.5, -1), (0.5, -1), (0.5, 1), (-0.5, 1)]) @ turn.T
    bearings = np.linspace(-math.pi, math.pi, 5000)
    sides = [closed.stretch_ranges((0, 0), bearings, corners[k], corners[k - 1]) for k in range(4)]
    np.testing.assert_allclose(
        closed.box_ranges((0, 0), bearings, centre, size, yaw), np.min(sides, axis=0), atol=1e-12
    )


def test_tilted_beam_meets_the_floor() -> None:
    # h / tan: 0.5 m at 1, 2 and 5° = 28.64, 14.32 and 5.72 m (computed)
    angles = np.radians([1.0, 2.0, 5.0])
    beams = np.stack([np.cos(angles), np.zeros(3), -np.sin(angles)], axis=1)
    flat = closed.floor_distances(0.5, beams) * np.cos(angles)
    np.testing.assert_allclose(flat, [28.64, 14.32, 5.72], atol=0.005)  # half a unit of the last digit
    place = scene.Place([solids.Floor(name="floor", x=(-50, 50), y=(-50, 50))])
    hits = place.raycaster().cast((0, 0, 0.5), beams)
    np.testing.assert_allclose(hits.distances * np.cos(angles), flat, rtol=1e-12)  # float64 arithmetic


@pytest.mark.parametrize(
    ("start", "end"), [((3, 1, 0), (3, 1, 2)), ((2, -1, 0.1), (3, 1, 0.1)), ((2, 0, 0), (4, 1, 1))]
)
def test_cylinder_along_any_axis(start: tuple[float, ...], end: tuple[float, ...]) -> None:
    bar = solids.Cylinder(name="bar", start=start, end=end, radius=0.3)
    beams = random_beams(40_000, 1).rays(0, 0).directions
    hits = scene.Place([bar]).raycaster().cast((0, 0, 0.5), beams)
    exact = closed.cylinder_distances((0, 0, 0.5), beams, start, end, 0.3)
    met = np.isfinite(hits.distances)
    assert met.sum() > 200
    assert np.all(np.isfinite(exact[met]))  # the flats lie inside: whoever meets them meets the true bar
    # along the beam the flat lies deeper by sagitta/cos(incidence), to first order; 1.5 for the rest
    steep = met & (hits.cosines > 0.3)
    late = hits.distances[steep] - exact[steep]
    assert late.min() > -1e-9
    assert np.all(late <= 1.5 * sagitta(0.3, 96) / hits.cosines[steep] + 1e-9)
    assert np.isfinite(exact).sum() - met.sum() <= 0.02 * met.sum()  # a rim of the silhouette, sagitta wide


@settings(max_examples=25, deadline=None)
@given(
    distance=st.floats(2.5, 9.0),
    bearing=st.floats(-3.1, 3.1),
    size=st.tuples(st.floats(0.1, 2.0), st.floats(0.1, 2.0)),
    yaw=st.floats(-3.1, 3.1),
)
def test_truth_of_a_box(distance: float, bearing: float, size: tuple[float, float], yaw: float) -> None:
    x, y = distance * math.cos(bearing), distance * math.sin(bearing)
    place = scene.Place([solids.Box(name="box", x=x, y=y, length=size[0], width=size[1], top=1.0, yaw=yaw)])
    fan = scene.Fan(bins=360)
    known = scene.truth(place, HERE, MOUNT, (0.1, 0.9), fan)
    dense = closed.box_ranges((0, 0), fan.bearings(200), (x, y), size, yaw)
    per_bin = dense[np.arange(360)[:, None] * 200 + np.arange(201)].min(axis=1)
    both = np.isfinite(per_bin) & np.isfinite(known.nearest)
    # a bin that only a corner reaches into may lie between the dense bearings, or under a hair of float32
    assert np.sum(np.isfinite(per_bin) != np.isfinite(known.nearest)) <= 2
    # nearest at an edge of the bin (exact), at a foot (exact), or at the front corner (missed by a hair)
    assert np.all(known.nearest[both] <= per_bin[both] + 2 * HAIR)
    # dense bearings are 1/200 bin apart: what they miss at a corner is below that step
    assert np.all(known.nearest[both] >= per_bin[both] - 12.0 * fan.step / 200)


def test_truth_of_a_post() -> None:
    place = scene.Place([solids.post("post", 4.0, 1.0, 0.4, 1.0)])
    fan = scene.Fan(bins=1440)
    known = scene.truth(place, HERE, MOUNT, (0.1, 0.9), fan)
    edges = closed.post_ranges((0, 0), fan.bearings(1), (4.0, 1.0), 0.2)
    inner = np.isfinite(edges[:-1]) & np.isfinite(edges[1:])
    nearest = np.minimum(edges[:-1], edges[1:])
    straight = np.flatnonzero(inner)[len(np.flatnonzero(inner)) // 6 : -len(np.flatnonzero(inner)) // 6]
    middle = int(fan.bin_of(np.array([math.atan2(1.0, 4.0)]))[0])
    nearest[middle] = math.hypot(4.0, 1.0) - 0.2
    # two thirds of the width: incidence below 42°, so the flats lie deeper by at most sagitta/cos 45°
    late = known.nearest[straight] - nearest[straight]
    assert len(straight) >= 12
    assert late.min() > -1e-9
    assert late.max() <= sagitta(0.2, 96) / math.cos(math.radians(45)) + 1e-9
    assert np.all(known.filled[inner])


def test_truth_of_a_wall() -> None:
    place = scene.Place([solids.wall("wall", (3.0, -20.0), (3.0, 20.0), 2.0, thickness=0.2)])
    fan = scene.Fan(math.radians(-80), math.radians(80), 640)
    known = scene.truth(place, (0.0, 0.0, 0.0), (0.5, 0.0, 0.5, 0, 0, 0), (0.1, 1.9), fan)
    edges = closed.wall_ranges((0.5, 0.0), fan.bearings(1), (2.9, 0.0), (1.0, 0.0))
    # bin edges are among the bearings: float64 arithmetic on both sides
    np.testing.assert_allclose(known.nearest, np.minimum(edges[:-1], edges[1:]), rtol=1e-9)
    np.testing.assert_allclose(known.farthest_of_nearest, np.maximum(edges[:-1], edges[1:]), rtol=1e-9)
    behind = closed.wall_ranges((0.5, 0.0), fan.bearings(1), (3.1, 0.0), (1.0, 0.0))
    np.testing.assert_allclose(known.farthest, np.maximum(behind[:-1], behind[1:]), rtol=1e-9)
    assert known.filled.all()
