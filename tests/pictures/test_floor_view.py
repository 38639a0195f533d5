"""The views of a fitted floor: what is drawn where."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flatten import Flattener, Profile
from flatten.fitted import FittedFloor
from flatten.pictures import draw_cut, draw_elevation, draw_floor_plan, draw_plan, save_picture, style
from tests.pictures import scratch
from tests.pictures.scratch import ORIGIN, artist, artists, axes, line_xy
from tests.test_cli import assert_is_a_picture

SLOPE = 0.2


@pytest.fixture(scope="module")
def taken() -> dict[str, Any]:
    """A yard that rises by 1 in 5 from 2 m ahead on, with a post on the slope."""
    rng = np.random.default_rng(5)
    bearing, r = rng.uniform(-math.pi, math.pi, 30_000), rng.uniform(0.5, 8.0, 30_000)
    x, y = ORIGIN[0] + r * np.cos(bearing), ORIGIN[1] + r * np.sin(bearing)
    ground = np.stack([x, y, rise(x)], axis=1)
    tall = rng.uniform(0.0, 0.6, 400)
    post = np.stack(
        [np.full(400, 4.0), rng.uniform(-0.15, -0.03, 400), rise(np.full(400, 4.0)) + tall], axis=1
    )
    cloud = scratch.seen(np.concatenate([ground, post]))
    profile = Profile.from_dict({**scratch.PROFILE, "level": "floor", "reach": {"near": 0.3, "far": 12.0}})
    flattener = Flattener(profile)
    scans = flattener.flatten(cloud)
    return {"cloud": cloud, "scans": scans, "profile": profile, "floor": flattener.floor}


def rise(x: np.ndarray) -> np.ndarray:
    return SLOPE * np.maximum(x - 2.0, 0.0)


def with_edge(floor: FittedFloor) -> FittedFloor:
    drops = np.full(len(floor.drops), np.inf, np.float32)
    drops[len(drops) // 2] = 3.0  # the bin that begins straight ahead
    return FittedFloor(**{**vars(floor), "drops": drops})


def test_from_above_heights_lie_where_they_are(taken: dict[str, Any]) -> None:
    on = axes()
    draw_floor_plan(on, taken["floor"], taken["profile"], None, extent=6.0)
    shown = artist(on, "heights").get_array()
    left, right, low, high = artist(on, "heights").get_extent()
    rows = low + (np.arange(shown.shape[0]) + 0.5) * (high - low) / shown.shape[0]
    columns = left + (np.arange(shown.shape[1]) + 0.5) * (right - left) / shown.shape[1]
    x, _ = np.meshgrid(rows, columns, indexing="ij")
    known = ~np.ma.getmaskarray(np.ma.masked_invalid(shown))
    assert known.mean() > 0.6
    off = np.abs(np.asarray(shown) - rise(x))[known]
    assert np.quantile(off, 0.99) < 0.05  # cells of 0.2 m cut the toe's corner by 1 in 5 of half of that
    assert on.get_xlim()[0] > on.get_xlim()[1] and on.get_ylim()[0] < on.get_ylim()[1]  # left is left


def test_edges_are_marked_in_both_views(taken: dict[str, Any]) -> None:
    floor = with_edge(taken["floor"])
    on = axes()
    draw_floor_plan(on, floor, taken["profile"], None, extent=6.0)
    np.testing.assert_allclose(line_xy(on, "edge"), [[ORIGIN[0] + 3.0, ORIGIN[1]]], atol=0.02)
    side = axes()
    draw_cut(side, taken["cloud"], taken["scans"], taken["profile"], None, floor, extent=6.0)
    (x,), (z,) = artist(side, "edge").get_data()
    assert x == pytest.approx(3.0, abs=0.01) and z == pytest.approx(rise(np.array(ORIGIN[0] + 3.0)), abs=0.04)


def test_the_cut_shows_floor_slices_and_hits_where_they_are(taken: dict[str, Any]) -> None:
    on = axes()
    draw_cut(on, taken["cloud"], taken["scans"], taken["profile"], None, taken["floor"], extent=6.0)
    x, z = artist(on, "floor").get_data()
    there = np.isfinite(z) & (x > 0.6) & (x < 6.0)
    assert there.sum() > 200
    assert np.abs(z - rise(x + ORIGIN[0]))[there].max() < 0.06
    x, z = artist(on, "HIT drive").get_data()
    assert len(x) and np.abs(x - (4.0 - ORIGIN[0])).max() < 0.1
    assert (z > rise(np.array(4.0)) + 0.05).all() and (z < rise(np.array(4.0)) + 0.65).all()
    low, high = artist(on, "band drive").get_paths()[0].vertices[:, 1].min(), on.get_ylim()[1]
    assert low < 0.1 < high


def test_side_and_plan_take_heights_from_the_floor(taken: dict[str, Any]) -> None:
    """Of a slope only the post is in the slice; without the floor the slope itself would be."""
    on = axes()
    draw_plan(
        on, taken["cloud"], taken["scans"], taken["profile"], None, "drive", extent=8.0, floor=taken["floor"]
    )
    inside = line_xy(on, "returns of the slice")
    assert len(inside) and np.abs(inside - (4.0, ORIGIN[1])).max() < 0.3
    side = axes()
    draw_elevation(
        side, taken["cloud"], taken["scans"], taken["profile"], None, extent=8.0, floor=taken["floor"]
    )
    z = artist(side, "returns").get_data()[1]
    assert np.mean(np.abs(z) < 0.05) > 0.9
    assert "fitted floor" in side.get_ylabel()


def test_a_floor_that_nobody_saw_is_all_hatched_and_says_so() -> None:
    profile = Profile.from_dict({**scratch.PROFILE, "level": "floor"})
    flattener = Flattener(profile)
    cloud = scratch.seen(np.array([[5.0, 0.1 * k, 3.0] for k in range(-20, 20)]))
    scans = flattener.flatten(cloud)
    assert flattener.floor is not None
    none = FittedFloor(**{**vars(flattener.floor), "known": np.zeros_like(flattener.floor.known)})
    on = axes()
    draw_floor_plan(on, none, profile, None)
    assert not artists(on, "heights")
    assert any("no floor was seen" in text.get_text() for text in on.texts)
    side = axes()
    draw_cut(side, cloud, scans, profile, None, none)
    assert np.isnan(artist(side, "floor").get_data()[1]).all()


@pytest.mark.parametrize("view", ["both", "plan", "elevation"])
def test_the_sheet_has_a_row_for_it(view: Any, taken: dict[str, Any], tmp_path: Path) -> None:
    parts = (taken["cloud"], taken["scans"], taken["profile"])
    path = save_picture(tmp_path / "floor.png", *parts, view=view, floor=with_edge(taken["floor"]))
    plain = save_picture(tmp_path / "plain.png", *parts, view=view)
    assert_is_a_picture(path)
    assert heights_of(path) > heights_of(plain) + 2.9 * 110  # the row's height at 110 dots an inch


def heights_of(path: Path) -> int:
    from PIL import Image

    return int(Image.open(path).size[1])


def test_shades_are_told_apart_in_grey() -> None:
    """Both ends are dark and the middle is light (WCAG relative luminance), and blue stands for below."""
    light = [luminance(colour) for colour in style.FLOOR_SHADES]
    middle = len(light) // 2
    assert light[:middle] == sorted(light[:middle]) and light[middle:] == sorted(light[middle:], reverse=True)
    assert light[middle] > 0.8 and max(light[0], light[-1]) < 0.1


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))
