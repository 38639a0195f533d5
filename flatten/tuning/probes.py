"""The two test bodies put into recorded frames: which beams would have ended on them, and what slices say.

Upright Ø70 × 400 mm and lying Ø200 × 600 mm (ISO 3691-4, from memory). A beam that is on record is followed
from the sensor to where it ended: if a body is in its way it ends there. Beams that brought nothing back are
not on record, so that a body before open sky is hit less often here than in truth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.flattener import Flattener
from flatten.plan import make_plan
from flatten.profile import Profile
from flatten.scan import Scan, State
from flatten.tuning.seen import Seen

Numbers = npt.NDArray[np.float64]

KINDS = ("upright", "lying across", "lying end-on")
DISTANCES = tuple(float(metres) for metres in range(1, 16))
BEARINGS = 8
"""Places around the robot at which a body is put, at once: they hide nothing of one another."""
LONGEST = 0.35
"""Metres about its middle in which all of a body lies."""
AROUND = 0.4
"""Metres before and behind its middle within which a HIT shows a body."""


@dataclass(frozen=True)
class BodyRow:
    """One body at one distance, over all frames and bearings; shares of 1."""

    kind: str
    distance: float
    returned: float
    """How often at least one beam ended on it."""
    shown: Mapping[str, float]
    """How often each slice reported it."""


def check_bodies(
    profile: Profile, frames: Sequence[Seen], distances: Sequence[float] = DISTANCES
) -> list[BodyRow]:
    """Put the bodies into the frames and flatten these by a profile; distances in metres, to the middle."""
    single = profile if profile.window is None else profile.model_copy(update={"window": None})
    flattener = Flattener(single, fields={"ranges", "states"})
    rows = []
    for kind in KINDS:
        for distance in distances:
            if distance <= profile.reach.far:
                rows.append(_row(flattener, frames, kind, distance))
    return rows


def _row(flattener: Flattener, frames: Sequence[Seen], kind: str, distance: float) -> BodyRow:
    met, shown = [], dict.fromkeys(flattener.profile.slices, 0)
    bearings = -math.pi + (np.arange(BEARINGS) + 0.5) * (2.0 * math.pi / BEARINGS)
    fan = flattener.profile.fan
    turned = np.mod(bearings - math.radians(fan.first), 2.0 * math.pi)
    bearings = bearings[turned < math.radians(fan.last - fan.first)]
    for seen in frames:
        cloud, hit = with_bodies(flattener.profile, seen, kind, distance, bearings)
        struck = [bool((hit == k).any()) for k in range(len(bearings))]
        met += struck
        for name, scan in flattener.flatten(cloud, seen.attitude).items():
            # what stood there anyway shows no body
            shown[name] += sum(
                one and shows(scan, float(bearing), kind, distance)
                for one, bearing in zip(struck, bearings, strict=True)
            )
    count = max(len(met), 1)
    return BodyRow(kind, distance, sum(met) / count, {name: number / count for name, number in shown.items()})


def shows(scan: Scan, bearing: float, kind: str, distance: float) -> bool:
    """Say whether a HIT lies where the body is."""
    assert scan.ranges is not None and scan.states is not None
    half = math.atan2({"upright": 0.035, "lying across": 0.3, "lying end-on": 0.1}[kind], distance)
    off = np.mod(scan.first + (np.arange(scan.bins) + 0.5) * scan.step - bearing + math.pi, 2.0 * math.pi)
    near = np.abs(off - math.pi) <= half + 0.5 * scan.step
    with np.errstate(invalid="ignore"):
        there = np.abs(scan.ranges - distance) <= AROUND
    return bool((near & there & (scan.states == State.HIT)).any())


def with_bodies(
    profile: Profile, seen: Seen, kind: str, distance: float, bearings: Numbers
) -> tuple[Cloud, npt.NDArray[np.int64]]:
    """Give a frame with bodies around it, and (N,) the number of the body that each return is of, or −1."""
    level_from_sensor = make_plan(profile).frame(seen.attitude).level_from_sensor
    points = seen.cloud.xyz
    level = points @ level_from_sensor[:, :3].T
    azimuth = np.arctan2(level[:, 1], level[:, 0])
    origin = level_from_sensor[:, 3]
    ends = np.ones(len(points))
    hit = np.full(len(points), -1)
    for number, bearing in enumerate(bearings.tolist()):
        middle = np.array([distance * math.cos(bearing), distance * math.sin(bearing)])
        toward = middle - origin[:2]
        off = np.mod(azimuth - math.atan2(toward[1], toward[0]) + math.pi, 2.0 * math.pi) - math.pi
        near = np.flatnonzero(np.abs(off) <= 0.1 + math.asin(min(1.0, LONGEST / math.hypot(*toward))))
        with np.errstate(divide="ignore", invalid="ignore"):
            share = along(kind, origin, level[near], middle, bearing)
        met = share < ends[near]
        ends[near[met]], hit[near[met]] = share[met], number
    return Cloud.from_array((points * ends[:, None]).astype(np.float32), seen.name), hit


def along(kind: str, origin: Numbers, beams: Numbers, middle: Numbers, bearing: float) -> Numbers:
    """Share of each beam (N, 3) from `origin` at which it meets a body on z = 0; inf for never."""
    start = origin[:2] - middle
    if kind == "upright":
        share = circle(start, beams[:, :2], 0.035)
        height = origin[2] + share * beams[:, 2]
        return np.where((height >= 0.0) & (height <= 0.4), share, np.inf)
    turn = bearing + (0.5 * math.pi if kind == "lying across" else 0.0)
    axis, side = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    across = np.stack([beams[:, :2] @ side, beams[:, 2]], axis=1)
    begin = np.array([start @ side, origin[2] - 0.1])
    share = circle(begin, across, 0.1)
    where = start @ axis + share * (beams[:, :2] @ axis)
    found = np.where(np.abs(where) <= 0.3, share, np.inf)
    for end in (-0.3, 0.3):
        cap = (end - start @ axis) / (beams[:, :2] @ axis)
        off = begin + cap[:, None] * across
        met = (cap > 0.0) & (np.hypot(off[:, 0], off[:, 1]) <= 0.1)
        found = np.where(met, np.minimum(found, cap), found)
    return found


def circle(start: Numbers, along: Numbers, radius: float) -> Numbers:
    """Where lines start + s·along (N, 2) first enter the circle about the origin: s > 0, else inf.

    a = d·d, b = 2 f·d, c = f·f − r²; Δ < 0 is a miss.
    """
    a = np.einsum("ij,ij->i", along, along)
    b = 2.0 * (along @ start)
    c = float(start @ start) - radius * radius
    delta = b * b - 4.0 * a * c
    share = (-b - np.sqrt(np.maximum(delta, 0.0))) / (2.0 * a)
    return np.where((delta >= 0.0) & (share > 0.0), share, np.inf)
