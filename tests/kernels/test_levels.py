"""Many slices at once say what each says alone."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flatten import Flattener
from flatten.kernels.scatter import TABLES
from flatten.kernels.spans import BEYOND_GROUP, FIRST_GROUP, LEVEL_BEYOND, LEVEL_LOW
from flatten.plan import levels_of, row_of, slice_row
from flatten.profile import Slice
from tests.conftest import assert_scans_equal, make_profile

heights = st.sampled_from([-0.5, 0.0, 0.1, 0.1 + 2.0**-40, 0.3, 0.5, 1.0, 2.0]) | st.floats(-1, 2)
bands = st.tuples(heights, heights).filter(lambda ends: ends[0] != ends[1]).map(sorted)
kinds = st.sampled_from(
    [{}, {}, {}, {"rise": 0.05}, {"pick": "farthest"}, {"min_hits": 2, "within": 1.0}]
)  # most ask for a height alone


def named(rows: list[tuple[list[float], dict[str, Any]]]) -> dict[str, Any]:
    return {f"s{i}": {"bottom": low, "top": high, **kind} for i, ((low, high), kind) in enumerate(rows)}


slices = st.lists(st.tuples(bands, kinds), min_size=1, max_size=5).map(named)
attitudes = st.none() | st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2))


@given(slices, st.integers(0, 2**32 - 1), st.sampled_from([1, 90, 1440]), attitudes)
def test_many_slices_say_what_each_says_alone(
    many: dict[str, Any], seed: int, bins: int, attitude: tuple[float, float] | None
) -> None:
    rng = np.random.default_rng(seed)
    mount = {"x": 0.3, "z": 0.5} if seed % 2 else {"z": 0.5, "pitch": 12.0}
    xyz = rng.normal(size=(1500, 4)) * [3, 3, 0.7, 1]
    on_borders = rng.choice([b for s in many.values() for b in (s["bottom"], s["top"])], 1500) - 0.5
    xyz[:, 2] = np.where(rng.random(1500) < 0.3, on_borders, xyz[:, 2])
    xyz = xyz.astype(rng.choice([np.float32, np.float64]))  # type: ignore[arg-type]
    settings: dict[str, Any] = {"mount": mount, "fan": {"bins": bins}}
    together = Flattener(make_profile(slices=many, **settings)).flatten(xyz, attitude)
    for name, band in many.items():
        alone = Flattener(make_profile(slices={name: band}, **settings)).flatten(xyz, attitude)
        assert_scans_equal({name: together[name]}, alone)
        assert together[name].counts == alone[name].counts


@given(slices, st.lists(heights, max_size=20))
def test_levels_are_the_slices_heights(many: dict[str, Any], tried: list[float]) -> None:
    rows = np.array([slice_row(Slice(**band)) for band in many.values()])
    levels = levels_of(rows, 90)
    plain = [not set(band) - {"bottom", "top"} for band in many.values()]
    borders = np.sort(rows[plain][:, :2].ravel())
    np.testing.assert_array_equal(levels.borders[:, 0], borders.astype(np.float32))
    for z in [*tried, *borders.tolist()]:
        level = np.count_nonzero(borders <= z)
        for row, span, is_plain in zip(rows, levels.spans, plain, strict=True):
            if is_plain:
                assert (span[LEVEL_LOW] <= level < span[LEVEL_BEYOND]) == (row[0] <= z < row[1])
                # level 0 lies below all slices and has no tables
                assert span[FIRST_GROUP] == span[LEVEL_LOW] - 1 >= 0
                assert span[BEYOND_GROUP] == span[LEVEL_BEYOND] - 1 <= levels.groups


@given(slices)
def test_no_two_slices_share_a_table_but_levels(many: dict[str, Any]) -> None:
    levels = levels_of(np.array([slice_row(Slice(**band)) for band in many.values()]), 90)
    taken = list(range(max(len(levels.borders) - 1, 0)))
    for span, band in zip(levels.spans, many.values(), strict=True):
        if set(band) - {"bottom", "top"}:
            assert span[LEVEL_LOW] == span[LEVEL_BEYOND] == 0
            groups = 0 if "min_hits" in band else 2 if "pick" in band else 1
            taken.extend(range(span[FIRST_GROUP], span[FIRST_GROUP] + groups))
            assert span[BEYOND_GROUP] - span[FIRST_GROUP] == min(groups, 1)
    assert taken == list(range(levels.groups))


@given(st.integers(1, 36_000))
def test_rows_of_tables_lie_apart(bins: int) -> None:
    row = row_of(bins)
    assert bins <= row < bins + 100
    for k in range(1, TABLES):
        assert 256 <= 8 * k * row % 4096 <= 4096 - 256
