"""By how much one look at a place must be moved to fit another: correlation of what both saw.

What the first look hit becomes a picture that fades out beside its cells; what the second one hit is turned
by one angle after the other, and for each the sum of the picture under its cells is taken at all shifts at
once (by Fourier transforms: the correlation theorem). The best sum tells shift and turn. After correlative
scan matching (Olson 2009, from memory). Along a straight wall all shifts fit alike: such a direction is told
apart and left out of the shift.

On noisy looks of places with corners it is good to about 3 cm and a third of a degree.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]

PIXEL = 0.1
"""Metres; the shift is told between pixels by a parabola."""
FADE = 0.1
"""Metres beside a hit at which the picture has faded to 61 % (a normal curve): noise and half a bin."""
REACH = 1.5
"""Metres to which shifts are looked for."""
TURNS, FINE = np.radians(np.arange(-4.0, 4.01, 0.5)), math.radians(0.25)
"""Radians: turns that are looked at, and how far to both sides of the best of them once more."""
HALF = 15.0
"""Metres about the middle within which hits are compared."""
FEWEST = 40
"""Cells that each look must have hit."""
LEAST_FIT = 0.25
"""Share of the second look's cells that must lie on the first one's at the best shift, the fading counted."""
WIDE = 1 << 20
"""More pixels than are ever side by side."""
ASIDE, FLAT = 0.4, 0.12
"""Where the fit falls by less than FLAT of itself at ASIDE m to a side, that direction is not told."""
SIDES = 16


class Fit(NamedTuple):
    """How the second look fits the first."""

    shift: tuple[float, float]
    """Metres by which the second must be moved, in the map's axes."""
    turn: float
    """Radians by which it must be turned about the middle first."""
    fit: float
    """Share of its cells that then lie on what the first hit."""
    slides: bool
    """Whether one direction is not told: the shift then has nothing along it."""

    @property
    def length(self) -> float:
        """Metres."""
        return math.hypot(*self.shift)


def align(first: Numbers, second: Numbers, middle: tuple[float, float]) -> Fit | None:
    """Fit hits (M, 2) of a second look to hits (N, 2) of a first; None where they cannot be compared."""
    one, other = (_pixels(_near(points - middle)) for points in (first, second))
    if min(len(one), len(other)) < FEWEST:
        return None
    picture = np.fft.rfft2(_faded(one))
    found = {float(turn): _sums(picture, _pixels(other @ _turned(turn))) for turn in TURNS}
    rough = max(found, key=lambda turn: float(found[turn].max()))
    for turn in (rough - FINE, rough + FINE):
        found[turn] = _sums(picture, _pixels(other @ _turned(turn)))
    near = sorted(turn for turn in found if abs(turn - rough) < 2.5 * FINE)  # FINE apart
    tops = np.array([float(found[turn].max()) for turn in near])
    best = int(tops.argmax())
    fit = float(tops[best]) / len(other)
    if fit < LEAST_FIT:
        return None
    shift, side = _top(found[near[best]])
    if side is not None:
        shift = shift - side * float(shift @ side)
    turn = near[0] + FINE * _between(tops, best)
    return Fit((float(shift[0]), float(shift[1])), turn, fit, side is not None)


def _turned(angle: float) -> Numbers:
    """Turns rows (N, 2) about the middle, counter-clockwise."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, s], [-s, c]])


def _near(points: Numbers) -> Numbers:
    return points[(np.abs(points) < HALF).all(axis=1)]


def _pixels(points: Numbers) -> Numbers:
    """Middle of the hits in each pixel: so many looks from near by do not outweigh one from afar."""
    if not len(points):
        return points
    pixel = np.floor(points / PIXEL).astype(np.int64)
    _, number = np.unique(pixel[:, 1] * WIDE + pixel[:, 0], return_inverse=True)
    sums = [np.bincount(number, points[:, axis]) for axis in (0, 1)]
    return np.asarray(np.stack(sums, axis=1) / np.bincount(number)[:, None])


@functools.cache
def _side() -> int:
    """Pixels along the side of the picture, with room for shifts and turned corners."""
    return 2 * math.ceil((HALF * 1.1 + REACH) / PIXEL)


def _laid(points: Numbers) -> Numbers:
    """Lay points on the picture, each shared out among the four pixels about it."""
    side = _side()
    places = points / PIXEL + (side // 2 - 0.5)
    places = places[((places >= 0.0) & (places < side - 1)).all(axis=1)]
    cell = np.floor(places).astype(np.int64)
    part = places - cell
    laid: Numbers = np.zeros(side * side)
    for dx in (0, 1):
        for dy in (0, 1):
            weight = np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1])
            np.add.at(laid, (cell[:, 1] + dy) * side + cell[:, 0] + dx, weight)
    picture: Numbers = np.minimum(laid, 1.0).reshape(side, side)
    return picture


def _faded(points: Numbers) -> Numbers:
    """Make the picture: 1 where something was hit, fading out beside it."""
    laid = _laid(points)
    far = math.ceil(3.0 * FADE / PIXEL)
    made: Numbers = laid.copy()
    for dy in range(-far, far + 1):
        for dx in range(-far, far + 1):
            weight = math.exp(-0.5 * (dx * dx + dy * dy) * (PIXEL / FADE) ** 2)
            np.maximum(made, weight * np.roll(laid, (dy, dx), (0, 1)), out=made)
    return made


def _sums(picture: npt.NDArray[np.complex128], points: Numbers) -> Numbers:
    """Sum of the picture under the points at all shifts up to REACH; the middle one is no shift."""
    side, far = _side(), round(REACH / PIXEL)
    sums = np.fft.irfft2(picture * np.conj(np.fft.rfft2(_laid(points))), s=(side, side))
    window = np.roll(sums, (far, far), (0, 1))
    return np.asarray(window[: 2 * far + 1, : 2 * far + 1])


def _top(sums: Numbers) -> tuple[Numbers, Numbers | None]:
    """Where the sums are greatest, metres, and the direction along which they hardly fall, if any."""
    far = len(sums) // 2
    row, column = (int(k) for k in np.unravel_index(int(sums.argmax()), sums.shape))
    top = np.array([_between(sums[row], column), _between(sums[:, column], row)])
    angles = np.arange(SIDES) * (math.pi / SIDES)
    sides = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    here = np.array([column, row])
    both = [np.rint(here + sign * sides * (ASIDE / PIXEL)).astype(int) for sign in (1.0, -1.0)]
    both = [np.clip(part, 0, len(sums) - 1) for part in both]
    falls = 1.0 - np.maximum(*(sums[part[:, 1], part[:, 0]] for part in both)) / sums[row, column]
    flattest = int(falls.argmin())
    shift = (top - far) * PIXEL
    return shift, (sides[flattest] if falls[flattest] < FLAT else None)


def _between(line: Numbers, k: int) -> float:
    """Place of the top of a parabola through a greatest value and those beside it."""
    if not 0 < k < len(line) - 1:
        return float(k)
    left, middle, right = (float(value) for value in line[k - 1 : k + 2])
    bend = left - 2.0 * middle + right
    return k if bend >= 0.0 else k + 0.5 * (left - right) / bend
