"""Compare scans of the library with those of the slow twin, bin by bin."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.scan import Scan, State
from tests.twin import CELLS, TwinScan, bins_of, place, twin, witnessed_cells


class Told(NamedTuple):
    """What was compared."""

    bins: int
    unsure: int
    """Bins touched by a return within 4 units in the last place of float32 of a gate: not compared."""
    differing: int
    """Of the unsure ones, those in which the two differ indeed."""
    hits: int
    clear: int


def compare(xyz: np.ndarray, profile: Profile, attitude: tuple[float, float] | None = None) -> Told:
    """Flatten by both; assert that all bins but the unsure ones are the same; count. xyz (N, 3) float32."""
    scans = Flattener(profile).flatten(xyz, attitude)
    total = np.zeros(5, int)
    for name, slow in twin(xyz, profile, attitude).items():
        fast = scans[name]
        same = same_bins(fast, slow)
        wrong = np.flatnonzero(~same & ~slow.unsure)
        assert len(wrong) == 0, f"{name}: bins {wrong[:10]}: {describe(fast, slow, wrong[:10])}"
        states = [int((fast.states == state).sum()) for state in (State.HIT, State.CLEAR)]
        total += [fast.bins, int(slow.unsure.sum()), int((~same).sum()), *states]
    return Told(*total.tolist())


def same_bins(fast: Scan, slow: TwinScan) -> np.ndarray:
    """(bins,) whether state, hits, range, height and witnessed stretch are the same."""
    same = (fast.states == slow.states) & (fast.hits == slow.hits)
    for quick, exact in ((fast.ranges, slow.ranges), (fast.heights, slow.heights)):
        same &= rounded(quick, exact)
    # a stretch is rounded inward, by at most a unit in the last place
    for quick, exact, inward in ((fast.clear_from, slow.clear_from, 1), (fast.clear_to, slow.clear_to, -1)):
        gap = (quick.astype(float) - exact) * inward
        same &= (gap >= -1e-12 * exact) & (gap <= np.spacing(quick) + 1e-12 * exact)
    return same


def rounded(single: np.ndarray, exact: np.ndarray) -> np.ndarray:
    """Whether float32 values are the float64 ones rounded once; NaN and infinities must be the same.

    The twin's float64 sums are in another order: 1e-14 m beside half a unit in the last place.
    """
    with np.errstate(invalid="ignore"):
        near = np.abs(single.astype(float) - exact) <= 0.5 * np.spacing(np.abs(single)) + 1e-14
    return near | (single == exact) | (np.isnan(single) & np.isnan(exact))


def describe(fast: Scan, slow: TwinScan, bins: np.ndarray) -> str:
    names = ("states", "hits", "ranges", "heights", "clear_from", "clear_to")
    return "; ".join(f"{name} {getattr(fast, name)[bins]} twin {getattr(slow, name)[bins]}" for name in names)


def claimed_and_seen(xyz: np.ndarray, profile: Profile, attitude: tuple[float, float]) -> tuple[int, int]:
    """For a body that leans: cells that the library claims as witnessed, and how many of them the twin saw.

    With the sensor off the fan's axis a beam bends in (distance, height), and the library bounds it
    by straight lines on the safe side: it may claim less than the twin finds, and never more.
    """
    scans = Flattener(profile, fields={"clear_from", "clear_to"}).flatten(xyz, attitude)
    good = xyz[np.isfinite(xyz).all(axis=1) & (xyz != 0).any(axis=1)].astype(np.float64)
    _, level, sensor = place(good, profile, attitude)
    bins, _ = bins_of(level, profile)
    cell, claimed, seen = profile.reach.far / CELLS, 0, 0
    for name, band in profile.slices.items():
        witnessed = witnessed_cells(level, bins, np.ones(len(level), bool), sensor, band, profile, samples=5)
        begin, end = (getattr(scans[name], key).astype(float) / cell for key in ("clear_from", "clear_to"))
        cells = np.arange(CELLS)
        # a stretch begins at a cell; where a return ends it within a cell that whole cell was witnessed
        mine = (cells >= begin[:, None] - 1e-3) & (cells < end[:, None] - 1e-3)
        claimed, seen = claimed + int(mine.sum()), seen + int((mine & witnessed).sum())
    return claimed, seen
