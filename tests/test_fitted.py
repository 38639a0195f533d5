"""The fitted floor as it is handed out."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from flatten.fitted import FittedFloor
from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.scan import Kind
from tests.test_rough import ROVER, dock, flat, ramp, seen


def plane(first: float = -math.pi, bins: int = 8, cells: int = 5, step: float | None = None) -> FittedFloor:
    """Heights that say of themselves which bin and cell they are of: 10 · bin + cell."""
    heights = (10.0 * np.arange(bins)[:, None] + np.arange(cells + 1)).astype(np.float32)
    known = np.zeros((bins, cells), bool)
    known[:, 1] = True
    drops = np.full(bins, np.inf, np.float32)
    width = 2 * math.pi / bins if step is None else step
    return FittedFloor(first, width, 0.5, heights, known, drops, 0.0, (0.0, 0.0), 0)


def test_heights_are_straight_between_whole_cells_and_the_same_across_a_bin() -> None:
    floor = plane()
    for bearing in (-3.1, -2.4):  # both in bin 0, which begins at −180° and ends at −135°
        distance = np.array([0.01, 0.25, 0.5, 1.6, 2.5])
        x, y = distance * math.cos(bearing), distance * math.sin(bearing)
        np.testing.assert_allclose(floor.at(x, y), distance / 0.5, atol=1e-12)


def test_known_are_the_cells_that_say_so() -> None:
    floor, distance = plane(), np.array([0.4, 0.6, 0.9, 1.1])
    np.testing.assert_array_equal(floor.is_known(distance, 0.0), [False, True, True, False])
    assert floor.is_seen


def test_outside_the_fan_and_beyond_the_table_there_is_no_floor() -> None:
    half = plane(first=-math.pi / 2, bins=8, step=math.pi / 8)  # the front half
    assert np.isnan(half.at(-1.0, 0.1)) and not half.is_known(-0.6, 0.1)
    assert np.isfinite(half.at(1.0, 0.1)) and np.isnan(half.at(2.51, 0.0))
    assert np.isfinite(half.at([1.0, 0.0], [-2.2, 2.4])).all()


def test_of_level_profiles_there_is_none() -> None:
    assert (
        Flattener(
            Profile.from_dict({**ROVER, "level": "gravity", "slices": {"a": {"bottom": 0.1, "top": 1.0}}})
        ).floor
        is None
    )


def test_a_ramp_is_where_it_is_and_is_a_copy() -> None:
    """A ramp of 5° from 2 m on; noise-free returns: within 3 cm of the surface where the floor is known."""
    ground, flattener = ramp(5.0), Flattener(Profile.from_dict(ROVER))
    flattener.flatten(seen(ground))
    floor = flattener.floor
    assert floor is not None and floor.is_seen and floor.returns > 1000 and floor.doubt == ""
    x = np.linspace(0.8, 4.0, 200)
    known = floor.is_known(x, 0.0 * x)
    assert known.mean() > 0.9
    off = floor.at(x, 0.0 * x)[known] - ground(x[known], 0.0 * x[known])
    assert np.abs(off).max() < 0.03
    kept = floor.heights.copy()
    flattener.flatten(seen(dock))
    np.testing.assert_array_equal(floor.heights, kept)


def test_edges_are_those_of_the_scan() -> None:
    flattener = Flattener(Profile.from_dict(ROVER))
    scan = flattener.flatten(seen(dock))["drive"]
    floor = flattener.floor
    assert floor is not None and scan.kinds is not None and scan.ranges is not None
    told = scan.kinds == Kind.DROP
    assert told.any()
    np.testing.assert_array_equal(floor.drops[told], scan.ranges[told])


def test_the_health_looks_at_floors_that_were_seen_only() -> None:
    """Of frames without a floor the watch knows no height, and not a height of 0."""
    flattener = Flattener(Profile.from_dict(ROVER))
    for _ in range(FRAMES):
        flattener.flatten(NOTHING["sky only"])
    assert flattener.health.floor_height is None and flattener.health.floor_tilt is None
    level = seen(flat)
    for _ in range(FRAMES):
        flattener.flatten(level)
    assert flattener.health.floor_height == pytest.approx(0.0, abs=0.02)


FRAMES = 30
"""As many as the health looks at before it says anything."""

NOTHING: dict[str, Any] = {
    "no returns": np.empty((0, 3)),
    "sky only": np.array([[5.0, 0.1 * k, 3.0] for k in range(-50, 50)]),
    "no number at all": np.full((100, 3), np.nan),
}


@pytest.mark.parametrize("cloud", NOTHING.values(), ids=NOTHING)
def test_where_no_floor_is_seen_it_says_so(cloud: Any) -> None:
    """No return on any floor: nothing of it is known, nothing is CLEAR, nothing breaks."""
    flattener = Flattener(Profile.from_dict(ROVER))
    scan = flattener.flatten(cloud)["drive"]
    floor = flattener.floor
    assert floor is not None and floor.returns == 0 and scan.counts.floor == 0
    assert np.isfinite(floor.heights).all() and "no floor was seen" in floor.doubt
    assert scan.clear_to is not None and not np.any(scan.clear_to > 3.0)
