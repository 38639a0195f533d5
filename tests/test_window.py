"""Several frames gathered in the newest one's axes.

Where numbers are compared with those made by hand in float64, what is carried by hand is rounded to float32
as the library does; sums in another order may round to the other neighbour, so that the twin's unsure bins
(four units in the last place from a gate) are left out, and distances may be two of those units off.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from flatten import window as window_room
from flatten.carrying import carry_cloud
from flatten.cloud import Cloud
from flatten.errors import MotionError
from flatten.flattener import Flattener
from flatten.kernels.newest import bring
from flatten.motion import Motion
from flatten.plan import make_plan
from flatten.profile import Profile
from flatten.scan import FIELDS, State
from tests import twin
from tests.conftest import assert_scans_equal

Array = npt.NDArray[Any]

PLAIN: dict[str, Any] = {
    "mount": {"x": 0.3, "y": -0.1, "z": 0.7, "pitch": 8.0},
    "slices": {"drive": {"bottom": 0.1, "top": 1.2}},
    "fan": {"bins": 180},
    "reach": {"near": 0.3, "far": 12.8},
}
MANY = {
    "drive": {"bottom": 0.1, "top": 1.2},
    "ramp": {"bottom": 0.3, "top": 1.0, "rise": 0.01},
    "walls": {"bottom": 0.6, "top": 1.8, "pick": "farthest"},
    "sure": {"bottom": 0.0, "top": 1.5, "min_hits": 2, "within": 0.3},
}
ZONES = [
    {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [-0.5, 1.0]}},
    {"name": "mast", "sector": {"first": 150, "last": -150, "far": 2.5}},
]
RATE = 10.0


class Frame(NamedTuple):
    cloud: Cloud
    motion: Motion


def profile_of(window: Any = None, **sections: Any) -> Profile:
    return Profile.from_dict({**PLAIN, **sections, **({} if window is None else {"window": window})})


def poses_at(times: Array, speed: float = 1.0, sway: float = 1.0) -> Array:
    """A body that drives, turns and sways, any time: one way through one odom frame."""
    t = np.atleast_1d(times)
    lean = sway * np.stack([0.05 * np.sin(7 * t), 0.06 * np.cos(5 * t), 0.9 * t], axis=1)
    turns = Rotation.from_euler("xyz", lean).as_quat()
    places = np.stack(
        [speed * t + 400.0, 0.4 * speed * np.sin(t) - 90.0, 0.02 * sway * np.sin(9 * t)], axis=1
    )
    return np.hstack([places, turns])


def frame_at(xyz: Array, end: float, moving: tuple[float, float] = (1.0, 1.0), **more: Any) -> Frame:
    """A frame of 0.1 s that ends at this time; its returns are evenly spread over it."""
    times = np.linspace(end - 0.1, end, 6)
    cloud = Cloud(*np.asarray(xyz, np.float32).T, time=np.linspace(end - 0.1, end, len(xyz)), **more)
    return Frame(cloud, Motion(times, poses_at(times, *moving), at=end))


def random_frames(seed: int, count: int, most: int = 300, **more: Any) -> list[Frame]:
    rng = np.random.default_rng(seed)
    frames = []
    for k in range(count):
        xyz = rng.normal(0, 3, (int(rng.integers(0, most)), 3)).astype(np.float32)
        if len(xyz) > 9:
            xyz[:6] = np.array(
                [[np.nan] * 3, [np.inf, 0, 0], [0, 0, 0], [1e38, 1, 1], [1e-30, 0, 0], [0, 0, 9]]
            )
        frames.append(frame_at(xyz, 100.0 + (k + 1) / RATE, **more))
    return frames


class Gathered(NamedTuple):
    """All returns by hand, the newest frame's first, in its sensor's axes; where each beam began."""

    xyz: Array
    starts: Array
    frame: Array
    swallowed: Array
    """By the blind zones of the body at the frame's own moment."""
    attitude: tuple[float, float]


