"""Where to begin: the largest plane near where the profile has the floor, or any floor-like plane at all."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from flatten.errors import TuningError
from flatten.tuning.floor_plane import Plane
from flatten.tuning.patches import Beams, Numbers

TILT, SHIFT = math.radians(10.0), 0.3
"""How far the profile's mount may be off, radians and metres."""
ROUGH_TILT = math.radians(2.0)
"""By how much a start may lean more than the floor itself."""
NEAR = 10.0
"""Metres about the sensor in which is looked for a start."""
VOXEL = 0.12
"""Metres: one place, one vote, however densely it was scanned."""
THICK = 0.05
"""Metres to either side within which a return votes for a plane."""
LEAST_SHARE = 0.15
"""Share of the votes that the floor is expected to have at the least."""
SURE = 0.9999
MOST_PLANES = 8
LOWEST, HIGHEST = 0.1, 4.0
"""Metres above the floor between which a sensor is looked for blindly."""
LEAN = math.radians(50.0)
"""Blindly, the sensor's z axis is first thought to be no farther than this from the vertical, up or down."""
LARGE = 0.1
"""Votes of what the sensor looks down at, by those of the largest plane: walls may be many times as large."""
FEWEST = 60
BEHIND = 0.15
"""Metres beyond a plane from which on a return speaks against its being the floor."""


class Found(NamedTuple):
    """A plane among the votes."""

    plane: Plane
    votes: int


def trials(share: float, sure: float = 0.99, sample: int = 3) -> int:
    """How many samples to draw so that one of them is likely free of outliers: log(1 − p)/log(1 − wⁿ).

    Parameters
    ----------
    share:
        w, the inliers' part of all, above 0 and below 1.
    sure:
        p, the probability wanted, above 0 and below 1.
    sample:
        n, how many are drawn at once.

    Fischler & Bolles 1981; the formula as it is taught at Edinburgh by Fisher.

    """
    return math.ceil(math.log1p(-sure) / math.log1p(-(share**sample)))


def near_mount(beams: Beams, expected: Plane) -> Plane:
    """Find the floor within TILT and SHIFT of where it is expected.

    Raises TuningError where there is none, and where what there is leans or lies otherwise.
    """
    points = beams.directions * beams.ranges[:, None]
    near = beams.ranges <= NEAR
    height = points @ expected.up + expected.distance
    along = np.sqrt(np.maximum(beams.ranges**2 - (height - expected.distance) ** 2, 0.0))
    wedge = near & (np.abs(height) <= SHIFT + along * math.tan(TILT) + THICK)
    best: Found | None = None
    for found in planes(points[wedge]):
        tilt = angle_between(found.plane.up, expected.up)
        shift = found.plane.distance - expected.distance
        if tilt <= TILT + ROUGH_TILT and abs(shift) <= SHIFT + THICK:
            return found.plane
        best = best or found
    raise TuningError(_nothing_near(best, expected))


def _nothing_near(best: Found | None, expected: Plane) -> str:
    allowed = f"looked for was within {math.degrees(TILT):.0f}° and {SHIFT:g} m"
    if best is None:
        words = "correct the mount, or use `flatten mount --blind-start`"
        return f"no floor where the profile's mount has it; {allowed}: {words}"
    tilt = math.degrees(angle_between(best.plane.up, expected.up))
    shift = best.plane.distance - expected.distance
    return (
        f"the largest plane is tilted {tilt:.1f}° against level floor as the profile's mount has it, and "
        f"lies {abs(shift):.2f} m {'lower' if shift > 0 else 'higher'} ({allowed}): stand on level floor; "
        "or, if the profile's mount is far off, correct it or use `flatten mount --blind-start`"
    )


def blind(beams: Beams) -> Plane:
    """Find the floor without a mount: a large plane with nothing beyond it, the nearest of them.

    Planes that an upright or upside-down sensor looks down at (or up at) come first, then those beside
    it. Raises TuningError where there is none.
    """
    points = beams.directions * beams.ranges[:, None]
    inside = points[beams.ranges <= NEAR]
    candidates = [
        found
        for found in planes(inside)
        if LOWEST <= found.plane.distance <= HIGHEST and nothing_beyond(inside, found.plane)
    ]
    if not candidates:
        raise TuningError(
            f"no floor found blindly: no plane {LOWEST:g} to {HIGHEST:g} m from the sensor has nothing "
            "beyond it: give a mount within 10° and 0.3 m in the profile and leave --blind-start out"
        )
    most = max(found.votes for found in candidates)
    upright = [found for found in candidates if abs(found.plane.up[2]) >= math.cos(LEAN)]
    if max((found.votes for found in upright), default=0) >= LARGE * most:
        candidates = upright
        most = max(found.votes for found in upright)
    large = [found.plane for found in candidates if 3 * found.votes >= most]
    return min(large, key=lambda plane: plane.distance)


def nothing_beyond(points: Numbers, plane: Plane) -> bool:
    """Tell whether next to no returns lie beyond a plane, as seen from the sensor."""
    height = points @ plane.up + plane.distance
    on = np.count_nonzero(np.abs(height) <= THICK)
    return bool(np.count_nonzero(height < -BEHIND) <= 0.05 * on)


def planes(points: Numbers) -> Iterator[Found]:
    """Largest plane first, then the largest of what is left, up to MOST_PLANES; sensor frame, metres.

    Open3D's random sampling, with as many trials as `trials` asks for, on one return a voxel.
    """
    from flatten.scene.open3d_part import load_open3d  # noqa: PLC0415 - a desk library

    o3d = load_open3d("looking for planes needs")
    o3d.utility.random.seed(1)  # the same clouds give the same answer
    cloud: Any = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cloud = cloud.voxel_down_sample(VOXEL)
    for _ in range(MOST_PLANES):
        if len(cloud.points) < FEWEST:
            return
        model, inside = cloud.segment_plane(THICK, 3, trials(LEAST_SHARE, SURE), 1.0)
        if len(inside) < FEWEST:
            return
        up = np.asarray(model[:3], np.float64)
        size = math.copysign(float(np.linalg.norm(up)), float(model[3]))
        yield Found(Plane(up / size, float(model[3]) / size), len(inside))
        cloud = cloud.select_by_index(inside, invert=True)


def angle_between(a: Numbers, b: Numbers) -> float:
    """Angle between two unit vectors, radians."""
    return math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b))
