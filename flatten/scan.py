"""What goes out: one planar scan a slice, with what is known about every bin."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

FIELDS = (
    "ranges", "states", "bearings", "heights", "intensities", "hits", "kinds", "ages", "clear_from",
    "clear_to",
)  # fmt: skip
"""The arrays of a scan, and what a caller may ask for."""


class State(enum.IntEnum):
    """What one bin of a scan says, and the REP 117 value that stands for it in `ranges`."""

    UNSEEN = 0
    """Nothing is known: NaN."""
    HIT = 1
    """A return of the slice inside the reach: its distance in metres."""
    CLEAR = 2
    """Witnessed free over the whole stretch that the profile asks for: +inf."""
    TOO_NEAR = 3
    """A return of the slice nearer than the reach: −inf."""
    BLOCKED = 4
    """A blind zone swallowed what came from here: NaN."""


class Kind(enum.IntEnum):
    """What a HIT is."""

    NONE = 0
    """The bin is no HIT."""
    RETURN = 1
    """The return that decides."""
    DROP = 2
    """The last safe floor before an edge deeper than robot.drop; nothing stands there to be seen."""


class Counts(NamedTuple):
    """What became of the returns of one cloud in one slice.

    With `window` the cloud is the newest frame's, and `used` counts those of all gathered frames.
    """

    returns: int
    """Returns in the cloud, good or not."""
    skipped: int
    """Returns with a NaN or infinite coordinate, or at exactly (0, 0, 0)."""
    swallowed: int
    """Returns inside a blind zone."""
    used: int
    """Returns of this slice, inside the fan and the reach."""
    floor: int = 0
    """Returns on the fitted floor; 0 unless `level: floor`."""
    ghosts: int = 0
    """Returns below the fitted floor: mirrored by wet ground, or beyond an edge."""


@dataclass(frozen=True, eq=False)
class Scan:
    """The planar range array of one slice.

    All arrays have shape (bins,). Bin k covers the bearings [first + k·step, first + (k+1)·step),
    counter-clockwise about the fan's origin (mount.x, mount.y, 0), in the level frame moved
    there. An array that was not asked for is None.
    """

    name: str
    """Name of the slice."""
    first: float
    """Bearing of the first edge of bin 0, radians."""
    step: float
    """Width of a bin, radians."""
    bins: int
    """Number of bins."""
    near: float
    """Nearest distance that is reported, metres, inclusive."""
    far: float
    """Farthest distance that is reported, metres, inclusive."""
    counts: Counts
    """What became of the returns."""
    ranges: npt.NDArray[np.float32] | None = None
    """Horizontal distance from the fan's origin, metres; REP 117 values where there is no HIT."""
    states: npt.NDArray[np.uint8] | None = None
    """`State` of each bin."""
    bearings: npt.NDArray[np.float32] | None = None
    """Centre of each bin, radians."""
    heights: npt.NDArray[np.float32] | None = None
    """Height of the HIT return above the floor, metres; NaN elsewhere."""
    intensities: npt.NDArray[np.float32] | None = None
    """Intensity of the HIT return; NaN elsewhere and where the cloud has none."""
    hits: npt.NDArray[np.uint32] | None = None
    """Returns of the slice in the bin, inside the reach."""
    kinds: npt.NDArray[np.uint8] | None = None
    """`Kind` of each HIT, 0 elsewhere: whether a return decides, or an edge found in the floor."""
    ages: npt.NDArray[np.float32] | None = None
    """Seconds from the frame of the return that decides to the newest one, from moment to moment; 0 for the
    newest frame's own and without `window`, NaN where no return decides."""
    clear_from: npt.NDArray[np.float32] | None = None
    """Where the witnessed stretch begins, metres; 0 where there is none."""
    clear_to: npt.NDArray[np.float32] | None = None
    """Where the witnessed stretch ends, metres; 0 where there is none."""

    def message_fields(self, *, scan_time: float = 0.0, time_increment: float = 0.0) -> dict[str, Any]:
        """Field values of a standard planar-scan message, all but its header.

        The keys are those of sensor_msgs/LaserScan (SI units, radians, float32). First and last
        angle are those of the first and the last measurement (REP 138): the centres of the outer
        bins, so that round((angle_max − angle_min) / angle_increment) + 1 is the number of
        ranges. Times are in seconds: `scan_time` between scans, `time_increment` between bins (0:
        the bins of a flattened frame have no order in time). The stamp to go with it is the cloud's.

        Raises ValueError where the scan was made without ranges.
        """
        if self.ranges is None:
            raise ValueError("the scan was made without ranges: ask for them with fields={'ranges', …}")
        start = self.first + 0.5 * self.step
        heard = self.intensities
        if heard is None or not np.isfinite(heard).any():
            heard = np.empty(0, np.float32)
        return {
            "angle_min": float(np.float32(start)),
            "angle_max": float(np.float32(start + (self.bins - 1) * self.step)),
            "angle_increment": float(np.float32(self.step)),
            "time_increment": float(np.float32(time_increment)),
            "scan_time": float(np.float32(scan_time)),
            "range_min": float(np.float32(self.near)),
            "range_max": float(np.float32(self.far)),
            "ranges": self.ranges,
            "intensities": heard,
        }
