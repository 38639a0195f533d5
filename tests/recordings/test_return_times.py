"""How the times of returns count, in every way that drivers write them."""

from __future__ import annotations

import numpy as np
import pytest

from flatten import Cloud
from flatten.recordings.return_times import fit_times
from tests.recordings.made import START

SINCE = np.linspace(0.0, 0.0995, 200)
"""Seconds of the returns after the stamp."""


def with_times(times: np.ndarray) -> Cloud:
    zeros = np.zeros(times.size)
    return Cloud(zeros, zeros, zeros, time=times)


@pytest.mark.parametrize(
    ("times", "words", "slack"),
    [
        (SINCE.astype(np.float32), "seconds from the cloud's stamp", 10),
        (SINCE * 1e3, "milliseconds from the cloud's stamp", 1),
        ((SINCE * 1e6).astype(np.uint32), "microseconds from the cloud's stamp", 1000),
        ((SINCE * 1e9).astype(np.uint32), "nanoseconds from the cloud's stamp", 1),
        (SINCE - 0.1, "seconds from the cloud's stamp", None),
        (START / 1e9 + SINCE, "seconds since 1970", 1000),  # float64 at such times: 238 ns
        (START / 1e3 + SINCE * 1e6, "microseconds since 1970", 1000),
        (START + SINCE * 1e9, "nanoseconds since 1970", 1000),
        (START + 20 * 10**9 + SINCE * 1e9, "nanoseconds since 1970", None),  # a clock that is off
    ],
)
def test_units_and_zero(times: np.ndarray, words: str, slack: int | None) -> None:
    told = fit_times(with_times(times), START)
    assert not isinstance(told, str), told
    assert told.words == words
    if slack is not None:
        assert abs(told.first - START) <= slack
        assert abs(told.last - START - 99_500_000) <= slack
    assert told.first < told.last


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (None, "no times"),
        (np.zeros(5), "one time"),
        (np.full(5, np.nan), "no returns with a time"),
        (np.array([0.0, 5.0]), "in no unit"),
    ],
)
def test_what_cannot_be_told(times: np.ndarray | None, words: str) -> None:
    made = with_times(np.zeros(5))
    cloud = Cloud(made.x, made.y, made.z) if times is None else with_times(times)
    told = fit_times(cloud, START)
    assert isinstance(told, str) and words in told


@pytest.mark.parametrize("lasts", [0.01, 0.1, 1.0, 3.9])
def test_slow_and_quick_sensors(lasts: float) -> None:
    for scale in (1.0, 1e3, 1e6, 1e9):
        told = fit_times(with_times(np.linspace(0.0, lasts, 10) * scale), START)
        assert not isinstance(told, str)
        assert told.last - told.first == pytest.approx(lasts * 1e9, abs=2)
