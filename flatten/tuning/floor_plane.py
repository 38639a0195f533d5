"""A plane through noisy returns, with standard errors that can be believed.

Every patch of the plane speaks once, however many returns it holds. What disturbs neighbouring returns
together (gravel, a bump) is then one error and not a thousand. Patches are combined by weighted least
squares with Tukey's biweight against patches where something stands; the errors are those of an M-estimator
(Huber 1981, the "sandwich"), with each residual scaled up by its leverage, 1/(1 − h), as in MacKinnon & White
1985 (HC3).

Along with the plane goes one number for the sensor, its range bias: a range too long by b puts the
floor at a beam's steepness times b too low, near the sensor more than far from it, which is how the two
are told apart. Sources from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from flatten.errors import TuningError
from flatten.frames import Matrix
from flatten.tuning.patches import (
    FEWEST,
    RINGS,
    SECTORS,
    Aimed,
    Beams,
    Mask,
    Numbers,
    Places,
    aim,
    medians,
    open_behind,
    reach_of,
)

BIAS_BEFORE = 0.02
"""Metres, one sigma: what is thought of the range bias before looking (common practice for the class)."""
FIRST_BAND, LAST_BAND = 0.12, 3.0
"""Returns this far from the plane count at first, metres; in the end this many sigma of their ring and
of the floor's unevenness."""
FIRST_SHARE = 0.35
"""At first no farther from the plane than this share of the sensor's own distance."""
FIRST_REACH, WIDER = 6.0, 1.5
"""At first the plane is used out to so many times the sensor's distance, then so many times as far each
round: a beam at a slant meets a plane that is not right yet somewhere else altogether."""
ENOUGH = 24
"""Patches that are wanted before the plane is tilted; where there are fewer, more are sought farther out."""
UNEVEN = 0.005
"""Metres, one sigma: by so much a floor may be uneven before patches that stand out are left out."""
NARROWEST = 0.002
"""Metres: no ring's returns are taken to scatter less."""
OWN_ERROR = 0.0003
"""Metres of height, one sigma, by which the method itself is off (low clutter, noise near the sensor): as
it was met on made set-ups with so many returns that nothing else was left."""
BIWEIGHT = 6.0
"""Residuals, in sigma, at which a patch no longer counts. Greater than the usual 4.7: few patches lie."""
ROUNDS = 30
SETTLED = 1e-7
FEWEST_PATCHES = 12
PARAMETERS = 4


class Plane(NamedTuple):
    """A plane in the sensor frame: the points p with up·p = −distance."""

    up: Numbers
    """(3,) unit normal, from the plane towards the sensor."""
    distance: float
    """Metres from the plane to the sensor."""


class Patches(NamedTuple):
    """What each patch of each cloud says, one row a patch."""

    rows: Numbers
    """(M, 4) what its height depends on: 1, x, y and the steepness of its beams with a minus."""
    heights: Numbers
    """(M,) mean height above the plane, metres."""
    variances: Numbers
    """(M,) of these means as far as the scatter of single returns explains them."""
    counts: Places
    """(M,) returns."""
    number: Places
    """(M,) which patch of the plane; the same number in two clouds is one source of error."""
    cloud: Places
    """(M,) which cloud it comes from."""


class PlaneFit(NamedTuple):
    """A fitted plane and how sure it is."""

    plane: Plane
    axes: Matrix
    """(3, 3) level_from_sensor: its last row is the normal."""
    influence: Numbers
    """(RINGS · SECTORS + 2, 4) how far each patch moves height (m), rise along the level frame's x and y
    (m per m) and range bias (m), one sigma; then what was thought of the bias before, and OWN_ERROR."""
    information: Matrix
    """(4, 4) inverse of the covariance that the scatter of returns and patches would explain."""
    bias: float
    """Range bias of the sensor, metres; ranges are too long where it is positive."""
    unevenness: float
    """Scatter of the patches' heights beyond what single returns explain, metres, one sigma."""
    patches: Patches
    residuals: Numbers
    """(M,) height of each patch above the plane, the range bias taken off, metres."""
    weights: Numbers
    """(M,) share with which each patch counts, 0 … 1."""
    ring_sigma: Numbers
    """(RINGS,) scatter of single returns about the plane by ring, metres; NaN where there are none."""

    @property
    def covariance(self) -> Matrix:
        """(4, 4) of height, rise along x and y, and range bias."""
        return np.asarray(self.influence.T @ self.influence)


