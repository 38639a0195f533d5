"""What is kept comes to the front in its order, eight at a time and one by one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.kernels import pack
from flatten.kernels.workroom import BLOCK, FLAG, LANES, NO, NUMBER, PITCH, PX, PY, PZ, SINGLES, WHOLE, YES
from tests.kernels.compiled import compiled

WAYS: list[Callable[..., int]] = [compiled(pack.keep_one_by_one)]
if pack.PERMUTES:
    WAYS.append(compiled(pack.keep_by_eights))
keep, whole = compiled(pack.keep), compiled(pack.whole)
ROWS = (PX, PY, PZ)


def rooms(flags: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    work = np.arange(SINGLES, dtype=np.float32)
    lanes = np.full(LANES, -9, np.int32)
    lanes[FLAG : FLAG + len(flags)] = np.where(flags, YES, NO)
    return work, lanes


def assert_kept(count: int, flags: np.ndarray, work: np.ndarray, lanes: np.ndarray) -> None:
    places = np.flatnonzero(flags)
    assert count == len(places)
    np.testing.assert_array_equal(lanes[NUMBER : NUMBER + count], places)
    for row in ROWS:
        np.testing.assert_array_equal(work[row : row + count], np.float32(row + places))
        # neither what lies after the returns, nor another row
        np.testing.assert_array_equal(
            work[row + len(flags) : row + PITCH], np.arange(row + len(flags), row + PITCH)
        )
    np.testing.assert_array_equal(work[3 * PITCH :], np.arange(3 * PITCH, SINGLES))
    np.testing.assert_array_equal(lanes[FLAG : FLAG + len(flags)], np.where(flags, YES, NO))
    others = np.delete(lanes.reshape(-1, PITCH), [FLAG // PITCH, NUMBER // PITCH], axis=0)
    assert (others == -9).all() and (lanes[NUMBER + len(flags) : NUMBER + PITCH] == -9).all()


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("before", [0, 1, 5, 8])
def test_every_pattern_of_eight(way: Callable[..., int], before: int) -> None:
    for pattern in range(256):
        flags = np.zeros(24, bool)
        flags[:before] = True
        flags[8:16] = [pattern >> k & 1 for k in range(8)]
        flags[16:] = flags[8:16][::-1]
        work, lanes = rooms(flags)
        assert_kept(way(len(flags), work, lanes), flags, work, lanes)


@pytest.mark.parametrize("way", WAYS)
@given(st.integers(0, 2**32 - 1), st.integers(0, BLOCK // 8), st.sampled_from([0.0, 0.02, 0.5, 0.98, 1.0]))
def test_whole_blocks(way: Callable[..., int], seed: int, eights: int, part: float) -> None:
    flags = np.random.default_rng(seed).random(8 * eights) < part
    work, lanes = rooms(flags)
    assert_kept(way(len(flags), work, lanes), flags, work, lanes)


@given(st.integers(0, 2**32 - 1), st.integers(0, BLOCK // WHOLE), st.floats(0, 1))
def test_what_follows_is_made_nan(seed: int, wholes: int, part: float) -> None:
    flags = np.random.default_rng(seed).random(WHOLE * wholes) < part
    work, lanes = rooms(flags)
    count = keep(len(flags), work, lanes)
    end = whole(count)
    assert count == np.count_nonzero(flags) and count <= end <= len(flags) and end % WHOLE == 0
    np.testing.assert_array_equal(work[PX : PX + count], np.float32(PX + np.flatnonzero(flags)))
    assert np.isnan(work[PX + count : PX + end]).all() and not np.isnan(work[PX + end :]).any()
