"""The fast half of the second pass marks what the exact half marks, bit by bit."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import Flattener, Profile
from flatten.cloud import as_cloud
from flatten.kernels import beams, lanes, strides
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
    frame = plan.frame(attitude)
    for i in np.flatnonzero(np.any(xyz != 0.0, axis=1) & np.isfinite(xyz).all(axis=1)):
        follow_exactly(i, returns, frame, LEVEL_GROUND, plan.numbers, exact)
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


@given(st.integers(0, 256), st.integers(0, 257))
def test_join_marks_the_cells_between(high: int, low: int) -> None:
    masks = np.zeros((2, 3, 4), np.uint64)
    join(masks, 4, strides.BEFORE, high, low)
    bits = np.unpackbits(masks.view(np.uint8).reshape(6, -1), axis=1, bitorder="little").astype(bool)
    assert np.flatnonzero(bits.any(axis=1)).tolist() == ([4] if high > low else [])
    assert np.flatnonzero(bits[4]).tolist() == list(range(low, high))


@pytest.mark.parametrize("off_by", [0.0, 2e-6, -2e-6, 0.01])
def test_an_edge_that_is_crossed_near_the_edge_of_a_cell_is_unsure(off_by: float) -> None:
    side, lanes_ = strides.SIDE, np.full(strides.SIDE, 1, np.int32)
    sines = np.full(side, 1.0 / 20.5, np.float32)
    sines[3] = 1.0 / (20.0 + off_by)
    turns, cells = np.array([0.0, 1.0], np.float32), np.zeros(side, np.int32)
    unsure = stride(sines, np.ones(side, np.float32), lanes_, 1, turns, np.float32(1e-7), cells)
    assert unsure == (abs(off_by) < 0.01)
    assert (np.delete(cells, 3) == 20).all()


def test_the_table_of_cells_before() -> None:
    bits = np.unpackbits(strides.BEFORE.view(np.uint8), axis=1, bitorder="little")
    np.testing.assert_array_equal(bits.sum(axis=1), np.minimum(np.arange(258), 256))
    assert math.prod(strides.BEFORE.shape) == 258 * 4
