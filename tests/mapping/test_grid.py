"""The grid: what each bin says to it, how it grows, where it refuses."""

from __future__ import annotations

import math
import tracemalloc
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import MapError, Scan, State
from flatten.mapping import Bare, Beams, Grid, Odds, bare_beams, beams_of_scan
from flatten.scan import Counts

NOWHERE = SimpleNamespace(x=0.0, y=0.0)


def beam(hit: float, begin: float, end: float, place: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Beams:
    """One beam along the scan's x axis."""
    return Beams(0, place, np.zeros(1), np.array([hit]), np.array([begin]), np.array([end]))


def scan_of(state: State, **changed: Any) -> Scan:
    """One bin about the x axis, 4 m away, witnessed from 1 m to 3 m."""
    value = {State.HIT: 4.0, State.CLEAR: np.inf, State.TOO_NEAR: -np.inf}.get(state, np.nan)
    parts: dict[str, Any] = {
        "ranges": np.array([value], np.float32), "states": np.array([state], np.uint8),
        "clear_from": np.array([1.0], np.float32), "clear_to": np.array([3.0], np.float32),
    }  # fmt: skip
    return Scan("a", -0.001, 0.002, 1, 0.3, 25.0, Counts(1, 0, 0, 1), **{**parts, **changed})


@pytest.mark.parametrize(
    ("state", "occupied", "freed"),
    [
        (State.HIT, 1, 19),
        (State.CLEAR, 0, 19),
        (State.TOO_NEAR, 0, 0),
        (State.UNSEEN, 0, 0),
        (State.BLOCKED, 0, 0),
    ],
)
def test_each_state_says_what_it_says(state: State, occupied: int, freed: int) -> None:
    """A stretch of 1 m to 3 m is twenty cells of 0.1 m, from border to border; its first one is not freed."""
    grid = Grid(0.1)
    grid.enter(beams_of_scan(scan_of(state), (0.0, 0.05, 0.0), NOWHERE))
    assert (grid.counted.hits, grid.counted.freed) == (occupied, freed)


def test_a_scan_is_placed_by_its_mount() -> None:
    mount = SimpleNamespace(x=0.5, y=-0.2)
    told = beams_of_scan(scan_of(State.HIT), (2.0, 1.0, math.pi / 2), mount)
    np.testing.assert_allclose(told.place, (2.2, 1.5, math.pi / 2), atol=1e-12)
    np.testing.assert_allclose(told.ends(), [[2.2, 5.5]], atol=1e-6)  # float32 range
    with pytest.raises(MapError, match="no ranges"):
        beams_of_scan(scan_of(State.HIT, ranges=None), (0.0, 0.0, 0.0), mount)


def test_bare_ranges_free_as_the_user_says() -> None:
    """REP 117: NaN and −inf free nothing; a range outside of the reach is none; both ends are inside."""
    ranges = [1.0, 0.5, 5.0, 0.4, 5.1, np.nan, np.inf, -np.inf]
    for bare, to in (
        (Bare.NOTHING, [0.0] * 8),
        (Bare.HITS, [1.0, 0.5, 5.0, 0, 0, 0, 0, 0]),
        (Bare.ALL, [1.0, 0.5, 5.0, 0, 0, 0, 5.0, 0]),
    ):
        told = bare_beams(ranges, np.zeros(8), (0.5, 5.0), (0.0, 0.0, 0.0), bare=bare)
        np.testing.assert_array_equal(told.free_to, to)
        np.testing.assert_array_equal(told.hits, [1.0, 0.5, 5.0, *[np.nan] * 5])
    endless = bare_beams([np.inf], np.zeros(1), (0.1, math.inf), (0.0, 0.0, 0.0), bare=Bare.ALL)
    assert endless.free_to[0] == 0.0
    without = scan_of(State.HIT, states=None)
    assert beams_of_scan(without, (0.0, 0.0, 0.0), NOWHERE, bare=Bare.NOTHING).free_to[0] == 0.0


def test_the_lattice_is_that_of_the_frame() -> None:
    """Cell (0, 0) has its lower left corner at the origin, on either side of it."""
    grid = Grid(0.1)
    for x, y in ((0.05, 0.05), (-0.05, -0.05), (-7.35, 12.05)):
        grid.enter(beam(0.0, 0.0, 0.0, (x, y, 0.0)))
    made = grid.finish("a", "map")
    assert made.corner == (-74, -1) and made.shape == (122, 75)
    np.testing.assert_allclose(made.extent, (-7.4, 0.1, -0.1, 12.1), atol=1e-12)
    found = np.argwhere(made.occupied)[:, ::-1] + made.corner
    assert sorted(map(tuple, found.tolist())) == [(-74, 120), (-1, -1), (0, 0)]
    assert int(made.seen.sum()) == 3 and made.frame == "map"


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_the_way_a_map_grows_changes_nothing(seed: int) -> None:
    """Scans all about, in two orders, and a map that has the room from the start: the same cells.

    Hits and passages that never meet the bounds commute; three scans stay within them.
    """
    rng = np.random.default_rng(seed)
    scans = []
    for _ in range(3):
        place = (*rng.uniform(-30.0, 30.0, 2), rng.uniform(-3.0, 3.0))
        hits = rng.uniform(0.5, 9.0, 20)
        scans.append(Beams(0, place, rng.uniform(-3.0, 3.0, 20), hits, 0.3 * hits, 0.9 * hits))
    odds = Odds(least=0.01, most=0.99)
    one, other = Grid(0.2, odds), Grid(0.2, odds)
    for scan in scans:
        one.enter(scan)
    for scan in scans[::-1]:
        other.enter(scan)
    a, b = one.finish(), other.finish()
    assert a.corner == b.corner
    np.testing.assert_allclose(a.log_odds, b.log_odds, atol=1e-5)  # float32 sums in another order


def test_too_far_off_is_told_and_changes_nothing() -> None:
    grid = Grid(0.05, most_cells=1_000_000)
    grid.enter(beam(2.0, 0.5, 2.0))
    before = grid.finish().log_odds
    for place, words in (
        ((1e9, 0.0, 0.0), "more than 1.07e\\+08 m from the origin"),
        (
            (200.0, 200.0, 0.0),
            r"would make the map 20\d m × 20\d m: .* cells of 0.05 m, and the most is 1,000,000",
        ),
        ((math.nan, 0.0, 0.0), "wanted finite"),
        ((0.0, 0.0, math.inf), "wanted finite"),
    ):
        with pytest.raises(MapError, match=words):
            grid.enter(beam(2.0, 0.5, 2.0, place))
    with pytest.raises(MapError, match="more than"):
        grid.enter(beam(1e30, 0.0, 0.0))
    np.testing.assert_array_equal(grid.finish().log_odds, before)
    assert grid.counted.scans == 1


def test_far_from_the_origin_it_is_the_same_map() -> None:
    """Coordinates of a survey, 500 km off: cells are told apart to a millionth of a cell there."""
    for at in (0.0, 500_000.0):
        grid = Grid(0.1)
        grid.enter(beam(4.02, 1.0, 4.02, (at + 0.03, 0.05, 0.0)))
        made = grid.finish()
        assert int(made.occupied.sum()) == 1 and grid.counted.freed == 29
        assert made.corner[0] * 0.1 == pytest.approx(at + 1.1)  # 1.03 lies in the cell that is not freed


def test_memory_goes_by_what_was_met() -> None:
    """Two looks 100 m apart: tiles of both and nothing between them."""
    grid = Grid(0.05)
    tracemalloc.start()
    for x in (0.0, 100.0):
        grid.enter(beam(2.0, 0.5, 2.0, (x, 0.0, 0.0)))
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert grid.tiles <= 8 and held < 500_000


def test_beams_that_say_nonsense_say_nothing() -> None:
    grid = Grid(0.1)
    bad = np.array([np.nan, -1.0, np.inf, 2.0, -3.0, 1.0])
    worse = np.array([3.0, 2.0, np.inf, np.inf, 1.0, np.nan])
    grid.enter(Beams(0, (0.0, 0.0, 0.0), np.zeros(6), -np.abs(bad), bad, worse))
    assert (grid.counted.hits, grid.counted.freed) == (0, 0)
    with pytest.raises(MapError, match="nothing was seen"):
        grid.finish()
    with pytest.raises(MapError, match="wanted one, "):
        grid.enter(beam(1.0, 0.0, 1.0)._replace(hits=np.zeros(2)))
    with pytest.raises(MapError, match="bearing is not finite"):
        grid.enter(beam(1.0, 0.0, 1.0)._replace(bearings=np.array([np.nan])))
    odd = beam(1.0, 0.2, 1.0)._replace(hits=np.array([1.0], ">f4"), free_to=np.array([9.0, 0.8, 9.0])[1:2])
    grid.enter(odd)
    assert grid.counted.hits == 1 and grid.counted.freed > 3


@pytest.mark.parametrize(
    "odds",
    [
        {"hit": 0.5},
        {"free": 0.5},
        {"least": 0.4},
        {"most": 0.6},
        {"is_free": 0.5},
        {"hit": math.nan},
        {"most": 1.0},
    ],
)
def test_odds_that_make_no_sense(odds: dict[str, float]) -> None:
    with pytest.raises(MapError, match="odds"):
        Grid(odds=Odds(**odds))


@pytest.mark.parametrize("cell", [0.0, -1.0, math.nan, 100.0])
def test_cells_that_make_no_sense(cell: float) -> None:
    with pytest.raises(MapError, match="cell"):
        Grid(cell)
