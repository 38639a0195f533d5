"""The plane through patches: exact where nothing disturbs it, honest where something does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import TuningError, frames
from flatten.tuning.floor_plane import BIWEIGHT, Plane, biweight, fit_plane
from flatten.tuning.patches import (
    FIRST_RING,
    GROWTH,
    RINGS,
    SECTORS,
    aim,
    area_of,
    beams_of,
    medians,
    open_behind,
    patch_of,
)
from tests.tuning.floors import UPRIGHT, flat, walled

PLANE = Plane(frames.rotation(UPRIGHT.roll, UPRIGHT.pitch, 0.0)[2], UPRIGHT.z)


def near(tilt: float, toward: float, shift: float) -> Plane:
    """The plane of UPRIGHT, tilted and shifted."""
    axis = np.array([math.cos(toward), math.sin(toward), 0.0]) * math.sin(tilt)
    up = PLANE.up + axis
    return Plane(up / np.linalg.norm(up), PLANE.distance + shift)


@settings(max_examples=15)
@given(st.floats(0.0, 0.06), st.floats(-3.1, 3.1), st.floats(-0.05, 0.05))
def test_without_noise_the_plane_is_found_from_any_start_near_it(
    tilt: float, toward: float, shift: float
) -> None:
    fit = fit_plane([beams_of(flat(noise=0.0).xyz)], near(tilt, toward, shift))
    # what is left: the last step of the search (1e-7), and what was thought of the range bias before
    np.testing.assert_allclose(fit.plane.up, PLANE.up, atol=2e-6)
    assert fit.plane.distance == pytest.approx(PLANE.distance, abs=2e-6)
    assert fit.bias == pytest.approx(0.0, abs=2e-6)


@pytest.mark.parametrize("bias", [-0.03, 0.03])
def test_a_range_bias_does_not_move_the_plane(bias: float) -> None:
    fit = fit_plane([beams_of(flat(noise=0.003, bias=bias).xyz)], PLANE)
    sigma = np.sqrt(np.diag(fit.covariance))
    assert fit.bias == pytest.approx(bias, abs=4.0 * sigma[3])
    assert abs(fit.bias - bias) < 0.004
    assert fit.plane.distance == pytest.approx(PLANE.distance, abs=0.002)


def test_stated_errors_are_those_that_are_made() -> None:
    errors, sigmas = [], []
    for seed in range(25):
        fit = fit_plane([beams_of(flat(seed=seed, noise=0.02).xyz)], PLANE)
        turned = fit.plane.up - PLANE.up
        errors.append([fit.plane.distance - PLANE.distance, *(fit.axes[:2] @ turned), fit.bias])
        sigmas.append(np.sqrt(np.diag(fit.covariance)))
    scores = np.array(errors) / np.array(sigmas)
    # the root mean square of 25 standard normals is 1 ± 0.14; 4 sigma of that
    spread = np.sqrt((scores**2).mean(axis=0))
    assert (np.abs(spread[1:] - 1.0) < 0.57).all()
    assert spread[0] < 1.57  # of height more is stated: there is no clutter here, whose error it allows for
    assert (np.abs(scores.mean(axis=0)) < 4.0 / math.sqrt(25)).all()


def test_the_same_cloud_twice_makes_nothing_surer() -> None:
    beams = beams_of(flat(noise=0.02).xyz)
    once, twice = fit_plane([beams], PLANE), fit_plane([beams, beams], PLANE)
    np.testing.assert_allclose(twice.plane.up, once.plane.up, atol=1e-5)
    ratio = np.sqrt(np.diag(twice.covariance) / np.diag(once.covariance))
    assert (ratio > 0.85).all() and (ratio < 1.1).all()  # not 0.71; leverage counts half


def test_near_floor_does_not_outweigh_far_floor() -> None:
    """A thousand returns more from one place change next to nothing."""
    points = flat(noise=0.01).xyz
    nearest = points[np.linalg.norm(points, axis=1) < 1.0]
    heap = nearest[np.argsort(np.arctan2(nearest[:, 1], nearest[:, 0]))[:40]]
    heavy = np.concatenate([points, np.repeat(heap, 25, axis=0)])
    a, b = fit_plane([beams_of(points)], PLANE), fit_plane([beams_of(heavy)], PLANE)
    assert np.abs(a.plane.up - b.plane.up).max() < 5e-4
    assert abs(a.plane.distance - b.plane.distance) < 2e-3


def test_too_few_patches_are_refused() -> None:
    points = flat().xyz
    aside = np.arctan2(points[:, 1], points[:, 0])
    some = points[(np.abs(aside) < 0.1) & (np.linalg.norm(points, axis=1) < 1.2)]
    with pytest.raises(TuningError, match=r"floor is too small: \d+ patches"):
        fit_plane([beams_of(some)], PLANE)
    with pytest.raises(TuningError, match="wall left is too small: 0 patches"):
        fit_plane([beams_of(np.empty((0, 3)))], PLANE, "wall left")


def test_the_foot_of_a_wall_does_not_count() -> None:
    beams = beams_of(walled().xyz)
    aimed = aim(beams, frames.rotation(UPRIGHT.roll, UPRIGHT.pitch, UPRIGHT.yaw), UPRIGHT.z, 12.0)
    close = np.abs(aimed.above) < 0.05
    kept = open_behind(aimed, close, UPRIGHT.z)
    ahead = np.abs(np.arctan2(aimed.y, aimed.x)) < 0.3
    assert not (kept & ahead & close & (aimed.x > 2.95)).any()
    assert (kept & ahead & close).sum() > 100
    behind = np.abs(np.arctan2(aimed.y, aimed.x)) > 2.0
    assert kept[behind].all()


def test_patches_cover_the_plane_without_overlap() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-3.0, 3.0, (2, 40_000))
    patch = patch_of(x, y)
    assert patch.min() >= 0 and patch.max() < RINGS * SECTORS
    numbers, counts = np.unique(patch[np.hypot(x, y) < FIRST_RING * GROWTH**9], return_counts=True)
    assert area_of(numbers).sum() == pytest.approx(math.pi * (FIRST_RING * GROWTH**9) ** 2)
    share = counts / area_of(numbers) * 36.0 / 40_000
    large = counts > 100
    assert np.abs(share[large] - 1.0).max() < 0.4  # 4 sigma of 100 counts
    assert patch_of(np.zeros(1), np.zeros(1))[0] < SECTORS


@given(st.lists(st.tuples(st.integers(0, 3), st.floats(-5, 5)), max_size=40))
def test_medians_are_those_of_numpy(pairs: list[tuple[int, float]]) -> None:
    groups = np.array([group for group, _ in pairs], np.int64)
    values = np.array([value for _, value in pairs], np.float64)
    found = medians(values, groups, 4)
    for group in range(4):
        mine = values[groups == group]
        expected = np.median(mine) if len(mine) else np.nan
        np.testing.assert_allclose(found[group], expected)


def test_returns_that_are_none_are_left_out() -> None:
    points = np.array([[0.0, 0, 0], [np.nan, 1, 1], [np.inf, 0, 0], [1e9, 0, 0], [0.0, 3.0, 4.0]])
    beams = beams_of(points)
    np.testing.assert_allclose(beams.ranges, [5.0])
    np.testing.assert_allclose(beams.directions, [[0.0, 0.6, 0.8]])


def test_the_biweight_falls_from_one_to_nothing() -> None:
    np.testing.assert_allclose(biweight(np.array([0.0, BIWEIGHT, -2 * BIWEIGHT])), [1.0, 0.0, 0.0])
    assert biweight(np.array([BIWEIGHT / 2]))[0] == pytest.approx(0.75**2)
