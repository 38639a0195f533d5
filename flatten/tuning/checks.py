"""When a plane is not the floor, or not enough of it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from flatten.errors import TuningError
from flatten.tuning.floor_plane import FEWEST_PATCHES, Plane, PlaneFit
from flatten.tuning.patches import FEWEST, RINGS, SECTORS, Beams, Numbers, aim, area_of, medians, reach_of
from flatten.tuning.start import SHIFT, TILT, angle_between

SMALLEST = 0.25
"""Metres, one sigma: the patches must be spread at least so far about their middle, in every direction."""
ROUGHEST = 0.015
"""Metres, one sigma, by which a floor's patches may scatter."""
WAVY, TOGETHER = 0.003, 0.4
"""Metres, one sigma, from which on they may not be off together with their neighbours; the correlation."""
LEAST_SURE = (math.radians(0.3), math.radians(0.3), 0.02)
"""Standard errors of roll, pitch and z beyond which an answer is of no use."""
LEVEL_SPAN = 1.2
"""Metres above and below the floor in which other levels are looked for."""
LEVEL_THICK = 0.04
LEVEL_APART = 0.025
"""Metres by which a level must differ."""
SECOND = 0.25
"""Area of another level, by that of the floor, from which on nobody can say which of them is the floor."""
LOWER = 0.10
"""The same for a level below: a robot does not stand in the air."""
FEWEST_LEVEL = 6


class Level(NamedTuple):
    """A second flat surface beside the floor."""

    height: float
    """Metres above the floor; below it where negative."""
    area: float
    """Square metres that are seen of it, about."""


def check_floor(beams: Beams, fit: PlaneFit) -> None:
    """Raise TuningError where a fitted plane cannot be the floor, or is too little of it."""
    counts = fit.weights > 0.5
    patches = int(counts.sum())
    spread = narrowest(fit.patches.rows[counts, 1:3])
    if patches < FEWEST_PATCHES or spread < SMALLEST:
        raise TuningError(
            f"the floor is too small: {patches} patches of it, spread {2 * spread:.2f} m in its narrowest "
            f"direction; wanted are {FEWEST_PATCHES} and {2 * SMALLEST:g} m: stand where more of it is seen"
        )
    level = second_level(beams, fit)
    if level is not None and level.height < 0.0:
        raise TuningError(
            f"the largest plane is no floor: {level.area:.1f} m² of another level lie "
            f"{-level.height:.2f} m below it, as under a table or beyond an edge: stand on open floor"
        )
    if level is not None:
        raise TuningError(
            f"two levels: {level.area:.1f} m² lie {level.height:.2f} m above the rest of the floor, "
            "and nobody can say which of them the robot stands on: stand on open floor"
        )
    if fit.unevenness > WAVY and together(fit) > TOGETHER:
        raise TuningError(
            f"the floor is not flat: whole regions of it are off by {1e3 * fit.unevenness:.0f} mm (one "
            "sigma), as at a step, a bend or a wave: stand elsewhere"
        )
    if fit.unevenness > ROUGHEST:
        raise TuningError(
            f"the floor is not flat: its patches scatter by {1e3 * fit.unevenness:.0f} mm (one sigma), at "
            f"most {1e3 * ROUGHEST:.0f} mm are wanted: two levels, a bend or rough ground; stand elsewhere"
        )


def together(fit: PlaneFit) -> float:
    """Correlation of the residuals of patches with those of their neighbours, outward and around.

    Near nothing for gravel and noise; a step, a bend or a wave is off by the same in whole regions, and no
    number of patches makes a plane through them right.
    """
    residuals = np.full(RINGS * SECTORS, np.nan)
    counts = fit.weights > 0.1
    residuals[fit.patches.number[counts]] = fit.residuals[counts]
    grid = residuals.reshape(RINGS, SECTORS)
    pairs = np.concatenate(
        [
            np.stack([grid, np.roll(grid, 1, axis=1)]).reshape(2, -1),
            np.stack([grid[1:], grid[:-1]]).reshape(2, -1),
        ],
        axis=1,
    )
    pairs = pairs[:, np.isfinite(pairs).all(axis=0)]
    power = float(np.square(pairs).sum()) / 2.0
    return float((pairs[0] * pairs[1]).sum()) / power if power > 0.0 else 0.0