def by_hand(frames: list[Frame], profile: Profile) -> Gathered:
    mount = make_plan(profile).numbers.body_from_sensor
    now, parts = np.eye(4), []
    for age, frame in enumerate(reversed(frames)):
        carried = carry_cloud(frame.cloud, frame.motion, mount, starts=True)
        then = frame.motion.matrices(np.array([carried.at]))[0] @ mount
        if age == 0:
            now, attitude = then, carried.attitude
        change = np.linalg.inv(now) @ then
        xyz, starts = carried.cloud.xyz, np.asarray(carried.starts, np.float64)
        if profile.blind_zones:  # what was the robot's own at its own time is where it was
            raw = frame.cloud.xyz
            with np.errstate(invalid="ignore"):
                own, _ = twin.in_zones(raw @ mount[:3, :3].T + mount[:3, 3], profile, profile.reach.far)
            own &= np.isfinite(xyz).all(axis=1)
            xyz, starts = np.where(own[:, None], raw, xyz), np.where(own[:, None], 0.0, starts)
        good = np.isfinite(xyz).all(axis=1)
        xyz, starts = xyz[good], starts[good]
        body = xyz @ mount[:3, :3].T + mount[:3, 3]
        swallowed, _ = twin.in_zones(body, profile, profile.reach.far)
        ends = [(p @ change[:3, :3].T + change[:3, 3]).astype(np.float32) for p in (xyz, starts)]
        parts.append((*ends, np.full(len(xyz), age), swallowed))
    xyz, starts, frame, swallowed = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Gathered(xyz, starts, frame, swallowed, attitude)


def flatten_all(flattener: Flattener, frames: list[Frame]) -> Any:
    scans = None
    for cloud, motion in frames:
        scans = flattener.flatten(cloud, motion=motion)
    return scans


def assert_as_twin(scan: Any, expected: twin.TwinScan) -> int:
    sure = ~expected.unsure
    states = np.where(scan.states == State.BLOCKED, State.UNSEEN, scan.states)
    wanted = np.where(expected.states == State.BLOCKED, State.UNSEEN, expected.states)
    hit = sure & (expected.states == State.HIT)
    np.testing.assert_array_equal(states[sure], wanted[sure])
    np.testing.assert_array_equal(scan.hits[sure], expected.hits[sure])
    slack = 2 * twin.ULPS * 12.8
    np.testing.assert_allclose(scan.ranges[hit], expected.ranges[hit], atol=slack)
    np.testing.assert_allclose(scan.heights[hit], expected.heights[hit], atol=slack)
    return int(np.count_nonzero(hit))


@pytest.mark.parametrize("more", [{}, {"clear": "off"}, {"blind_zones": ZONES}, {"slices": MANY}])
@pytest.mark.parametrize("window", [{"frames": 1}, {"frames": 5}, {"seconds": 0.05}, {"seconds": 0.5}])
def test_one_frame_in_the_window_is_no_window(window: Any, more: Any) -> None:
    """The same bits: the first frame, and every frame where the window holds no more than one."""
    plain, windowed = Flattener(profile_of(**more)), Flattener(profile_of(window, **more))
    lone = window in ({"frames": 1}, {"seconds": 0.05})
    for frame in random_frames(3, 4 if lone else 1, 2000):
        assert_scans_equal(
            plain.flatten(frame.cloud, motion=frame.motion),
            windowed.flatten(frame.cloud, motion=frame.motion),
        )
        assert windowed.window is not None and windowed.window.frames == 1


@given(st.integers(0, 10**6), st.integers(1, 5), st.sampled_from([[], ZONES]))
def test_it_is_the_twin_over_all_returns(seed: int, count: int, zones: Any) -> None:
    """Without CLEAR: what the slow twin says of all returns, put together by hand.

    Zones took what was theirs at each frame's own time; the twin is given what they left, and no zones.
    """
    profile = profile_of({"frames": 5}, clear="off", slices=MANY, blind_zones=zones)
    frames = random_frames(seed, count)
    scans = flatten_all(Flattener(profile), frames)
    hand = by_hand(frames, profile)
    free = profile_of(clear="off", slices=MANY)
    expected = twin.twin(hand.xyz[~hand.swallowed], free, hand.attitude)
    for name, scan in scans.items():
        assert_as_twin(scan, expected[name])


