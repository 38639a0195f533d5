"""How much the slices shake: by the floor from frame to frame, by recorded attitudes, or as it is given."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.motion import Motion

Numbers = npt.NDArray[np.float64]

FEWEST = 5
"""Frames from which on the floor tells a spread."""
TAKEN = math.radians(0.5)
"""Radians, one sigma, taken where neither recording nor user says any (common practice, no source)."""
LEAST = math.radians(0.05)
"""Radians: no floor tells less."""
FAR = 5.0
SWAY = 1.0
"""Seconds: what changes more slowly than this is slope and no shaking."""


@dataclass(frozen=True)
class Shake:
    """By how much the floor tilts against the slices, radians, one sigma, the same in every direction."""

    sigma: float
    comes_from: str
    """In words."""
    floor: float | None = None
    """Spread of the fitted floor's tilt from frame to frame, as the slices see it; None for few frames."""
    attitudes: float | None = None
    """Spread of roll and pitch in the poses, slow changes taken out; None without poses."""

    def entering(self, bottom: float, rise: float, sigmas: float = 3.0) -> float:
        """Metres to where a floor that tilts by so many sigma meets bottom + rise·r: h/(tan − rise)."""
        slope = math.tan(sigmas * self.sigma) - rise
        return bottom / slope if slope > 0.0 else math.inf


def shake_of(leans: Sequence[tuple[float, float]], motion: Motion | None, given: float | None) -> Shake:
    """Weigh what is known: what the user gives goes before the floor, the floor before a common value.

    Parameters
    ----------
    leans:
        A frame: slope of the floor ahead and to the left as the slices see it, m per m. What the attitudes
        take out is out of them.
    motion:
        The poses, if there are some.
    given:
        Radians, one sigma; None to measure.

    """
    floor = of_floor(leans) if len(leans) >= FEWEST else None
    attitudes = None if motion is None else of_poses(motion)
    if given is not None:
        return Shake(given, "given", floor, attitudes)
    if floor is not None:
        words = f"measured from the floor's tilt over {len(leans)} frames, one standard error more"
        return Shake(max(floor * surely(len(leans)), LEAST), words, floor, attitudes)
    if attitudes is not None:
        words = "measured from the attitudes in the poses, as there are too few frames to tell by the floor"
        return Shake(max(attitudes, LEAST), words, floor, attitudes)
    words = f"taken, as {len(leans)} frame{'s' * (len(leans) != 1)} without poses cannot tell: give --shake"
    return Shake(TAKEN, words, floor, attitudes)


def of_floor(leans: Sequence[tuple[float, float]]) -> float:
    """Spread of the floor's slopes, those ahead and those to the left together, radians, one sigma.

    What lies farther than FAR times the robust spread from the median is left out: another floor.
    """
    slopes = np.array(leans)
    off = slopes - np.median(slopes, axis=0)
    robust = 1.4826 * float(np.median(np.abs(off)))
    kept = slopes[(np.abs(off) <= FAR * robust).all(axis=1)]
    return math.atan(math.sqrt(float(kept.var(axis=0, ddof=1).mean()))) if len(kept) > 1 else 0.0


def surely(frames: int) -> float:
    """Give the factor by which a spread over so many frames is raised by one standard error of its own.

    Two slopes a frame about their means have 2·(n − 1) degrees of freedom f; a standard deviation is known to
    1/√(2·f) of itself.
    """
    return 1.0 + 1.0 / math.sqrt(4.0 * (frames - 1))


def of_poses(motion: Motion) -> float:
    """Spread of roll and pitch about their mean over SWAY, the greater of the two, radians, one sigma."""
    seconds = motion.seconds
    angles = np.array([motion.attitude_since(float(second)) for second in seconds])
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(angles, axis=0)])
    first = np.searchsorted(seconds, seconds - 0.5 * SWAY)
    last = np.searchsorted(seconds, seconds + 0.5 * SWAY, "right")
    mean = (sums[last] - sums[first]) / (last - first)[:, None]
    return float(np.sqrt(np.square(angles - mean).mean(axis=0)).max())
