"""One mount from many places: what most agree on, how sure, and when nothing is said."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten.tuning import places

TRUE = np.array([math.pi - 0.001, -0.05, 0.8])
NOISE = np.array([1e-3, 1e-3, 3e-3])


def estimates(seed: int, count: int = 60) -> np.ndarray:
    made = TRUE + np.random.default_rng(seed).normal(0.0, 1.0, (count, 3)) * NOISE
    made[:, 0] = np.remainder(made[:, 0] + math.pi, 2 * math.pi) - math.pi  # half of them wrap to −π
    return made


@settings(max_examples=50)
@given(st.integers(0, 10_000))
def test_the_middle_is_true_within_its_error(seed: int) -> None:
    """Six sigma of a Student mean over 12 places: once in ten thousand."""
    settled = places.settle(estimates(seed), np.repeat(np.arange(12), 5).tolist())
    assert settled is not None and settled.places == 12
    off = settled.values - TRUE
    off[0] = math.remainder(off[0], 2 * math.pi)
    assert (np.abs(off) < 6.0 * settled.sigmas + 1e-12).all()
    assert abs(settled.values[0]) <= math.pi


def test_another_floor_is_left_out() -> None:
    made = estimates(3)
    made[20:30] += [0.0, 0.08, 0.1]  # a ramp of 1:12
    settled = places.settle(made, np.repeat(np.arange(12), 5).tolist())
    assert settled is not None
    assert not settled.kept[20:30].any() and settled.kept.sum() >= 45 and settled.places == 10


def test_estimates_that_agree_to_the_digit_all_count() -> None:
    settled = places.settle(np.tile(TRUE, (8, 1)), list(range(8)))
    assert settled is not None and settled.kept.all()
    np.testing.assert_allclose(settled.values, TRUE, atol=1e-12)
    np.testing.assert_allclose(settled.sigmas, 0.0, atol=1e-12)


def test_too_few_places_say_nothing() -> None:
    made = estimates(4, 9)
    assert places.settle(made, [0, 0, 0, 1, 1, 1, 2, 2, 2]) is None
    assert places.settle(made, [0] * 9) is None


def test_where_no_half_agrees_nothing_is_said() -> None:
    made = estimates(5, 40)
    made[:, 2] += np.repeat([0.0, 0.3, 0.7, 1.2], 10)
    settled = places.settle(made, list(range(40)))
    assert settled is None or settled.kept.all()  # as one wide heap, and never one quarter of it


def test_places_are_numbered_by_the_way_and_not_by_where_it_leads() -> None:
    out_and_back = np.array([[0, 0, 0], [1.5, 0, 9], [3.0, 0, 0], [1.5, 0, 0], [0, 0, 0]], float)
    assert places.place_numbers(out_and_back) == [0, 0, 1, 2, 3]
    assert places.place_numbers(np.zeros((3, 3))) == [0, 0, 0]
