"""A drive that starts, weaves and stops: speeds and turns over time, on ground that is flat or not."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from flatten.scene.ground import Ground
from flatten.scene.moving import GRID, STILL, Shake, Values
from flatten.scene.standing import stand

STEP = 1e-3
"""Seconds between the moments at which the way is summed up."""
FULL = 0.3
"""Metres a second of a track from which on the body shakes fully; it does not while the tracks rest."""


@dataclass(frozen=True, eq=False)
class Course:
    """A drive by knots (seconds, m/s ahead, rad/s to the left), straight in between, from `start`.

    The body shakes while its tracks turn. Before the first knot and beyond the last it keeps still. The
    same times give the same poses.
    """

    start: tuple[float, float, float]
    """x, y (metres), yaw (radians)."""
    knots: tuple[tuple[float, float, float], ...]
    ground: Ground
    shake: Shake = STILL

    @property
    def seconds(self) -> float:
        """When the last knot is reached."""
        return self.knots[-1][0]

    def at(self, times: Values) -> Values:
        """Give (k, 6) x, y, z, roll, pitch, yaw at times (k,) seconds: metres, radians, world frame."""
        t = np.asarray(times, np.float64).reshape(-1)
        moments, way = self._way
        x, y, yaw, effort = (np.interp(t, moments, column) for column in way)
        steps = np.arange(len(self._lean)) * GRID
        z, lean_roll, lean_pitch = (np.interp(t, steps, column) for column in self._lean.T)
        roll, pitch = self.shake.at(t)
        return np.stack([x, y, z, lean_roll + effort * roll, lean_pitch + effort * pitch, yaw], axis=1)

    @functools.cached_property
    def _way(self) -> tuple[Values, Values]:
        """Moments, and at each x, y, yaw and the share of the full shaking, (4, k)."""
        moments = np.arange(round(self.seconds / STEP) + 1, dtype=np.float64) * STEP
        t, speeds, turns = np.array(self.knots, np.float64).T
        speed, turn = np.interp(moments, t, speeds), np.interp(moments, t, turns)
        x, y, yaw = self.start
        heading = yaw + _summed(turn)
        east, north = x + _summed(speed * np.cos(heading)), y + _summed(speed * np.sin(heading))
        rim = np.abs(speed) + 0.36 * np.abs(turn)  # half of the rover's width
        return np.asarray(moments, np.float64), np.stack(
            [east, north, heading, np.clip(rim / FULL, 0.0, 1.0)]
        )

    @functools.cached_property
    def _lean(self) -> Values:
        """(k, 3) height, roll and pitch of the ground under the tracks, GRID apart."""
        moments, way = self._way
        steps = np.arange(math.ceil(self.seconds / GRID) + 1) * GRID
        x, y, yaw = (np.interp(steps, moments, column) for column in way[:3])
        places = np.stack([x, y, yaw], axis=1).tolist()
        stances = [stand(self.ground, *place) for place in places]
        return np.array([(one.z, one.roll, one.pitch) for one in stances])


def _summed(rates: Values) -> Values:
    """Sum rates, STEP apart, by the trapezoid rule; 0 at first."""
    parts = 0.5 * STEP * (rates[1:] + rates[:-1])
    return np.concatenate([[0.0], np.cumsum(parts)])
