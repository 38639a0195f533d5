"""Heights above a floor that is not flat, in the fast half, the exact one and along beams."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.flattener import Flattener
from flatten.kernels import groups
from flatten.profile import Profile

PROFILE = {
    "mount": {"x": 0.2, "y": 0.1, "z": 0.7},
    "slices": {"drive": {"bottom": 0.1, "top": 1.0}, "walls": {"bottom": 0.3, "top": 1.4, "rise": 0.01}},
    "fan": {"bins": 360},
    "reach": {"near": 0.3, "far": 16.0},
}
CELLS = 64
"""Four cells of witnessing to one of the floor."""


def flattener_over(heights: npt.NDArray[np.float32], known: npt.NDArray[np.uint8] | None = None) -> Flattener:
    """A flattener of PROFILE that takes this floor, heights (bins, cells + 1), for every frame."""
    flattener = Flattener(Profile.from_dict(PROFILE))
    flattener._hand_ground(ground_of(heights, known))
    return flattener


def ground_of(heights: npt.NDArray[np.float32], known: npt.NDArray[np.uint8] | None = None) -> groups.Ground:
    if known is None:
        known = np.ones((len(heights), heights.shape[1] - 1), np.uint8)
    scale = known.shape[1] / 16.0
    steepest = float(np.abs(np.diff(heights, axis=1)).max()) * scale
    return groups.Ground(heights, known, scale, float(heights.min()), float(heights.max()), steepest)


def floor_at(heights: npt.NDArray[np.float32], xy: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Height of the floor below (x, y) about the fan's origin, from its definition."""
    step = 2 * math.pi / len(heights)
    b = np.minimum(((np.arctan2(xy[:, 1], xy[:, 0]) + math.pi) / step).astype(int), len(heights) - 1)
    cells = heights.shape[1] - 1
    u = np.minimum(np.hypot(xy[:, 0], xy[:, 1]) * cells / 16.0, cells)
    k = np.minimum(u.astype(int), cells - 1)
    wide = heights.astype(float)
    return wide[b, k] + (u - k) * (wide[b, k + 1] - wide[b, k])


def rolling(seed: int, rise: float = 0.25) -> npt.NDArray[np.float32]:
    """A floor of random slopes, the same neither along nor across."""
    rng = np.random.default_rng(seed)
    steps = rng.uniform(-rise, rise, (360, CELLS)) * (16.0 / CELLS)
    return np.concatenate([np.zeros((360, 1)), np.cumsum(steps, axis=1)], axis=1).astype(np.float32)


def cloud_over(heights: npt.NDArray[np.float32], n: int, seed: int) -> tuple[Any, Any]:
    """Points about the fan's origin, and the same with the floor taken from their heights."""
    rng = np.random.default_rng(seed)
    bearing, r = (
        (rng.integers(0, 360, n) + rng.uniform(0.1, 0.9, n)) * math.pi / 180 - math.pi,
        rng.uniform(0.5, 15, n),
    )
    flat = np.stack([r * np.cos(bearing), r * np.sin(bearing), rng.uniform(-0.3, 1.6, n)], axis=1)
    over = flat.copy()
    over[:, 2] += floor_at(heights, flat)
    sensor = np.array([0.0, 0.0, 0.7])  # the sensor stands above the fan's origin
    return over - sensor, flat - sensor


@given(st.integers(0, 1000))
def test_heights_count_from_the_floor(seed: int) -> None:
    heights = rolling(seed)
    over, flat = cloud_over(heights, 3000, seed)
    plain = Flattener(Profile.from_dict({**PROFILE, "clear": False})).flatten(flat)
    got = flattener_over(heights).flatten(over)
    for name, expected in plain.items():
        # adding and taking a floor of up to 4 m in float64 may move a return over a border by 1e-15 only
        hit = expected.states == 1
        np.testing.assert_array_equal(got[name].states[hit], 1)
        np.testing.assert_allclose(got[name].ranges[hit], expected.ranges[hit], rtol=3e-7)
        np.testing.assert_allclose(got[name].heights[hit], expected.heights[hit], atol=1e-6)
        np.testing.assert_array_equal(got[name].hits, expected.hits)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_fast_and_exact_agree_on_borders(dtype: Any) -> None:
    """Returns within rounding of a slice's bottom, over slopes: the answer is that of float64."""
    heights = rolling(5)
    rng = np.random.default_rng(2)
    over, _ = cloud_over(heights, 4000, 3)
    over[:, 2] = floor_at(heights, over[:, :2]) + 0.1 - 0.7 + rng.uniform(-4e-7, 4e-7, len(over))
    over = over.astype(dtype)
    wide = over.astype(float)
    inside = wide[:, 2] + 0.7 - floor_at(heights, wide[:, :2]) >= 0.1
    bearing = np.arctan2(wide[:, 1], wide[:, 0])
    bins = ((bearing + math.pi) / (2 * math.pi / 360)).astype(int)
    expected = np.bincount(bins[inside], minlength=360)
    got = flattener_over(heights).flatten(over)["drive"].hits
    assert np.count_nonzero(got != expected) == 0


def test_a_level_table_is_the_level_floor() -> None:
    rng = np.random.default_rng(7)
    cloud = rng.normal(0, 4, (5000, 3))
    cloud[:, 2] = rng.uniform(-1.2, 1.0, 5000)
    level = Flattener(Profile.from_dict(PROFILE)).flatten(cloud)
    over = flattener_over(np.zeros((360, CELLS + 1), np.float32)).flatten(cloud)
    for name in level:
        np.testing.assert_array_equal(level[name].ranges, over[name].ranges)
        # cell by cell or at once: a border that falls on a cell's edge may be rounded to either side of it
        differ = np.abs(level[name].clear_to - over[name].clear_to) > 0.07
        assert np.count_nonzero(differ) <= 4


def test_witnessed_stretches_follow_the_floor() -> None:
    """Raise everything by a ramp: beams that run along it witness what level beams do over level floor.

    The sensor 0.7 m up looks along a slope of 1 in 8 (a short ramp, ADA 4.8.2); its beams end on the floor.
    """
    slope = 0.125
    cells = np.arange(CELLS + 1) * (16.0 / CELLS)
    heights = np.tile((slope * cells).astype(np.float32), (360, 1))
    bearing = np.radians(np.arange(360) - 179.5)
    # beams that meet the floor 10 m away: over level floor and over the ramp
    ends = 10.0 * np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
    over = np.column_stack([ends, np.full(360, 10 * slope - 0.7)])
    scan = flattener_over(heights).flatten(over)["drive"]
    # it falls from 0.7 m up to the floor in 10 m: 0.5 m up (bottom + smallest) at 2.86 m, 0.1 m at 8.57 m
    cell = 16.0 / 256
    assert np.all((scan.clear_from >= 10 * 0.2 / 0.7) & (scan.clear_from <= 10 * 0.2 / 0.7 + cell + 1e-6))
    assert np.all((scan.clear_to <= 10 * 0.6 / 0.7) & (scan.clear_to >= 10 * 0.6 / 0.7 - cell - 1e-6))


def test_nothing_is_witnessed_where_the_floor_is_unknown() -> None:
    heights = np.zeros((360, CELLS + 1), np.float32)
    known = np.ones((360, CELLS), np.uint8)
    known[:, 20:] = 0  # from 5 m on
    bearing = np.radians(np.arange(360) - 179.5)
    ends = np.column_stack([10 * np.cos(bearing), 10 * np.sin(bearing), np.full(360, -0.7)])
    scan = flattener_over(heights, known).flatten(ends)["drive"]
    assert np.all(scan.clear_to == 5.0)
