"""Many slices from one pass: against the rule written out, slice by slice and return by return."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.kernels import candidates
from flatten.kernels.zones import BOX, COLUMNS, CYLINDER, SECTOR
from tests.command_line import environment

Numbers = Any
BOTTOMS, TOPS, RISES = np.array([0.05, 0.1, 0.4]), np.array([0.3, 0.5, 1.0]), np.array([0.0, 0.01, 0.1])


def answers(bins: Numbers, keys: Numbers, distances: Numbers, heights: Numbers, number: int) -> Numbers:
    least = np.full((len(RISES), number, len(BOTTOMS), len(TOPS)), np.inf, np.float32)
    candidates.enter(bins, keys, distances, heights, BOTTOMS, TOPS, RISES, least)
    candidates.join(least)
    return least


def twin(bins: Numbers, keys: Numbers, distances: Numbers, heights: Numbers, number: int) -> Numbers:
    """The least key of the returns in [bottom + rise·r, top), by the rule."""
    told = np.full((len(RISES), number, len(BOTTOMS), len(TOPS)), np.inf, np.float32)
    for s, rise in enumerate(RISES):
        for b in range(number):
            for i, bottom in enumerate(BOTTOMS):
                for j, top in enumerate(TOPS):
                    inside = (bins == b) & (heights - rise * distances >= bottom) & (heights < top)
                    told[s, b, i, j] = keys[inside].min(initial=np.inf)
    return told


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("seed", range(5))
def test_answers_are_those_of_the_rule(seed: int, sign: float) -> None:
    rng = np.random.default_rng(seed)
    n, number = 300, 7
    bins = rng.integers(-1, number, n)
    distances, heights = rng.uniform(0.3, 20.0, n), rng.uniform(-0.2, 1.2, n)
    heights[:60] = rng.choice(np.concatenate([BOTTOMS, TOPS]), 60)  # on the borders
    keys = (sign * distances).astype(np.float32)
    np.testing.assert_array_equal(
        answers(bins, keys, distances, heights, number), twin(bins, keys, distances, heights, number)
    )


def test_no_returns_answer_nothing() -> None:
    none = np.empty(0)
    assert np.isinf(answers(np.empty(0, np.int64), none.astype(np.float32), none, none, 3)).all()


@given(st.lists(st.floats(-1.0, 2.0), min_size=1, max_size=30), st.randoms())
def test_order_changes_nothing(heights: list[float], random: Any) -> None:
    order = list(range(len(heights)))
    random.shuffle(order)
    high = np.array(heights)
    reach = np.linspace(1.0, 9.0, len(high))
    bins = np.arange(len(high)) % 2
    keys = reach.astype(np.float32)
    one = answers(bins, keys, reach, high, 2)
    other = answers(bins[order], keys[order], reach[order], high[order], 2)
    np.testing.assert_array_equal(one, other)


def test_slopes_are_those_of_the_formula() -> None:
    """(bottom − h)/r: 0.5 m high at 28.64 m is entered with a tilt of 1°, at 14.32 m with 2°."""
    # h/tan, computed
    slopes = np.full((2, 1), np.inf, np.float32)
    far = np.array([28.64, 14.32])
    candidates.entering_slopes(np.array([0, 1]), far, np.zeros(2), np.array([0.5]), slopes)
    np.testing.assert_allclose(np.degrees(np.arctan(slopes[:, 0])), [1.0, 2.0], atol=5e-4)  # 4 digits given


@pytest.mark.parametrize("seed", range(3))
def test_slopes_are_the_least_of_each_bin(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, number = 200, 5
    bins, distances = rng.integers(0, number, n), rng.uniform(0.1, 20.0, n)
    heights = rng.normal(0.0, 0.02, n)
    slopes = np.full((number, len(BOTTOMS)), np.inf, np.float32)
    candidates.entering_slopes(bins, distances, heights, BOTTOMS, slopes)
    wanted = np.array(
        [[((b - heights) / distances)[bins == k].min() for b in BOTTOMS] for k in range(number)]
    )
    np.testing.assert_allclose(slopes, wanted, rtol=1e-6)  # float32 holds 6e-8 of a number


def test_own_returns_are_those_inside_a_zone() -> None:
    zones = np.zeros((3, COLUMNS))
    zones[0] = [BOX, -0.5, 0.5, -0.4, 0.4, 0, 0, 0, 0, 0, 0.0, 0.9]
    zones[1] = [CYLINDER, 2.0, 0.0, 0.01, 0, 0, 0, 0, 0, 0, -math.inf, math.inf]
    zones[2] = [SECTOR, 0.0, 0.0, -1.0, 0.0, 0.0, -1.0, 0.0, 0.0, 4.0, -math.inf, math.inf]
    points = np.array(
        [[0.5, 0.4, 0.9], [0.51, 0.0, 0.1], [0.0, 0.1, -0.01], [2.09, 0, 5], [2.11, 0, 0], [-1, -1, 0]]
    )
    own = np.full(len(points), 9, np.uint8)
    candidates.mark_own(points, zones, own)
    assert own.tolist() == [1, 0, 0, 1, 0, 1]
    candidates.mark_own(points, zones[:0], own)
    assert not own.any()


SAME, NEAR = 0.2, 0.05


def counted(answers: Numbers, before: Numbers, late: Numbers, bands: Numbers, over: Numbers) -> Numbers:
    counts = np.zeros((*answers.shape[:1], *answers.shape[2:], 7), np.int64)
    single = [part.astype(np.float32) for part in (answers, before, late, over)]
    candidates.count(single[0], single[1], SAME, single[2], bands, single[3], NEAR, counts)
    return counts


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("first", [True, False])
def test_counts_are_those_of_the_rule(seed: int, first: bool) -> None:
    rng = np.random.default_rng(seed)
    shape = (2, 40, 3, 4)
    answers = rng.choice([1.0, 1.1, 2.0, np.inf, -3.0, -np.inf], shape)
    before = np.empty((2, 0, 3, 4)) if first else rng.choice([1.0, 1.15, 2.0, np.inf], shape)
    late, over = rng.choice([1.05, 1.5, np.inf], 40), rng.choice([1.0, 1.12, np.inf], 40)
    bands = rng.integers(0, 3, 40)
    expected = np.zeros((2, 3, 4, 7), np.int64)
    there = np.isfinite(answers)
    expected[..., 0] = there.sum(axis=1)
    if not first:
        both = there & np.isfinite(before)
        gap = np.abs(np.where(both, answers, 0.0) - np.where(both, before, 9.0))
        expected[..., 1], expected[..., 2] = both.sum(axis=1), (gap <= SAME).sum(axis=1)
    near = np.abs(
        np.where(there, answers, 99.0) - np.where(np.isfinite(over), over, -99.0)[None, :, None, None]
    )
    expected[..., 3] = (near <= NEAR).sum(axis=1)
    for band in range(3):
        missed = (answers > late[None, :, None, None]) & (bands == band)[None, :, None, None]
        expected[..., 4 + band] = missed.sum(axis=1)
    np.testing.assert_array_equal(counted(answers, before, late, bands, over), expected)


def test_the_same_without_a_compiler() -> None:
    """What the compiled kernels give, they give as plain Python."""
    code = (
        "import numpy as np; from flatten.kernels import candidates as c; rng = np.random.default_rng(1);"
        "b = rng.integers(-1, 3, 50); r = rng.uniform(0.3, 9, 50); h = rng.uniform(-0.1, 1.1, 50);"
        "g = [np.array([0.05, 0.1, 0.4]), np.array([0.3, 0.5, 1.0]), np.array([0.0, 0.01])];"
        "least = np.full((2, 3, 3, 3), np.inf, np.float32);"
        "c.enter(b, r.astype(np.float32), r, h, *g, least); c.join(least);"
        "counts = np.zeros((2, 3, 3, 6), np.int64); one = np.full(3, 4.0, np.float32);"
        "c.count(least, least, 0.2, one, np.array([0, 1, 1]), one, 0.5, counts);"
        "s = np.full((3, 3), np.inf, np.float32); k = b >= 0; c.entering_slopes(b[k], r[k], h[k], g[0], s);"
        "print(least.tobytes().hex(), counts.tolist(), s.tobytes().hex())"
    )
    told = [
        subprocess.run(
            [sys.executable, "-c", code], env=environment(NUMBA_DISABLE_JIT=off), capture_output=True,
            text=True, check=True,
        ).stdout
        for off in ("0", "1")
    ]  # fmt: skip
    assert told[0] == told[1] and len(told[0]) > 100
