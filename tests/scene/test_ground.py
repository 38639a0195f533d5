"""Rough ground: its triangles are its closed form, its edges are where they are said to be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import scene
from flatten.scene import pieces
from flatten.scene.ground import Ground, GroundFaces
from tests.scene.beams import Beams

LOADING = pieces.LOADING


def placed(*parts: scene.Piece, **more: float) -> scene.Outdoors:
    return scene.Outdoors(Ground(name="ground", pieces=parts, **more))


def ahead(place: scene.Place, down: float, height: float = 0.5, x: float = 0.0) -> float:
    """Horizontal distance at which a beam from `height`, `down` rad below the horizon, ends."""
    shot = scene.capture(
        place, Beams(((math.cos(down), 0.0, -math.sin(down)),)), (x, 0.0, 0.0), (0, 0, height, 0, 0, 0)
    )
    return float(shot.distances[0]) * math.cos(down)


@pytest.mark.parametrize(("degrees", "where"), [(1.0, 28.64), (2.0, 14.32), (5.0, 5.72)])
def test_tilted_beam_meets_level_ground(degrees: float, where: float) -> None:
    # h / tan: 0.5 m at 1 / 2 / 5° = 28.64 / 14.32 / 5.72 m
    assert ahead(placed(), math.radians(degrees)) == pytest.approx(where, abs=0.005)


def test_loading_ramp_is_met_where_computed() -> None:
    # 1:12 from a toe 3 m ahead (ADA 4.8.2): the level beam 0.25 m up meets it at 3 + 12·0.25 = 6 m
    place = placed(pieces.ramp(3.0, LOADING, 0.5))
    assert ahead(place, 0.0, 0.25) == pytest.approx(6.0, rel=1e-12)
    # 2° down from 0.5 m: 0.5 − r·tan 2° = (r − 3)/12
    tan = math.tan(math.radians(2.0))
    assert ahead(place, math.radians(2.0)) == pytest.approx((0.5 + 0.25) / (tan + 1 / 12), rel=1e-12)
    assert place.ground.height([3.0, 9.0, 20.0], [0.0] * 3) == pytest.approx([0.0, 0.5, 0.5])
    assert place.ground.slope(5.0, 1.0) == pytest.approx([1 / 12, 0.0])


def test_ditch_is_seen_under_the_small_angle() -> None:
    # H 0.5, R 5, w 0.5: lip to lip is seen under atan(R + w over H) − atan(R over H), about
    # H·w/(R(R + w)) = 0.52°; the far wall is seen H·w/R = 50 mm deep
    place, height, near, width = placed(pieces.trench(5.0, 0.5, 0.4)), 0.5, 5.0, 0.5
    first, last = math.atan2(height, near), math.atan2(height, near + width)
    assert math.degrees(first - last) == pytest.approx(0.52, abs=0.01)
    assert first - last == pytest.approx(height * width / (near * (near + width)), rel=0.01)
    hair = 1e-5
    assert ahead(place, first + hair) < near
    assert ahead(place, last - hair) > near + width
    # inside of the angle the beam ends on the far wall, 50 mm below the lip at most
    for share in (0.02, 0.5, 0.98):
        assert ahead(place, last + share * (first - last)) == pytest.approx(near + width, rel=1e-12)
    depth = (near + width) * math.tan(first) - height
    assert depth == pytest.approx(0.050, abs=1e-12)


def test_edges_tell_their_depth() -> None:
    place = placed(
        pieces.step(4.0, -0.6), pieces.step(-3.0, 0.1), pieces.trench(1.0, 0.5, 0.3, 1, (-1.0, 2.0)), half=8.0
    )
    edges = place.ground.edges
    assert sorted(set(edges.heights.round(9))) == [0.1, 0.3, 0.6]
    dock = edges.heights > 0.5
    np.testing.assert_allclose([edges.start[dock, 0], edges.end[dock, 0]], 4.0)
    # the hole has four sides, 3 m and 0.5 m long
    hole = np.isclose(edges.heights, 0.3)
    length = np.hypot(*(edges.end - edges.start)[hole].T).sum()
    assert length == pytest.approx(2 * (3.0 + 0.5))
    assert np.allclose(edges.lower[hole], edges.upper[hole] - 0.3)


def test_a_side_that_changes_hands_is_cut_in_two() -> None:
    # a ramp that rises through the level of the ground beside it: higher on one side, lower on the other
    ground = Ground(
        name="ground", pieces=(pieces.Piece(((-4.0, -0.4), (4.0, 0.4)), 0, (0.0, 9.0)),), half=4.0
    )
    edges = ground.edges
    assert len(edges.start) == 2 and np.all(edges.upper >= edges.lower)
    assert edges.heights == pytest.approx([0.4, 0.4])
    area = [
        np.linalg.norm(np.cross(b - a, c - a)) / 2
        for a, b, c in triangles(GroundFaces(name="f", ground=ground))
    ]
    assert sum(area) == pytest.approx(2 * 0.5 * 4.0 * 0.4)


def triangles(solid: scene.GroundFaces) -> np.ndarray:
    return solid.mesh.vertices[solid.mesh.triangles]


def test_crest_is_as_steep_as_asked_at_its_ends_only() -> None:
    piece = pieces.crest(1.0, 4.0, math.radians(20.0))
    ground = Ground(name="ground", pieces=(piece,))
    assert ground.slope(1.01, 0.0)[0] == pytest.approx(math.tan(math.radians(20.0)))
    assert ground.slope(4.99, 0.0)[0] == pytest.approx(-math.tan(math.radians(20.0)))
    assert ground.height(5.5, 0.0) == pytest.approx(0.0, abs=1e-12)
    assert ground.height(3.0, 0.0) > 0.3


def test_stairs_lead_down_both_ways() -> None:
    for side in (1.0, -1.0):
        ground = Ground(name="ground", pieces=(pieces.stair(2.0 * side, 3, -0.17, 0.28 * side),))
        x = side * np.array([1.9, 2.1, 2.4, 2.7])
        assert ground.height(x, 0.0 * x) == pytest.approx([0.0, -0.17, -0.34, -0.51])


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**9), first=st.floats(-3.0, 3.0), turn=st.floats(0.9, 2.2))
def test_triangles_are_the_closed_form(seed: int, first: float, turn: float) -> None:
    rng = np.random.default_rng(seed)
    parts = (
        pieces.crossfall(rng.uniform(-0.1, 0.1)),
        pieces.ramp(rng.uniform(-5, 5), 0.3, 0.7, 1, (-2.0, rng.uniform(0, 6))),
        pieces.trench(rng.uniform(-5, 5), 0.6, 0.5, int(rng.integers(2)), (-1.5, 3.0)),
        pieces.crest(rng.uniform(-8, 0), 5.0, 0.2),
        pieces.step(rng.uniform(2, 6), -0.4, 1),
    )
    place = placed(*parts, first=first, second=first + turn, half=12.0)
    xy = rng.uniform(-7.0, 7.0, (500, 2))  # well inside, whatever the angle between the directions
    start = np.column_stack([xy, np.full(500, 9.0)])
    hits = place.raycaster().cast(start, np.tile([0.0, 0.0, -1.0], (500, 1)))
    # a vertical beam within float32 of an edge may fall on either side of it
    near_edge = np.abs(place.ground.lowest(*xy.T, within=1e-5) - place.ground.height(*xy.T)) > 1e-3
    assert near_edge.sum() <= 2
    # plane through three corners against the sum of pieces, both float64
    np.testing.assert_allclose(
        (9.0 - hits.distances)[~near_edge], place.ground.height(*xy.T)[~near_edge], atol=1e-9
    )


def test_directions_must_differ() -> None:
    with pytest.raises(ValueError, match="left of the first"):
        Ground(name="ground", first=0.0, second=0.0)