def axes_of(up: Numbers) -> Matrix:
    """Level axes for a normal: (3, 3) level_from_sensor, its x as near to the sensor's x as can be."""
    side = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x = side - up * (up @ side)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(up, x), up])


def fit_plane(clouds: Sequence[Beams], start: Plane, what: str = "floor") -> PlaneFit:
    """Fit one plane to the returns of one or several clouds, beginning at a plane near it.

    All clouds are in one frame and share plane and range bias. `what` it is called where it is too small.
    Raises TuningError where too few patches lie near the plane.
    """
    plane, bias, unevenness = start, 0.0, 0.01
    band = np.full(RINGS, min(FIRST_BAND, FIRST_SHARE * start.distance))
    reach = FIRST_REACH * start.distance
    for turn in range(ROUNDS):
        axes = axes_of(plane.up)
        full = reach_of(plane.distance)
        patches, sigma = _gather(clouds, axes, plane.distance, bias, band, min(reach, full))
        while reach < full and len(patches.counts) < ENOUGH:
            reach *= WIDER
            patches, sigma = _gather(clouds, axes, plane.distance, bias, band, min(reach, full))
        _enough(patches, what)
        change, bread, weights = _solve(patches, bias, unevenness)
        residuals = patches.heights - patches.rows @ change
        unevenness = _unevenness(residuals, patches, weights)
        plane, bias = _moved(plane, axes, change), float(change[3])
        if turn > 0:
            band = LAST_BAND * np.hypot(np.where(np.isfinite(sigma), sigma, 0.0), min(unevenness, UNEVEN))
        if reach >= full and turn > 5 and np.abs(change[:3]).max() < SETTLED:
            break
        reach *= WIDER
    influence, information = _influence(patches, residuals, unevenness, bread)
    return PlaneFit(plane, axes, influence, information, bias, unevenness, patches, residuals, weights, sigma)