@given(st.integers(0, 10**6), st.sampled_from(sorted(MANY)))
def test_the_newest_frame_overrules(seed: int, name: str) -> None:
    """With CLEAR, slice by slice: the twin over all but what lies in the newest frame's own stretches."""
    profile = profile_of({"frames": 4}, slices=MANY)
    frames = random_frames(seed, 4)
    scan = flatten_all(Flattener(profile), frames)[name]
    alone = Flattener(profile_of(slices=MANY)).flatten(frames[-1].cloud, motion=frames[-1].motion)[name]
    hand = by_hand(frames, profile)
    _, level, _ = twin.place(hand.xyz.astype(float), profile, hand.attitude)
    bins, near_edge = twin.bins_of(level, profile)
    r = np.hypot(level[:, 0], level[:, 1])
    begin, end = alone.clear_from[bins].astype(float), alone.clear_to[bins].astype(float)
    overruled = (hand.frame > 0) & (bins >= 0) & (begin <= r) & (r < end)
    close = np.minimum(np.abs(r - begin), np.abs(r - end)) <= 4 * twin.ULPS * r
    expected = twin.twin(
        hand.xyz[~overruled], profile_of(slices={name: MANY[name]}, clear="off"), hand.attitude
    )[name]
    expected.unsure |= twin._touched(bins[close | near_edge], 180, True)
    scan.states[scan.states == State.CLEAR] = State.UNSEEN  # which is for the next test
    assert_as_twin(scan, expected)


def test_beams_begin_where_the_sensor_was_then() -> None:
    """Stretches are those of all beams of all frames, each from its own start; never more than the twin's."""
    profile = profile_of({"frames": 3})
    frames = random_frames(11, 3, 2000)
    scan = flatten_all(Flattener(profile), frames)["drive"]
    alone = Flattener(profile_of()).flatten(frames[-1].cloud, motion=frames[-1].motion)["drive"]
    hand, band = by_hand(frames, profile), profile.slices["drive"]
    _, level, _ = twin.place(hand.xyz.astype(float), profile, hand.attitude)
    _, starts, _ = twin.place(hand.starts.astype(float), profile, hand.attitude)
    bins, _ = twin.bins_of(level, profile)
    seen = np.zeros((180, twin.CELLS), bool)
    for end, start, b in zip(level, starts, bins, strict=True):
        good = np.ones(1, bool)
        seen |= twin.witnessed_cells(end[None], np.array([b]), good, start, band, profile, samples=9)
    r = np.hypot(level[:, 0], level[:, 1])
    overruled = (hand.frame > 0) & (alone.clear_from[bins] <= r) & (r < alone.clear_to[bins])
    inside = (level[:, 2] >= band.bottom) & (level[:, 2] < band.top) & ~overruled
    nearest = np.full(180, np.inf)
    np.minimum.at(nearest, bins[inside], r[inside])
    expected = np.array([twin.first_run(seen[b], 12.8 / twin.CELLS, nearest[b]) for b in range(180)])
    got = np.stack([scan.clear_from, scan.clear_to], axis=1)
    assert np.all((got[:, 1] <= expected[:, 1] + 1e-5) | (got[:, 0] >= expected[:, 1]))
    assert np.count_nonzero(np.abs(got - expected).max(axis=1) < 1e-5) > 150
    assert np.count_nonzero(got[:, 1] > alone.clear_to) > 20  # the window knows more than its newest frame


# a place in closed form: level sensor over the fan's origin, 0.7 m high, one bin a degree, looking ahead
LEVEL: dict[str, Any] = {"mount": {"z": 0.7}, "fan": {"first": -180.5, "last": 179.5, "bins": 360}}
HALL = {"low": {"bottom": 0.1, "top": 0.5}, "high": {"bottom": 0.5, "top": 1.2}}
WALL = np.array([[9.0, 0.0, z] for z in np.linspace(-0.69, 0.4, 40)])
FLOOR = np.array([[x, 0.0, -0.7] for x in np.linspace(1.0, 8.5, 40)])
SOMEONE = np.array([[3.0, 0.0, z] for z in np.linspace(-0.5, 0.4, 20)])
STANDING = (0.0, 0.0)


def hall(*parts: Array, end: float = 1.0, moving: tuple[float, float] = STANDING, **more: Any) -> Frame:
    return frame_at(np.concatenate([*parts, np.array([[np.nan] * 3])]), end, moving, **more)


def ahead(scans: Any, name: str = "low") -> tuple[State, float, float]:
    scan = scans[name]
    return State(scan.states[180]), float(scan.ranges[180]), float(scan.ages[180])


