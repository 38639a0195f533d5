"""Pieces of rough ground: heights along one direction, which add up.

A piece is a broken line of heights: knots (s, z) with s ascending, in metres; two knots at one s
are a vertical face. Before its first and beyond its last knot the height stays. A piece runs along
one of the two directions of a `Ground` and may be limited across it, with vertical sides.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

ENDLESS = (-math.inf, math.inf)
KERB = 0.100
"""Full height of a kerb, metres (Hampshire kerbing guide)."""
LOADING = math.atan(1.0 / 12.0)
"""Angle of the steepest ramp for general use, radians (ADA 4.8.2)."""


class Piece(NamedTuple):
    """One piece; `axis` 0 runs along the first direction of the ground, 1 along the second."""

    knots: tuple[tuple[float, float], ...]
    axis: int = 0
    across: tuple[float, float] = ENDLESS

    def heights(self, along: Values, inside: Values) -> Values:
        """Heights at `along` by the straight part in which `inside` lies: it tells the sides of a face."""
        s, z = np.array(self.knots, np.float64).T
        s, z = np.array([-1e6, *s, 1e6]), np.array([z[0], *z, z[-1]])
        part = np.clip(np.searchsorted(s, inside, side="right") - 1, 0, len(s) - 2)
        width = s[part + 1] - s[part]
        share = (along - s[part]) / np.where(width > 0.0, width, 1.0)
        return np.asarray(z[part] + share * (z[part + 1] - z[part]))

    def covers(self, inside: Values) -> npt.NDArray[np.bool_]:
        """Say which places across the piece it reaches."""
        return np.asarray((inside >= self.across[0]) & (inside < self.across[1]))


def line(
    *steps: tuple[float, float], start: float = 0.0, height: float = 0.0
) -> tuple[tuple[float, float], ...]:
    """Knots from a start and height, each step (length, rise) after the other; a length of 0 is a face."""
    knots = [(start, height)]
    for length, rise in steps:
        knots.append((knots[-1][0] + length, knots[-1][1] + rise))
    return tuple(knots)


def ramp(
    toe: float, angle: float, rise: float, axis: int = 0, across: tuple[float, float] = ENDLESS
) -> Piece:
    """Ramp from its toe up to a landing `rise` higher, at an angle in radians."""
    return Piece(line((rise / math.tan(angle), rise), start=toe), axis, across)


def crossfall(angle: float, axis: int = 1, reach: float = 100.0) -> Piece:
    """Plane that rises along the axis at an angle (radians), 0 at the ground's origin."""
    rise = reach * math.tan(angle)
    return Piece(((-reach, -rise), (reach, rise)), axis)


def crest(
    start: float,
    length: float,
    angle: float,
    axis: int = 0,
    chords: int = 8,
    across: tuple[float, float] = ENDLESS,
) -> Piece:
    """Rounded crest over `length`, as steep as `angle` at both ends (a dip where it is negative).

    It is a broken line of chords of equal length, whose slopes turn evenly from +angle to −angle.
    """
    slopes = math.tan(angle) * (1.0 - 2.0 * np.arange(chords) / (chords - 1))
    run = length / chords
    return Piece(line(*((run, run * float(slope)) for slope in slopes), start=start), axis, across)


def step(where: float, rise: float, axis: int = 0, across: tuple[float, float] = ENDLESS) -> Piece:
    """One vertical face: up by `rise` (a kerb) or, where it is negative, down (a dock edge)."""
    return Piece(line((0.0, rise), start=where), axis, across)


def stair(
    where: float,
    risers: int,
    riser: float,
    tread: float,
    axis: int = 0,
    across: tuple[float, float] = ENDLESS,
) -> Piece:
    """So many risers, `tread` apart; a negative riser leads down, a negative tread back."""
    steps = [(0.0, riser) if k % 2 == 0 else (abs(tread), 0.0) for k in range(2 * risers - 1)]
    knots = line(*steps)
    if tread < 0.0:
        knots = tuple((-s, z) for s, z in reversed(knots))
    return Piece(tuple((where + s, z) for s, z in knots), axis, across)


def trench(
    where: float, width: float, depth: float, axis: int = 0, across: tuple[float, float] = ENDLESS
) -> Piece:
    """Ditch of a width and depth from `where` on; a hole if limited across, a bank if of negative depth."""
    return Piece(line((0.0, -depth), (width, 0.0), (0.0, depth), start=where), axis, across)
