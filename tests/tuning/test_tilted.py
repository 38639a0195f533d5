"""Where the floor seems to be, and from where on that matters, against plain geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten import frames
from flatten.profile.models import Slice
from flatten.tuning.tilted import Seeming, seeming_floor

SMALL = st.floats(-0.1, 0.1)
DRIVE = Slice(bottom=0.08, top=1.0)


@given(SMALL, SMALL, SMALL, SMALL, st.floats(-math.pi, math.pi), st.floats(0.0, 20.0))
def test_points_of_the_floor_seem_where_it_says(
    roll: float, pitch: float, yaw: float, shift: float, bearing: float, away: float
) -> None:
    """The floor's points, placed by the wrong mount, lie on the plane: to 1e-9 m, which is rounding."""
    declared = frames.body_from_sensor(0.4, -0.1, 0.8, math.pi, -0.07, 0.0)
    now = frames.body_from_sensor(0.4, -0.1, 0.8 + shift, math.pi + roll, -0.07 + pitch, yaw)
    seeming = seeming_floor(declared, now)
    point = np.array([0.4 + away * math.cos(bearing), -0.1 + away * math.sin(bearing), 0.0, 1.0])
    x, y, z, _ = declared @ np.linalg.inv(now) @ point
    along = (x - 0.4) * math.cos(seeming.bearing) + (y + 0.1) * math.sin(seeming.bearing)
    assert z == pytest.approx(seeming.height + seeming.slope * along, abs=1e-9)


def test_a_mount_that_is_right_matters_nowhere() -> None:
    mount = frames.body_from_sensor(0.4, -0.1, 0.8, math.pi, -0.07, 0.3)
    seeming = seeming_floor(mount, mount)
    assert seeming.height == pytest.approx(0.0, abs=1e-12) and seeming.slope == pytest.approx(0.0, abs=1e-12)
    assert seeming.enters(DRIVE, 25.0) == math.inf and seeming.misses(DRIVE, 0.4, 25.0) == math.inf


def test_half_a_degree_lets_the_floor_in_at_h_over_its_tangent() -> None:
    slope = math.tan(math.radians(0.5))
    assert Seeming(0.0, slope, 0.0).enters(DRIVE, 25.0) == pytest.approx(0.08 / slope)
    assert Seeming(0.0, slope, 0.0).enters(DRIVE, 9.0) == math.inf
    assert Seeming(0.03, slope, 0.0).enters(DRIVE, 25.0) == pytest.approx(0.05 / slope)
    assert Seeming(0.09, slope, 0.0).enters(DRIVE, 25.0) == 0.0
    rising = Slice(bottom=0.08, top=1.0, rise=0.005)
    assert Seeming(0.0, slope, 0.0).enters(rising, 25.0) == pytest.approx(0.08 / (slope - 0.005))
    assert Seeming(0.0, slope, 0.0).enters(Slice(bottom=0.08, top=1.0, rise=0.01), 25.0) == math.inf


def test_things_are_missed_from_where_their_tops_have_sunk_below_the_bottom() -> None:
    slope = math.tan(math.radians(1.0))
    seeming = Seeming(0.0, slope, 0.0)
    assert seeming.misses(DRIVE, 0.1, 25.0) == pytest.approx(0.02 / slope)
    assert seeming.misses(DRIVE, 0.4, 25.0) == pytest.approx(0.32 / slope)
    assert seeming.misses(DRIVE, 0.4, 15.0) == math.inf
    assert seeming.misses(DRIVE, 0.05, 25.0) == math.inf  # no slice that begins at 0.08 shows it ever
    assert Seeming(-0.05, slope, 0.0).misses(DRIVE, 0.1, 25.0) == 0.0
    # what the slice's own rise misses is no fault of the mount
    assert Seeming(0.0, 0.0, 0.0).misses(Slice(bottom=0.08, top=1.0, rise=0.02), 0.1, 25.0) == math.inf