def test_who_moved_on_leaves_no_trail_where_the_newest_frame_sees_through() -> None:
    flattener = Flattener(profile_of({"frames": 5}, **LEVEL, slices=HALL))
    with_someone = flatten_all(flattener, [hall(SOMEONE, WALL, FLOOR, end=1.0)])
    assert ahead(with_someone)[:2] == (State.HIT, 3.0)
    scans = flatten_all(flattener, [hall(WALL, FLOOR, end=1.1)])
    for name in HALL:
        state, distance, age = ahead(scans, name)
        assert (state, age) == (State.HIT, 0.0) and distance == pytest.approx(9.0)


def test_slice_by_slice() -> None:
    """Beams that rise to the wall's upper half say nothing of the lower slice: there someone still stands."""
    flattener = Flattener(profile_of({"frames": 5}, **LEVEL, slices=HALL))
    upper = WALL[WALL[:, 2] > -0.1]
    flatten_all(flattener, [hall(SOMEONE, end=1.0)])
    scans = flatten_all(flattener, [hall(upper, end=1.1)])
    assert ahead(scans, "high")[:2] == (State.HIT, pytest.approx(9.0))
    state, distance, age = ahead(scans, "low")
    assert (state, distance) == (State.HIT, 3.0) and age == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("window", "lasting"), [({"frames": 4}, 3), ({"seconds": 0.25}, 2), ({"seconds": 0.3}, 3)]
)
def test_no_trail_is_longer_than_the_window(window: Any, lasting: int) -> None:
    """Where nothing witnesses, a trail lasts as long as the window, both ends told; its age says so."""
    flattener = Flattener(profile_of(window, **LEVEL, slices=HALL, clear="off"))
    flatten_all(flattener, [hall(SOMEONE, end=1.0)])
    for k in range(1, 6):
        state, distance, age = ahead(flatten_all(flattener, [hall(WALL, FLOOR, end=1.0 + 0.1 * k)]))
        assert (state == State.HIT and distance == 3.0) == (k <= lasting)
        assert age == pytest.approx(0.1 * k if k <= lasting else 0.0, abs=1e-6)


def test_a_wall_stays_where_it_is_while_the_body_drives() -> None:
    """Older returns lie where the thing is now: 10 frames of the same post from a body that drives at it."""
    flattener = Flattener(profile_of({"frames": 10}, **LEVEL, slices=HALL))
    for k in range(10):
        end = 0.1 * (k + 1)
        times = np.array([end - 0.1, end])
        poses = np.hstack([np.outer(times, [2.0, 0, 0]), np.tile([0, 0, 0, 1.0], (2, 1))])
        post = np.array([[8.0 - 2.0 * end, 0.0, -0.3]])
        cloud = Cloud(*post.T.astype(np.float32), time=np.array([end]))
        scans = flattener.flatten(cloud, motion=Motion(times, poses, at=end))
    scan = scans["low"]
    assert scan.hits[180] == 10 and scan.hits.sum() == 10
    assert scan.ranges[180] == pytest.approx(6.0, abs=1e-5)


def test_the_body_leaves_no_trail_and_its_zones_take_nothing_of_the_past() -> None:
    """The mast's returns are dropped in their own time; what the hull drives over was no part of it."""
    zone = [{"name": "mast", "box": {"x": [-0.9, -0.7], "y": [-0.2, 0.2], "z": [0.0, 1.5]}}]
    flattener = Flattener(profile_of({"frames": 3}, **LEVEL, slices=HALL, clear="off", blind_zones=zone))
    mast, post = [[-0.8, 0.0, -0.3]], [[-0.4, 0.0, -0.3]]
    for k, seen in enumerate(([*mast, *post], mast)):
        end = 0.1 * (k + 1)
        times = np.array([end - 0.1, end])  # it drives 0.4 m a frame, and the mast to where the post was
        poses = np.hstack([np.outer(times, [4.0, 0, 0]), np.tile([0, 0, 0, 1.0], (2, 1))])
        cloud = Cloud(*np.array(seen, np.float32).T, time=np.full(len(seen), end))
        scans = flattener.flatten(cloud, motion=Motion(times, poses, at=end))
    scan = scans["low"]
    assert scan.hits.sum() == 1 and scan.counts.swallowed == 1
    assert scan.states[0] == State.HIT and scan.ranges[0] == pytest.approx(0.8)


