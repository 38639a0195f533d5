"""Tables keep the least key of every cell, and the crowd all that could have been the least."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flatten.kernels import merge, scatter
from flatten.kernels.scatter import CROWDED, NO_KEY, NO_RETURN
from flatten.kernels.workroom import BLOCK, CELL, INSIDE, LANES, NO, YES
from tests.kernels.compiled import compiled

enter = compiled(scatter.scatter)
count = compiled(scatter.count)
elsewhere = compiled(scatter.elsewhere)
join_groups = compiled(merge.join_groups)
reduce_tables = compiled(merge.reduce_tables)

# r² in units in the last place, so near to each other that some are too close to tell
squares = st.integers(0x3F800000, 0x3F800000 + 3000) | st.sampled_from([0, 0x7F7FFFFF])
entries = st.lists(st.tuples(squares, st.integers(0, 2)), max_size=200)


@given(entries)
def test_tables_keep_the_least_and_the_crowd_its_rivals(returns: list[tuple[int, int]]) -> None:
    keys = np.array([square << 32 | number for number, (square, _) in enumerate(returns)], np.int64)
    cells = np.array([cell for _, cell in returns], np.int64)
    lanes, tables, crowd = np.zeros(LANES, np.int32), np.full(3, NO_KEY), np.full(2 * len(returns), -1)
    lanes[CELL : CELL + len(cells)] = cells
    crowded = enter(len(keys), keys, lanes, tables, crowd, 0)
    for cell in range(3):
        mine = keys[cells == cell]
        assert tables[cell] == min(mine, default=NO_KEY)
        rivals = mine[(mine - tables[cell] <= CROWDED) & (mine != tables[cell])]
        assert np.isin(rivals, crowd[:crowded]).all()
        assert len(rivals) == 0 or tables[cell] in crowd[:crowded]
    lanes[INSIDE : INSIDE + len(cells) : 2] = YES
    lanes[INSIDE + 1 : INSIDE + len(cells) : 2] = NO
    counters = np.zeros(3, np.uint32)
    count(len(cells), lanes, counters)
    np.testing.assert_array_equal(counters, np.bincount(cells[::2], minlength=3))


def test_keys_of_no_slice_lie_beyond_all_returns_and_apart() -> None:
    uppers = [int(elsewhere(np.uint32(number))) for number in range(3 * BLOCK, 4 * BLOCK + 1)]
    assert min(uppers) << 32 > NO_RETURN + CROWDED and (max(uppers) + 1) << 32 < NO_KEY - CROWDED
    assert np.diff(np.sort(uppers[:BLOCK])).min() << 32 > CROWDED
    assert uppers[-1] == int(elsewhere(np.uint32(0)))  # blocks start anew: the crowd may hold such pairs


keys_of_cells = st.lists(st.integers(0, 50) | st.just(int(NO_KEY)), min_size=36, max_size=36)


@given(keys_of_cells, st.integers(0, 2), st.integers(1, 3))
def test_groups_are_joined_to_the_least_two(numbers: list[int], low: int, length: int) -> None:
    tables, bins, row = np.array(numbers, np.int64), 4, 6  # three groups of two rows
    least, second = np.zeros((3, bins), np.int64), np.zeros((3, bins), np.int64)
    reduce_tables(row, tables, least, second)
    first, next_ = np.zeros(bins, np.int64), np.zeros(bins, np.int64)
    beyond = min(low + length, 3)
    join_groups(low, beyond, least, second, first, next_)
    ordered = np.sort(tables.reshape(6, row)[2 * low : 2 * beyond, :bins], axis=0)
    np.testing.assert_array_equal([first, next_], ordered[:2])
