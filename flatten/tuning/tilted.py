"""What a mount that moved does to slices: how high level floor and things on it seem to be, in closed form.

Where the profile's mount differs from the true one, the floor seems to be the plane z = c + a·x + b·y of the
profile's level frame. It enters a slice where that exceeds bottom + rise·r, on the side to which it rises; on
the other side a thing of height h is missed from where its top has sunk below the slice's bottom.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from flatten.frames import Matrix
from flatten.profile.models import Slice

THINGS = (0.1, 0.4)
"""Metres: heights of things that are told to be missed, a kerb and the upright test body."""

NEARER = 0.8
"""Of the distance from which on the slice's own rise misses a thing; hardly nearer than that is no matter."""


class Seeming(NamedTuple):
    """The floor as the profile's mount has it, about the fan's origin."""

    height: float
    """Metres at the fan's origin."""
    slope: float
    """Metres a metre, 0 or more."""
    bearing: float
    """Radians: to where it rises."""

    def enters(self, band: Slice, far: float) -> float:
        """Metres from which on the floor gets into a slice; inf where it does not up to `far`."""
        if self.height >= band.bottom:
            return 0.0
        climb = self.slope - band.rise
        found = (band.bottom - self.height) / climb if climb > 0.0 else math.inf
        return found if found <= far and found * self.slope + self.height < band.top else math.inf

    def misses(self, band: Slice, tall: float, far: float) -> float:
        """Metres from which on a thing so tall is missed, where the floor falls; inf where not up to `far`.

        A thing that is missed by the right mount as well is no matter here.
        """
        rightly = (tall - band.bottom) / band.rise if band.rise > 0.0 else math.inf
        if tall <= band.bottom:
            return math.inf
        top = tall + self.height - band.bottom
        fall = self.slope + band.rise
        found = 0.0 if top <= 0.0 else top / fall if fall > 0.0 else math.inf
        return found if found < min(NEARER * rightly, far) else math.inf


def seeming_floor(declared_from_sensor: Matrix, now_from_sensor: Matrix) -> Seeming:
    """Find where level floor seems to be.

    Parameters
    ----------
    declared_from_sensor, now_from_sensor:
        (4, 4) body_from_sensor by the profile, and as it is.

    """
    declared_from_now = declared_from_sensor @ np.linalg.inv(now_from_sensor)
    up = declared_from_now[:3, 2]  # the floor's normal, as the profile has it
    point = declared_from_now[:3, 3]  # the body's origin, which lies on the floor
    a, b = -up[0] / up[2], -up[1] / up[2]
    x, y = declared_from_sensor[:2, 3] - point[:2]
    return Seeming(float(point[2] + a * x + b * y), math.hypot(a, b), math.atan2(b, a))