def test_ages_and_intensities_are_those_of_the_return_that_decides() -> None:
    flattener = Flattener(profile_of({"frames": 3}, **LEVEL, slices=HALL, clear="off"))
    directions = np.array([[1.0, 0, 0], [0, 1.0, 0], [-1.0, 0, 0]])
    for k in range(3):
        xyz = 4.0 * directions[k : k + 1] + [[0, 0, -0.3]]
        strength = np.array([[10.0 * (k + 1), 0.0]]).T[:, 0] if k != 1 else None
        frame = hall(xyz, end=1.0 + 0.1 * k, intensity=strength)
        scan = flattener.flatten(frame.cloud, motion=frame.motion)["low"]
    np.testing.assert_allclose(scan.ages[[180, 270, 0]], [0.2, 0.1, 0.0], atol=1e-6)
    np.testing.assert_array_equal(scan.intensities[[180, 270, 0]], [10.0, np.nan, 30.0])
    assert np.isnan(scan.ages).sum() == 357 and scan.ages.dtype == np.float32
    plain = Flattener(profile_of(**LEVEL, slices=HALL)).flatten(np.array([[4.0, 0, -0.3]]))["low"]
    assert plain.ages[180] == 0.0 and np.isnan(plain.ages).sum() == 359


def test_what_is_asked_for_changes_no_value() -> None:
    profile, frames = profile_of({"frames": 4}, slices=MANY), random_frames(5, 4, 2000)
    full = flatten_all(Flattener(profile), frames)
    for field in FIELDS:
        part = flatten_all(Flattener(profile, fields={field}), frames)
        for name in MANY:
            np.testing.assert_array_equal(getattr(part[name], field), getattr(full[name], field))


def test_the_order_of_returns_changes_nothing() -> None:
    profile, rng = profile_of({"frames": 3}, slices=MANY), np.random.default_rng(2)
    frames, mixed = random_frames(8, 3, 2000), []
    for cloud, motion in frames:
        turn = rng.permutation(len(cloud))
        arrays = (np.asarray(part)[turn] for part in (cloud.x, cloud.y, cloud.z))
        mixed.append(Frame(Cloud(*arrays, time=np.asarray(cloud.time)[turn]), motion))
    assert_scans_equal(flatten_all(Flattener(profile), frames), flatten_all(Flattener(profile), mixed))


