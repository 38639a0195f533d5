"""What the times of a cloud's returns count: their unit, and from when.

Drivers write them in several ways: seconds, milli-, micro- or nanoseconds, since 1970 or since the cloud's
stamp. The numbers themselves tell, as the units lie a factor of a thousand apart, and the longest frame is
less than that times the shortest. (Which ways there are, and how long frames last:
common practice, no source.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flatten.cloud import Cloud
from flatten.motion import Stamped

UNITS = ((1.0, "seconds"), (1e-3, "milliseconds"), (1e-6, "microseconds"), (1e-9, "nanoseconds"))
NEAR = 3600.0
"""Seconds that a time since 1970 may lie off the cloud's stamp: clocks of sensor and computer differ."""
SHORTEST, LONGEST = 0.01, 4.0
"""Seconds that a frame lasts."""


@dataclass(frozen=True)
class ReturnTimes:
    """How the times of one cloud's returns are told."""

    stamps: Stamped
    """For `flatten.Motion` with times in nanoseconds."""
    first: int
    """Time of the first return, ns."""
    last: int
    """Time of the last return, ns."""
    words: str
    """Unit and zero, in words."""


def fit_times(cloud: Cloud, stamp: int) -> ReturnTimes | str:
    """Tell how the returns of a cloud with this stamp (ns) are timed; why not, where that cannot be told."""
    if cloud.time is None:
        return "returns have no times"
    times = np.asarray(cloud.time, np.float64)
    times = times[np.isfinite(times)]
    if not times.size:
        return "there are no returns with a time"
    low, high = float(times.min()), float(times.max())
    if low == high:
        return "all returns have one time"
    for scale, unit in UNITS:
        if max(abs(low * scale - stamp / 1e9), abs(high * scale - stamp / 1e9)) <= NEAR < stamp / 1e9:
            return _told(Stamped(scale, 0), low, high, f"{unit} since 1970")
    for scale, unit in UNITS:
        if SHORTEST <= (high - low) * scale <= LONGEST and max(abs(low), abs(high)) * scale <= LONGEST:
            return _told(Stamped(scale, stamp), low, high, f"{unit} from the cloud's stamp")
    return f"times of returns span {high - low:g}, which is a frame in no unit"


def _told(stamps: Stamped, low: float, high: float, words: str) -> ReturnTimes:
    zero, unit = int(stamps.zero), stamps.scale * 1e9
    return ReturnTimes(stamps, zero + math.floor(low * unit), zero + math.ceil(high * unit), words)
