"""The rough sample clouds flattened in two ways each, and what the truth says of both."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.carrying import carry_cloud
from flatten.cloud import Cloud
from flatten.files import read_cloud
from flatten.fitted import FittedFloor
from flatten.flattener import Flattener
from flatten.frames import level_from_body
from flatten.plan import mount_transform
from flatten.profile import Profile
from flatten.samples import Edges, RoughSample, RoughTruth, Truth, Way, What, read_rough_truth
from flatten.scan import Kind, Scan, State
from flatten.tuning.poses import read_poses

Numbers = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ALLOWED = 0.05
"""Metres that a HIT may lie outside the true surfaces: five times the noise of the sample clouds."""
SLICE = "drive"
"""The slice that is compared."""
NEAR = 15.0
"""Metres within which a HIT is judged."""
SAME = 1e-5
"""Metres: a HIT's range and that of the return that decided it agree to this; float32 has 1e-6 at 15 m."""
TOLD, BEFORE, BEHIND = 5.0, 0.5, 0.3
"""Metres within which an edge must be told, and before and behind it where that counts as told."""


@dataclass(frozen=True)
class Check:
    """One scan against what is truly there, or the sum of several."""

    hits: int
    within: int
    """HIT bins between the nearest and the farthest true surface of the bin, `ALLOWED` granted."""
    clear: int
    broken: int | None
    """CLEAR bins in which something stands that CLEAR denies; None where the truth does not say."""

    def __add__(self, other: Check) -> Check:
        """Sum up, bin by bin."""
        known = self.broken is not None and other.broken is not None
        broken = (self.broken or 0) + (other.broken or 0) if known else None
        return Check(self.hits + other.hits, self.within + other.within, self.clear + other.clear, broken)


@dataclass(frozen=True)
class Figure:
    """One figure of a comparison."""

    words: str
    values: tuple[str, ...]
    """One a way."""


@dataclass(frozen=True, eq=False)
class Outcome:
    """What one way made of a cloud."""

    way: Way
    profile: Profile
    cloud: Cloud
    """What is flattened: carried to the end of the frame where the poses are used."""
    scans: Mapping[str, Scan]
    floor: FittedFloor | None
    seconds: float
    wrong: Mask
    """(bins,) HITs of the compared slice that the truth denies."""
    told: dict[str, str]
    """Figures by their words."""


