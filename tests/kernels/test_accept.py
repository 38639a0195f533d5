"""`min_hits` against its rule, return by return, with no tolerance.

The sensor stands level in the body's origin, so that coordinates are exact as they come, and ranges
may be equal, or exactly `within` apart.
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import Flattener, State
from flatten.kernels.accept import MOST_BEHIND, PATIENCE
from tests.conftest import make_profile

NEAR, FAR = 1.0, 4.0
LAYOUTS = {
    "one bin": {"first": -180, "last": 180, "bins": 1},
    "two bins": {"first": -180, "last": 180, "bins": 2},
    "three bins": {"first": -180, "last": 180, "bins": 3},
    "four bins": {"first": -180, "last": 180, "bins": 4},
    "full": {"first": -180, "last": 180, "bins": 8},
    "part": {"first": -90, "last": 90, "bins": 4},
    "part of one bin": {"first": -90, "last": 90, "bins": 1},
    "part of three bins": {"first": -135, "last": 135, "bins": 3},
}


@functools.cache
def flattener(layout: str, pick: str, min_hits: int, within: float) -> Flattener:
    band = {"bottom": -1.0, "top": 1.0, "pick": pick, "min_hits": min_hits, "within": within}
    reach = {"near": NEAR, "far": FAR}
    profile = make_profile(mount={}, slices={"drive": band}, fan=LAYOUTS[layout], reach=reach, clear=False)
    return Flattener(profile)


def bins_of(xyz: np.ndarray, layout: str) -> np.ndarray:
    fan = LAYOUTS[layout]
    beyond = (np.degrees(np.arctan2(xyz[:, 1], xyz[:, 0])) - fan["first"]) % 360.0
    bins = np.floor(beyond / ((fan["last"] - fan["first"]) / fan["bins"])).astype(int)
    return np.where(bins < fan["bins"], bins, -1)


def by_the_rule(
    xyz: np.ndarray, layout: str, pick: str, min_hits: int, within: float
) -> list[tuple[Any, ...]]:
    """State, winner and hits of every bin; the winner is the first in the cloud of those that are equal."""
    bins, n_bins = bins_of(xyz, layout), LAYOUTS[layout]["bins"]
    square = xyz[:, 0] * xyz[:, 0] + xyz[:, 1] * xyz[:, 1]
    r = np.sqrt(square)
    full = LAYOUTS[layout]["last"] - LAYOUTS[layout]["first"] == 360
    out: list[tuple[Any, ...]] = []
    for b in range(n_bins):
        around = {(b + k) % n_bins if full else b + k for k in (-1, 0, 1)} & set(range(n_bins))
        beside = r[np.isin(bins, sorted(around))]
        mine = np.flatnonzero(bins == b)
        inside = (r >= NEAR) & (r <= FAR)
        good = [i for i in mine if ((beside >= r[i]) & (beside <= r[i] + within)).sum() >= min_hits]
        state, winner = State.UNSEEN, -1
        good_inside = [i for i in good if inside[i]]
        if pick == "nearest" and good:
            first = min(good, key=lambda i: (square[i], i))
            if inside[first]:
                state, winner = State.HIT, first
        if pick == "farthest" and good_inside:
            state, winner = State.HIT, min(good_inside, key=lambda i: (-square[i], i))
        if state != State.HIT and any(r[i] < NEAR for i in good):
            state = State.TOO_NEAR
        out.append((state, winner, int(inside[mine].sum())))
    return out


def check(xyz: np.ndarray, layout: str, pick: str, min_hits: int, within: float) -> None:
    cloud = np.column_stack([xyz, np.arange(len(xyz), dtype=xyz.dtype)])  # the intensity tells the winner
    scan = flattener(layout, pick, min_hits, within).flatten(cloud)["drive"]
    expected = by_the_rule(np.asarray(xyz, np.float64), layout, pick, min_hits, within)
    winners = np.where(scan.states == State.HIT, np.nan_to_num(scan.intensities), -1).astype(int)
    found = list(zip(scan.states.tolist(), winners.tolist(), scan.hits.tolist(), strict=True))
    assert found == expected


# along the axes and diagonals, a little off the edges of the bins, where coordinates are exact
bearings = st.sampled_from([(4, 1), (1, 4), (-1, 4), (-4, 1), (-4, -1), (-1, -4), (1, -4), (4, -1)])
steps = st.integers(1, 24) | st.sampled_from([4, 16])
returns = st.lists(st.tuples(bearings, steps, st.sampled_from([-1, 0, 0, 0, 1])), max_size=60)
layouts = st.sampled_from(sorted(LAYOUTS))
picks = st.sampled_from(["nearest", "farthest"])


def cloud_of(rows: list[Any], dtype: Any) -> np.ndarray:
    xyz = np.zeros((len(rows), 3), dtype)
    for k, ((x, y), step, nudge) in enumerate(rows):
        for axis, value in enumerate((x, y)):
            scaled = dtype(value * step / 16.0)
            xyz[k, axis] = np.nextafter(scaled, dtype(np.inf) * dtype(nudge)) if nudge else scaled
    return xyz


@given(returns, layouts, picks, st.integers(2, 7) | st.just(1000), st.sampled_from([1e-9, 0.25, 0.5, 3.0]))
def test_the_rule_on_a_grid_of_ranges(
    rows: list[Any], layout: str, pick: str, min_hits: int, within: float
) -> None:
    check(cloud_of(rows, np.float32), layout, pick, min_hits, within)
    check(cloud_of(rows, np.float64), layout, pick, min_hits, within)


@pytest.mark.parametrize("layout", sorted(LAYOUTS))
@pytest.mark.parametrize("pick", ["nearest", "farthest"])
@pytest.mark.parametrize("min_hits", [2, 3, 6, 40])
@pytest.mark.parametrize("within", [1e-6, 0.003, 0.3])
def test_the_rule_on_walls_in_dust(layout: str, pick: str, min_hits: int, within: float) -> None:
    rng = np.random.default_rng(min_hits)
    n = 600
    r = np.where(rng.random(n) < 0.5, 2.0 + rng.normal(0, 0.002, n), rng.uniform(0.2, 6.0, n))
    r[: n // 6] = 3.0 * (1.0 + rng.choice([0.0, 1e-12, 3e-8, 1e-6], n // 6))
    bearing = rng.uniform(-math.pi, math.pi, n)
    xyz = np.stack([r * np.cos(bearing), r * np.sin(bearing), np.zeros(n)], axis=1)
    check(xyz, layout, pick, min_hits, within)
    check(xyz.astype(np.float32), layout, pick, min_hits, within)


@pytest.mark.parametrize("pick", ["nearest", "farthest"])
@pytest.mark.parametrize("lone", [PATIENCE - 1, PATIENCE, PATIENCE + 1, PATIENCE + MOST_BEHIND + 3])
def test_many_lone_returns_before_the_one_in_company(pick: str, lone: int) -> None:
    # in front of a pair and behind it, each too far from the next; the pair is exactly `within` apart
    within = 2.0**-8
    r = np.concatenate([1.1 + 0.01 * np.arange(lone), [2.5, 2.5 + within], 3.0 + 0.01 * np.arange(lone)])
    xyz = np.stack([r, np.zeros_like(r), np.zeros_like(r)], axis=1)
    check(xyz, "full", pick, 2, within)
    check(xyz[::-1].copy(), "full", pick, 2, within)


@pytest.mark.parametrize(("apart", "accepted"), [(0.0, True), (1e-15, False), (-1e-15, True)])
def test_the_far_end_of_the_depth_is_inclusive(apart: float, accepted: bool) -> None:
    # 2 + 0.5 is exact; the next float64 beyond is out, whatever float32 makes of it
    xyz = np.array([[2.0, 0.0, 0.0], [2.5 + apart, 0.0, 0.0]])
    scan = flattener("part", "nearest", 2, 0.5).flatten(xyz)["drive"]
    assert (scan.states[2] == State.HIT) == accepted


@pytest.mark.parametrize("far", [3.0, 25.0])
@pytest.mark.parametrize("lone", [0, 1, 40])
def test_a_return_that_is_not_accepted_denies_clear(far: float, lone: int) -> None:
    # two accepted returns beyond the reach, as far as each other; a lone one behind them may be dust
    band = {"bottom": -1.0, "top": 1.0, "min_hits": 2, "within": 0.1}
    clear = {"smallest": 2.0, "from": 0.5, "to": 2.0}
    reach = {"near": 0.1, "far": far}
    profile = make_profile(mount={}, slices={"drive": band}, fan={"bins": 8}, reach=reach, clear=clear)
    r = np.concatenate([[3.5, 3.5], 5.0 + np.arange(lone)])
    xyz = np.stack([r, 0.4 * r, np.zeros_like(r)], axis=1)
    scan = Flattener(profile).flatten(xyz)["drive"]
    expected = State.HIT if far > 4.0 else State.UNSEEN if lone else State.CLEAR
    assert scan.states[4] == expected


@pytest.mark.parametrize("pick", ["nearest", "farthest"])
@pytest.mark.parametrize("bins", [1, 720])
def test_no_cloud_takes_more_than_sorting_it(pick: str, bins: int) -> None:
    # every return in one bin, none in company, and nearer to its neighbours than float32 can tell
    n = 100_000
    r = 2.0 + 1e-11 * np.arange(n)
    xyz = np.stack([r, np.full(n, 0.01), np.zeros(n)], axis=1)
    band = {"bottom": -1.0, "top": 1.0, "pick": pick, "min_hits": 1000, "within": 1e-9}
    profile = make_profile(mount={}, slices={"drive": band}, fan={"bins": bins}, clear=False)
    scan = Flattener(profile).flatten(np.random.default_rng(1).permutation(xyz))["drive"]
    assert (scan.states == State.UNSEEN).all() and scan.hits.sum() == n