def _gather(
    clouds: Sequence[Beams], axes: Matrix, distance: float, bias: float, band: Numbers, reach: float
) -> tuple[Patches, Numbers]:
    """Mean height of each patch of each cloud, over the returns within the band, and the rings' scatter."""
    aimed = [aim(beams, axes, distance, reach) for beams in clouds]
    near = [_near(part, bias, band) for part in aimed]
    sigma = _scatter(aimed, near)
    parts = [
        _means(part, keep, distance, sigma, number)
        for number, (part, keep) in enumerate(zip(aimed, near, strict=True))
    ]
    patches = Patches(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    return patches, sigma


def _enough(patches: Patches, what: str) -> None:
    if len(patches.counts) < FEWEST_PATCHES:
        raise TuningError(
            f"the {what} is too small: {len(patches.counts)} patches of it are seen, wanted are "
            f"{FEWEST_PATCHES} or more"
        )


def _near(part: Aimed, bias: float, band: Numbers) -> Mask:
    """Mask of the returns within the band about the plane, the range bias taken off."""
    return np.asarray(np.abs(part.above + bias * part.down) <= band[part.patch // SECTORS])


def _scatter(aimed: Sequence[Aimed], near: Sequence[Mask]) -> Numbers:
    """Scatter of returns about the median of their patch, by ring: 1.4826 · median absolute deviation."""
    off, rings = [], []
    for part, keep in zip(aimed, near, strict=True):
        above, patch = part.above[keep], part.patch[keep]
        middle = medians(above, patch, RINGS * SECTORS)
        many = np.bincount(patch, minlength=RINGS * SECTORS)
        full = many[patch] >= 2 * FEWEST
        # the median of n follows them: their spread about it is short of the true one by about 1/(2n)
        short = np.sqrt(1.0 - 1.0 / many[patch][full])
        off.append(np.abs(above[full] - middle[patch[full]]) / short)
        rings.append(patch[full] // SECTORS)
    return np.maximum(1.4826 * medians(np.concatenate(off), np.concatenate(rings), RINGS), NARROWEST)


def _means(part: Aimed, near: Mask, distance: float, sigma: Numbers, number: int) -> Patches:
    """Average what is within the band, patch by patch."""
    size = RINGS * SECTORS
    keep = near & open_behind(part, near, distance)
    patch = part.patch[keep]
    counts = np.bincount(patch, minlength=size)
    ends = np.bincount(part.patch[near], minlength=size)
    aimed_at = np.bincount(part.patch, minlength=size)
    # where most beams end on something else, what little lies near the plane is rarely the floor
    there = np.flatnonzero((counts >= FEWEST) & (2 * ends >= aimed_at))
    columns = [
        np.bincount(patch, values[keep], size)[there] / counts[there]
        for values in (part.x, part.y, -part.down, part.above)
    ]
    rows = np.stack([np.ones(len(there)), *columns[:3]], axis=1)
    single = np.where(np.isfinite(sigma), sigma, NARROWEST)[there // SECTORS]
    return Patches(
        rows, columns[3], single**2 / counts[there], counts[there], there, np.full(len(there), number)
    )


def _solve(patches: Patches, bias: float, unevenness: float) -> tuple[Numbers, Matrix, Numbers]:
    """Heights to (height, rise along x and y, range bias): the estimate, its bread, the patches' weights."""
    precision = 1.0 / (patches.variances + unevenness**2)
    weights = np.ones(len(precision))
    estimate = np.array([0.0, 0.0, 0.0, bias])
    # begin at the middle: the mean would be drawn by patches that lie
    residuals = patches.heights - patches.rows[:, 3] * bias
    residuals -= np.median(residuals)
    for _ in range(10):
        weights = biweight(residuals * np.sqrt(precision) / _spread(residuals, precision))
        weighted = patches.rows * (precision * weights)[:, None]
        normal = patches.rows.T @ weighted + prior_information()
        estimate = np.linalg.solve(normal, weighted.T @ patches.heights)
        residuals = patches.heights - patches.rows @ estimate
    return estimate, np.linalg.inv(normal), weights


def _spread(residuals: Numbers, precision: Numbers) -> float:
    """How many sigma a sigma really is, by the median; never less than one."""
    return max(1.0, 1.4826 * float(np.median(np.abs(residuals) * np.sqrt(precision))))


def biweight(residuals: Numbers) -> Numbers:
    """Tukey's weights of residuals in sigma: 1 in the middle, 0 from BIWEIGHT on."""
    return np.square(np.maximum(1.0 - np.square(residuals / BIWEIGHT), 0.0))


def _unevenness(residuals: Numbers, patches: Patches, weights: Numbers) -> float:
    """Scatter of the patches beyond that of their returns, by moments (as DerSimonian & Laird 1986)."""
    total = weights.sum()
    freedom = max(total - PARAMETERS, 1.0) / total
    excess = (weights @ (residuals**2 / freedom - patches.variances)) / total
    return math.sqrt(max(excess, 1e-8))


def _moved(plane: Plane, axes: Matrix, change: Numbers) -> Plane:
    """Raise and tilt a plane by (height, rise along x, rise along y) in its own level axes."""
    up = axes.T @ np.array([-change[1], -change[2], 1.0])
    length = float(np.linalg.norm(up))
    return Plane(up / length, float(plane.distance - change[0]) / length)


def _influence(
    patches: Patches, residuals: Numbers, unevenness: float, bread: Matrix
) -> tuple[Numbers, Matrix]:
    """How far each patch of the plane moves the estimate, and what is known of it by the scatter alone.

    The square of the first is the sandwich's covariance. Patches of the same number are one cluster,
    whatever cloud they are of.
    """
    precision = 1.0 / (patches.variances + unevenness**2)
    scaled = residuals * np.sqrt(precision) / (BIWEIGHT * _spread(residuals, precision))
    inside = np.maximum(1.0 - np.square(scaled), 0.0)
    slope = inside * (1.0 - 5.0 * np.square(scaled))  # of residual · weight, where the residual changes
    steep = patches.rows.T @ (patches.rows * (precision * slope)[:, None]) + prior_information()
    if np.linalg.eigvalsh(steep)[0] > 0.0:
        bread = np.linalg.inv(steep)
    leverage = np.einsum("ij,jk,ik->i", patches.rows, bread, patches.rows) * precision * inside**2
    pull = residuals * precision * inside**2 / np.maximum(1.0 - leverage, 0.2)
    scores = np.zeros((RINGS * SECTORS + 2, PARAMETERS))
    np.add.at(scores, patches.number, patches.rows * pull[:, None])
    scores[-2] = np.sqrt(np.diag(prior_information()))
    influence = scores @ bread
    influence[-1, 0] = OWN_ERROR
    return np.asarray(influence), np.asarray(np.linalg.inv(bread))


def prior_information() -> Matrix:
    """(4, 4) what is known before looking: of the range bias its size, of all else nothing."""
    information = np.zeros((PARAMETERS, PARAMETERS))
    information[3, 3] = BIAS_BEFORE**-2
    return information