def test_clouds_of_any_layout() -> None:
    """Organised, float64, strided: the newest and the older ones."""
    profile = profile_of({"frames": 3})
    frames = random_frames(21, 3, 2000)
    odd = []
    for cloud, motion in frames:
        n = len(cloud) // 4 * 4
        wide = np.zeros((4, n // 4, 9), ">f8")
        for k, part in enumerate((cloud.x, cloud.y, cloud.z, cloud.time)):
            wide[..., 2 * k] = np.asarray(part)[:n].reshape(4, -1)
        odd.append(Frame(Cloud(wide[..., 0], wide[..., 2], wide[..., 4], time=wide[..., 6]), motion))
    plain = [
        Frame(Cloud(*(np.ravel(p).astype("<f4") for p in (c.x, c.y, c.z)), time=np.ravel(c.time)), m)
        for c, m in odd
    ]
    got, expected = (
        flatten_all(Flattener(profile), odd)["drive"],
        flatten_all(Flattener(profile), plain)["drive"],
    )
    both = (got.states == State.HIT) & (expected.states == State.HIT)
    assert np.count_nonzero(got.states != expected.states) <= 1  # float64 is rounded once less
    np.testing.assert_allclose(got.ranges[both], expected.ranges[both], rtol=1e-6)


def refused(flattener: Flattener, frame: Frame, words: str, frames: int = 1) -> None:
    """The frame is taken, and the older ones are forgotten, for a reason in words."""
    flattener.flatten(frame.cloud, motion=frame.motion)
    assert flattener.window is not None
    assert words in flattener.window.forgotten and flattener.window.frames == frames


def started(window: Any) -> Flattener:
    flattener = Flattener(profile_of(window, **LEVEL, slices=HALL))
    flatten_all(flattener, [hall(WALL, end=1.0 + 0.1 * k) for k in range(3)])
    assert flattener.window is not None and flattener.window.frames == 3 and not flattener.window.forgotten
    return flattener


@pytest.mark.parametrize("window", [{"frames": 5}, {"seconds": 0.5}])
def test_frames_that_do_not_follow_each_other_share_no_window(window: Any) -> None:
    refused(started(window), hall(WALL, end=1.1), "out of order: 0.1 s older")
    refused(started(window), hall(WALL, end=1.2), "out of order: 0 s older")
    refused(started(window), hall(WALL, end=1.75), "a gap of 0.55 s, longer than the window of 0.5 s")
    refused(started(window), hall(WALL, end=50.0), "a gap of 48.8 s")
    flattener = started(window)
    assert flattener.window is not None
    flattener.window.forget("a new localisation")
    refused(flattener, hall(WALL, end=1.3), "a new localisation")


def test_poses_by_another_clock() -> None:
    flattener = started({"frames": 5})
    times = np.array([1_200_000_000, 1_300_000_000])
    cloud = Cloud(*WALL.T.astype(np.float32), time=np.full(len(WALL), 1.25))
    motion = Motion(times, poses_at(times / 1e9, *STANDING))
    refused(flattener, Frame(cloud, motion), "by another clock")
    follower = hall(WALL, end=1.4)  # and back again
    refused(flattener, follower, "by another clock")


def moved(motion: Motion, end: float, way: float = 0.0, turn: float = 0.0) -> Motion:
    poses = motion.matrices(motion.seconds)
    change = np.eye(4)
    change[:3, :3] = Rotation.from_euler("z", turn).as_matrix()
    change[:3, 3] = poses[0, :3, 3] - change[:3, :3] @ poses[0, :3, 3] + [way, 0.0, 0.0]
    return Motion(end - 0.1 + motion.seconds, change @ poses, at=end)


def test_poses_that_jump() -> None:
    cloud, motion = hall(WALL, end=1.3)
    for way, turn, words in (
        (2.0, 0.0, "jump: 2 m and 0 deg"),
        (0.0, 1.0, "jump: "),
        (0.2, 0.0, "another past"),
    ):
        refused(started({"frames": 5}), Frame(cloud, moved(motion, 1.3, way, turn)), words)
    refused(
        started({"frames": 5}), Frame(cloud, moved(motion, 1.3, turn=0.1)), "another past: 0 m and 5.73 deg"
    )
    flattener = started({"frames": 5})
    flattener.flatten(cloud, motion=moved(motion, 1.3, 0.01))
    assert flattener.window is not None and flattener.window.frames == 4 and flattener.window.forgettings == 0


def test_a_lost_frame_is_no_gap() -> None:
    flattener = started({"frames": 5})
    flatten_all(flattener, [hall(WALL, end=1.5)])
    assert flattener.window is not None and flattener.window.frames == 4
    assert flattener.window.seconds == pytest.approx(0.5)


def test_a_frame_that_is_refused_changes_nothing() -> None:
    flattener, frame = started({"frames": 5}), hall(WALL, end=1.3)
    with pytest.raises(MotionError, match=r"window: .*pass motion="):
        flattener.flatten(frame.cloud)
    with pytest.raises(MotionError, match="nothing is extrapolated"):
        flattener.flatten(hall(WALL, end=9.0).cloud, motion=frame.motion)
    flattener.flatten(frame.cloud, motion=frame.motion)
    assert flattener.window is not None and flattener.window.frames == 4 and not flattener.window.forgotten


def test_memory_is_bounded() -> None:
    """Frames times the largest cloud, 56 bytes a return and 8 for its number; and room to grow in steps."""
    flattener, rng, largest = Flattener(profile_of({"frames": 4})), np.random.default_rng(0), 0
    assert flattener.window is not None
    for k in range(40):
        xyz = rng.normal(0, 3, (int(rng.integers(1, 20_000)), 3))
        largest = max(largest, len(xyz))
        flatten_all(flattener, [frame_at(xyz, 1.0 + 0.1 * k, intensity=np.ones(len(xyz)))])
        bound = 4 * largest * (24 + 24 + 4) + 8 * largest + 4 * window_room.STEP * (1 + 4)
        assert flattener.window.memory <= bound
    assert flattener.window.frames == 4


def test_seconds_have_a_cap_of_frames_and_all_a_cap_of_returns(monkeypatch: pytest.MonkeyPatch) -> None:
    flattener = Flattener(profile_of({"seconds": 10.0}, clear="off"))
    assert flattener.window is not None
    xyz = np.random.default_rng(1).normal(0, 3, (30, 3))
    for k in range(120):
        flatten_all(flattener, [frame_at(xyz, 1.0 + 0.01 * k, (0.1, 0.1))])
    assert flattener.window.frames == 100 and flattener.window.returns == 3000
    monkeypatch.setattr(window_room, "MOST_RETURNS", 100)
    flatten_all(flattener, [frame_at(xyz, 2.2, (0.1, 0.1))])
    assert flattener.window.returns == 90 and flattener.window.frames == 3
    flatten_all(flattener, [frame_at(np.ones((500, 3)), 2.21, (0.1, 0.1))])
    assert flattener.window.returns == 500 and flattener.window.frames == 1


def test_a_fitted_floor_takes_the_gathered_returns() -> None:
    """A level floor of which each frame holds a third: all its returns count, and a wall stands on it."""
    flattener = Flattener(
        profile_of({"frames": 3}, **LEVEL, slices={"low": {"bottom": 0.1, "top": 0.5}}, level="floor")
    )
    rng = np.random.default_rng(0)
    for k in range(3):
        spots = rng.uniform(-6, 6, (4000, 2))
        ground = np.column_stack([spots, np.full(4000, -0.7)])
        scans = flatten_all(flattener, [hall(ground, WALL, end=1.0 + 0.1 * k)])
    scan = scans["low"]
    assert scan.counts.floor > 8000 and scan.ranges[180] == pytest.approx(9.0, abs=1e-3)


@given(st.integers(0, 10**6), st.integers(0, 200), st.sampled_from([3, 6]))
def test_bring_is_the_matrix_in_float64(seed: int, n: int, width: int) -> None:
    rng = np.random.default_rng(seed)
    records = (rng.normal(size=n * width) * 10.0 ** rng.uniform(-3, 3, n * width)).astype(np.float32)
    change = np.hstack([Rotation.random(rng=seed).as_matrix(), rng.normal(0, 5, (3, 1))])
    out = np.zeros(n * width, np.float32)
    bring(n, width, change, records, out)
    points = records.reshape(-1, 3).astype(float)
    exact = points @ change[:, :3].T + change[:, 3]
    size = np.abs(points).sum(axis=1, keepdims=True) + 20.0
    # rounded once to float32; 1e-15 parts are float64's own
    assert (np.abs(out.reshape(-1, 3) - exact) <= 2.0**-24 * np.abs(exact) + 1e-15 * size).all()


PROGRAM = """
import sys
import numpy as np
import flatten
profile = flatten.Profile.from_dict({
    "mount": {"x": 0.3, "y": -0.1, "z": 0.7, "pitch": 8.0}, "fan": {"bins": 60}, "reach": {"far": 12.8},
    "slices": {"drive": {"bottom": 0.1, "top": 1.2}}, "window": {"frames": 3},
    "blind_zones": [{"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [-0.5, 1.0]}}],
})
flattener, rng = flatten.Flattener(profile), np.random.default_rng(7)
for k in range(3):
    times = [0.1 * k + 0.05, 0.1 * k + 0.1]
    pose = [0.2 * k, 0.0, 0.0, 0.0, 0.0, np.sin(0.05 * k), np.cos(0.05 * k)]
    cloud = flatten.Cloud(*rng.normal(0, 3, (3, 150)).astype(np.float32), time=np.full(150, times[1]))
    scan = flattener.flatten(cloud, motion=flatten.Motion(times, [pose, pose]))["drive"]
fields = ("ranges", "states", "hits", "ages", "clear_from", "clear_to")
np.savez(sys.argv[1], **{field: getattr(scan, field) for field in fields})
"""


def test_without_compiler_it_is_the_same(tmp_path: Path) -> None:
    """Bit for bit: within a frame the body stands, so that no fused multiply-add rounds otherwise."""
    found = []
    for name, environment in (("a", {}), ("b", {"NUMBA_DISABLE_JIT": "1"})):
        out = tmp_path / f"{name}.npz"
        subprocess.run(
            [sys.executable, "-c", PROGRAM, str(out)], env={**os.environ, **environment}, check=True
        )
        found.append(dict(np.load(out)))
    assert len(found[0]) == 6 and np.nanmax(found[0]["ages"]) > 0.15
    for key, value in found[0].items():
        np.testing.assert_array_equal(found[1][key], value)


def test_a_return_at_the_sensor_stays_one() -> None:
    """What comes to lie at exactly zero would count as no return."""
    out, shift = np.zeros(3, np.float32), np.hstack([np.eye(3), [[-1.0], [-2.0], [-3.0]]])
    bring(1, 3, shift, np.array([1, 2, 3], np.float32), out)
    assert 0 < out[0] < 1e-29 and math.isfinite(out[0])
