"""A cloud seen from a plane: which patch of it each beam is aimed at, and how far off each return lies.

All of it depends on where a beam points and not on the range that was measured: sorting noisy ranges
into patches, or weighting by them, would shift the plane by about half a millimetre.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.frames import Matrix

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

SECTORS = 24
"""Patches around the foot of the perpendicular."""
FIRST_RING, GROWTH = 0.3, 1.25
"""Outer edge of the innermost ring, metres, and how much wider each ring reaches than the one before."""
RINGS = 24
STRIPS = 96
"""Bearings told apart where it is asked what stands behind a place."""
FOOT = 1.3
"""A return counts only if nothing stands up to so many times its own distance behind it."""
FEWEST = 4
"""Returns that a patch must hold."""
GRAZING, FARTHEST = 20.0, 15.0
"""The plane is used out to so many times the sensor's distance from it (a beam 3° above the surface, which
meets the tops of what lies there), and never farther than so many metres."""
SHORTEST = 3.0
"""Metres out to which the plane is used however near it the sensor is."""


class Beams(NamedTuple):
    """The returns of one cloud as beams of the sensor."""

    directions: Numbers
    """(N, 3) unit vectors."""
    ranges: Numbers
    """(N,) metres."""


class Aimed(NamedTuple):
    """The beams that are aimed at a plane within its usable distance."""

    x: Numbers
    """(N,) metres along the plane from the foot of the perpendicular: where the beam would meet it."""
    y: Numbers
    down: Numbers
    """(N,) part of the beam's direction that points straight at the plane."""
    above: Numbers
    """(N,) metres by which the return lies above the plane."""
    patch: Places
    """(N,) number of the patch, ring · SECTORS + sector."""


def beams_of(points: Numbers) -> Beams:
    """Take (N, 3) coordinates apart; returns that are not finite or lie at the sensor are left out."""
    ranges = np.linalg.norm(points, axis=1)
    good = np.isfinite(ranges) & (ranges > 1e-3) & (ranges < 1e6)
    return Beams(points[good] / ranges[good, None], ranges[good])


def reach_of(distance: float) -> float:
    """Metres from the foot of the perpendicular out to which a plane at this distance is used."""
    return min(FARTHEST, max(SHORTEST, GRAZING * distance))


def aim(beams: Beams, level_from_sensor: Matrix, distance: float, reach: float) -> Aimed:
    """Aim the beams at the plane z = −distance of the level frame, a (3, 3) rotation away, out to `reach`."""
    turned = beams.directions @ level_from_sensor.T
    steepness = distance / math.hypot(reach, distance)
    hit = turned[:, 2] < -steepness
    x, y, down = turned[hit, 0], turned[hit, 1], -turned[hit, 2]
    to_plane = distance / down
    x, y = x * to_plane, y * to_plane
    above = (to_plane - beams.ranges[hit]) * down
    return Aimed(x, y, down, above, patch_of(x, y))


def patch_of(x: Numbers, y: Numbers) -> Places:
    """Find the patch of places on the plane, metres from the foot of the perpendicular."""
    away = np.maximum(np.hypot(x, y), 1e-9)
    ring = np.ceil(np.log(away / FIRST_RING) / math.log(GROWTH))
    sector = np.floor((np.arctan2(y, x) + math.pi) * (SECTORS / (2.0 * math.pi)))
    bounded = np.clip(ring, 0, RINGS - 1) * SECTORS + np.clip(sector, 0, SECTORS - 1)
    return np.asarray(bounded, np.int64)


def area_of(patch: Places) -> Numbers:
    """Square metres of patches; of the innermost ring a sector of its disc."""
    outer = FIRST_RING * GROWTH ** (patch // SECTORS).astype(np.float64)
    inner = np.where(patch < SECTORS, 0.0, outer / GROWTH)
    return np.asarray(math.pi / SECTORS * (outer**2 - inner**2))


def medians(values: Numbers, groups: Places, size: int) -> Numbers:
    """Median of the values of each group 0 … size − 1; NaN where there are none."""
    order = np.lexsort((values, groups))
    counts = np.bincount(groups, minlength=size)
    starts = np.cumsum(counts) - counts
    found = np.full(size, np.nan)
    there = counts > 0
    low = starts[there] + (counts[there] - 1) // 2
    high = starts[there] + counts[there] // 2
    found[there] = 0.5 * (values[order[low]] + values[order[high]])
    return found


def open_behind(aimed: Aimed, near: Mask, distance: float) -> Mask:
    """Tell of which beams nothing stands just behind the place that they are aimed at.

    The foot of what stands there is as low as the floor, and always above it. It shows by the beams that
    are aimed a little farther and end a little higher on it; what hangs does not come so low.
    """
    low = distance * (1.0 - 1.0 / FOOT)
    stopped = ~near & (aimed.above > 0.0) & (aimed.above <= low)
    strip = np.floor((np.arctan2(aimed.y, aimed.x) + math.pi) * (STRIPS / (2.0 * math.pi)))
    # one number a beam that rises with the strip first and the distance in it second
    away = strip * 100.0 + np.log(np.maximum(np.hypot(aimed.x, aimed.y), 1e-9))
    stops = np.append(np.sort(away[stopped]), np.inf)
    behind = stops[np.searchsorted(stops, away)]
    return np.asarray(behind - away > math.log(FOOT))
