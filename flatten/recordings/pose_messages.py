"""Poses out of messages: odometry, stamped poses and transforms; and where the sensor sits, if it is told.

Frames are named after REP 105: a fixed frame (odom, map), the body (base_link), sensors fixed to it. A
message of odometry gives the pose of its child frame in its header's frame; a transform that of
its child frame too. A stamped pose does not say whose it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.recordings.messages import (
    ODOMETRY,
    POSE,
    POSE_COVARIANCE,
    TRANSFORM,
    TRANSFORMS,
    Message,
    decode,
    stamp_of,
)
from flatten.recordings.trajectory import matrices

Numbers = npt.NDArray[np.float64]

MOST_LINKS = 64
"""Frames in a row, from the sensor up to the fixed one."""


@dataclass
class Rows:
    """Poses of one child frame in one parent frame, in recorded order."""

    parent: str
    child: str
    times: list[int] = field(default_factory=list)
    poses: list[list[float]] = field(default_factory=list)
    unset: int = 0
    """How many had no stamp, and were taken at the time of recording."""

    def add(self, time: int, logged: int, pose: list[float]) -> None:
        """Put a pose in; without a stamp it is of the time at which it was recorded."""
        self.unset += time == 0
        self.times.append(time or logged)
        self.poses.append(pose)


def read_rows(messages: Iterable[Message]) -> tuple[dict[tuple[str, str], Rows], int]:
    """Poses by (parent, child), and how many messages could not be read."""
    found: dict[tuple[str, str], Rows] = {}
    unread = 0
    for message in messages:
        try:
            parts = list(_poses_of(message))
        except (ValueError, AttributeError, TypeError):
            unread += 1
            continue
        for parent, child, time, pose in parts:
            key = parent, child
            found.setdefault(key, Rows(parent, child)).add(time, message.logged, pose)
    return found, unread


def _poses_of(message: Message) -> Iterable[tuple[str, str, int, list[float]]]:
    content: Any = decode(message)
    kind = message.topic.type
    if kind == TRANSFORMS:
        for part in content.transforms:
            yield _of_transform(part)
    elif kind == TRANSFORM:
        yield _of_transform(content)
    elif kind == ODOMETRY:
        yield (
            _name(content.header), content.child_frame_id.strip("/"), stamp_of(content.header),
            _numbers(content.pose.pose.position, content.pose.pose.orientation),
        )  # fmt: skip
    elif kind in (POSE, POSE_COVARIANCE):
        pose = content.pose if kind == POSE else content.pose.pose
        numbers = _numbers(pose.position, pose.orientation)
        yield _name(content.header), "", stamp_of(content.header), numbers


def _of_transform(part: Any) -> tuple[str, str, int, list[float]]:
    move = part.transform
    numbers = _numbers(move.translation, move.rotation)
    return _name(part.header), part.child_frame_id.strip("/"), stamp_of(part.header), numbers


def _name(header: Any) -> str:
    return str(header.frame_id).strip("/")  # the first generation wrote a slash before it


def _numbers(place: Any, turn: Any) -> list[float]:
    return [place.x, place.y, place.z, turn.x, turn.y, turn.z, turn.w]


def chain_up(parents: dict[str, str], frame: str) -> list[str]:
    """Frames from this one up to the one that has no parent."""
    chain = [frame]
    while chain[-1] in parents and len(chain) < MOST_LINKS:
        chain.append(parents[chain[-1]])
    return chain


def static_transform(static: dict[tuple[str, str], Numbers], upper: str, lower: str) -> Numbers | None:
    """(4, 4) upper_from_lower through transforms that stand still; None where they do not lead there.

    Both may hang below a third frame, as base_link and a sensor do below base_footprint.
    """
    parents = {child: parent for parent, child in static}

    def root_from(frame: str) -> tuple[str, Numbers]:
        chain = chain_up(parents, frame)
        made = np.eye(4)
        for child, parent in pairwise(chain):
            made = static[parent, child] @ made
        return chain[-1], made

    (root, root_from_upper), (other, root_from_lower) = root_from(upper), root_from(lower)
    if root != other:
        return None
    found: Numbers = np.linalg.inv(root_from_upper) @ root_from_lower
    return found


def as_matrix(pose: list[float]) -> Numbers | None:
    """(4, 4) of seven numbers; None where the quaternion is none."""
    row = np.array([pose], np.float64)
    length = float(np.linalg.norm(row[0, 3:]))
    if not np.isfinite(row).all() or abs(length - 1.0) > 1e-3:
        return None
    row[0, 3:] /= length
    made: Numbers = matrices(row)[0]
    return made
