"""Figures of merit on maps that are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten import MapError
from flatten.mapping.comparing import difference, grown
from flatten.mapping.figures import entropy, figures, thickness
from flatten.mapping.grid import Counted
from flatten.occupancy import OccupancyMap


def made(values: list[list[float]], corner: tuple[int, int] = (0, 0), cell: float = 0.1) -> OccupancyMap:
    table = np.array(values, np.float32)
    return OccupancyMap("a", "odom", cell, corner, table, table < -1.0, -0.6, 0.6)


def test_thickness_is_the_shortest_way_through() -> None:
    mask = np.zeros((40, 40), bool)
    mask[5, 3:30] = True  # one cell thick
    assert set(thickness(mask)) == {1.0}
    mask = np.zeros((40, 40), bool)
    mask[5:8, 3:30] = True  # three, and at its ends less along a diagonal
    assert np.median(thickness(mask)) == 3.0 and thickness(mask).min() == math.sqrt(2.0)
    slanted = np.zeros((60, 60), bool)
    for k in range(50):
        slanted[5 + k // 2, 5 + k] = True  # a line of 1 : 2
    assert set(thickness(slanted)) == {1.0}
    diagonal = np.eye(20, dtype=bool)
    assert set(thickness(diagonal)) == {1.0}
    assert thickness(np.zeros((3, 3), bool)).size == 0


def test_entropy_by_hand() -> None:
    """Shannon 1948: a half is one bit, 0.11 is half a bit (0.49992), sure things are none."""
    assert entropy(np.array([0.5, np.nan], np.float32)) == pytest.approx(1.0)
    assert entropy(np.array([0.11], np.float32)) == pytest.approx(0.49992, abs=1e-5)
    assert entropy(np.array([0.0, 1.0], np.float32)) == pytest.approx(0.0, abs=1e-9)
    assert math.isnan(entropy(np.array([np.nan], np.float32)))


def test_shares_are_of_what_they_say() -> None:
    told = figures(made([[-2.0, -2.0, 1.0, np.nan], [-2.0, 0.0, 1.0, 1.0]]), Counted(9, 40, 4, 200, 1))
    assert (told.seen, told.occupied, told.free) == (7, 3, 3)
    assert told.cleared_then_occupied == 0.0 and told.hits_in_free == 0.1 and told.freed_occupied == 0.005
    back = OccupancyMap(
        "a", "odom", 0.1, (0, 0), np.array([[1.0, -2.0]], np.float32), np.array([[True, True]]), -0.6, 0.6
    )
    assert figures(back, Counted(1, 0, 0, 0, 0)).cleared_then_occupied == 0.5
    assert math.isnan(figures(back, Counted(1, 0, 0, 0, 0)).hits_in_free)


def test_two_maps_cell_by_cell() -> None:
    first = made([[1.0, -2.0, -2.0, -2.0, -2.0, 1.0]])
    second = made([[np.nan, 1.0, -2.0, -2.0, -2.0, -2.0, -2.0]], corner=(0, 0))
    found = difference(first, second)
    # the wall at 0 is at 1 in the second: within a cell; that at 5 is free there
    assert found is not None and tuple(found) == (5, 2, 1, 0)
    moved = difference(first, made([[-2.0, -2.0, -2.0]], corner=(4, 0)))
    assert moved is not None and tuple(moved) == (2, 0, 1, 0)
    assert difference(first, made([[1.0]], corner=(0, 5))) is None
    with pytest.raises(MapError, match=r"cells of 0\.1 m and of 0\.2 m"):
        difference(first, made([[1.0]], cell=0.2))


def test_growing_reaches_the_eight_cells_beside() -> None:
    mask = np.zeros((4, 5), bool)
    mask[0, 0] = mask[2, 3] = True
    assert grown(mask).sum() == 4 + 9