def narrowest(places: Numbers) -> float:
    """Spread (one sigma) of places (N, 2) in the direction in which it is least; 0 for fewer than two."""
    if len(places) < 2:
        return 0.0
    return math.sqrt(max(float(np.linalg.eigvalsh(np.cov(places.T))[0]), 0.0))


def second_level(beams: Beams, fit: PlaneFit) -> Level | None:
    """Find the largest flat surface parallel to the floor and off it, if it is large enough to matter."""
    aimed = aim(beams, fit.axes, fit.plane.distance, reach_of(fit.plane.distance))
    height = aimed.above + fit.bias * aimed.down
    inside = np.abs(height) <= LEVEL_SPAN
    height, patch = height[inside], aimed.patch[inside]
    size = RINGS * SECTORS
    middle = medians(height, patch, size)
    scatter = 1.4826 * medians(np.abs(height - middle[patch]), patch, size)
    sigma = np.repeat(np.nan_to_num(fit.ring_sigma, nan=0.0), SECTORS)
    full = np.bincount(patch, minlength=size) >= 2 * FEWEST
    # what stands upright has one distance and many heights: how far these would scatter then
    down = aimed.down[inside]
    steep = 1.4826 * medians(np.abs(down - medians(down, patch, size)[patch]), patch, size)
    upright = steep * (fit.plane.distance - middle) / medians(down, patch, size)
    with np.errstate(invalid="ignore"):
        flat = full & (scatter <= np.maximum(1.5 * sigma, 0.015)) & (2.0 * scatter <= upright)
        flat &= np.abs(middle) > LEVEL_APART
    floor = float(area_of(fit.patches.number[fit.weights > 0.5]).sum())
    for below, share in ((True, LOWER), (False, SECOND)):
        there = np.flatnonzero(flat & ((middle < 0.0) == below))
        there = there[np.argsort(middle[there])]
        # what lies nearer to the sensor covers more of its view than it is large
        area = area_of(there) * np.square(1.0 - middle[there] / fit.plane.distance)
        ends = np.searchsorted(middle[there], middle[there] + LEVEL_THICK, "right")
        sums = np.append(0.0, np.cumsum(area))
        areas = sums[ends] - sums[:-1]
        k = int(np.argmax(areas)) if len(areas) else 0
        if len(areas) and areas[k] >= share * floor and ends[k] - k >= FEWEST_LEVEL:
            return Level(float(np.median(middle[there[k : ends[k]]])), float(areas[k]))
    return None


def check_near(plane: Plane, expected: Plane) -> None:
    """Raise TuningError where the fit has left the surroundings of the mount that it began at."""
    tilt, shift = angle_between(plane.up, expected.up), plane.distance - expected.distance
    if tilt > 1.1 * TILT or abs(shift) > 1.1 * SHIFT:
        raise TuningError(
            f"the floor found leans {math.degrees(tilt):.1f}° and lies {shift:+.2f} m away from where the "
            f"profile's mount has it (at most {math.degrees(TILT):.0f}° and {SHIFT:g} m): level floor is "
            "needed; or correct the mount, or use `flatten mount --blind-start`"
        )


def check_sure(sigmas: Numbers) -> None:
    """Raise TuningError where the standard errors of roll, pitch (rad) and z (m) are too large."""
    roll, pitch, z = (float(sigma) for sigma in sigmas[:3])
    if roll > LEAST_SURE[0] or pitch > LEAST_SURE[1] or z > LEAST_SURE[2]:
        raise TuningError(
            f"the floor says too little: standard errors of roll {math.degrees(roll):.2f}°, pitch "
            f"{math.degrees(pitch):.2f}°, z {1e3 * z:.0f} mm; at most {math.degrees(LEAST_SURE[0]):.1f}° and "
            f"{1e3 * LEAST_SURE[2]:.0f} mm are of use: stand where more floor is seen, or take more clouds"
        )
