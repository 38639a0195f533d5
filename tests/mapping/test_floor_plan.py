"""A registered cloud to a floor plan: floors that slope, roofs, what hangs, stray points."""

from __future__ import annotations

import numpy as np
import pytest

from flatten import Cloud, MapError
from flatten.mapping import floor_plan
from flatten.mapping.floor_plan import find_floor, flatten_plan


def hall(slope: float = 0.0, ground: float = 0.0, seed: int = 0) -> np.ndarray:
    """20 m × 12 m with walls of 3 m, a roof, a table and a pipe overhead, z = ground + slope·x: (N, 3)."""
    rng = np.random.default_rng(seed)

    def spread(n: int, x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> np.ndarray:
        return np.stack([rng.uniform(*side, n) for side in (x, y, z)], axis=1)

    floor = spread(60_000, (0, 20), (0, 12), (0, 0))
    under_table = (np.abs(floor[:, 0] - 10) < 1) & (np.abs(floor[:, 1] - 6) < 0.5)
    walls = [
        spread(20_000, (0, 20), (12, 12), (0, 3)), spread(20_000, (0, 20), (0, 0), (0, 3)),
        spread(12_000, (0, 0), (0, 12), (0, 3)), spread(12_000, (20, 20), (0, 12), (0, 3)),
    ]  # fmt: skip
    table = spread(2_000, (9, 11), (5.5, 6.5), (0.75, 0.75))
    pipe = spread(1_000, (2, 18), (3.0, 3.1), (2.0, 2.1))
    roof = spread(30_000, (0, 20), (0, 12), (3, 3))
    xyz = np.concatenate([floor[~under_table], *walls, table, pipe, roof])
    xyz[:, 2] += ground + slope * xyz[:, 0] + rng.normal(0.0, 0.01, len(xyz))
    return xyz


@pytest.mark.parametrize(("slope", "ground"), [(0.0, 0.0), (0.1, 40.0), (-0.05, -3.0)])
def test_the_floor_is_found_and_the_plan_is_that_of_the_slice(slope: float, ground: float) -> None:
    cloud = Cloud.from_array(hall(slope, ground))
    floor = find_floor(cloud)
    x, y = np.meshgrid(np.arange(1.0, 19.0), np.arange(1.0, 11.0))
    off = floor.at(x.ravel(), y.ravel()) - (ground + slope * x.ravel())
    assert np.abs(off).max() < 0.06  # a layer of 5 cm, and its middle over a square that slopes
    made = flatten_plan(cloud, 0.1, 1.8, floor, cell=0.1, name="drive")

    def at(px: float, py: float) -> str:
        cell = np.floor(np.array([px, py]) / 0.1).astype(int) - made.corner
        place = (int(cell[1]), int(cell[0]))
        return "occupied" if made.occupied[place] else "free" if made.free[place] else "unseen"

    kinds = {at(x, y) for x in np.arange(9.25, 10.8, 0.1) for y in np.arange(5.75, 6.3, 0.1)}
    assert "free" not in kinds and "occupied" in kinds  # the table, however thin its points lie
    assert at(5.05, 12.0) == at(0.0, 4.05) == "occupied"
    under = [at(x, 3.05) for x in np.arange(3.05, 17.0, 0.5)]
    assert under.count("free") > 0.8 * len(under) and "occupied" not in under  # it hangs above the slice
    floors = [at(x, y) for x in np.arange(1.05, 8.0, 0.7) for y in np.arange(5.05, 11.0, 0.7)]
    assert "occupied" not in floors and floors.count("free") > 0.8 * len(floors)


def test_a_given_floor_is_taken_as_it_is() -> None:
    cloud = Cloud.from_array(hall(0.0, 2.0))
    found, given = flatten_plan(cloud, 0.1, 1.8, find_floor(cloud)), flatten_plan(cloud, 0.1, 1.8, 2.0)
    assert (found.occupied == given.occupied).mean() > 0.999
    assert not flatten_plan(cloud, 0.1, 1.0, 100.0).seen.any()


def test_points_below_the_floor_and_bad_ones_do_not_move_it() -> None:
    xyz = hall()
    rng = np.random.default_rng(1)
    ghosts = np.column_stack([rng.uniform(0, 20, 200), rng.uniform(0, 12, 200), rng.uniform(-4, -1, 200)])
    bad = np.array([[np.nan, 1, 1], [np.inf, 0, 0], [1e30, 0, 0]])
    floor = find_floor(Cloud.from_array(np.concatenate([ghosts, xyz, bad]).astype(">f8")))
    assert np.abs(floor.heights[1:11, 1:19]).max() < 0.05


def test_squares_without_floor_take_that_of_their_neighbours() -> None:
    xyz = hall(0.1)
    hole = (np.abs(xyz[:, 0] - 10) < 3) & (np.abs(xyz[:, 1] - 6) < 3) & (xyz[:, 2] < 0.1 * xyz[:, 0] + 2.9)
    floor = find_floor(Cloud.from_array(xyz[~hole]))
    assert not floor.own[6, 10] and floor.own[1, 1]
    assert abs(float(floor.at(np.array([10.5]), np.array([6.5]))[0]) - 1.05) < 0.2
    assert "floor found in" in floor.words()


def test_what_makes_no_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    empty = Cloud.from_array(np.empty((0, 3)), "empty.pcd")
    few = Cloud.from_array(np.random.default_rng(0).uniform(0, 50, (40, 3)), "few.pcd")
    stray = Cloud.from_array(np.concatenate([hall(), [[5e6, 0, 0]]]), "stray.pcd")
    with pytest.raises(MapError, match=r"empty\.pcd: has no points"):
        find_floor(empty)
    with pytest.raises(MapError, match=r"few\.pcd: no floor"):
        find_floor(few)
    with pytest.raises(MapError, match=r"5,000,00\d m × 1\d m: .* the most is 100,000,000"):
        flatten_plan(stray, 0.1, 1.0, 0.0)
    with pytest.raises(MapError, match="wanted bottom below top"):
        flatten_plan(few, 1.0, 1.0, 0.0)
    monkeypatch.setattr(floor_plan, "BLOCK", 1000)
    whole = flatten_plan(Cloud.from_array(hall()), 0.1, 1.0, 0.0)
    monkeypatch.undo()
    np.testing.assert_array_equal(
        whole.log_odds, flatten_plan(Cloud.from_array(hall()), 0.1, 1.0, 0.0).log_odds
    )
