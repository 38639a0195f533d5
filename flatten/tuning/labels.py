"""What the returns of a frame are to a driver: floor, what it must see, what it must not, what is its own."""

from __future__ import annotations

import enum
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.profile import Profile

Numbers = npt.NDArray[np.float64]
Flags = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

LEAST_MARGIN = 0.02
"""Metres: however flat the floor, what is nearer to a border than this may be on either side of it."""
PLANE = 0.002
"""Slope by which the plane of the near floor may miss the far floor, m per m; but no more than a step."""
BESIDE = 1
"""Bins to each side that belong to the place under an overhang."""
UNDER = 0.5
"""Metres before and behind an overhang within which something below it means that no way leads under it."""


class Label(enum.IntEnum):
    """What a return is."""

    SKIPPED = 0
    """Not finite, at zero, or outside of the fan."""
    OWN = 1
    """Inside a blind zone."""
    BEYOND = 2
    """Outside of the reach."""
    FLOOR = 3
    """Floor, known or in the plane of what is known: must not be seen."""
    CLIMBED = 4
    """So low that the robot drives over it, or too near to a border to say: may be seen."""
    MUST = 5
    """Above the step and below height + clearance: must be seen."""
    PASSED = 6
    """Higher, with nothing under it: the robot passes beneath, it must not be seen."""
    HIGH = 7
    """Higher, over something that must be seen: no matter."""
    LOW = 8
    """Below the floor: beyond an edge, or mirrored by wet ground."""
    UNSURE = 9
    """Where no floor is known, and it may be low or high: nobody can say."""
    SLOPE = 10
    """Floor that lies off the plane of the rest: a ramp, a bump, or a floor that was fitted wrongly."""


class Limits(NamedTuple):
    """Heights above the local floor that part the labels, metres."""

    step: float
    """Tallest step that the robot climbs."""
    head: float
    """Its height and the air wanted above."""
    drop: float
    margin: float
    """To either side of step and head: noise of the floor."""

    @classmethod
    def of(cls, profile: Profile, margin: float = LEAST_MARGIN) -> Limits:
        """Take them from a profile."""
        robot = profile.robot
        return cls(robot.step, robot.height + robot.clearance, robot.drop, max(margin, LEAST_MARGIN))

    @property
    def must(self) -> float:
        """From here on a return must be seen."""
        return self.step + self.margin


def label(
    bins: npt.NDArray[np.int64],
    distances: Numbers,
    above: Numbers,
    most: Numbers,
    known: Mask,
    sloping: Mask,
    limits: Limits,
    reach: tuple[float, float],
    number: int,
) -> Flags:
    """Label the returns of one frame that are finite and not the robot's own.

    Parameters
    ----------
    bins, distances:
        (N,) bin (−1 outside of the fan) and horizontal distance, metres.
    above, most, known:
        (N,) least and greatest height above the local floor, metres; they differ where it is not known.
    sloping:
        (N,) whether the floor there leaves the plane of the rest.
    limits, reach, number:
        What parts the labels; nearest and farthest distance that counts, metres; bins of the fan.

    """
    found = np.full(len(bins), Label.CLIMBED, np.uint8)
    found[above <= limits.margin] = Label.FLOOR
    found[(above <= limits.margin) & sloping] = Label.SLOPE
    found[above < -max(limits.drop, limits.margin)] = Label.LOW
    found[~known] = Label.UNSURE
    # far away hardly any floor is dense enough to be known; what lies in its plane is floor all the same
    near_plane = np.minimum(limits.margin + PLANE * distances, max(limits.step, limits.margin))
    found[~known & (np.abs(most) <= near_plane)] = Label.FLOOR
    must = (above >= limits.must) & (most < limits.head - limits.margin)
    found[must] = Label.MUST
    high = above > limits.head + limits.margin
    low = ~high & np.isin(found, (Label.MUST, Label.CLIMBED, Label.UNSURE))
    found[high] = np.where(
        passed_under(bins[high], distances[high], bins[low], distances[low], number),
        Label.PASSED, Label.HIGH,
    )  # fmt: skip
    found[(distances < reach[0]) | (distances > reach[1])] = Label.BEYOND
    found[bins < 0] = Label.SKIPPED
    return found


def passed_under(
    bins: npt.NDArray[np.int64],
    distances: Numbers,
    low_bins: npt.NDArray[np.int64],
    low_distances: Numbers,
    number: int,
) -> Mask:
    """Say of high returns whether nothing low lies under them: in their bin or beside it, within UNDER."""
    inside = low_bins >= 0
    # bins are drawn apart by more than any distance, so that one sorted list answers for all of them
    apart = 1e4
    ahead = np.sort(low_bins[inside] * apart + np.minimum(low_distances[inside], 0.5 * apart))
    free = np.ones(len(bins), bool)
    for off in range(-BESIDE, BESIDE + 1):
        middle = (bins + off) % number * apart + np.minimum(distances, 0.5 * apart)
        ends: Any = np.searchsorted(ahead, middle + UNDER, "right"), np.searchsorted(ahead, middle - UNDER)
        free &= ends[0] == ends[1]
    return free


def nearest(bins: npt.NDArray[np.int64], distances: Numbers, number: int) -> Numbers:
    """Nearest distance in each bin (number,), inf where there is none; all bins are inside the fan."""
    found = np.full(number, np.inf)
    np.minimum.at(found, bins, distances)
    return found
