"""Rough places by the number: safe to stand in, true to what they say, the same every time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import scene
from flatten.scene import moving, pieces, rover, solids
from flatten.scene.cover import Cover
from flatten.scene.ground import Ground
from flatten.scene.ground_truth import profile_along
from flatten.scene.outdoors import Kind, Outdoors, stood
from flatten.scene.standing import contacts
from tests.scene.beams import Beams

MOUNT, _, FAN = rover.layout_of("rover.yaml")
seeds = st.integers(0, 2**40)


@settings(max_examples=40, deadline=None)
@given(seed=seeds, slope=st.sampled_from([0.0, 0.05, math.radians(20)]), drops=st.booleans())
def test_the_rover_stands_safely_whatever_the_seed(seed: int, slope: float, drops: bool) -> None:
    place = scene.random_ground(seed, max_slope=slope, drops=drops)
    stance, ground = place.stance, place.ground
    assert math.hypot(stance.roll, stance.pitch) <= slope * 1.01 + 1e-9
    # no edge within 1.5 m: circles about the rover have no step in them
    around = np.linspace(-math.pi, math.pi, 721)
    for radius in (0.3, 0.6, 1.0, 1.45):
        heights = ground.height(radius * np.cos(around), radius * np.sin(around))
        assert np.abs(np.diff(heights)).max() <= radius * (around[1] - around[0]) * math.tan(slope) + 1e-9
    gap = body_above(place)
    assert gap.min() >= -1e-9 and (gap < 1e-9).sum() >= 3
    for thing in place.things:
        if thing.kind != Kind.GRASS:
            for solid in thing.solids:
                assert thing.kind == Kind.HANGING or np.hypot(*solid.mesh.vertices[:, :2].T).min() > 1.2
    # no slope beyond the limit, all over the ground
    xy = np.random.default_rng(seed).uniform(-20, 20, (300, 2))
    steep = np.linalg.norm(ground.slope(*xy.T), axis=1).max()
    # the side ramp of a platform, 1:12, may add to what rolls
    assert steep <= math.tan(slope) * 1.001 + (3 / 12 if drops else 0.0) + 1e-9
    if not drops and len(ground.edges.start):
        assert ground.edges.heights.max() <= 2 * pieces.KERB + 1e-9


def body_above(place: Outdoors) -> np.ndarray:
    stance = place.stance
    c, s = math.cos(stance.yaw), math.sin(stance.yaw)
    flat = contacts() @ np.array([[c, s], [-s, c]])
    normal = stance.world_from_body[:3, 2]
    return stance.z - flat @ normal[:2] / normal[2] - place.ground.height(*flat.T)


@settings(max_examples=15, deadline=None)
@given(seed=seeds)
def test_returns_are_known(seed: int) -> None:
    place = scene.random_ground(seed)
    drive = moving.Drive((0, 0, place.stance.yaw), 1.0, 1.0, place.ground, moving.Shake())
    effects = scene.Effects(robot=rover.own_solids(), dust=0.01)
    shot = scene.capture(
        place, scene.Rosette(), mount=MOUNT, trajectory=drive, effects=effects, frame=2, start=0.2
    )
    known = scene.known_returns(place, shot)
    assert len(known.kinds) == len(shot.cloud)
    ground = known.kinds == Kind.GROUND
    # stones of ±10 mm, and float32 at 40 m
    assert ground.sum() > 1000 and np.abs(known.heights[ground]).max() <= 0.01 + 1e-5
    things = known.kinds == Kind.OBJECT
    assert np.all(known.heights[things] <= known.tops[things] + 1e-5)
    assert np.all(known.heights[things] > -1e-4)
    faces = known.kinds == Kind.FACE
    assert np.all(known.heights[faces] > -1e-4)
    grass = known.kinds == Kind.GRASS
    assert np.all((known.heights[grass] > -0.1) & (known.heights[grass] < 0.25))  # blades lean over slopes
    assert np.isnan(known.tops[~np.isin(known.kinds, (Kind.OBJECT, Kind.HANGING, Kind.GRASS))]).all()


def test_places_follow_from_their_seed() -> None:
    one, again, other = (scene.random_ground(seed) for seed in (3, 3, 4))
    assert one.stance == again.stance != other.stance
    for a, b in zip(one.solids, again.solids, strict=True):
        np.testing.assert_array_equal(a.mesh.vertices, b.mesh.vertices)
    shots = [
        scene.capture(p, scene.Rosette(), mount=MOUNT, trajectory=moving.Held(p.stance)) for p in (one, again)
    ]
    np.testing.assert_array_equal(shots[0].cloud.xyz, shots[1].cloud.xyz)
    with pytest.raises(ValueError, match="max_slope"):
        scene.random_ground(1, max_slope=-0.1)


def test_seeds_show_all_there_is() -> None:
    names, depths = set(), []
    for seed in range(40):
        place = scene.random_ground(seed)
        names |= {thing.name.split()[0] for thing in place.things}
        depths += place.ground.edges.heights.tolist()
    assert names >= {
        "post",
        "table",
        "pallet",
        "pot",
        "crate",
        "cart",
        "pipe",
        "shrub",
        "wall",
        "hedge",
        "grass",
    }
    assert min(depths) >= 0.0 and max(depths) > 0.8


def test_drops_are_where_a_fine_ruler_finds_them() -> None:
    for seed in range(12):
        place = scene.random_ground(seed)
        drops = scene.drops_in_bins(place, MOUNT, (-math.pi, math.pi, 36), deeper=0.2)
        world = place.stance.world_from_level @ [MOUNT.x, MOUNT.y, 0.0, 1.0]
        s = np.arange(0.0, 15.4, 1e-3)
        for k in range(36):
            bearings = -math.pi + (k + np.array([0.0, 0.5, 1.0])) * math.pi / 18 + place.stance.yaw
            found = [ruler(place.ground, world, bearing, s) for bearing in bearings]
            # a drop that is 0.2 m to a millimetre may be told either way
            if any(abs(depth - 0.2) < 2e-3 for _, depth in found):
                continue
            assert drops.nearest[k] == pytest.approx(min(where for where, _ in found), abs=2e-3)
            assert drops.farthest[k] == pytest.approx(max(where for where, _ in found), abs=2e-3)


def ruler(ground: Ground, world: np.ndarray, bearing: float, s: np.ndarray) -> tuple[float, float]:
    """First place where 1 mm ahead is 20 mm lower and 0.4 m ahead 0.2 m; or the deepest short of it."""
    z = ground.height(world[0] + s * math.cos(bearing), world[1] + s * math.sin(bearing))
    best = 0.0
    for k in np.flatnonzero((z[:-1] - z[1:] > 0.0195) & (s[:-1] <= 15.0)):
        depth = float(z[k] - z[k + 1 : k + 402].min())
        if depth >= 0.2:
            return float(s[k]), depth
        best = max(best, depth)
    return math.inf, best


def test_profile_is_the_height_along_a_line() -> None:
    place = scene.random_ground(5)
    bearings = np.linspace(-3, 3, 50)
    s, before, after = profile_along(place.ground, (0.2, -0.1), bearings, 12.0)
    at = s[:, :-1] + 0.3 * np.diff(s, axis=1)
    inside = np.diff(s, axis=1) > 1e-6
    straight = after[:, :-1] + 0.3 * (before[:, 1:] - after[:, :-1])
    x, y = 0.2 + at * np.cos(bearings)[:, None], -0.1 + at * np.sin(bearings)[:, None]
    np.testing.assert_allclose(straight[inside], place.ground.height(x, y)[inside], atol=1e-9)


def test_what_stands_before_a_drop_hides_it() -> None:
    ground = Ground(name="ground", pieces=(pieces.step(4.0, -0.5),))
    box = stood("box", solids.Box(name="box", x=2.5, y=0.0, length=0.2, width=1.0, top=1.5), ground)
    drops = scene.drops_in_bins(Outdoors(ground, [box]), (0, 0, 0.8, 0, 0, 0), (-0.6, 0.6, 12))
    # the box hides bearings up to atan(0.5 / 2.4) = 11.8°: bins of 5.7°
    assert drops.seen.tolist() == [True] * 3 + [False] * 6 + [True] * 3
    np.testing.assert_allclose(drops.nearest[6], 4.0)
    np.testing.assert_allclose(drops.farthest[11], 4.0 / math.cos(0.6))
    np.testing.assert_allclose(drops.depths, 0.5)


def test_wet_ground_shows_the_mirror_image_below() -> None:
    # a wall 4 m ahead; a beam from 1 m up, 30° down, meets the ground at 1.73 m and the wall at a height
    # of (4 − 1.73)·tan 30° = 1.31 m: mirrored, it seems to be as far below the ground
    wall = stood("wall", solids.Box(name="wall", x=4.5, y=0, length=1.0, width=9, top=3.0), Ground(name="g"))
    place = Outdoors(Ground(name="ground"), [wall], wet=(scene.Wet(1.7, 0.0, 0.5, 1.0),))
    down = math.radians(30)
    beam = Beams(((math.cos(down), 0, -math.sin(down)), (math.cos(down), 1.0, -math.sin(down))))
    shot = scene.capture(place, beam, mount=(0, 0, 1, 0, 0, 0))
    assert shot.labels.tolist() == [scene.GHOST, 0]
    np.testing.assert_allclose(shot.world()[0], [4.0, 0.0, 1.0 - 4.0 * math.tan(down)], atol=1e-3)
    assert scene.known_returns(place, shot).kinds.tolist() == [Kind.GHOST, Kind.GROUND]
    # with nothing there to mirror, nothing comes back
    bare = Outdoors(Ground(name="ground"), wet=(scene.Wet(1.7, 0.0, 0.5, 1.0),))
    assert scene.capture(bare, beam, mount=(0, 0, 1, 0, 0, 0)).labels.tolist() == [0]


def test_stones_are_even_and_always_the_same() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-20, 20, (2, 20_000))
    cover = Cover(Ground(name="ground"), gravel=0.01, seed=5)
    stones = cover.stones(x, y)
    np.testing.assert_array_equal(stones, cover.stones(x, y))
    assert np.abs(stones).max() <= 0.01
    # even within ±a: mean 0, deviation a/√3; 20,000 draws: 4 standard errors
    assert abs(stones.mean()) < 4 * 0.01 / math.sqrt(3 * 20_000)
    assert stones.std() == pytest.approx(0.01 / math.sqrt(3), rel=0.02)
    near = cover.stones(np.floor(x / 0.03) * 0.03 + 0.02, np.floor(y / 0.03) * 0.03 + 0.02)
    np.testing.assert_array_equal(stones, near)  # one stone, one height
    assert np.corrcoef(stones, cover.stones(x + 0.03, y))[0, 1] < 0.05
    assert np.any(stones != Cover(Ground(name="ground"), gravel=0.01, seed=6).stones(x, y))


def test_gravel_keeps_returns_on_their_beams() -> None:
    place = Outdoors(Ground(name="ground", pieces=(pieces.ramp(3.0, 0.2, 0.5),)), gravel=0.01)
    shot = scene.capture(place, scene.Rotating(8, 128, -0.5, -0.1), mount=(0, 0, 0.8, 0, 0, 0))
    along = shot.cloud.xyz / np.linalg.norm(shot.cloud.xyz, axis=1, keepdims=True)
    np.testing.assert_allclose(along, shot.rays.directions[shot.ray_of], atol=1e-6)
    heights = scene.known_returns(place, shot).heights
    assert 0.004 < heights.std() < 0.007 and np.abs(heights).max() <= 0.01 + 1e-5
