"""What the bins of a scan say, as coordinates: also where a scan holds some of its arrays only."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.pictures.geometry import ARC, Numbers
from flatten.profile import Profile
from flatten.scan import Kind, Scan, State

Mask = npt.NDArray[np.bool_]


def states_of(scan: Scan) -> npt.NDArray[np.uint8] | None:
    """Give the states (bins,), read off the ranges where the scan has no states; None without either.

    Ranges alone cannot tell BLOCKED from UNSEEN (both NaN): all of these count as UNSEEN.
    """
    if scan.states is not None:
        return scan.states
    if scan.ranges is None:
        return None
    states = np.full(scan.bins, State.UNSEEN, np.uint8)
    states[np.isfinite(scan.ranges)] = State.HIT
    states[np.isposinf(scan.ranges)] = State.CLEAR
    states[np.isneginf(scan.ranges)] = State.TOO_NEAR
    return states


def state_counts(scan: Scan) -> dict[State, int] | None:
    """Count the bins of each state, in the order HIT, CLEAR, TOO_NEAR, BLOCKED, UNSEEN."""
    states = states_of(scan)
    if states is None:
        return None
    order = (State.HIT, State.CLEAR, State.TOO_NEAR, State.BLOCKED, State.UNSEEN)
    return {state: int(np.count_nonzero(states == state)) for state in order}


def share_answered(scan: Scan) -> float | None:
    """Share of the bins that say something about their bearing: HIT, CLEAR or TOO_NEAR."""
    counts = state_counts(scan)
    if counts is None:
        return None
    return (counts[State.HIT] + counts[State.CLEAR] + counts[State.TOO_NEAR]) / scan.bins


def bearings_of(scan: Scan) -> Numbers:
    """Centres of the bins (bins,), radians, from first and step."""
    return scan.first + (np.arange(scan.bins, dtype=np.float64) + 0.5) * scan.step


def hit_mask(scan: Scan) -> Mask:
    """Tell which bins are a HIT with a known range: (bins,), all false where there are no ranges."""
    if scan.ranges is None:
        return np.zeros(scan.bins, bool)
    return np.isfinite(scan.ranges)


def drop_mask(scan: Scan) -> Mask:
    """Tell which HITs are edges of the floor: (bins,), all false where the scan does not tell kinds."""
    none = np.zeros(scan.bins, bool)
    return none if scan.kinds is None else hit_mask(scan) & (scan.kinds == Kind.DROP)


def hit_points(scan: Scan, origin: tuple[float, float], mask: Mask | None = None) -> Numbers:
    """Places (n, 2) of the HITs, x and y: at the bin's bearing, the range away from `origin`.

    With a mask (bins,) those of its bins only.
    """
    hit = hit_mask(scan) if mask is None else hit_mask(scan) & mask
    if scan.ranges is None or not hit.any():
        return np.empty((0, 2))
    bearing, distance = bearings_of(scan)[hit], scan.ranges[hit].astype(np.float64)
    ways = np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
    points: Numbers = np.array(origin) + distance[:, None] * ways
    return points


def nearest_hit(scan: Scan) -> tuple[float, float] | None:
    """Distance (m) and bearing (rad, in (−π, π]) of the nearest HIT; None where there is none."""
    hit = hit_mask(scan)
    if scan.ranges is None or not hit.any():
        return None
    k = int(np.argmin(np.where(hit, scan.ranges, np.inf)))
    bearing = float(bearings_of(scan)[k])
    return float(scan.ranges[k]), math.pi - (math.pi - bearing) % (2.0 * math.pi)


def witnessed(scan: Scan, profile: Profile) -> tuple[Numbers, Numbers]:
    """Begin and end (bins,) of each bin's witnessed stretch, metres; both 0 where none is known.

    Without clear_from and clear_to a CLEAR bin still promises the stretch that the profile asks for.
    """
    if scan.clear_from is not None and scan.clear_to is not None:
        return scan.clear_from.astype(np.float64), scan.clear_to.astype(np.float64)
    states = states_of(scan)
    if states is None or profile.clear is None:
        return np.zeros(scan.bins), np.zeros(scan.bins)
    clear = states == State.CLEAR
    return clear * profile.clear.from_, clear * profile.clear.to


def clear_mask(scan: Scan) -> Mask:
    """Tell which bins are CLEAR: (bins,)."""
    states = states_of(scan)
    return np.zeros(scan.bins, bool) if states is None else states == State.CLEAR


def partly_witnessed(scan: Scan, profile: Profile) -> Mask:
    """Tell which bins are witnessed free for a stretch, yet not CLEAR: (bins,)."""
    begin, end = witnessed(scan, profile)
    return (end > begin) & ~clear_mask(scan)


def bin_polygons(
    scan: Scan, mask: Mask, inner: Numbers, outer: Numbers, origin: tuple[float, float]
) -> list[Numbers]:
    """One polygon (n, 2) for each run of bins of the mask, from `inner` to `outer` metres bin by bin."""
    parts = max(1, math.ceil(scan.step / ARC))
    fractions = np.linspace(0.0, 1.0, parts + 1)
    steps = np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8))
    polygons = []
    for begin, end in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
        bearing = (scan.first + (np.arange(begin, end)[:, None] + fractions) * scan.step).reshape(-1)
        ways = np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
        far = np.repeat(outer[begin:end], parts + 1)[:, None] * ways
        near = np.repeat(inner[begin:end], parts + 1)[:, None] * ways
        polygons.append(np.array(origin) + np.concatenate([far, near[::-1]]))
    return polygons