@dataclass(frozen=True, eq=False)
class Comparison:
    """A rough sample and what became of it in each way."""

    sample: RoughSample
    outcomes: tuple[Outcome, ...]
    wrong_words: str
    """What a HIT is that the truth denies."""

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Figures of all ways, side by side; a dash where a way has none."""
        words = dict.fromkeys(key for one in self.outcomes for key in one.told)
        return tuple(Figure(key, tuple(one.told.get(key, "–") for one in self.outcomes)) for key in words)


def compare_ways(sample: RoughSample) -> Comparison:
    """Flatten a rough sample in each of its ways and judge what came out by its truth.

    Raises CloudError, ProfileError or MotionError where its files are not as they were.
    """
    cloud, known = read_cloud(sample.cloud), read_rough_truth(sample)
    if not any(key.endswith(".drops") for way in sample.ways for key in way.settings):
        known = replace(known, edges=None)  # nobody is asked about them
    outcomes = tuple(_flatten(sample, way, cloud, known) for way in sample.ways)
    moving = known.what is None
    words = "by the truth: HIT off the surfaces" if moving else "by the truth: HIT that is nothing but floor"
    return Comparison(sample, outcomes, words)


def _flatten(sample: RoughSample, way: Way, cloud: Cloud, known: RoughTruth) -> Outcome:
    profile = Profile.load(sample.profile, dict(way.settings))
    flattener = Flattener(profile)
    motion = None
    if way.motion and sample.poses is not None:
        motion = read_poses(sample.poses)
    attitude = None if motion is not None else sample.attitude
    begun = time.perf_counter()
    scans = flattener.flatten(cloud, attitude, motion)
    seconds = time.perf_counter() - begun
    if motion is not None:
        cloud = carry_cloud(cloud, motion, mount_transform(profile.mount)).cloud
    scan = scans[SLICE]
    if known.what is None:
        wrong, told = judge_surfaces(scan, known.slices[SLICE])
    else:
        wrong, told = judge_returns(scan, profile, cloud, sample.attitude, known.what)
        told = (judge_edges(scan, known.edges) if known.edges is not None else {}) | told
    return Outcome(way, profile, cloud, scans, flattener.floor, seconds, wrong, told)


def compare(scan: Scan, truth: Truth) -> Check:
    """Hold a scan against what is truly there, bin by bin."""
    assert scan.states is not None and scan.clear_to is not None
    clear = scan.states == State.CLEAR
    hit, within = _between(scan, truth)
    broken = None if truth.standing is None else int(np.sum(clear & (truth.standing <= scan.clear_to)))
    return Check(int(hit.sum()), int(within.sum()), int(clear.sum()), broken)


def _between(scan: Scan, truth: Truth) -> tuple[Mask, Mask]:
    """Which bins are a HIT, and which of them lie between the true surfaces."""
    assert scan.states is not None and scan.ranges is not None
    hit: Mask = scan.states == State.HIT
    ranges = np.where(hit, scan.ranges, 0.0).astype(np.float64)
    farthest = np.where(np.isfinite(truth.farthest), truth.farthest, -np.inf)
    return hit, hit & (ranges >= truth.nearest - ALLOWED) & (ranges <= farthest + ALLOWED)


def judge_surfaces(scan: Scan, truth: Truth) -> tuple[Mask, dict[str, str]]:
    """Which HITs lie off the true surfaces, and how far: figures of a body that moves."""
    assert scan.ranges is not None
    hit, within = _between(scan, truth)
    surface = hit & np.isfinite(truth.nearest)
    ranges = scan.ranges[surface].astype(np.float64)
    near, far = truth.nearest[surface], truth.farthest_of_nearest[surface]
    off = np.maximum(np.maximum(near - ranges, ranges - far), 0.0)
    told = {"HIT between the true surfaces": f"{int(within.sum()):,} of {int(hit.sum()):,}"}
    if off.size:
        told["off them, 19 of 20 HIT by less than"] = f"{100 * float(np.quantile(off, 0.95)):.0f} cm"
        told["the farthest HIT off by"] = f"{100 * float(off.max()):.0f} cm"
    check = compare(scan, truth)
    told["CLEAR bins"] = f"{check.clear:,}"
    if check.broken is not None:
        told["CLEAR bins that hold what CLEAR rules out"] = f"{check.broken:,}"
    return hit & ~within, told


def judge_returns(
    scan: Scan, profile: Profile, cloud: Cloud, attitude: tuple[float, float], what: npt.NDArray[np.uint8]
) -> tuple[Mask, dict[str, str]]:
    """Which HITs are floor, and which things are shown: figures of a body that stands, from its returns."""
    assert scan.states is not None and scan.ranges is not None and scan.clear_to is not None
    bins, distance = places(cloud, profile, attitude, scan)
    hit = (scan.states == State.HIT) & (scan.ranges <= NEAR)
    if scan.kinds is not None:
        hit &= scan.kinds == Kind.RETURN
    decided = deciders(scan, hit, bins, distance, what)
    floor = hit & (decided == What.FLOOR)
    nearest = nearest_of(scan.bins, bins, distance, what == What.THING)
    there = np.isfinite(nearest)
    shown = np.where(scan.states == State.HIT, scan.ranges, np.inf)
    shown = np.where(scan.states == State.TOO_NEAR, 0.0, shown)
    kept = there & (shown <= nearest + ALLOWED)
    clear = scan.states == State.CLEAR
    told = {
        "HIT that are nothing but floor": f"{int(floor.sum()):,} of {int(hit.sum()):,}",
        **_kerb_told(scan.bins, bins, distance, what, shown),
        "bins with a thing that show it, or what is nearer": f"{int(kept.sum()):,} of {int(there.sum()):,}",
        "CLEAR bins": f"{int(clear.sum()):,}",
        "CLEAR bins with a thing in the free stretch": f"{int((clear & (nearest <= scan.clear_to)).sum()):,}",
    }
    if (decided == What.GRASS).any():
        told["HIT that are grass"] = f"{int((decided == What.GRASS).sum()):,}"
    ghosts = int((what == What.GHOST).sum())
    if ghosts:
        told["mirrored returns in the cloud"] = f"{ghosts:,}"
        told["HIT that are mirrored returns"] = f"{int((decided == What.GHOST).sum()):,}"
        if profile.level == "floor":
            told["returns found below the floor"] = f"{scan.counts.ghosts:,}"
    return floor, told


def nearest_of(count: int, bins: npt.NDArray[np.int64], distance: Numbers, wanted: Mask) -> Numbers:
    """Distance of the nearest wanted return within NEAR in each bin, (count,); inf where there is none."""
    nearest = np.full(count, np.inf)
    chosen = wanted & (distance <= NEAR) & (bins >= 0)
    np.minimum.at(nearest, bins[chosen], distance[chosen])
    return nearest


def _kerb_told(
    count: int, bins: npt.NDArray[np.int64], distance: Numbers, what: npt.NDArray[np.uint8], shown: Numbers
) -> dict[str, str]:
    """How many bins with a return of a kerb's face have a HIT at its edge or nearer; nothing without."""
    face = nearest_of(count, bins, distance, what == What.FACE)
    there = np.isfinite(face)
    if not there.any():
        return {}
    kept = there & (shown <= face + BEHIND)
    return {
        "bins with a kerb that show it, or what is nearer": f"{int(kept.sum()):,} of {int(there.sum()):,}"
    }


