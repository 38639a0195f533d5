"""The kernels against their slow twin, and what must not change the answer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import Flattener, Profile, State, frames
from tests.conftest import assert_scans_equal, make_profile
from tests.twin import TwinScan, twin

ZONES: list[dict[str, Any]] = [
    {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [0.0, 0.9]}},
    {"name": "mast", "sector": {"first": 170, "last": -170, "far": 0.6, "z": [0.0, 1.8]}},
    {"name": "tail", "sector": {"first": 20, "last": -20, "near": 3.0, "far": 3.5}},
    {"name": "lamp", "cylinder": {"x": 1.4, "y": 0.3, "radius": 0.3, "z": [0.5, 1.1]}},
]

PROFILES: dict[str, Profile] = {
    "plain": make_profile(fan={"bins": 180}),
    "all": make_profile(
        slices={
            "drive": {"bottom": 0.08, "top": 0.95, "min_hits": 2, "within": 0.5},
            "walls": {
                "bottom": 0.5,
                "top": 1.8,
                "pick": "farthest",
                "min_hits": 3,
                "within": 1.0,
                "rise": 0.01,
            },
            "far": {"bottom": -0.5, "top": 0.3, "pick": "farthest"},
            "low": {"bottom": -1.0, "top": 0.1, "rise": 0.05},
        },
        mount={"x": 0.34, "y": -0.09, "z": 0.61, "roll": 175.0, "pitch": 12.0, "yaw": 30.0},
        fan={"bins": 120},
        blind_zones=ZONES,
    ),
    "rear": make_profile(fan={"first": 90, "last": 270, "bins": 61}, blind_zones=ZONES),
    "front": make_profile(
        slices={"drive": {"bottom": 0.0, "top": 0.5, "min_hits": 2}},
        fan={"first": -35, "last": 50, "bins": 40},
    ),
    "one bin": make_profile(
        slices={"drive": {"bottom": 0.0, "top": 0.5, "min_hits": 2}},
        fan={"bins": 1},
        clear={"from": 3.0, "to": 4.0},
    ),
    "two bins": make_profile(slices={"drive": {"bottom": 0.0, "top": 0.5, "min_hits": 3}}, fan={"bins": 2}),
    "no clear": make_profile(clear=False, fan={"bins": 90}),
    "eager clear": make_profile(clear={"smallest": 3.0, "from": 2.0, "to": 2.5}, fan={"bins": 36}),
}
FLATTENERS = {name: Flattener(profile) for name, profile in PROFILES.items()}

# round numbers fall on edges of bins, slices, zones and the reach; odd ones do not
coordinate = st.one_of(
    st.sampled_from(
        [0.0, -0.0, 0.3, 0.5, -0.5, 0.61, 1.0, -1.0, 2.0, 5.0, 25.0, -25.0, 1e-30, 1e30, np.nan, np.inf]
    ),
    st.floats(-8, 8, width=32),
    st.floats(-1, 1, width=32),
)
clouds = st.lists(st.tuples(coordinate, coordinate, coordinate), max_size=40).map(
    lambda rows: np.array(rows, np.float64).reshape(-1, 3)
)
attitudes = st.one_of(st.none(), st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3)))
names = st.sampled_from(sorted(PROFILES))


def assert_says_what_the_twin_says(scan: Any, truth: TwinScan, exact_clear: bool) -> None:
    sure = ~truth.unsure
    np.testing.assert_array_equal(scan.hits[sure], truth.hits[sure])
    same_state = scan.states == truth.states
    if (
        not exact_clear
    ):  # off the axis the kernel rounds what is witnessed to the safe side: CLEAR may be missing
        same_state |= (truth.states == State.CLEAR) & np.isin(scan.states, (State.UNSEEN, State.BLOCKED))
    assert same_state[sure].all()
    hit = sure & (scan.states == State.HIT)
    # the twin adds in another order: one rounding of float32 may differ
    np.testing.assert_array_max_ulp(scan.ranges[hit], truth.ranges[hit].astype(np.float32), 1)
    np.testing.assert_allclose(scan.heights[hit], truth.heights[hit], rtol=2e-7, atol=1e-6)
    told = sure & (scan.clear_to > 0)
    assert (scan.clear_from[told] >= truth.clear_from[told] * (1 - 1e-6)).all()
    assert (scan.clear_to[told] <= truth.clear_to[told] * (1 + 1e-6)).all()
    if exact_clear:
        np.testing.assert_allclose(scan.clear_to[sure], truth.clear_to[sure], rtol=2e-7)
        np.testing.assert_allclose(scan.clear_from[sure], truth.clear_from[sure], rtol=2e-7)


@given(clouds, names, attitudes)
def test_adversarial_clouds_against_the_twin(xyz: np.ndarray, name: str, attitude: Any) -> None:
    scans = FLATTENERS[name].flatten(xyz, attitude)
    for key, truth in twin(xyz, PROFILES[name], attitude, samples=3 if attitude is None else 9).items():
        assert_says_what_the_twin_says(scans[key], truth, exact_clear=attitude is None)


@pytest.mark.parametrize("name", sorted(PROFILES))
@pytest.mark.parametrize("attitude", [None, (0.05, -0.08)])
def test_thousands_of_returns_against_the_twin(name: str, attitude: Any) -> None:
    rng = np.random.default_rng(len(name))
    xyz = (rng.normal(size=(1500, 3)) * [5, 5, 0.7]).astype(np.float32)
    scans = FLATTENERS[name].flatten(xyz, attitude)
    for key, truth in twin(xyz, PROFILES[name], attitude, samples=3 if attitude is None else 9).items():
        assert truth.unsure.mean() < 0.1 or PROFILES[name].fan.bins < 40
        assert_says_what_the_twin_says(scans[key], truth, exact_clear=attitude is None)


@given(clouds, names, attitudes, st.randoms(use_true_random=False))
def test_order_changes_nothing(xyz: np.ndarray, name: str, attitude: Any, random: Any) -> None:
    order = list(range(len(xyz)))
    random.shuffle(order)
    one, other = FLATTENERS[name].flatten(xyz, attitude), FLATTENERS[name].flatten(xyz[order], attitude)
    for key in one:
        for field in ("ranges", "states", "hits", "clear_from", "clear_to"):
            np.testing.assert_array_equal(getattr(one[key], field), getattr(other[key], field))


@given(clouds, clouds, attitudes)
def test_more_returns_never_lengthen_a_nearest_range(
    xyz: np.ndarray, more: np.ndarray, attitude: Any
) -> None:
    flattener = FLATTENERS["plain"]
    few, many = (flattener.flatten(c, attitude)["drive"] for c in (xyz, np.concatenate([xyz, more])))
    was_hit = few.states == State.HIT
    assert np.isin(many.states[was_hit], (State.HIT, State.TOO_NEAR)).all()
    assert (many.ranges[was_hit] <= few.ranges[was_hit]).all()
    assert (many.hits >= few.hits).all()


@given(clouds, st.integers(1, 35))
def test_turning_the_cloud_by_whole_bins_turns_the_scan(xyz: np.ndarray, k: int) -> None:
    # a sensor above the body's centre that stands level, whose own yaw turns everything it sees
    xyz = xyz[np.isfinite(xyz).all(axis=1) & (np.abs(xyz) < 1e6).all(axis=1)] + [1e-3, 2e-3, 0.0]
    one, other = (
        Flattener(make_profile(mount={"z": 0.61, "yaw": yaw}, fan={"bins": 36})).flatten(xyz)["drive"]
        for yaw in (0.0, 10.0 * k if k <= 18 else 10.0 * k - 360.0)
    )
    sure = ~twin(xyz, make_profile(mount={"z": 0.61}, fan={"bins": 36}))["drive"].unsure
    for field in ("states", "hits"):
        turned = np.roll(getattr(other, field), -k)
        np.testing.assert_array_equal(turned[sure], getattr(one, field)[sure])
    np.testing.assert_allclose(np.roll(other.ranges, -k)[sure], one.ranges[sure], rtol=1e-6)


@given(clouds, attitudes)
def test_a_tilted_body_in_its_true_attitude_gives_the_level_bodys_scan(
    xyz: np.ndarray, attitude: Any
) -> None:
    # the sensor at the body's origin, which the attitude leaves in its place
    xyz = xyz[np.isfinite(xyz).all(axis=1) & (np.abs(xyz) < 100).all(axis=1)]
    profile = make_profile(mount={}, fan={"bins": 36}, slices={"drive": {"bottom": -0.4, "top": 0.9}})
    flattener = Flattener(profile)
    turn = frames.level_from_body(*(attitude or (0.0, 0.0)))[:3, :3]
    level, tilted = flattener.flatten(xyz)["drive"], flattener.flatten(xyz @ turn, attitude)["drive"]
    sure = ~twin(xyz, profile)["drive"].unsure
    np.testing.assert_array_equal(level.hits[sure], tilted.hits[sure])
    hit = sure & (level.states == State.HIT)
    np.testing.assert_allclose(level.ranges[hit], tilted.ranges[hit], rtol=1e-6)


def test_many_blocks_are_one_pass() -> None:
    rng = np.random.default_rng(8)
    xyz = rng.normal(size=(5000, 3)) * [5, 5, 0.7]
    flattener = FLATTENERS["all"]
    whole = flattener.flatten(xyz)
    assert_scans_equal(whole, flattener.flatten(np.concatenate([xyz, np.full((3000, 3), np.nan)])))
