"""What the tests of made-up places share."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatten.scene import Rays


@dataclass(frozen=True)
class Beams:
    """A sensor of a few fixed beams (x, y, z), made unit vectors here."""

    along: tuple[tuple[float, float, float], ...]
    near: float = 0.0
    far: float = 1000.0

    def rays(self, frame: int, seed: int) -> Rays:
        directions = np.array(self.along, float)
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        return Rays(directions, np.arange(len(directions)) * 1e-3)


def random_beams(count: int, seed: int) -> Beams:
    """Beams even over the whole sphere."""
    points = np.random.default_rng(seed).standard_normal((count, 3))
    return Beams(tuple(map(tuple, points.tolist())))


def sagitta(radius: float, segments: int) -> float:
    """How far the flats of a round body lie inside the true surface: r·(1 − cos(π/n))."""
    return radius * (1.0 - math.cos(math.pi / segments))
