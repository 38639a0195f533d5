"""Leaner ways to flatten the same clouds, run side by side with the profile as it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from flatten.budget.messages import Wire, message_of
from flatten.budget.timing import Feed, Seconds, StageFlattener, time_frames
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


@dataclass(frozen=True)
class Gain:
    """What a leaner way costs, measured in turns with the profile as it is."""

    name: str
    gives_up: str
    times: float
    """Median processor time of a frame, as a share of that of the profile as it is."""


def variants_of(profile: Profile, fields: frozenset[str]) -> tuple[Variant, ...]:
    """List the leaner ways that a profile leaves open, all of them together last."""
    plain, found = profile.to_dict(), []
    changes: dict[str, Any] = {}
    first = next(iter(profile.slices))
    if len(profile.slices) > 1:
        changes["slices"] = {first: plain["slices"][first]}
        found.append(_changed(f"slice {first!r} alone", "the other slices", profile, changes, fields))
    if profile.fan.bins > 1:
        fan = {"fan": {**plain["fan"], "bins": profile.fan.bins // 2}}
        found.append(
            _changed(f"fan of {profile.fan.bins // 2:,} bins", "half the bearings", profile, fan, fields)
        )
        changes.update(fan)
    if profile.clear is not None:
        found.append(_changed("clear: off", "every CLEAR", profile, {"clear": False}, fields))
        changes["clear"] = False
    ranges = frozenset({"ranges"})
    found.append(Variant("every second return", "half the returns", profile, fields, THIN))
    if fields != ranges:
        found.append(Variant("ranges alone", "all fields but the ranges", profile, ranges))
    together = Profile.from_dict({**plain, **changes})
    return (*found, Variant("all of these together", "all of that", together, ranges, THIN))


def _changed(
    name: str, gives_up: str, profile: Profile, changes: dict[str, Any], fields: frozenset[str]
) -> Variant:
    return Variant(name, gives_up, Profile.from_dict({**profile.to_dict(), **changes}), fields)


def feed_of(clouds: Sequence[Cloud], wire: Wire | None, thin: int = 1) -> Feed:
    """Pack clouds as they come in, every `thin`-th return of each."""
    plain = [message_of(thinned(cloud, thin)) for cloud in clouds]
    return Feed(plain if wire is None else [wire.encode_cloud(message) for message in plain], wire)


def thinned(cloud: Cloud, every: int) -> Cloud:
    """Take every so-manieth return (of each row, where the cloud has rows)."""
    part = (..., slice(None, None, every))
    heard = None if cloud.intensity is None else cloud.intensity[part]
    return Cloud(cloud.x[part], cloud.y[part], cloud.z[part], heard, name=cloud.name)


def compare(
    profile: Profile,
    fields: frozenset[str],
    clouds: Sequence[Cloud],
    wire: Wire | None,
    frames: int,
    step: Callable[[], None] = lambda: None,
) -> tuple[Gain, ...]:
    """Time every variant for about so many frames; `step` is called after each of all these frames.

    They take turns with the profile as it is, a few frames each, so that what else happens on the
    board meets all of them alike.
    """
    ways = (Variant("as it is", "nothing", profile, fields), *variants_of(profile, fields))
    runs = [(StageFlattener(way.profile, way.fields), feed_of(clouds, wire, way.thin)) for way in ways]
    spent: list[list[Seconds]] = [[] for _ in ways]
    for _ in range(turns(frames)):
        for (flattener, feed), times in zip(runs, spent, strict=True):
            times.append(time_frames(flattener, feed, TURN, step, settle=1).busy)
    base, *others = (float(np.median(np.concatenate(times))) for times in spent)
    return tuple(
        Gain(way.name, way.gives_up, cost / base) for way, cost in zip(ways[1:], others, strict=True)
    )


def turns(frames: int) -> int:
    """Count the turns that `compare` gives each variant."""
    return -(-frames // TURN)
