"""The fast half of the second pass marks what the exact half marks, bit by bit."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import Flattener, Profile
from flatten.carrying import START_BYTES
from flatten.cloud import as_cloud
from flatten.kernels import beams, lanes, strides
from flatten.kernels.groups import Axis, Returns
from flatten.kernels.loads import FLOAT32
from flatten.kernels.stretches import BEAM_BYTES
from flatten.returns import lay_out
from flatten.tables import LEVEL_GROUND
from tests.conftest import make_profile
from tests.kernels.compiled import compiled
from tests.kernels.test_sweep import FLATTENERS, PROFILES, attitudes, clouds

follow_exactly = compiled(beams.follow_exactly)
join = compiled(lanes.join)
stride = compiled(strides.stride)


def witnessed(flattener: Flattener, xyz: np.ndarray, attitude: Any) -> tuple[np.ndarray, ...]:
    """Masks and drops of a cloud, by both halves and by the exact one alone."""
    flattener.flatten(xyz, attitude)
    plan, both = flattener._plan, flattener._tables.bins
    exact = both._replace(masks=np.zeros_like(both.masks), dropped=np.zeros_like(both.dropped))
    returns, _owners = lay_out(as_cloud(xyz))
    follow_all_exactly(xyz, returns, plan.frame(attitude), plan, exact)
    return both.masks, exact.masks, both.dropped, exact.dropped


def follow_all_exactly(xyz: np.ndarray, returns: Any, frame: Any, plan: Any, exact: Any) -> None:
    for i in np.flatnonzero(np.any(xyz != 0.0, axis=1) & np.isfinite(xyz).all(axis=1)):
        follow_exactly(i, returns, frame, LEVEL_GROUND, plan.numbers, exact)


def witnessed_apart(
    flattener: Flattener, xyz: np.ndarray, starts: np.ndarray, attitude: Any
) -> tuple[np.ndarray, ...]:
    """The same for beams that begin elsewhere each, sensor axes."""
    tables, plan, frame = flattener._tables, flattener._plan, flattener._plan.frame(attitude)
    records = np.hstack([xyz, starts]).astype(np.float32)
    begin = records.__array_interface__["data"][0]
    axes = (Axis(begin + 4 * k, 0, BEAM_BYTES) for k in range(3))
    returns = Returns(FLOAT32, max(len(xyz), 1), BEAM_BYTES, len(xyz), START_BYTES, *axes)
    tables.hand(frame)
    tables.hand_returns(returns)
    beams.follow_beams(tables.words)
    both = tables.bins
    exact = both._replace(masks=np.zeros_like(both.masks), dropped=np.zeros_like(both.dropped))
    follow_all_exactly(xyz, returns, frame, plan, exact)
    return both.masks, exact.masks, both.dropped, exact.dropped


def assert_same_marks(flattener: Flattener, xyz: np.ndarray, attitude: Any) -> int:
    masks, exact_masks, dropped, exact_dropped = witnessed(flattener, xyz, attitude)
    np.testing.assert_array_equal(masks, exact_masks)
    np.testing.assert_array_equal(dropped, exact_dropped)
    return int(np.count_nonzero(masks))


@given(clouds, st.sampled_from(sorted(set(PROFILES) - {"no clear"})), attitudes)
def test_adversarial_clouds(xyz: np.ndarray, name: str, attitude: Any) -> None:
    assert_same_marks(FLATTENERS[name], xyz, attitude)


def some_profile(bins: int, far: float, **mount: float) -> Profile:
    return make_profile(
        mount={"x": 0.34, "y": -0.09, "z": 0.61, **mount},
        slices={
            "drive": {"bottom": 0.08, "top": 0.95},
            "ramp": {"bottom": -0.2, "top": 1.1, "rise": 0.01},
            "low": {"bottom": -0.5, "top": 0.3},
        },
        fan={"bins": bins},
        reach={"near": 0.1, "far": far},
        clear={"smallest": 0.6, "from": 1.0, "to": 1.5},
    )


@pytest.mark.parametrize("bins", [1, 5, 61, 1440, 9000])
@pytest.mark.parametrize("mount", [{"pitch": 12.0}, {"roll": 180.0}, {"z": 0.0}, {"pitch": 40.0, "z": 1.9}])
@pytest.mark.parametrize("attitude", [None, (1e-7, 0.0), (0.03, -0.02), (-0.3, 0.2)])
def test_thousands_of_returns(bins: int, mount: dict[str, float], attitude: Any) -> None:
    rng = np.random.default_rng(bins)
    flattener = Flattener(some_profile(bins, 3.0 if bins > 1440 else 25.0, **mount))
    xyz = (rng.normal(size=(3000, 3)) * [5, 5, 1] * 10.0 ** rng.uniform(-1, 1, (3000, 1))).astype(np.float32)
    # the widest bins hold every beam askew, and mark nothing
    assert assert_same_marks(flattener, xyz, attitude) > 0 or bins < 61
    assert_same_marks(flattener, np.round(xyz.astype(np.float64) * 4) / 4, attitude)


def assert_same_apart(flattener: Flattener, xyz: np.ndarray, starts: np.ndarray, attitude: Any) -> int:
    masks, exact_masks, dropped, exact_dropped = witnessed_apart(flattener, xyz, starts, attitude)
    np.testing.assert_array_equal(masks, exact_masks)
    np.testing.assert_array_equal(dropped, exact_dropped)
    return int(np.count_nonzero(masks))


STARTS = ("at the sensor", "a hair", "a millimetre", "driving", "falling", "anywhere", "mixed", "no number")


def some_starts(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Where beams begin, sensor axes: (n, 3) float32."""
    if kind == "driving":  # straight on at 2 m/s for half a second, the newest last
        return np.linspace([-1.0, 0.0, 0.02], 0.0, n).astype(np.float32)
    if kind == "falling":
        return np.stack([np.zeros(n), np.zeros(n), np.linspace(0.2, 0.0, n)], axis=1).astype(np.float32)
    sizes = {"at the sensor": 0.0, "a hair": 1e-9, "a millimetre": 1e-3, "anywhere": 3.0}
    size = np.full((n, 1), sizes[kind]) if kind in sizes else 10.0 ** rng.uniform(-30, 2, (n, 1))
    starts = (rng.normal(size=(n, 3)) * size).astype(np.float32)
    if kind == "mixed":
        starts[rng.random(n) < 0.3] = 0.0
    if kind == "no number":
        starts[rng.random(n) < 0.01] = rng.choice([np.nan, np.inf])
    return starts


