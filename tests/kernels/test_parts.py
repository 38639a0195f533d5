"""Parts of the kernels, each against plain NumPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.kernels import answer, company, groups, lists, loads, place, witness, zones
from flatten.plan import directions, make_plan
from tests.conftest import make_profile
from tests.kernels.compiled import compiled

append_unsure = compiled(lists.append_unsure)
beside = compiled(company.beside)
sort_bin = compiled(company.sort_bin)
sort_by_bin = compiled(lists.sort_by_bin)
first_run = compiled(answer.first_run)
round_down = compiled(answer.round_down)
round_up = compiled(answer.round_up)
bin_of = compiled(place.bin_of)
quarter_turns = compiled(place.quarter_turns)
clip = compiled(witness.clip)
mark = compiled(witness.mark)
in_zone = compiled(zones.in_zone)
load_single = compiled(loads.load_single)
LOADS = {name: compiled(getattr(loads, name)) for name in ("load_float32", "load_float64")}
finite = st.floats(-1e3, 1e3)
PLAN = make_plan(make_profile()).numbers


@given(finite, finite)
def test_quarter_turns_is_atan2(x: float, y: float) -> None:
    turn = quarter_turns(x, y)
    # two roundings of numbers up to 2
    assert math.isclose(turn * math.pi / 2, math.atan2(y + 0.0, x + 0.0), abs_tol=1e-15 * 4) or (
        x < 0 and y == 0
    )


@pytest.mark.parametrize(
    ("x", "y", "turn"),
    [(1, 0, 0), (1, 1, 0.5), (0, 2, 1), (-3, 3, 1.5), (-1, 0, 2), (0, -1, -1), (2, -2, -0.5)],
)
def test_quarter_turns_is_exact_on_axes_and_diagonals(x: float, y: float, turn: float) -> None:
    assert quarter_turns(float(x), float(y)) == turn


@given(st.integers(1, 36000), st.integers(-4, 4), st.integers(1, 4), st.floats(-2, 2))
def test_bins_hold_the_bearings_they_cover(bins: int, first: int, span: int, turn: float) -> None:
    b = bin_of(turn, float(first), float(span), bins)
    beyond = (turn - first) % 4
    if b < 0:
        assert beyond >= span
    else:
        step = span / bins
        assert b * step <= beyond + 1e-14 and (beyond < (b + 1) * step + 1e-14 or beyond >= 4 - 1e-14)


@pytest.mark.parametrize("load", ["load_float32", "load_float64"])
@pytest.mark.parametrize("swapped", [False, True])
def test_loads_read_any_offset_and_order(load: str, swapped: bool) -> None:
    dtype = np.dtype("=f4" if load == "load_float32" else "=f8")
    stored = dtype.newbyteorder() if swapped else dtype
    assert loads.dtype_code(stored) == (dtype.itemsize == 8) + 2 * swapped
    for value in (1.5, -0.0, np.pi, 1e-40, np.inf):
        for offset in range(9):
            raw = np.frombuffer(b"\x7f" * offset + np.array(value, stored).tobytes() + b"\x7f", np.uint8)
            assert LOADS[load](raw.ctypes.data, offset, swapped) == dtype.type(value)
            if load == "load_float32" and not swapped:
                assert load_single(raw.ctypes.data, offset) == dtype.type(value)
    assert loads.dtype_code(np.dtype(np.int32)) == -1


bounds = st.floats(0, 30)


@given(bounds, bounds, st.integers(1, 5))
def test_mark_sets_the_cells_wholly_inside(a: float, z: float, words: int) -> None:
    masks = np.zeros((1, 1, words), np.uint64)
    mark(a, z, 10.0, 0, 0, masks)
    bits = np.unpackbits(masks[0, 0].view(np.uint8), bitorder="little").astype(bool)
    k = np.arange(64 * words)
    np.testing.assert_array_equal(bits, (k >= a * 10.0) & (k + 1 <= z * 10.0))


@given(st.lists(st.booleans(), min_size=256, max_size=256), st.integers(0, 255), st.integers(0, 255))
def test_first_run(bits: list[bool], low: int, high: int) -> None:
    bits[low:high] = [True] * max(high - low, 0)  # long runs across words
    masks = np.packbits(np.array(bits), bitorder="little").view(np.uint64).reshape(1, 1, 4)
    a, z = first_run(0, 0, masks)
    text = "".join("1" if bit else "0" for bit in bits)
    begin = text.find("1")
    assert (a, z) == ((0, 0) if begin < 0 else (begin, (text + "0").index("0", begin)))


@given(st.floats(1e-6, 1e4))
def test_stretches_are_rounded_inward(value: float) -> None:
    up, down = round_up(value), round_down(value)
    assert float(down) <= value <= float(up)
    assert up == down or up == np.nextafter(down, np.float32(np.inf))


@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(0, 1), st.floats(0, 1))
def test_clip_keeps_where_the_line_is_not_negative(
    offset: float, slope: float, low: float, high: float
) -> None:
    a, z = clip(offset, slope, low, high)
    for t in np.linspace(low, high, 21):
        value = offset + slope * t
        if abs(value) > 1e-9:  # on the root itself rounding decides
            assert (a <= t <= z) == (value > 0 and low <= high)


@given(st.lists(st.floats(0, 100) | st.sampled_from([1.0, 2.0, math.inf]), max_size=60))
def test_sort_bin_sorts_what_it_is_given(values: list[float]) -> None:
    out = np.array([-5.0, *values, -7.0])
    sort_bin(1, len(values) + 1, out)
    assert out.tolist() == [-5.0, *sorted(values), -7.0]


def list_of(bins: int, room: int) -> groups.Lists:
    """One list with nothing in it."""
    return groups.Lists(
        listed=np.zeros(1, np.int64), bins=np.zeros((1, room), np.int32), keys=np.zeros((1, room), np.int64),
        starts=np.zeros((1, bins + 2), np.int64), sorted_keys=np.zeros(room, np.int64),
        distances=np.zeros(room), ordered=np.zeros(bins, np.uint8), moving=np.zeros((2, 3), np.int64),
    )  # fmt: skip


@given(st.lists(st.integers(0, 4), max_size=60))
def test_lists_are_laid_out_bin_by_bin(bins: list[int]) -> None:
    rooms = list_of(5, len(bins))
    rooms.bins[0], rooms.keys[0], rooms.listed[0] = bins, np.arange(len(bins)) + 100, len(bins)
    rooms.starts[0, 2:] = np.bincount(bins, minlength=5)
    sort_by_bin(0, rooms)
    (starts,), keys = rooms.starts, rooms.sorted_keys
    for b in range(5):
        expected = [100 + i for i, k in enumerate(bins) if k == b]
        assert keys[starts[b] : starts[b + 1]].tolist() == expected


@given(st.floats(0, 3), st.floats(1e-9, 3), st.integers(-9, 9), st.booleans())
def test_keys_are_inside_the_reach_exactly_when_their_squares_are(
    near: float, depth: float, steps: int, at_far: bool
) -> None:
    far = near + depth
    square = far if at_far else near
    for _ in range(abs(steps)):
        square = max(math.nextafter(square, math.copysign(math.inf, steps)), 0.0)
    rooms = list_of(1, 1)
    append_unsure(0, square, 7, 0, PLAN._replace(near_square=near, far_square=far), rooms)
    keys, listed, starts = rooms.keys, rooms.listed, rooms.starts
    value = keys[0, 0] >> lists.VALUE
    ends = np.array([near, far, square], np.float32).view(np.int32).tolist()
    assert (ends[0] <= value <= ends[1]) == (near <= square <= far)
    assert abs(value - ends[2]) <= 1 and keys[0, 0] & lists.NUMBER == 7
    assert listed[0] == 1 and starts[0].tolist() == [0, 0, 1]


@pytest.mark.parametrize(
    ("b", "bins", "full", "expected"),
    [(0, 5, True, {0, 1, 4}), (0, 5, False, {0, 1}), (4, 5, True, {3, 4, 0}), (4, 5, False, {3, 4}),
     (2, 5, True, {1, 2, 3}), (0, 1, True, {0}), (0, 1, False, {0}), (0, 2, True, {0, 1}),
     (1, 2, True, {0, 1}), (1, 2, False, {0, 1}), (2, 3, True, {0, 1, 2}), (0, 3, False, {0, 1})],
)  # fmt: skip
def test_each_neighbour_counts_once(b: int, bins: int, full: bool, expected: set[int]) -> None:
    found = [k for side in range(2) for k in range(*beside(b, side, bins, full))]
    assert len(found) == len(expected) and set(found) == expected


@given(st.integers(-180, 180), st.integers(1, 360), st.floats(-math.pi, math.pi), st.floats(0.01, 3))
def test_a_sector_holds_its_bearings(first: int, width: int, bearing: float, distance: float) -> None:
    edges = directions(np.array([first, first + width], float)).ravel()
    zone = np.array([[zones.SECTOR, 0.5, -0.5, *edges, float(width > 180), 0.0, 4.0, -1.0, 1.0]])
    x, y = 0.5 + distance * math.cos(bearing), -0.5 + distance * math.sin(bearing)
    along = (math.degrees(bearing) - first) % 360
    if min(abs(along - edge) for edge in (0, width, 360)) > 1e-6 and abs(distance - 2) > 1e-6:
        assert in_zone(zone, 0, x, y, 0.0) == (along <= width and distance <= 2)
    assert not in_zone(zone, 0, x, y, 1.1)