def judge_edges(scan: Scan, edges: Edges) -> dict[str, str]:
    """How many bins tell an edge that is in plain sight; nothing where there is none."""
    there = edges.seen & (edges.farthest <= TOLD)
    if not there.any():
        return {}
    assert scan.ranges is not None and scan.states is not None
    said = np.zeros(scan.bins, bool)
    if scan.kinds is not None:
        said = scan.kinds == Kind.DROP
    right = said & (scan.ranges >= edges.nearest - BEFORE) & (scan.ranges <= edges.farthest + BEHIND)
    nearer = (scan.states == State.HIT) & (scan.ranges < edges.nearest - BEFORE)
    open_ = there & ~nearer
    return {
        f"bins with an edge in sight within {TOLD:g} m that tell it": f"{int((open_ & right).sum()):,} of "
        f"{int(open_.sum()):,}",
        "edges told where there is none": f"{int((said & ~right).sum()):,}",
    }


def places(
    cloud: Cloud, profile: Profile, attitude: tuple[float, float], scan: Scan
) -> tuple[npt.NDArray[np.int64], Numbers]:
    """Bin (−1 outside the fan) and distance of each return: (N,)."""
    pose = level_from_body(*attitude) @ mount_transform(profile.mount)
    x, y, _ = (cloud.xyz @ pose[:3, :3].T + pose[:3, 3] - [profile.mount.x, profile.mount.y, 0.0]).T
    turned = np.mod(np.arctan2(y, x) - scan.first, 2.0 * np.pi) / scan.step
    bins = np.where(turned < scan.bins, turned, -1.0).astype(np.int64)
    return bins, np.hypot(x, y)


def deciders(
    scan: Scan, hit: Mask, bins: npt.NDArray[np.int64], distance: Numbers, what: npt.NDArray[np.uint8]
) -> npt.NDArray[np.int64]:
    """What decided each HIT: `What` of the return of its bin with the HIT's range; −1 where there is none."""
    assert scan.ranges is not None
    decided, best = np.full(scan.bins, -1), np.full(scan.bins, SAME)
    near: Any = (bins >= 0) & hit[bins]
    for k in np.flatnonzero(near & (np.abs(distance - scan.ranges[bins]) < SAME)):
        off = abs(float(distance[k]) - float(scan.ranges[bins[k]]))
        if off <= best[bins[k]]:
            best[bins[k]], decided[bins[k]] = off, what[k]
    return decided
