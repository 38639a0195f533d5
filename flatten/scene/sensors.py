"""Sensor classes: where the beams of one frame point, and when.

Directions are unit vectors in the sensor frame (x forward, y left, z along its axis), times are
seconds since the frame began. Angles are radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
CYCLES_A_SPIN = 18.0 + GOLDEN
"""Up-and-down strokes of the rosette a turn; a golden remainder keeps turns from falling on one another.

So chosen, 20,000 returns answer about all bins of 1,440 at 2 m, 70 % at 10 m and 40 % at 25 m, as
the class does (common practice).
"""


class Rays(NamedTuple):
    """The beams of one frame in the order in which they leave."""

    directions: npt.NDArray[np.float64]
    """(N, 3) unit vectors in the sensor frame."""
    times: npt.NDArray[np.float64]
    """(N,) seconds since the frame began."""


class Sensor(Protocol):
    """What `capture` asks of a sensor."""

    @property
    def near(self) -> float:
        """Nearest distance that gives a return, metres."""

    @property
    def far(self) -> float:
        """Farthest distance that gives a return, metres."""

    def rays(self, frame: int, seed: int) -> Rays:
        """Beams of the frame of that number."""


@dataclass(frozen=True)
class Rotating:
    """Rotating multi-beam sensor: `beams` at fixed elevations sweep the circle in `columns` steps.

    The same pattern every frame, counter-clockwise from the rear. The beams of a column leave one
    after another within the first half of the column's time, from the lowest up.
    """

    beams: int = 32
    columns: int = 1024
    lowest: float = math.radians(-25.0)
    highest: float = math.radians(15.0)
    near: float = 0.3
    far: float = 60.0
    period: float = 0.1
    """Seconds a frame."""

    def rays(self, frame: int = 0, seed: int = 0) -> Rays:
        """Beams of one frame, column by column; frame and seed make no difference."""
        elevations = np.linspace(self.lowest, self.highest, self.beams)
        azimuths = -math.pi + np.arange(self.columns) * (2.0 * math.pi / self.columns)
        flat = np.tile(elevations, self.columns)
        directions = _directions(np.repeat(azimuths, self.beams), flat)
        column = self.period / self.columns
        times = np.add.outer(
            np.arange(self.columns) * column, np.arange(self.beams) * (0.5 * column / self.beams)
        )
        return Rays(directions, times.reshape(-1))


@dataclass(frozen=True)
class Rosette:
    """Wide-field non-repetitive sensor: a fast stroke in elevation and a slower spin draw rosettes.

    The numbers are those of the class (common practice): 360° × 59°, 0.1 m to 40 m, 200,000
    returns a second at 10 frames a second. Strokes and spins a frame are irrational, so that no
    frame draws the pattern of another; the seed sets where the first one begins. Elevations are
    spread evenly between the limits.

    The field, 7° down to 52° up in the sensor's own axes, is made for looking at ceilings: upright
    on a rover, 0.6 m up, it meets level floor no nearer than 5 m. Three mounts make it useful
    there. Upside-down (roll 180°) it looks from 52° below to 7° above the horizon all round, and
    sees the floor from 0.6 m on out of 0.8 m height: the choice for low obstacles. Upright and
    pitched 20° to 30° nose down it sees floor and overhangs ahead, and nothing low behind. On its
    side it sees one side only. The sample rover carries it upside-down, 4° nose up.
    """

    returns: int = 20_000
    lowest: float = math.radians(-7.0)
    highest: float = math.radians(52.0)
    near: float = 0.1
    far: float = 40.0
    period: float = 0.1
    """Seconds a frame."""

    def rays(self, frame: int = 0, seed: int = 0) -> Rays:
        """Beams of the frame of that number, in order of time."""
        start = np.random.default_rng([73, seed]).uniform(0.0, 1.0, 2)
        part = frame + np.arange(self.returns) / self.returns
        # as many strokes as make the pattern about as dense along as across them
        cycles = 0.5 * math.sqrt(self.returns * 2.0 * math.pi / (self.highest - self.lowest)) + math.sqrt(0.5)
        stroke = np.mod(start[0] + part * cycles, 1.0)
        spin = np.mod(start[1] + part * (cycles / CYCLES_A_SPIN), 1.0)
        rise = 1.0 - np.abs(2.0 * stroke - 1.0)
        elevations = self.lowest + (self.highest - self.lowest) * rise
        return Rays(_directions(2.0 * math.pi * spin, elevations), (part - frame) * self.period)


def _directions(
    azimuths: npt.NDArray[np.float64], elevations: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    flat = np.cos(elevations)
    return np.stack([flat * np.cos(azimuths), flat * np.sin(azimuths), np.sin(elevations)], axis=1)
