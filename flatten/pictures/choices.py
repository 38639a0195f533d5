"""What is chosen for a view: which scan, how much of the place, which returns, round lengths."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from flatten.errors import FlattenError
from flatten.pictures import bins
from flatten.profile import Profile
from flatten.scan import Scan


def scan_of(scans: Mapping[str, Scan], name: str, profile: Profile) -> Scan:
    """Look a scan up; FlattenError where the scans or the profile do not have the slice."""
    if name not in scans or name not in profile.slices:
        there = ", ".join(key for key in scans if key in profile.slices) or "none"
        raise FlattenError(f"no scan of a slice {name!r} to draw: there are {there}")
    return scans[name]


def plan_extent(scans: Iterable[Scan], profile: Profile) -> float:
    """Choose half the width of the view, metres, to hold what CLEAR speaks of and 3 of 4 HITs."""
    found = [scan.ranges[bins.hit_mask(scan)] for scan in scans if scan.ranges is not None]
    ranges = np.concatenate([np.empty(0), *found])
    wanted = [2.0 * max(profile.robot.length, profile.robot.width), 1.5]
    if profile.clear is not None:
        wanted.append(1.15 * profile.clear.to)
    if ranges.size:
        wanted.append(1.1 * float(np.quantile(ranges, 0.75)))
    return min(max(wanted), max(1.06 * profile.reach.far, *wanted[:2]))


def nice(length: float) -> float:
    """Round a length down to 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(length))
    return max(part * power for part in (1.0, 2.0, 5.0) if part * power <= length * (1 + 1e-9))
