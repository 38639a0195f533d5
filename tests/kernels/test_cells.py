"""One scan into the cells of a map: against the rule written out beam by beam and cell by cell."""

from __future__ import annotations

import hashlib
import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.kernels import cells
from flatten.mapping.grid import log_odds
from tests.command_line import environment

Numbers = Any
SIDE = cells.TILE
TOUCH = 1e-9
"""Cells: a run shorter than this is a corner that rounding decides, as is an end so near to a border."""


def marked(x: float, y: float, along: Numbers, hits: Numbers, begin: Numbers, end: Numbers) -> Numbers:
    sheet = np.zeros(SIDE * SIDE, np.uint8)
    columns = (np.ascontiguousarray(part, np.float64) for part in (*np.transpose(along), hits, begin, end))
    cells.mark(sheet, SIDE, x, y, *columns)
    return sheet.reshape(SIDE, SIDE)


def twin(x: float, y: float, along: Numbers, hits: Numbers, begin: Numbers, end: Numbers) -> Numbers:
    """Which cells must be marked and which may be: (2, SIDE, SIDE), by slabs, cell for cell.

    A beam marks a cell that it crosses wholly within its stretch, except the one in which the stretch begins.
    """
    must, may = np.zeros((2, SIDE, SIDE), np.uint8)
    low = np.arange(SIDE, dtype=np.float64)
    for (ux, uy), hit, start, stop in zip(along, hits, begin, end, strict=True):
        if start < stop:
            at = np.array([x + start * ux, y + start * uy])
            spans = []
            for origin, toward in zip(at, (ux, uy), strict=True):
                if toward == 0.0:
                    inside = low == math.floor(origin)
                    spans.append((np.where(inside, -np.inf, np.inf), np.where(inside, np.inf, -np.inf)))
                else:
                    ends = np.stack([(low - origin) / toward, (low + 1.0 - origin) / toward])
                    spans.append((ends.min(axis=0), ends.max(axis=0)))
            enter = np.maximum(spans[0][0][None, :], spans[1][0][:, None])
            leave = np.minimum(spans[0][1][None, :], spans[1][1][:, None])
            length = stop - start
            first = np.zeros((SIDE, SIDE), bool)
            first[math.floor(at[1]), math.floor(at[0])] = True
            must |= (leave - enter > TOUCH) & (enter > TOUCH) & (leave < length - TOUCH) & ~first
            may |= (leave - enter >= -TOUCH) & (enter >= -TOUCH) & (leave <= length + TOUCH) & ~first
        if math.isfinite(hit):
            place = math.floor(y + hit * uy), math.floor(x + hit * ux)
            must[place] |= cells.HIT
            may[place] |= cells.HIT
    return np.stack([must, may])


def assert_like_twin(*scan: Any) -> Numbers:
    got, (must, may) = marked(*scan), twin(*scan)
    assert not (must & ~got).any() and not (got & ~may).any()
    return got


# the sheet


