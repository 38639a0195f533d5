"""Fitted planes against formulas and a second opinion."""

from __future__ import annotations

import math

import numpy as np
import open3d
import pytest

from flatten import frames
from flatten.tuning.floor_plane import Plane, fit_plane
from flatten.tuning.patches import RINGS, SECTORS, beams_of, patch_of
from flatten.tuning.start import angle_between, planes, trials


@pytest.mark.parametrize(
    ("share", "count"), [(0.9, 4), (0.8, 7), (0.7, 11), (0.6, 19), (0.5, 35), (0.4, 70), (0.3, 169)]
)
def test_trials_are_those_of_the_lecture(share: float, count: int) -> None:
    """N = log(1 − p)/log(1 − wⁿ), n = 3, p = 0.99: table of Fisher's lecture on RANSAC, Edinburgh."""
    assert trials(share) == count


def test_the_worked_value_of_a_slope_s_error() -> None:
    """σ√12/(L√N): 20 mm, 100 returns over 10 m give 0.040° (textbook formula of a slope, worked by hand)."""
    x = np.linspace(-5.0, 5.0, 100_001)
    exact = 0.020 / math.sqrt(100 * float(np.var(x)))  # σ/√Σ(x − x̄)², N = 100 spread evenly
    assert math.degrees(exact) == pytest.approx(0.040, abs=0.0005)
    assert exact == pytest.approx(0.020 * math.sqrt(12.0) / (10.0 * math.sqrt(100)), rel=1e-4)


def test_stated_errors_follow_the_formula_where_it_holds() -> None:
    """Height noise alike everywhere, patches alike full: σ/√Σ(x − x̄)² over the returns.

    Noise along the vertical, 20 mm, seen from 2 m up; the range bias costs height and not tilt. The
    formula is what could be had at best. Here the beams move with the noise, which no real sensor's do:
    the fit takes some of that for unevenness and states up to 1.6 times as much.
    """
    rng = np.random.default_rng(11)
    n, height, sigma = 40_000, 2.0, 0.02
    away, bearing = 6.0 * np.sqrt(rng.uniform(size=n)), rng.uniform(-math.pi, math.pi, n)
    x, y = away * np.cos(bearing), away * np.sin(bearing)
    points = np.stack([x, y, -height + rng.normal(0.0, sigma, n)], axis=1)
    fit = fit_plane([beams_of(points)], Plane(np.array([0.0, 0.0, 1.0]), height))
    stated = np.sqrt(np.diag(fit.covariance))[1:3]
    best = sigma / np.sqrt([np.square(x - x.mean()).sum(), np.square(y - y.mean()).sum()])
    assert (stated > 0.85 * best).all() and (stated < 1.8 * best).all()
    assert (np.abs(fit.plane.up[:2]) < 4.0 * stated).all()


def test_one_error_a_patch_is_stated_as_one_error_a_patch() -> None:
    """Patches that are wrong as a whole, by 4 mm: however many returns, the patches are what counts."""
    rng = np.random.default_rng(12)
    errors, stated = [], []
    n = 20_000
    for _ in range(12):
        x, y = rng.uniform(-5.0, 5.0, (2, n))
        bump = rng.normal(0.0, 0.004, RINGS * SECTORS)[patch_of(x, y)]
        fit = fit_plane([beams_of(np.stack([x, y, bump - 1.5], axis=1))], Plane(np.array([0.0, 0, 1]), 1.5))
        errors.append(fit.plane.up[:2])
        stated.append(np.sqrt(np.diag(fit.covariance))[1:3])
    made = math.sqrt(float(np.square(errors).mean()))
    told = math.sqrt(float(np.square(stated).mean()))
    naive = 0.004 / math.sqrt(n * 100.0 / 12.0)  # as if each return were right or wrong by itself
    assert made > 4.0 * naive
    # 24 numbers: their root mean square is known to a seventh; 3 sigma of that, up and down
    assert made / 1.45 < told < 1.45 * made


def test_open3d_sees_the_same_plane() -> None:
    """Its segmentation of the same returns (a random search, then least squares over its inliers)."""
    rng = np.random.default_rng(13)
    up = frames.rotation(0.1, 0.2, 0.0)[2]
    x, y = rng.uniform(-5.0, 5.0, (2, 20_000))
    level = np.stack([x, y, -1.0 + rng.normal(0.0, 0.005, 20_000)], axis=1)
    clutter = rng.uniform([-5, -5, -0.9], [5, 5, 1.0], (6_000, 3))
    points = np.concatenate([level, clutter]) @ frames.rotation(0.1, 0.2, 0.0)
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    model, _ = cloud.segment_plane(0.02, 3, 2000)
    theirs = np.array(model) * math.copysign(1.0, model[3])
    start = next(planes(points))
    fit = fit_plane([beams_of(points)], start.plane)
    assert angle_between(fit.plane.up, up) < math.radians(0.02)
    assert fit.plane.distance == pytest.approx(1.0, abs=0.001)
    # its inliers hold a little of the clutter above, all round: height and tilt suffer by less than this
    assert angle_between(fit.plane.up, theirs[:3]) < math.radians(0.1)
    assert fit.plane.distance == pytest.approx(theirs[3], abs=0.003)
