"""Ways down over ground of closed form: what is told, and what must not be."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from flatten.cloud import as_cloud
from flatten.floor import Floor
from flatten.frames import level_from_body
from flatten.returns import lay_out
from tests.test_floor import BINS, PLAN, STEP, Values, cloud_of, look, new_floor

STILL = np.eye(4)
BEARINGS = np.radians((np.arange(BINS) + 0.5) * 360.0 / BINS - 180.0)

Flags = npt.NDArray[np.bool_]


def frames(floor: Floor, clouds: list[Values], moved: Values = STILL, elapsed: float = 0.1) -> Values:
    """Distances (BINS,) of the edges told after these clouds, level axes at TOP above the floor."""
    for points in clouds:
        returns, owners = lay_out(as_cloud(cloud_of(points)))
        floor.fit(returns, PLAN.frame(None), moved, elapsed)
        del owners
    return floor.drop_distances.astype(float)


def ahead(degrees: float) -> Flags:
    return np.abs(BEARINGS) < math.radians(degrees)


@pytest.mark.parametrize("depth", [0.3, 0.9])
@pytest.mark.parametrize("where", [1.5, 2.0, 2.5])
def test_a_dock_edge_is_told_within_five_frames(where: float, depth: float) -> None:
    """Farther off, at ±20° 3.1 m, 0.3 m may as well be floor that bends by 12° where it is not seen."""
    clouds = [look(lambda x, y: np.where(x > where, -depth, 0.0), seed) for seed in range(5)]
    found = frames(new_floor(), clouds)
    edge = where / np.cos(BEARINGS)
    there = ahead(20.0)
    right = np.isfinite(found) & (found > edge - 0.5) & (found < edge + 0.15)  # a sector's width, noise
    assert right[there].mean() >= 0.95
    assert not np.isfinite(found[~ahead(85.0)]).any()


def test_a_crest_is_no_edge() -> None:
    """Floor that falls by 5° or 10° from 2.5 m on: seen late, but not later than a bend explains."""
    for degrees in (5.0, 10.0):
        fall = math.tan(math.radians(degrees))
        clouds = [look(lambda x, y, g=fall: -np.maximum(x - 2.5, 0.0) * g, seed) for seed in range(5)]
        assert not np.isfinite(frames(new_floor(), clouds)).any()


def test_floor_that_falls_in_the_shadow_of_something_low_is_no_edge() -> None:
    """Behind a beam 15 cm high, 2.5 m off, floor is hidden for 0.7 m, where it begins to fall by 10°."""
    fall = math.tan(math.radians(10.0))

    def height(x: Values, y: Values) -> Values:
        beam = (x > 2.5) & (x < 2.6) & (np.abs(y) < 1.0)
        return np.where(beam, 0.15, -np.maximum(x - 2.6, 0.0) * fall)

    found = frames(new_floor(), [look(height, seed) for seed in range(5)])
    assert not np.isfinite(found).any()


def test_an_edge_that_is_not_seen_any_more_is_held_and_moves_along() -> None:
    """0.6 m on, what was 2 m ahead is 1.4 m ahead; two seconds later nobody knows."""
    dock = [look(lambda x, y: np.where(x > 2.0, -0.6, 0.0), seed) for seed in range(3)]
    near = [points[points[:, 0] < 0.9] - [0.6, 0.0, 0.0] for points in dock]
    floor = new_floor()
    frames(floor, dock)
    moved = STILL.copy()
    moved[0, 3] = -0.6
    found = frames(floor, near[:1], moved)
    assert np.isfinite(found[ahead(20.0)]).mean() > 0.95
    there = ahead(20.0) & np.isfinite(found)
    off = found[there] * np.cos(BEARINGS[there]) - 1.4
    assert np.all((off > -0.5) & (off < 0.2))
    assert not np.isfinite(frames(floor, near[1:2], STILL, 2.0)).any()


def test_an_edge_is_given_up_where_floor_is_seen_behind_it() -> None:
    floor = new_floor()
    frames(floor, [look(lambda x, y: np.where(x > 2.0, -0.6, 0.0), seed) for seed in range(2)])
    found = frames(floor, [look(lambda x, y: 0.0 * x, seed) for seed in range(5)])
    assert not np.isfinite(found).any()


def test_the_hull_of_a_body_that_leans_is_no_floor() -> None:
    """Nose up by 10°, a hull 0.5 m high leans 9 cm out over its own rear (0.5 · sin 10°)."""
    floor = new_floor()
    attitude = (0.0, math.radians(-10.0))
    hull = np.array([[-0.58, y, z] for y in np.linspace(-0.38, 0.38, 40) for z in (0.3, 0.4, 0.5)])
    leaning = hull @ level_from_body(*attitude)[:3, :3].T
    points = np.concatenate([look(lambda x, y: 0.0 * x), leaning])
    returns, owners = lay_out(as_cloud(cloud_of(points)))
    ground = floor.fit(returns, PLAN.frame(None), attitude=attitude)
    del owners
    # the tracks' plane itself rises by 10° behind, until the floor is seen
    cells = slice(round(1.5 * ground.cells_per_metre), round(6.0 * ground.cells_per_metre))
    assert np.abs(ground.heights[:, cells]).max() < STEP
    assert not np.isfinite(floor.drop_distances).any()