def fan(rng: np.random.Generator, n: int) -> Numbers:
    turns = rng.uniform(-math.pi, math.pi, n)
    turns[: n // 4] = rng.choice(np.arange(-4, 5) * (math.pi / 4), n // 4)  # along axes and diagonals
    return np.stack([np.cos(turns), np.sin(turns)], axis=1)


@pytest.mark.parametrize("seed", range(6))
def test_marks_are_those_of_the_rule(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 60
    x, y = rng.uniform(28.0, 36.0, 2) if seed % 2 else (32.0, 32.5)  # on a border, in a middle
    along, hits = fan(rng, n), rng.uniform(0.0, 25.0, n)
    hits[::3] = rng.choice([np.nan, np.inf, -np.inf], len(hits[::3]))
    begin = rng.uniform(0.0, 10.0, n)
    end = begin + rng.choice([-1.0, 0.0, 0.3, 5.0, 14.0], n)
    got = assert_like_twin(x, y, along, hits, begin, end)
    assert (got & cells.PASSED).sum() > 50 and (got & cells.HIT).sum() > 20


@given(
    st.tuples(st.floats(20.0, 44.0), st.floats(20.0, 44.0)), st.floats(-math.pi, math.pi),
    st.floats(0.0, 9.0), st.floats(0.0, 9.0),
)  # fmt: skip
def test_any_beam_marks_what_it_crosses(
    start: tuple[float, float], turn: float, begin: float, length: float
) -> None:
    along = [(math.cos(turn), math.sin(turn))]
    assert_like_twin(*start, along, [np.nan], [begin], [begin + length])


def test_the_published_example() -> None:
    """Amanatides & Woo 1987, worked by hand: cells of 20, from (5, 5) to (105, 55), tDelta 0.2 and 0.4, tMax
    0.15 and 0.3.

    The beam goes through 00, 10, 11, 21, 31, 32, 42 and 52; the cells of its two ends are not marked.
    """
    length = math.hypot(5.0, 2.5)
    along = [(5.0 / length, 2.5 / length)]
    sheet = marked(0.25, 0.25, along, [np.nan], [0.0], [length])
    assert [tuple(place) for place in np.argwhere(sheet)[:, ::-1]] == [
        (1, 0), (1, 1), (2, 1), (3, 1), (3, 2), (4, 2),
    ]  # fmt: skip


def test_a_stretch_that_ends_on_a_border_is_whole() -> None:
    """Along x from border to border: all cells but the first; a hair less, and the last is not whole."""
    row = marked(3.0, 2.5, [(1.0, 0.0)], [np.nan], [0.0], [5.0])[2]
    assert list(np.flatnonzero(row)) == [4, 5, 6, 7]
    assert list(np.flatnonzero(marked(3.0, 2.5, [(1.0, 0.0)], [np.nan], [0.0], [4.999])[2])) == [4, 5, 6]
    back = marked(8.0, 2.5, [(-1.0, 0.0)], [np.nan], [0.0], [5.0])[2]
    assert list(np.flatnonzero(back)) == [3, 4, 5, 6, 7]  # it begins on their border, in the cell ahead of it


def test_a_beam_through_corners_marks_the_diagonal_alone() -> None:
    half = math.sqrt(0.5)
    sheet = marked(2.0, 2.0, [(half, half)], [np.nan], [0.0], [4.0 * math.sqrt(2.0) + TOUCH])
    # rounding may let it slip into a cell beside a corner, with a run of nothing
    assert all(sheet[k, k] for k in range(3, 6))


def test_what_is_hit_and_passed_is_both_on_the_sheet() -> None:
    sheet = marked(2.5, 2.5, [(1.0, 0.0), (1.0, 0.0)], [3.0, np.nan], [0.0, 0.0], [0.0, 6.0])
    assert sheet[2, 5] == cells.HIT | cells.PASSED and sheet[2, 4] == cells.PASSED
    assert not marked(2.5, 2.5, np.empty((0, 2)), [], [], []).any()


# the sheet into the map


ODDS = np.array([log_odds(p) for p in (0.7, 0.4, 0.12, 0.97, 0.35, 0.65)], np.float32)


class Tiles:
    """Four tiles in a square, and sheets added to them."""

    def __init__(self) -> None:
        self.slots = np.array([[2, 0], [3, 1]], np.int32)
        self.values = np.zeros((4 * SIDE, SIDE), np.float32)
        self.flags = np.zeros((4 * SIDE, SIDE), np.uint8)
        self.counts = np.zeros(4, np.int64)

    def add(self, sheet: Numbers) -> None:
        rows = np.ascontiguousarray(sheet, np.uint8).reshape(-1, SIDE).copy()
        cells.add(rows, rows.view(np.uint64), ODDS, self.slots, self.values, self.flags, self.counts)
        assert not rows.any()  # wiped

    def whole(self, rows: Numbers) -> Numbers:
        tiles = rows.reshape(4, SIDE, SIDE)
        return np.block([[tiles[slot] for slot in line] for line in self.slots])


def test_evidence_is_added_once_a_cell_and_kept_within_its_bounds() -> None:
    """Worked by hand: ln(0.7/0.3) = 0.847 and ln(0.4/0.6) = −0.405 (facts of the method's textbook form);
    float32 sums of up to 30 of them are good to 1e-5."""
    tiles, sheet = Tiles(), np.zeros((2 * SIDE, 2 * SIDE), np.uint8)
    hit, free, both = (3, 70), (100, 5), (64, 64)
    for _ in range(2):
        sheet[hit], sheet[free], sheet[both] = cells.HIT, cells.PASSED, cells.HIT | cells.PASSED
        tiles.add(sheet)
    values = tiles.whole(tiles.values)
    assert math.isclose(values[hit], 2 * 0.8472979, abs_tol=1e-5)
    assert math.isclose(values[free], 2 * -0.4054651, abs_tol=1e-5)
    assert values[both] == values[hit]  # what a scan hits it does not free
    assert np.count_nonzero(values) == 3
    assert list(tiles.counts) == [4, 0, 2, 0]
    flags = tiles.whole(tiles.flags)
    assert flags[free] == cells.SEEN | cells.WAS_FREE and flags[hit] == cells.SEEN
    for _ in range(30):
        tiles.add(sheet)
    values = tiles.whole(tiles.values)
    assert math.isclose(values[hit], log_odds(0.97), abs_tol=1e-5)
    assert math.isclose(values[free], log_odds(0.12), abs_tol=1e-5)


def test_what_denies_the_map_is_counted() -> None:
    tiles = Tiles()
    hit, free = np.zeros((2, 2 * SIDE, 2 * SIDE), np.uint8)
    hit[7, 7], free[7, 7] = cells.HIT, cells.PASSED
    for sheet in (free, free, hit, free, hit, hit, free):
        tiles.add(sheet)
    # free after two passages; then hit; what follows is neither, until two hits make it occupied again
    assert list(tiles.counts) == [3, 1, 4, 1]
    assert tiles.whole(tiles.flags)[7, 7] == cells.SEEN | cells.WAS_FREE


@pytest.mark.parametrize("seed", range(3))
def test_sheets_are_added_by_the_rule(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tiles = Tiles()
    known, was_free = np.zeros((2 * SIDE, 2 * SIDE), np.float32), np.zeros((2 * SIDE, 2 * SIDE), bool)
    for _ in range(12):
        sheet = rng.choice([0, 0, 1, 1, 1, 2, 3], known.shape).astype(np.uint8)
        sheet[:, : SIDE // 2] = 0
        raised = np.minimum(known + ODDS[cells.TO_HIT], ODDS[cells.MOST])
        lowered = np.maximum(known + ODDS[cells.TO_FREE], ODDS[cells.LEAST])
        known = np.where(sheet >= cells.HIT, raised, np.where(sheet == cells.PASSED, lowered, known))
        was_free |= (sheet == cells.PASSED) & (lowered <= ODDS[cells.FREE])
        tiles.add(sheet)
    np.testing.assert_array_equal(tiles.whole(tiles.values), known)
    flags = tiles.whole(tiles.flags)
    np.testing.assert_array_equal(flags & cells.WAS_FREE > 0, was_free)


DIGEST = """
import hashlib, math
import numpy as np
from flatten.mapping import Beams, Grid
rng = np.random.default_rng(3)
grid = Grid(0.1)
turns = np.linspace(-math.pi, math.pi, 60)
for k in range(4):
    hits = rng.uniform(0.5, 6.0, 60)
    grid.enter(Beams(0, (k * 0.3, 0.2, 0.1 * k), turns, hits, np.full(60, 0.3), np.minimum(hits, 4.0)))
made = grid.finish()
print(hashlib.sha256(made.log_odds.tobytes() + made.was_free.tobytes()).hexdigest(), grid.counted, made.shape)
"""


def test_without_compiler_the_map_is_the_same() -> None:
    told = [
        subprocess.run(
            [sys.executable, "-c", DIGEST], env=environment(NUMBA_DISABLE_JIT=off), capture_output=True,
            text=True, check=True,
        ).stdout
        for off in ("0", "1")
    ]  # fmt: skip
    assert told[0] == told[1] and len(told[0]) > hashlib.sha256().digest_size
