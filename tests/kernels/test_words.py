"""What is handed over as a row of words comes out as it went in, compiled and not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flatten import Flattener
from flatten.kernels import groups, words
from flatten.kernels.jit import part
from tests.conftest import make_profile
from tests.kernels.compiled import compiled


def made_up(group: Any, rng: np.random.Generator) -> Any:
    """A group of random numbers, and arrays with from none to three elements an axis."""
    values: list[Any] = []
    for _, kind, axes in words.fields_of(group):
        if axes >= 0:
            values.append((rng.normal(size=rng.integers(0, 4, axes)) * 100).astype(kind))
        elif hasattr(kind, "_fields"):
            values.append(made_up(kind, rng))
        else:
            values.append(kind(rng.normal() * 1e6))
    return group(*values)


def flat(group: Any) -> list[Any]:
    return [part for value in group for part in (flat(value) if isinstance(value, tuple) else [value])]


@pytest.mark.parametrize("group", groups.GROUPS, ids=lambda group: group.__name__)
@pytest.mark.parametrize("seed", range(5))
def test_a_group_comes_out_as_it_went_in(group: Any, seed: int) -> None:
    given = made_up(group, np.random.default_rng(seed))
    row = np.full(groups.SIZE, -7)
    words.put(row, groups.PLACES[group], given)
    end = groups.PLACES[group] + words.size_of(group)
    assert (np.delete(row, range(groups.PLACES[group], end)) == -7).all()
    opened = groups.opened(row, group)
    assert type(opened) is group
    for before, after in zip(flat(given), flat(opened), strict=True):
        np.testing.assert_array_equal(before, after)
        if isinstance(before, np.ndarray):
            assert before.dtype == after.dtype and np.shares_memory(before, after) == (before.size > 0)
        else:
            assert type(before) is type(after)


@part
def kept(before: Any, after: Any) -> Any:
    """What compiled code sees of one group, written into arrays of another."""
    frame = groups.opened(before, groups.Frame)
    returns = groups.opened(before, groups.Returns)
    bins = groups.opened(before, groups.Bins)
    other = groups.opened(after, groups.Frame)
    for i in range(frame.level_from_sensor.shape[0]):
        for j in range(frame.level_from_sensor.shape[1]):
            other.level_from_sensor[i, j] = frame.level_from_sensor[i, j]
    for i in range(frame.matrix.size):
        other.matrix[i] = frame.matrix[i]
    last = 0
    for s in range(bins.masks.shape[0]):
        for b in range(bins.masks.shape[1]):
            for k in range(bins.masks.shape[2]):
                bins.masks[s, b, k] += np.uint64(1)
                last = s * 100 + b * 10 + k
    return frame.half, returns.n, returns.z.step, bins.ends.shape[0], last


def test_compiled_code_sees_the_same() -> None:
    rng = np.random.default_rng(1)
    bins = made_up(groups.Bins, rng)._replace(masks=rng.integers(0, 9, (2, 3, 4)).astype(np.uint64))
    frame = groups.Frame(rng.normal(size=(3, 4)), rng.normal(size=13).astype(np.float32), -0.1)
    returns = made_up(groups.Returns, rng)
    before, after = np.zeros(groups.SIZE, np.int64), np.zeros(groups.SIZE, np.int64)
    for group in (bins, frame, returns):
        words.put(before, groups.PLACES[type(group)], group)
    empty = frame._replace(level_from_sensor=np.zeros((3, 4)), matrix=np.zeros(13, np.float32))
    words.put(after, groups.PLACES[groups.Frame], empty)
    masks = bins.masks.copy()
    told = compiled(kept)(before, after)
    assert told == (-0.1, returns.n, returns.z.step, len(bins.ends), 123)
    np.testing.assert_array_equal(empty.level_from_sensor, frame.level_from_sensor)
    np.testing.assert_array_equal(empty.matrix, frame.matrix)
    np.testing.assert_array_equal(bins.masks, masks + np.uint64(1))


@pytest.mark.parametrize(
    "array",
    [np.zeros((3, 4), np.float32), np.zeros(12), np.zeros((4, 3)).T, np.zeros((3, 4), ">f8")],
    ids=["dtype", "axes", "order", "byte order"],
)
def test_an_array_that_is_not_what_the_group_says_is_refused(array: np.ndarray) -> None:
    # its memory would be taken for something else
    frame = groups.Frame(array, np.zeros(13, np.float32), 0.5)
    with pytest.raises(TypeError, match=r"Frame\.level_from_sensor: wanted a C-ordered float64 of 2 axes"):
        words.put(np.zeros(groups.SIZE, np.int64), groups.PLACES[groups.Frame], frame)


def test_groups_lie_one_after_another() -> None:
    ends = [groups.PLACES[group] + words.size_of(group) for group in groups.GROUPS]
    assert [groups.PLACES[group] for group in groups.GROUPS] == [0, *ends[:-1]] and ends[-1] == groups.SIZE


def test_a_flattener_hands_over_what_it_holds() -> None:
    flattener = Flattener(make_profile(slices={"a": {"bottom": 0.1, "top": 1.0, "min_hits": 2}}))
    tables = flattener._tables
    lists = []
    for n in (10, 3, 2000):  # grows with the second greatest cloud only
        flattener.flatten(np.ones((n, 3), np.float32), (0.1, 0.0))
        lists.append(groups.opened(tables.words, groups.Lists))
        assert groups.opened(tables.words, groups.Returns).n == n
    assert [each.keys.shape[1] for each in lists] == [10, 10, 2000]
    assert np.shares_memory(groups.opened(tables.words, groups.Bins).best, tables.bins.best)
    frame = flattener._plan.frame((0.1, 0.0))
    for told, wanted in zip(groups.opened(tables.words, groups.Frame), frame, strict=True):
        np.testing.assert_array_equal(told, wanted)
