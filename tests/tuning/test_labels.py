"""What returns are to a driver, by the rules written out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flatten.tuning.labels import UNDER, Label, Limits, label, nearest, passed_under

LIMITS = Limits(step=0.06, head=1.0, drop=0.06, margin=0.02)


def labels(above: Any, **more: Any) -> list[Label]:
    """Labels of returns, each in a bin of its own 5 m away, floor known everywhere."""
    heights = np.array(above, float)
    n = len(heights)
    with_all: dict[str, Any] = {
        "bins": 10 * np.arange(n), "distances": np.full(n, 5.0), "most": heights, "known": np.ones(n, bool),
        "sloping": np.zeros(n, bool), "limits": LIMITS, "reach": (0.3, 15.0), "number": 10 * n + 10, **more,
    }  # fmt: skip
    found = label(above=heights, **with_all)
    return [Label(value) for value in found]


@pytest.mark.parametrize(
    ("above", "expected"),
    [
        (0.0, Label.FLOOR), (0.02, Label.FLOOR), (0.03, Label.CLIMBED), (0.079, Label.CLIMBED),
        (0.081, Label.MUST), (0.97, Label.MUST), (0.99, Label.CLIMBED), (1.01, Label.CLIMBED),
        (1.03, Label.PASSED), (-0.05, Label.FLOOR), (-0.07, Label.LOW),
    ],
)  # fmt: skip
def test_heights_part_the_labels(above: float, expected: Label) -> None:
    assert labels([above]) == [expected]


def test_reach_and_fan_go_before_heights() -> None:
    assert labels([0.5], distances=np.array([0.2])) == [Label.BEYOND]
    assert labels([0.5], distances=np.array([15.1])) == [Label.BEYOND]
    assert labels([0.5, 0.5], distances=np.array([0.3, 15.0])) == [Label.MUST, Label.MUST]
    assert labels([0.5], bins=np.array([-1])) == [Label.SKIPPED]


def test_where_no_floor_is_known_only_what_is_sure_is_said() -> None:
    unknown = {"known": np.array([False])}
    assert labels([-0.2], most=np.array([0.01]), **unknown) == [Label.FLOOR]
    assert labels([0.05], most=np.array([0.3]), **unknown) == [Label.UNSURE]
    assert labels([0.3], most=np.array([0.6]), **unknown) == [Label.MUST]
    assert labels([0.8], most=np.array([1.1]), **unknown) == [Label.UNSURE]
    assert labels([1.1], most=np.array([1.5]), **unknown) == [Label.PASSED]


def test_floor_off_its_plane_is_told_apart() -> None:
    assert labels([0.0], sloping=np.array([True])) == [Label.SLOPE]
    assert labels([0.5], sloping=np.array([True])) == [Label.MUST]


@pytest.mark.parametrize(
    ("bin_of_low", "off", "free"),
    [(7, 0.0, False), (8, 0.0, False), (6, 0.4, False), (9, 0.0, True), (7, 0.6, True), (7, -0.6, True)],
)
def test_a_way_is_free_where_nothing_low_lies_under(bin_of_low: int, off: float, free: bool) -> None:
    high = passed_under(np.array([7]), np.array([4.0]), np.array([bin_of_low]), np.array([4.0 + off]), 20)
    assert high.tolist() == [free] and abs(off) != UNDER


def test_the_fan_closes() -> None:
    assert not passed_under(np.array([0]), np.array([4.0]), np.array([19]), np.array([4.0]), 20)[0]


@pytest.mark.parametrize("seed", range(4))
def test_free_ways_by_the_rule_written_out(seed: int) -> None:
    rng = np.random.default_rng(seed)
    bins, distances = rng.integers(0, 30, 60), rng.uniform(0.3, 15.0, 60)
    low, at = rng.integers(-1, 30, 50), rng.uniform(0.3, 15.0, 50)
    expected = [
        not any(
            k >= 0 and min((k - b) % 30, (b - k) % 30) <= 1 and abs(t - d) <= UNDER
            for k, t in zip(low, at, strict=True)
        )
        for b, d in zip(bins, distances, strict=True)
    ]
    assert passed_under(bins, distances, low, at, 30).tolist() == expected


def test_nearest_of_each_bin() -> None:
    found = nearest(np.array([2, 0, 2]), np.array([3.0, 1.0, 2.0]), 4)
    assert found.tolist() == [1.0, np.inf, 2.0, np.inf]
