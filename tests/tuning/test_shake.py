"""Shaking, from floors and from poses."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from flatten import Motion
from flatten.scene import Drive, measured_poses
from flatten.scene import Shake as Shaking
from flatten.tuning.shake import FEWEST, LEAST, TAKEN, Shake, of_floor, of_poses, shake_of, surely


@pytest.mark.parametrize(("degrees", "metres"), [(1.0, 28.64), (2.0, 14.32), (5.0, 5.72)])
def test_where_a_tilted_floor_enters(degrees: float, metres: float) -> None:
    """h/tan for 0.5 m, computed from the formula: four digits."""
    assert Shake(math.radians(degrees), "").entering(0.5, 0.0, 1.0) == pytest.approx(metres, abs=0.005)
    assert math.isinf(Shake(math.radians(degrees), "").entering(0.5, 0.1, 1.0))


def test_three_sigma_less_the_rise() -> None:
    shake = Shake(math.radians(0.3), "")
    assert shake.entering(0.08, 0.01) == pytest.approx(0.08 / (math.tan(math.radians(0.9)) - 0.01))


@pytest.mark.parametrize("seed", range(5))
def test_floors_tell_the_spread(seed: int) -> None:
    """Of 200 frames a standard deviation is known to 1/√(2·398) = 3.5 %: three times that."""
    slopes = np.random.default_rng(seed).normal([0.02, -0.01], math.tan(math.radians(0.4)), (200, 2))
    assert math.degrees(of_floor([tuple(row) for row in slopes])) == pytest.approx(0.4, rel=0.105)


def test_one_ramp_is_no_shaking() -> None:
    slopes = np.random.default_rng(0).normal(0.0, 0.001, (20, 2))
    slopes[7] = 0.2, 0.1
    assert of_floor([tuple(row) for row in slopes]) < 0.0015


@pytest.mark.parametrize("frames", [5, 16, 100])
def test_one_standard_error_of_a_standard_deviation(frames: int) -> None:
    """About the exact one, by the chi distribution, for so many degrees of freedom."""
    freedom = 2 * (frames - 1)
    exact = stats.chi.std(freedom) / stats.chi.mean(freedom)
    assert surely(frames) - 1.0 == pytest.approx(exact, rel=0.05)


def test_poses_tell_swaying_and_no_slope() -> None:
    """Roll and pitch swing by 1.5°: a sine has a standard deviation of 1/√2 of that."""
    times = np.arange(0.0, 10.0, 0.01)
    drive = Drive(speed=0.5, shake=Shaking(math.radians(1.5), 5.0))
    motion = Motion(times, measured_poses(drive, times))
    assert math.degrees(of_poses(motion)) == pytest.approx(1.5 / math.sqrt(2.0), rel=0.02)
    slow = Drive(speed=0.5, shake=Shaking(math.radians(1.5), 0.02))
    assert math.degrees(of_poses(Motion(times, measured_poses(slow, times)))) < 0.1


def test_what_is_given_goes_before_what_is_measured() -> None:
    leans = [(0.0, 0.0), (0.01, 0.0)] * 5
    assert shake_of(leans, None, 0.02).sigma == 0.02
    measured = shake_of(leans, None, None)
    assert measured.sigma == pytest.approx(of_floor(leans) * surely(10))
    assert "10 frames" in measured.comes_from
    assert shake_of([(0.0, 0.0)] * 8, None, None).sigma == LEAST


def test_few_frames_tell_nothing() -> None:
    few = shake_of([(0.0, 0.0)] * (FEWEST - 1), None, None)
    assert few.sigma == TAKEN and few.floor is None and "--shake" in few.comes_from
    times = np.arange(0.0, 2.0, 0.01)
    motion = Motion(times, measured_poses(Drive(shake=Shaking(math.radians(1.0), 5.0)), times))
    assert shake_of([(0.0, 0.0)], motion, None).sigma == of_poses(motion)
