"""The space at the robot: voxels, beams that pass, surroundings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import Cloud, Profile, TuningError
from flatten.tuning import near

PROFILE = Profile.from_dict(
    {
        "robot": {"length": 0.8, "width": 0.6, "height": 0.7},
        "mount": {"x": 0.2, "y": 0.1, "z": 0.6},
        "slices": {"drive": {"bottom": 0.1, "top": 1.0}},
    }
)
SPACE = near.space_about(PROFILE, 0.3)
EYE = np.array([0.2, 0.1, 0.6])


def crossed(start: np.ndarray, end: np.ndarray, grown: float = 0.0) -> np.ndarray:
    """Length of a straight line within each voxel, by slabs: (voxels,) float64, the slow twin."""
    low = SPACE.centres(np.arange(SPACE.size)) - SPACE.voxel / 2 - grown
    way = end - start
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (low - start) / way, (low + SPACE.voxel + 2 * grown - start) / way
    first = np.fmax.reduce([np.fmin(a, b)[:, k] for k in range(3)] + [np.zeros(len(low))])
    last = np.fmin.reduce([np.fmax(a, b)[:, k] for k in range(3)] + [np.ones(len(low))])
    return np.maximum(last - first, 0.0) * float(np.linalg.norm(way))


def test_the_space_is_the_hull_with_its_reach() -> None:
    np.testing.assert_allclose(SPACE.low, [-0.7, -0.6, near.FLOOR])
    np.testing.assert_allclose(SPACE.high, [0.7, 0.6, 1.0])
    assert np.all(np.array(SPACE.shape) * SPACE.voxel >= SPACE.high - SPACE.low - 1e-9)
    every = np.arange(SPACE.size)
    np.testing.assert_array_equal(
        SPACE.voxels(SPACE.centres(every).clip(SPACE.low, SPACE.high - 1e-9)), every
    )
    large = near.space_about(
        Profile.from_dict(
            {"robot": {"length": 40.0, "width": 3.0}, "slices": {"a": {"bottom": 0, "top": 1}}}
        ),
        0.3,
    )
    assert max(large.shape) <= near.MOST_VOXELS and large.voxel > near.VOXEL


@settings(max_examples=60, deadline=None)
@given(st.tuples(*[st.floats(-1.5, 1.5)] * 2, st.floats(0.0, 1.5)), st.integers(0, 2))
def test_beams_pass_what_they_cross(end: tuple[float, float, float], flat: int) -> None:
    """Marked is nothing that is not crossed, and all that is crossed for longer than a step."""
    goal = np.array(end)
    goal[flat] = EYE[flat] if flat < 2 else goal[2]  # also along an axis
    length = float(np.linalg.norm(goal - EYE))
    passed = near.passed_voxels(goal[None], EYE, SPACE)
    stop = length - near.SHORT * SPACE.voxel
    if stop <= 0.0:
        assert not passed.any()
        return
    inside = crossed(EYE, EYE + (goal - EYE) * stop / length)
    # a beam along the border of two voxels is in either by rounding
    assert np.all(crossed(EYE, goal, grown=1e-9)[passed] > 0.0)
    # the outermost voxels may reach out of the space, where nothing is looked at
    whole = (SPACE.centres(np.arange(SPACE.size)) + SPACE.voxel / 2 <= SPACE.high + 1e-9).all(axis=1)
    assert np.all(passed[whole & (inside > 0.7 * SPACE.voxel + 1e-6)])


def test_a_beam_of_no_length_passes_nothing() -> None:
    assert not near.passed_voxels(np.stack([EYE, EYE]), EYE, SPACE).any()
    assert not near.passed_voxels(np.empty((0, 3)), EYE, SPACE).any()


def standing(radius: float, height: float = 0.5) -> np.ndarray:
    """A round wall about the sensor: (N, 3)."""
    turns = np.radians(np.arange(0.0, 360.0, 0.5))
    ring = np.stack([radius * np.cos(turns), radius * np.sin(turns)], axis=1)
    return np.concatenate([np.column_stack([ring + EYE[:2], np.full(len(ring), z)]) for z in (0.3, height)])


def test_surroundings_change_when_things_are_elsewhere() -> None:
    rng = np.random.default_rng(0)
    here = near.surroundings(standing(4.0), EYE, SPACE)
    noisy = near.surroundings(standing(4.0) + rng.normal(0.0, 0.02, (1440, 3)), EYE, SPACE)
    there = near.surroundings(standing(5.0), EYE, SPACE)
    assert near.changed(here, noisy) == 0.0
    assert near.changed(here, there) == 1.0
    floor = standing(4.0) * [1.0, 1.0, 0.0]
    assert math.isnan(near.changed(here, near.surroundings(floor, EYE, SPACE)))
    close = standing(0.4)
    assert np.isnan(near.surroundings(close, EYE, SPACE)).all()


def test_a_cloud_is_looked_at_in_the_body_frame() -> None:
    pose = near.pose_of(PROFILE.mount)
    body = np.concatenate([standing(4.0), np.tile([[0.3, 0.0, 0.5]], (300, 1))])
    bad = np.array([[np.nan, 0.0, 0.0], [0.0, 0.0, 0.0], [np.inf, 1.0, 1.0]])
    cloud = Cloud.from_array(np.concatenate([body - pose[:3, 3], bad]))
    seen = near.look(cloud, "made", SPACE, pose)
    assert seen.returns == len(body) and len(seen.near) == 300
    assert set(SPACE.voxels(np.array([[0.3, 0.0, 0.5]]))) == set(seen.voxels)
    assert not seen.passed[seen.voxels].any() and seen.passed.any()


def test_of_large_clouds_a_choice_is_taken_that_leaves_no_beam_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rotating sensor's returns come beam by beam: every second one would be half of its beams."""
    monkeypatch.setattr(near, "MOST_BEAMS", 500)
    points = np.column_stack([np.arange(4000.0), np.tile(np.arange(16.0), 250), np.zeros(4000)])
    taken = near.chosen(points)
    assert len(taken) == 500 and len(set(taken[:, 1])) == 16
    np.testing.assert_array_equal(taken, near.chosen(points))
    assert near.chosen(taken) is taken


def test_what_is_no_return_is_left_out() -> None:
    pose = near.pose_of(PROFILE.mount)
    bad = [[1e300, 0, 0], [-1e30, 1, 1], [np.nan, 1, 1], [0, 0, 0], [1, np.inf, 0]]
    good = standing(4.0) - pose[:3, 3]
    clean = near.look(Cloud.from_array(good), "a", SPACE, pose)
    spoilt = near.look(Cloud.from_array(np.concatenate([good, bad]).astype(">f8")), "a", SPACE, pose)
    assert spoilt.returns == clean.returns == len(good)
    np.testing.assert_array_equal(spoilt.passed, clean.passed)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (np.ones((5, 3)), "few.npy: 5 good returns are too few, 200 are wanted"),
        (np.zeros((500, 3)), "few.npy: 0 good returns"),
        (np.full((500, 3), 2500.0), "few.npy: is in millimetres: convert it to metres"),
    ],
)
def test_clouds_that_tell_nothing(points: np.ndarray, words: str) -> None:
    with pytest.raises(TuningError, match=words):
        near.look(Cloud.from_array(points), "few.npy", SPACE, near.pose_of(PROFILE.mount))
