"""Which messages tell where the robot was, and whose poses these are."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from flatten.errors import RecordingError
from flatten.recordings.messages import (
    ODOMETRY,
    POSE,
    POSE_COVARIANCE,
    POSE_TYPES,
    TRANSFORM,
    TRANSFORMS,
    Store,
    Topic,
)
from flatten.recordings.pose_messages import Rows, as_matrix, chain_up, read_rows, static_transform
from flatten.recordings.trajectory import Trajectory

Numbers = npt.NDArray[np.float64]
Whose = Literal["body", "sensor"]

STATIC_TOPIC = "tf_static"
"""Transforms on a topic of this name hold for all time (geometry2)."""
RANKS = ((ODOMETRY,), (POSE, POSE_COVARIANCE), (TRANSFORMS, TRANSFORM))
"""Odometry says whose poses it has, and each once; transforms are many things at once."""


@dataclass(frozen=True)
class Poses:
    """What a recording tells of places."""

    trajectory: Trajectory | None
    body_from_sensor: Numbers | None
    """(4, 4) where the sensor sits, from transforms that stand still; None where they do not tell."""
    faults: tuple[str, ...] = ()


def pose_topics(store: Store) -> list[Topic]:
    """Topics that have poses of what moves."""
    return [topic for topic in store.topics if topic.type in POSE_TYPES and not is_static(topic)]


def is_static(topic: Topic) -> bool:
    """Tell whether a topic has transforms that stand still."""
    return topic.type == TRANSFORMS and topic.name.strip("/").endswith(STATIC_TOPIC)


def choose_topic(store: Store, wanted: str | None, who: str) -> Topic | None:
    """Give the topic of the poses: the one that is wanted, or the only one of the best kind, if any."""
    topics = pose_topics(store)
    if wanted is not None:
        chosen = next((topic for topic in topics if topic.name.strip("/") == wanted.strip("/")), None)
        if chosen is None:
            have = ", ".join(topic.name for topic in topics) or "none"
            raise RecordingError(f"{who}: no poses on topic {wanted}: topics with poses are {have}")
        return chosen
    for kinds in RANKS:
        fit = [topic for topic in topics if topic.type in kinds and topic.count]
        if len(fit) > 1:
            raise RecordingError(
                f"{who}: poses on several topics, {', '.join(topic.name for topic in fit)}: say which count"
            )
        if fit:
            return fit[0]
    return None


def find_poses(
    store: Store, cloud_frame: str, wanted: str | None, of: Whose | None, who: str,
    given: Trajectory | None = None,
) -> Poses:  # fmt: skip
    """Read the poses of a recording, unless some are given, and where its sensor sits."""
    topic = None if given is not None else choose_topic(store, wanted, who)
    names = [each.name for each in store.topics if is_static(each)]
    rows, unread = read_rows(store.messages(names)) if names else ({}, 0)
    static = {key: matrix for key, row in rows.items() if (matrix := as_matrix(row.poses[-1])) is not None}
    if topic is None:
        return Poses(given, _mount(static, "", cloud_frame), _unread(unread, names))
    found, bad = read_rows(store.messages([topic.name]))
    faults = [*_unread(unread, names), *_unread(bad, [topic.name])]
    if topic.type in (TRANSFORMS, TRANSFORM):
        static |= _standing(found)
        chosen = _moving(found, static, cloud_frame, topic, who)
    else:
        chosen = max(found.values(), key=lambda row: len(row.times), default=None)
        if len(found) > 1:
            told = ", ".join(f"{row.parent or '?'} to {row.child or '?'}" for row in found.values())
            faults.append(f"{topic.name}: poses of several frames ({told}): the most frequent are taken")
    if chosen is None:
        return Poses(None, _mount(static, "", cloud_frame), tuple(faults))
    if chosen.unset:
        faults.append(f"{topic.name}: {chosen.unset} poses have no stamp: the time of recording is taken")
    trajectory = Trajectory.of_rows(
        np.array(chosen.times, np.int64), np.array(chosen.poses),
        of=of or _whose(chosen, cloud_frame, faults), frame=chosen.parent, child=chosen.child,
        name=f"{who}, {topic.name}",
    )  # fmt: skip
    body = "" if trajectory.of == "sensor" else chosen.child
    return Poses(trajectory, _mount(static, body, cloud_frame), tuple(faults))


def _whose(row: Rows, cloud_frame: str, faults: list[str]) -> Whose:
    if not row.child:
        faults.append("the poses do not say whose they are: they are taken as the body's")
    return "sensor" if row.child and row.child == cloud_frame else "body"


def _unread(count: int, names: list[str]) -> tuple[str, ...]:
    return (f"{', '.join(names)}: {count} messages cannot be read as their type",) if count else ()


def _standing(found: dict[tuple[str, str], Rows]) -> dict[tuple[str, str], Numbers]:
    """Transforms that are said again and again and never change, as the first generation had them."""
    standing = {}
    for key, row in found.items():
        matrix = as_matrix(row.poses[0])
        if len(row.poses) > 1 and matrix is not None and all(pose == row.poses[0] for pose in row.poses):
            standing[key] = matrix
    return standing


def _moving(
    found: dict[tuple[str, str], Rows], static: dict[tuple[str, str], Numbers], cloud_frame: str,
    topic: Topic, who: str,
) -> Rows | None:  # fmt: skip
    """Give the transform that moves the robot: on the way up from the sensor the first that is not static."""
    moving = {key: row for key, row in found.items() if key not in static}
    parents = {child: parent for parent, child in (*found, *static)}
    chain = chain_up(parents, cloud_frame)
    for child, parent in pairwise(chain):
        if (parent, child) in moving:
            return moving[parent, child]
    if len(moving) > 1:
        told = ", ".join(f"{parent} to {child}" for parent, child in moving)
        raise RecordingError(
            f"{who}: {topic.name} moves several frames ({told}), and none is above "
            f"{cloud_frame or 'the cloud'}: choose another topic of poses"
        )
    if moving:
        return next(iter(moving.values()))
    return next(iter(found.values())) if len(found) == 1 else None  # a robot that stood still


def _mount(static: dict[tuple[str, str], Numbers], body: str, cloud_frame: str) -> Numbers | None:
    if not cloud_frame or not static:
        return None
    if not body:  # the uppermost frame that the sensor is fixed to
        body = chain_up({child: parent for parent, child in static}, cloud_frame)[-1]
    if body == cloud_frame:
        return None
    return static_transform(static, body, cloud_frame)