@pytest.mark.parametrize("bins", [1, 5, 61, 1440, 9000])
@pytest.mark.parametrize("kind", STARTS)
@pytest.mark.parametrize("attitude", [None, (0.03, -0.02)])
def test_beams_that_begin_elsewhere(bins: int, kind: str, attitude: Any) -> None:
    rng = np.random.default_rng(bins)
    n, far = 3000, 3.0 if bins > 1440 else 25.0
    xyz = (rng.normal(size=(n, 3)) * [5, 5, 1] * 10.0 ** rng.uniform(-1, 1, (n, 1))).astype(np.float32)
    starts = some_starts(kind, n, rng)
    for mount in ({"pitch": 12.0}, {"roll": 180.0}, {"z": 0.2}):
        flattener = Flattener(some_profile(bins, far, **mount))
        assert assert_same_apart(flattener, xyz, starts, attitude) > 0 or bins < 61
        assert_same_apart(flattener, (np.round(xyz * 4) / 4), np.round(starts * 4) / 4, attitude)


@given(clouds, st.sampled_from(sorted(set(PROFILES) - {"no clear"})), attitudes, st.sampled_from(STARTS),
       st.integers(0, 10**6))  # fmt: skip
def test_adversarial_starts(xyz: np.ndarray, name: str, attitude: Any, kind: str, seed: int) -> None:
    xyz = xyz.astype(np.float32)
    starts = some_starts(kind, len(xyz), np.random.default_rng(seed))
    assert_same_apart(FLATTENERS[name], xyz, starts, attitude)


@given(st.integers(0, 256), st.integers(0, 257))
def test_join_marks_the_cells_between(high: int, low: int) -> None:
    masks = np.zeros((2, 3, 4), np.uint64)
    join(masks, 4, strides.BEFORE, high, low)
    bits = np.unpackbits(masks.view(np.uint8).reshape(6, -1), axis=1, bitorder="little").astype(bool)
    assert np.flatnonzero(bits.any(axis=1)).tolist() == ([4] if high > low else [])
    assert np.flatnonzero(bits[4]).tolist() == list(range(low, high))


@pytest.mark.parametrize("off_by", [0.0, 2e-6, -2e-6, 0.01])
@pytest.mark.parametrize("first", [0, 20, 21, 22])
def test_an_edge_that_is_crossed_near_the_edge_of_a_cell_is_unsure(off_by: float, first: int) -> None:
    """Unless that is before the stretch begins, by more than the doubt."""
    side, lanes_ = strides.SIDE, np.full(strides.SIDE, 1, np.int32)
    sines = np.full(side, 1.0 / 20.5, np.float32)
    sines[3] = 1.0 / (20.0 + off_by)
    turns, cells = np.array([0.0, 1.0], np.float32), np.zeros(side, np.int32)
    ones, firsts, blunts = (
        np.ones(side, np.float32),
        np.full(side, first, np.int32),
        np.zeros(side, np.float32),
    )
    unsure = stride(sines, ones, blunts, firsts, lanes_, 1, turns, cells)
    assert unsure == (abs(off_by) < 0.01 and first < 21)
    assert (np.delete(cells, 3) == 20).all()
    blunts[5] = 2e-3  # 1/r is off by so much: r by 0.8
    assert stride(sines, ones, blunts, firsts, lanes_, 1, turns, cells) == (first < 22)


def test_the_table_of_cells_before() -> None:
    bits = np.unpackbits(strides.BEFORE.view(np.uint8), axis=1, bitorder="little")
    np.testing.assert_array_equal(bits.sum(axis=1), np.minimum(np.arange(258), 256))
    assert math.prod(strides.BEFORE.shape) == 258 * 4
