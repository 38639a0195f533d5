"""The compiled profile: exact bounds and directions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import frames
from flatten.plan import CLEAR_WORDS, directions, greatest_square, least_square, make_plan
from flatten.profile import remarks
from tests.conftest import make_profile


@given(st.floats(1e-3, 1e3))
def test_comparing_squares_is_comparing_distances(distance: float) -> None:
    most, least = greatest_square(distance), least_square(distance)
    assert math.sqrt(most) <= distance < math.sqrt(math.nextafter(most, math.inf))
    assert math.sqrt(least) >= distance > math.sqrt(math.nextafter(least, 0.0))


def test_directions_are_exact_on_the_axes() -> None:
    expected = [[1, 0], [0, 1], [-1, 0], [0, -1], [1, 0], [-1, 0]]
    np.testing.assert_array_equal(directions(np.array([0.0, 90.0, 180.0, 270.0, 360.0, -180.0])), expected)


@pytest.mark.parametrize("pitch", [0.0, 0.1])
def test_the_fans_origin_is_not_moved_by_the_attitude(pitch: float) -> None:
    plan = make_plan(make_profile())
    level = plan.level_from_body((0.0, pitch))
    # the body's origin comes to lie where the mount says, seen from the fan's origin
    np.testing.assert_allclose(level @ [0, 0, 0, 1], [-0.34, 0.09, 0, 1])
    sensor = level @ plan.numbers.body_from_sensor[:, 3]
    expected = frames.rotation_y(pitch) @ [0.34, -0.09, 0.61] - [0.34, -0.09, 0]
    np.testing.assert_allclose(sensor[:3], expected, atol=1e-15)


def test_nose_down_looks_at_the_floor() -> None:
    # REP 103: a positive turn about y (left) takes x (ahead) to −z (down)
    plan = make_plan(make_profile())
    ahead = plan.numbers.body_from_sensor[:3, :3] @ [1.0, 0.0, 0.0]
    np.testing.assert_allclose(ahead, [math.cos(math.radians(12)), 0.0, -math.sin(math.radians(12))])


def test_the_remark_about_coarse_cells_knows_the_cells() -> None:
    assert remarks.CELLS == 64 * CLEAR_WORDS
    assert any("witnessed cells" in words for words in make_profile(reach={"far": 400.0}).warnings)
    assert not any("witnessed cells" in words for words in make_profile().warnings)
