"""Blind zones from recordings: the robot is covered, and nothing else is."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.ndimage

from flatten import Cloud, Motion, Profile, TuningError, scene
from flatten.profile import BlindZone, Box
from flatten.scene.solids import Cylinder, post
from flatten.tuning import own as own_room
from flatten.tuning.blind import Blind, BlindFinder, find_zones, has_moved
from flatten.tuning.bodies import contains
from flatten.tuning.near import Space, space_about
from tests.tuning.drives import CIRCLE, MOUNT, PROFILE, ROBOT, clouds, in_body, long_wall, shots, yard

HULL = BlindZone(name="hull", box=Box(x=(-0.45, 0.45), y=(-0.35, 0.35), z=(0.3, 0.5)))


def held(zones: tuple[BlindZone, ...], points: np.ndarray) -> np.ndarray:
    """Which points lie in some zone."""
    return np.logical_or.reduce([contains(zone, points, PROFILE.mount) for zone in zones])


@pytest.fixture(scope="module")
def driven() -> list[Cloud]:
    return clouds(yard())


@pytest.fixture(scope="module")
def found(driven: list[Cloud]) -> Blind:
    return find_zones(driven, PROFILE)


def test_the_robot_is_covered_and_little_else(found: Blind) -> None:
    """Judged by other frames of another place: 99.9 % of its returns, under 0.1 % of others."""
    assert found.own.moved and found.own.places == found.own.clouds == len(CIRCLE)
    own, other = [0, 0], [0, 0]
    for shot in shots(scene.random_place(9, clear=1.9), CIRCLE[::4], seed=3):
        inside = held(found.zones, in_body(shot))
        mine, others = shot.labels == scene.OWN_ROBOT, shot.labels >= 0
        own = [own[0] + int(mine.sum()), own[1] + int((inside & mine).sum())]
        other = [other[0] + int(others.sum()), other[1] + int((inside & others).sum())]
    assert own[1] >= 0.999 * own[0] > 1000
    assert other[1] < 0.001 * other[0]
    assert found.covered >= 0.999
    assert 3 <= len(found.zones) <= 4
    volume = sum(part.body.volume for part in found.proposals)
    assert volume < 0.15  # the declared hull has 0.38 m³
    assert {part.body.zone.name for part in found.proposals} >= {"hull", "post"}


def test_what_zones_cost_is_what_the_library_says(found: Blind, driven: list[Cloud]) -> None:
    assert found.tried == 12
    for part in found.proposals:
        assert part.others <= 0.03 * part.body.returns  # what split beams leave beside it
        assert 0.0 <= part.effect.worst.lost <= part.effect.worst.most <= 1.0
    together = found.effect.worst
    assert together.lost >= max(part.effect.worst.lost for part in found.proposals) - 1e-9
    assert together.far < 0.9 and 0.3 < together.low <= together.high < 1.0
    # by hand, for one cloud: own returns by all, as the tests' own count has it
    finder = BlindFinder(PROFILE, clouds=1)
    finder.look(driven[0])
    alone = finder.find()
    inside = held(alone.zones, in_body(next(shots(yard()))))
    assert alone.effect.removed == pytest.approx(inside.mean(), abs=1e-3)


def test_the_order_of_returns_changes_nothing(found: Blind, driven: list[Cloud]) -> None:
    rng = np.random.default_rng(0)
    mixed = [Cloud.from_array(rng.permutation(cloud.xyz.astype(np.float32))) for cloud in driven]
    assert find_zones(mixed, PROFILE).zones == found.zones


def test_zones_of_the_profile_stay_unless_they_are_replaced(driven: list[Cloud]) -> None:
    zoned = PROFILE.model_copy(update={"blind_zones": (HULL,)})
    made = find_zones(driven, zoned)
    assert made.kept == (HULL,) and made.zones[0] == HULL
    new = [zone.name for zone in made.zones[1:]]
    assert new and "hull" not in new and made.covered >= 0.999
    replaced = find_zones(driven, zoned, replace=True)
    assert replaced.kept == () and HULL not in replaced.zones
    again = find_zones(driven, zoned.model_copy(update={"blind_zones": made.zones}))
    assert again.proposals == () and again.zones == made.zones


def test_a_standing_robot_by_a_wall_leaves_the_wall() -> None:
    """The wall keeps its place as well, 0.2 m from the hull: it is no part of what the hull holds."""
    place = yard(long_wall(0.55), clear=3.0)
    made = find_zones(clouds(place, [(0.0, 0.0, 0.0)] * 6), PROFILE)
    assert not made.own.moved and made.own.places == 1
    shot = next(shots(place, [(0.0, 0.0, 0.0)], seed=4))
    inside = held(made.zones, in_body(shot))
    assert inside[shot.labels == scene.OWN_ROBOT].mean() >= 0.999
    assert not inside[shot.labels >= 0].any()
    near_wall = (shot.labels == place.number_of("wall")) & (np.abs(in_body(shot)[:, 0]) < 0.5)
    assert near_wall.sum() > 50 and len(made.own.others) > 50


def test_a_wall_that_is_followed_is_no_part_of_the_robot() -> None:
    """It keeps its place within reach all the way, and goes on where the reach ends."""
    poses = [(0.4 * k - 4.0, 0.0, 0.0) for k in range(20)]
    made = find_zones(clouds(yard(long_wall(0.53), clear=5.0), poses), PROFILE)
    assert made.own.moved and made.own.passing > 100
    assert made.own.beyond <= 3 and made.own.parts == ()  # noise may carry single returns out of the hull
    assert all(zone.shape.y[1] < 0.4 for zone in made.zones if zone.box is not None)


def test_what_stands_beside_a_waiting_robot_is_not_its_own() -> None:
    """It waits for most of the recording: counted are places, and not clouds."""
    beside = post("post", 1.2 + 0.4, 0.1, 0.08, 1.0)  # 0.1 m from the left side, at the first pose
    waiting = [(1.2, 0.0, math.pi / 2)] * 30
    made = find_zones(clouds(yard(beside), [*waiting, *CIRCLE[1:]]), PROFILE)
    assert made.own.moved and made.own.clouds == 49 and made.own.places < 25
    assert made.own.beyond <= 0.001 * len(made.own.returns) and made.covered >= 0.999
    assert all(part.others < 0.03 * part.body.returns for part in made.proposals)


def swinging(k: int) -> list[object]:
    """The robot with an arm behind it that swings, at another place in each frame."""
    turn = math.pi + math.sin(1.1 * k)
    end = (-0.38 + 0.3 * math.cos(turn), 0.3 * math.sin(turn), 0.55)
    return [*ROBOT, Cylinder(name="arm", start=(-0.38, 0.0, 0.5), end=end, radius=0.03)]


def test_parts_that_move_are_told_apart() -> None:
    seen = clouds(yard(), robot=swinging)
    made = find_zones(seen, PROFILE)
    assert 1 <= len(made.own.parts) <= 2  # the mast hides the middle of its way
    for part in made.own.parts:
        assert part.clouds >= 4 and -0.75 < part.low[0] < -0.5 and part.high[0] < -0.35
        assert part.low[2] > 0.4 and part.high[2] < 0.7
    tips = np.array([[-0.62, 0.15, 0.55], [-0.55, 0.22, 0.55]])
    assert not held(made.zones, tips).any()
    asked = find_zones(seen, PROFILE, with_moving=True)
    moving = [part for part in asked.proposals if part.moving]
    assert [part.body.zone.name for part in moving] == ["moving", "moving 2"][: len(made.own.parts)]
    assert all(held(asked.zones, part.returns).all() for part in made.own.parts)


def test_no_zone_hides_more_than_asked(driven: list[Cloud]) -> None:
    made = find_zones(driven, PROFILE)
    shares = sorted(part.effect.worst.lost for part in made.proposals)
    less = find_zones(driven, PROFILE, most_hidden=0.5 * (shares[-1] + shares[-2]))
    (left,) = [part for part in less.proposals if part.refused]
    assert left.body.zone not in less.zones and len(less.zones) == len(made.zones) - 1
    assert less.covered < made.covered and "--most-hidden" in left.refused
    with pytest.raises(
        TuningError, match=r"nothing is proposed: zone .* silences .* at most 0 % are allowed"
    ):
        find_zones(driven, PROFILE, most_hidden=0.0)


def test_poses_settle_whether_the_robot_moved(driven: list[Cloud]) -> None:
    seconds = [0.0, 1.0]
    still = Motion(seconds, [[0.0, 0, 0, 0, 0, 0, 1], [0.1, 0, 0, 0, 0, 0, 1]])
    turned = Motion(seconds, [[0.0, 0, 0, 0, 0, 0, 1], [0.0, 0, 0, 0, 0, 1, 0]])
    gone = Motion(seconds, [[0.0, 0, 0, 0, 0, 0, 1], [3.0, 0, 0, 0, 0, 0, 1]])
    assert [has_moved(poses) for poses in (still, turned, gone)] == [False, True, True]
    for poses, moved in ((still, False), (gone, True)):
        finder = BlindFinder(PROFILE, poses=poses, clouds=6)
        for cloud in driven[:6]:
            finder.look(cloud)
        assert finder.find().own.moved is moved


def test_in_an_empty_field_poses_tell(driven: list[Cloud]) -> None:
    """Nothing stands about: by the clouds alone the robot may have stood."""
    field = scene.Place([scene.random_place(5).solids[0]])
    seen = clouds(field, CIRCLE[:8])
    assert not find_zones(seen, PROFILE).own.moved
    finder = BlindFinder(
        PROFILE, poses=Motion([0.0, 1.0], [[0.0, 0, 0, 0, 0, 0, 1], [2.0, 0, 0, 0, 0, 0, 1]])
    )
    for cloud in seen:
        finder.look(cloud)
    made = finder.find()
    assert made.own.moved and made.own.places == 8 and made.covered >= 0.999


def without_robot(k: int) -> list[object]:
    return []


@pytest.mark.parametrize(
    ("poses", "words"),
    [
        (CIRCLE[:8], "nothing is the robot's own: over 8 places no return within 0.3 m"),
        ([(0.0, 0.0, 0.0)] * 3, "nothing to go by: the robot did not move"),
    ],
)
def test_nothing_own_is_said(poses: list[tuple[float, float, float]], words: str) -> None:
    with pytest.raises(TuningError, match=words):
        find_zones(clouds(yard(), poses, without_robot), PROFILE)


def test_a_profile_of_another_sensor_is_told(driven: list[Cloud]) -> None:
    upright = Profile.from_dict({**PROFILE.to_dict(), "mount": {"x": 0.25, "z": 0.75}})
    with pytest.raises(TuningError, match="no floor where the profile's mount has it"):
        find_zones(driven[:5], upright)
    with pytest.raises(TuningError, match="no clouds given"):
        find_zones([], PROFILE)
    strange = scene.capture(yard(), scene.Rotating(), CIRCLE[0], MOUNT._replace(roll=0.0)).cloud
    made = find_zones([*driven, Cloud.from_array(strange.xyz, "other.pcd")], PROFILE)
    assert made.own.floorless == ("other.pcd",)


SPACE = space_about(PROFILE, 0.3)


@pytest.mark.parametrize("seed", range(5))
def test_sets_of_voxels_grow_and_group_as_scipy_has_it(seed: int) -> None:
    """Outside reference: scipy.ndimage, all 26 neighbours."""
    space = Space(*SPACE[:5], (7, 9, 5))
    rng = np.random.default_rng(seed)
    mask = rng.uniform(size=space.size) < 0.08
    grid, cube = mask.reshape(space.shape), np.ones((3, 3, 3), bool)
    for by in (1, 2):
        expected = scipy.ndimage.binary_dilation(grid, cube, iterations=by)
        np.testing.assert_array_equal(own_room.widened(mask, space, by), expected.reshape(-1))
    numbers, count = scipy.ndimage.label(grid, cube)
    there = np.flatnonzero(mask)
    ours, theirs = own_room.grouped(there, space), numbers.reshape(-1)[there]
    assert len(set(ours)) == count == len(set(zip(ours, theirs, strict=True)))
    start = mask & (np.arange(space.size) == there[0])
    expected = (numbers == numbers.reshape(-1)[there[0]]).reshape(-1)
    np.testing.assert_array_equal(own_room.spread(start, mask, space, 1), expected)


def test_corners_hold_the_points_of_each_voxel() -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(SPACE.low, SPACE.high, (300, 3))
    voxels = SPACE.voxels(points)
    mask = np.zeros(SPACE.size, bool)
    mask[voxels] = True
    low, high = own_room.corners(points, voxels, mask)
    for (k, voxel), axis in itertools.product(enumerate(np.unique(voxels)[:20]), range(3)):
        assert low[k, axis] == points[voxels == voxel, axis].min()
        assert high[k, axis] == points[voxels == voxel, axis].max()
