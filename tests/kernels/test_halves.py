"""The fast half is never wrong where it says that it is sure."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import Flattener, State
from flatten.kernels import lanes, sift, workroom
from flatten.kernels.workroom import (
    BIN,
    BLOCK,
    DOUBT,
    HEIGHT,
    LANES,
    PITCH,
    PX,
    PY,
    PZ,
    SINGLES,
    SLACKS,
    SQUARE,
)
from tests.conftest import make_profile
from tests.kernels.compiled import compiled
from tests.twin import rotation

sift_block = compiled(sift.sift)
bits = compiled(lanes.bits)


def sifted(
    xyz: np.ndarray, matrix: np.ndarray, first: float, span: float, bins: int
) -> tuple[np.ndarray, np.ndarray]:
    """The workroom after `sift` has seen up to a block of float32 returns."""
    work, ints = np.full(SINGLES, np.nan, np.float32), np.zeros(LANES, np.int32)
    for row, axis in ((PX, 0), (PY, 1), (PZ, 2)):
        work[row : row + len(xyz)] = xyz[:, axis]
    numbers = np.append(matrix.ravel(), 2 * np.abs(matrix[:, 3]).sum()).astype(np.float32)
    sift_block(len(xyz), numbers, np.float32(first), np.float32(span), np.float32(bins), work, ints)
    return work.reshape(-1, PITCH)[:, : len(xyz)], ints.reshape(-1, PITCH)[:, : len(xyz)]


def row(base: int) -> int:
    return base // PITCH


@pytest.mark.parametrize(("first", "span"), [(-2.0, 4.0), (1.0, 2.0), (-0.4, 1.7), (1.9, 0.3)])
@pytest.mark.parametrize("bins", [1, 61, 1440, 28800, 36000])
def test_bounds_hold_for_every_return(first: float, span: float, bins: int) -> None:
    rng = np.random.default_rng(bins)
    turn = rotation(*rng.uniform(-3, 3, 3))
    matrix = np.column_stack([turn, rng.uniform(-1, 1, 3)])
    size = 10.0 ** rng.uniform(-2, 3, (BLOCK, 1))
    xyz = (rng.normal(size=(BLOCK, 3)) * size).astype(np.float32)
    work, ints = sifted(xyz, matrix, first, span, bins)
    exact = xyz.astype(np.float64) @ turn.T + matrix[:, 3]
    slack = work[row(SLACKS)].astype(np.float64)
    assert (np.abs(work[row(HEIGHT)] - exact[:, 2]) <= slack).all()
    square = exact[:, 0] ** 2 + exact[:, 1] ** 2
    bound = 3 * 2.0**21 * slack**2 + 4 * 2.0**-24 * square
    assert (np.abs(work[row(SQUARE)] - square) <= bound).all()
    beyond = (np.arctan2(exact[:, 1], exact[:, 0]) * 2 / math.pi - first) % 4.0
    true = np.where(beyond < span, np.floor(beyond * (bins / span)), -1)
    sure = ints[row(DOUBT)] == 0
    np.testing.assert_array_equal(ints[row(BIN)][sure], true[sure])
    flat = np.abs(exact[:, 2]) < np.sqrt(square)  # steep ones are doubtful by rule
    if bins / span <= 1000:  # bins of 0.09° and more
        assert sure[flat].mean() > 0.98


def test_the_polynomial_is_as_good_as_it_says() -> None:
    q = np.linspace(0.0, 1.0, 200_001, dtype=np.float32)
    s = (q * q).astype(np.float64)
    turn = q * np.polyval([float(a) for a in (sift.A5, sift.A4, sift.A3, sift.A2, sift.A1, sift.A0)], s)
    error = np.abs(turn - np.arctan(q.astype(np.float64)) * 2 / math.pi).max()
    assert error < 1.2e-6  # with the rounding of numbers up to 8 less than TURN_ERROR
    assert error + 4 * 2.0**-24 * 8 / 4 < float(sift.TURN_ERROR)


@given(st.floats(0, 2.0**100, width=32), st.floats(0, 2.0**100, width=32))
def test_bits_are_in_the_order_of_the_numbers(a: float, b: float) -> None:
    low, high = sorted((np.float32(a), np.float32(b)))
    assert bits(low) <= bits(high)


def test_rows_of_the_workroom_do_not_overlap() -> None:
    names = {name: value for name, value in vars(workroom).items() if name.isupper()}
    others = {"BLOCK", "PITCH", "WHOLE", "SINGLES", "LANES", "NO", "YES", "LOW_HALF", "HIGH_HALF"}
    rows = sorted(value for name, value in names.items() if name not in others)
    floats, ints = range(0, SINGLES, PITCH), range(0, LANES, PITCH)
    assert rows == sorted([*floats, *ints]) and PITCH >= BLOCK and BLOCK % workroom.WHOLE == 0
    assert len(set(rows)) == len(ints)  # rows of the two arrays may have one number, those of one array not


@pytest.mark.parametrize("pick", ["nearest", "farthest"])
@pytest.mark.parametrize("apart", [0.0, 1e-9, 3e-8, 1e-7])
def test_returns_too_close_to_tell_are_told_apart_exactly(pick: str, apart: float) -> None:
    # so many returns in one bin, nearer to each other than float32 can tell, that the crowd overflows
    rng = np.random.default_rng(3)
    bearing = rng.uniform(0.0005, 0.0035, 60_000)
    r = 7.0 * (1.0 + apart * rng.uniform(-1, 1, bearing.size))
    xyz = np.stack([r * np.cos(bearing), r * np.sin(bearing), np.full(r.size, 0.3)], axis=1)
    slices = {"drive": {"bottom": 0.1, "top": 1.0, "pick": pick}}
    scan = Flattener(make_profile(mount={}, slices=slices, clear=False)).flatten(xyz)["drive"]
    square = xyz[:, 0] * xyz[:, 0] + xyz[:, 1] * xyz[:, 1]
    expected = np.sqrt(square.min() if pick == "nearest" else square.max())
    assert scan.states[720] == State.HIT and scan.hits[720] == xyz.shape[0]
    assert scan.ranges[720] == np.float32(expected)


@pytest.mark.parametrize("pick", ["nearest", "farthest"])
@pytest.mark.parametrize("min_hits", [1, 2])
def test_of_equals_the_first_in_the_cloud_decides(pick: str, min_hits: int) -> None:
    # mirrored at the bin's middle they are equally far, their sums are not made alike, and the crowd is full
    rng = np.random.default_rng(6)
    slices = {"drive": {"bottom": 0.1, "top": 1.0, "pick": pick, "min_hits": min_hits}}
    flattener = Flattener(make_profile(mount={}, slices=slices, fan={"bins": 8}, clear=False))
    for n in (2, 3, 9, 1024, 3000):
        x = rng.choice([-3.0, 3.0], (n, 2)) + rng.choice([0.0, 0.0, 2.0**-18], (n, 1))
        xyz = np.column_stack([x * rng.choice([1.0, 0.25], (n, 2)), rng.uniform(0.2, 0.9, n), np.arange(n)])
        scan = flattener.flatten(xyz.astype(np.float32))["drive"]
        x, y = xyz.astype(np.float32)[:, :2].T.astype(np.float64)
        square, turn = x * x + y * y, np.arctan2(y, x) / (2 * np.pi) + 0.5
        for b in np.flatnonzero(scan.states == State.HIT):
            mine = np.flatnonzero(np.floor(turn * 8) % 8 == b)
            best = square[mine].min() if pick == "nearest" else square[mine].max()
            if min_hits == 1 or scan.ranges[b] == np.float32(np.sqrt(best)):  # else those had no company
                assert scan.intensities[b] == mine[square[mine] == best][0]


def test_float64_beyond_float32_is_not_lost() -> None:
    slices = {"drive": {"bottom": -1.0, "top": 1.0}}
    flattener = Flattener(make_profile(mount={}, slices=slices, clear=False))
    xyz = np.array(
        [[1e300, 1.0, 0.0], [1e39, 0.0, 0.5], [2.0, 1e-60, 0.0], [1e-60, 0.0, 0.0], [0.0, 0.0, 1e-60]]
    )
    scan = flattener.flatten(xyz)["drive"]
    assert scan.counts.skipped == 0 and scan.ranges[720] == -np.inf  # 1e-60 is nearer than the reach
    assert flattener.flatten(xyz[:3])["drive"].ranges[720] == 2.0


@pytest.mark.parametrize("extra", [{}, {"rise": 0.01}, {"pick": "farthest"}, {"min_hits": 2}])
@pytest.mark.parametrize("size", [1e-20, 1e-40, 1e-300])
def test_returns_all_but_at_the_sensor_are_of_its_height(extra: dict[str, Any], size: float) -> None:
    # in no tilt may a number that stands for one too small for float32 rule a slice out
    slices = {"drive": {"bottom": 0.1, "top": 1.0, **extra}}
    for signs in itertools.product((-1.0, 1.0), repeat=3):
        mount = {"z": 0.61, "roll": 45.0 * signs[0], "pitch": 35.0 * signs[1]}
        xyz = np.array([signs, signs]) * size
        for attitude in (None, (0.4, -0.3)):
            profile = make_profile(mount=mount, slices=slices, clear=False)
            scan = Flattener(profile).flatten(xyz, attitude)["drive"]
            assert np.count_nonzero(scan.states == State.TOO_NEAR) == 1 and scan.counts.skipped == 0
            # and none that a blind zone holds may decide
            hull = {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.5, 0.5], "z": [0.0, 0.9]}}
            profile = make_profile(mount=mount, slices=slices, clear=False, blind_zones=[hull])
            scan = Flattener(profile).flatten(xyz, attitude)["drive"]
            assert set(scan.states) == {State.UNSEEN, State.BLOCKED} and scan.counts.swallowed == 2
