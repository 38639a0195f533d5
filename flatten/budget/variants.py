"""Leaner ways to flatten the same clouds, run side by side with the profile as it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flatten.budget.messages import Wire, message_of
from flatten.budget.moving import timed
from flatten.budget.timing import SCAN_TIME, Feed, Seconds, StageFlattener, settle, time_frames
from flatten.cloud import Cloud
from flatten.profile import Profile

THIN = 2
"""A thinner cloud is every second return."""
TURN = 5
"""Frames of one variant before the next one has its turn."""


@dataclass(frozen=True)
class Variant:
    """A leaner way: what is changed, and what that gives up."""

    name: str
    gives_up: str
    profile: Profile
    fields: frozenset[str]
    thin: int = 1
    moving: bool = False
    """Whether frames come with their motion; with a window in the profile they always do."""


@dataclass(frozen=True)
class Gain:
    """What a leaner way costs, measured in turns with the profile as it is."""

    name: str
    gives_up: str
    times: float
    """Median processor time of a frame, as a share of that of the profile as it is."""


def variants_of(profile: Profile, fields: frozenset[str], moving: bool = False) -> tuple[Variant, ...]:
    """List the leaner ways that a profile leaves open, all of them together last."""
    now = Variant("as it is", "nothing", profile, fields, moving=moving or profile.window is not None)
    found, together = [], now
    for name, gives_up, changes in _leaner(profile):
        found.append(_changed(name, gives_up, now, changes))
        together = _changed(name, gives_up, together, changes)
    if now.moving:
        found.append(replace(_changed("no motion", "the correction", now, {"window": False}), moving=False))
    found.append(replace(now, name="every second return", gives_up="half the returns", thin=THIN))
    ranges = frozenset({"ranges"})
    if fields != ranges:
        found.append(replace(now, name="ranges alone", gives_up="all fields but the ranges", fields=ranges))
    last = replace(together, name="all of these together", gives_up="all of that", fields=ranges, thin=THIN)
    return (*found, replace(last, moving=False))


def _leaner(profile: Profile) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Give what could be left out of a profile: name, what it gives up, the sections that change."""
    plain = profile.to_dict()
    first = next(iter(profile.slices))
    if len(profile.slices) > 1:
        yield f"slice {first!r} alone", "the other slices", {"slices": {first: plain["slices"][first]}}
    if profile.fan.bins > 1:
        half = profile.fan.bins // 2
        yield f"fan of {half:,} bins", "half the bearings", {"fan": {**plain["fan"], "bins": half}}
    if profile.clear is not None:
        yield "clear: off", "every CLEAR", {"clear": False}
    if profile.window is not None:
        yield "window: off", "the older frames", {"window": False}
    if profile.level == "floor":
        drops = ", drops" if any(band.drops for band in profile.slices.values()) else ""
        yield "level: gravity", f"the fitted floor{drops}", {"level": "gravity"}


def _changed(name: str, gives_up: str, way: Variant, changes: dict[str, Any]) -> Variant:
    """Change sections of a way's profile; drops are told only over a fitted floor."""
    told = {**way.profile.to_dict(), **changes}
    if told["level"] != "floor":
        told["slices"] = {key: {**band, "drops": False} for key, band in told["slices"].items()}
    return replace(way, name=name, gives_up=gives_up, profile=Profile.from_dict(told))


def feed_of(clouds: Sequence[Cloud], wire: Wire | None, thin: int = 1, moving: bool = False) -> Feed:
    """Pack clouds as they come in, every `thin`-th return of each; with times where the body moves."""
    whole = [timed(cloud, SCAN_TIME) for cloud in clouds] if moving else clouds
    plain = [message_of(thinned(cloud, thin)) for cloud in whole]
    return Feed(plain if wire is None else [wire.encode_cloud(message) for message in plain], wire)


def thinned(cloud: Cloud, every: int) -> Cloud:
    """Take every so-manieth return (of each row, where the cloud has rows)."""
    part = (..., slice(None, None, every))
    heard, time = (None if row is None else row[part] for row in (cloud.intensity, cloud.time))
    return Cloud(cloud.x[part], cloud.y[part], cloud.z[part], heard, time, cloud.name)


def compare(
    profile: Profile,
    fields: frozenset[str],
    clouds: Sequence[Cloud],
    wire: Wire | None,
    frames: int,
    step: Callable[[], None] = lambda: None,
    moving: bool = False,
) -> tuple[Gain, ...]:
    """Time every variant for about so many frames; `step` is called after each of all these frames.

    They take turns with the profile as it is, a few frames each, so that what else happens on the
    board meets all of them alike.
    """
    now = Variant("as it is", "nothing", profile, fields, moving=moving or profile.window is not None)
    ways = (now, *variants_of(profile, fields, moving))
    runs = [
        (StageFlattener(way.profile, way.fields, way.moving), feed_of(clouds, wire, way.thin, way.moving))
        for way in ways
    ]
    for flattener, feed in runs:
        settle(flattener, feed)
    spent: list[list[Seconds]] = [[] for _ in ways]
    for _ in range(turns(frames)):
        for (flattener, feed), times in zip(runs, spent, strict=True):
            times.append(time_frames(flattener, feed, TURN, step, settling=1).busy)
    base, *others = (float(np.median(np.concatenate(times))) for times in spent)
    return tuple(
        Gain(way.name, way.gives_up, cost / base) for way, cost in zip(ways[1:], others, strict=True)
    )


def turns(frames: int) -> int:
    """Count the turns that `compare` gives each variant."""
    return -(-frames // TURN)
