"""Scans out of recorded messages: bare planar scans, and those that have all that their bins say beside them.

`flatten batch` writes a cloud with a record a bin beside each scan (topic NAME/bins): bearing, range, state
and the witnessed stretch. Where it is there it is read in place of the scan. Of bare scans, of whatever
sensor, the option says what they free.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.batch.messages import read_bins
from flatten.errors import MapError
from flatten.mapping.beams import Bare, Beams, bare_beams
from flatten.recordings import Trajectory, read_trajectory
from flatten.recordings.messages import Message, Store, Topic, decode, stamp_of
from flatten.recordings.pose_choice import find_poses, is_static
from flatten.recordings.pose_messages import as_matrix, chain_up, read_rows, static_transform
from flatten.recordings.trajectory import matrices
from flatten.scan import State

if TYPE_CHECKING:
    from flatten.mapping.sources import Moment, Wanted

Matrix = npt.NDArray[np.float64]

SCAN, CLOUD = "sensor_msgs/msg/LaserScan", "sensor_msgs/msg/PointCloud2"
BINS = "/bins"


class ScanTopic(NamedTuple):
    """One slice of a recording."""

    name: str
    topic: Topic
    """Whose messages are read."""
    bare: bool


def scan_topics(store: Store) -> list[ScanTopic]:
    """List the slices of a recording."""
    there = {topic.name: topic for topic in store.topics}
    found = []
    for topic in store.topics:
        if topic.type != SCAN or not topic.count:
            continue
        beside = there.get(topic.name + BINS)
        name = topic.name.strip("/").rpartition("/")[2] or "scan"
        known = beside is not None and beside.type == CLOUD and beside.count > 0
        found.append(ScanTopic(name, beside if known and beside else topic, not known))
    names = Counter(each.name for each in found)
    return [
        each if names[each.name] == 1 else each._replace(name=each.topic.name.strip("/").replace("/", "_"))
        for each in found
    ]


class ScanMessages:
    """Scans of a recording with their places."""

    def __init__(self, path: Path, store: Store, topics: list[ScanTopic], wanted: Wanted) -> None:
        self.kind, self._store, self._wanted = f"scans, {store.kind}", store, wanted
        there = [each.name for each in topics]
        for name in wanted.slices:
            if name not in there:
                raise MapError(f"{path}: no scans {name}: there are {', '.join(there)}")
        if wanted.topic is not None:
            topics = [each for each in topics if each.topic.name.removesuffix(BINS) == wanted.topic]
            if not topics:
                raise MapError(f"{path}: no scans on topic {wanted.topic}: there are {', '.join(there)}")
        self._topics = {each.topic.name: each for each in topics if wanted.wants(each.name)}
        self.count = max(each.topic.count for each in self._topics.values())
        self.left_out: Counter[str] = Counter()
        self.remarks: list[str] = []
        first = next(iter(self._messages()), None)
        scan_frame = "" if first is None else str(decode(first).header.frame_id).strip("/")
        self._trajectory = self._poses(path, scan_frame)
        self.frame = self._trajectory.frame
        self._body_from_scan = self._place_on_body(scan_frame)

    def _messages(self) -> Iterator[Message]:
        yield from self._store.messages(list(self._topics))

    def _poses(self, path: Path, scan_frame: str) -> Trajectory:
        wanted = self._wanted
        given = None if wanted.poses is None else read_trajectory(wanted.poses, of=wanted.poses_of or "body")
        found = find_poses(
            self._store, scan_frame, wanted.poses_topic, wanted.poses_of, str(path), given
        ).trajectory
        if found is None:
            raise MapError(f"{path}: has no poses, and a map needs them: give a file of poses (--poses)")
        self.remarks += found.faults
        return found

    def _place_on_body(self, scan_frame: str) -> Matrix:
        """(4, 4) body_from_scan, by what is said to stand still; by the profile; or nothing, with a word."""
        if self._trajectory.of == "sensor":
            return np.eye(4)
        names = [topic.name for topic in self._store.topics if is_static(topic)]
        rows, _ = read_rows(self._store.messages(names)) if names else ({}, 0)
        static = {key: made for key, row in rows.items() if (made := as_matrix(row.poses[-1])) is not None}
        upper = chain_up({child: parent for parent, child in static}, scan_frame)[-1] if scan_frame else ""
        if upper and upper != scan_frame:
            found = static_transform(static, upper, scan_frame)
            if found is not None:
                return found
        profile = self._wanted.profile
        made = np.eye(4)
        if profile is not None:
            made[:2, 3] = profile.mount.x, profile.mount.y
        else:
            self.remarks.append(
                f"where the scans' frame ({scan_frame or 'unnamed'}) sits on the body is not recorded: taken "
                "as the body's origin (--profile tells it)"
            )
        return made

    def moments(self) -> Iterator[Moment]:
        """Yield the beams of each message, in recorded order."""
        for message in self._messages():
            each = self._topics[message.topic.name]
            try:
                content = decode(message)
            except ValueError:
                self.left_out["cannot be read"] += 1
                continue
            time = stamp_of(content.header) or message.logged
            if not self._trajectory.covers(time, time):
                self.left_out["no pose at its time"] += 1
                continue
            fixed_from_scan = matrices(self._trajectory.at([time]))[0] @ self._body_from_scan
            yield {each.name: beams_of_message(content, each.bare, fixed_from_scan, time, self._wanted.bare)}
        self.remarks += self._store.faults

    def close(self) -> None:
        """Close the files."""
        self._store.close()


def beams_of_message(content: Any, is_bare: bool, fixed_from_scan: Matrix, time: int, bare: Bare) -> Beams:
    """Tell what a message says: a bare planar scan, or the cloud of records beside one.

    Of the scan's pose x, y and yaw count; a frame that hangs upside-down turns the other way round.
    """
    over = -1.0 if fixed_from_scan[2, 2] < 0.0 else 1.0
    yaw = float(np.arctan2(fixed_from_scan[1, 0], fixed_from_scan[0, 0]))
    place = float(fixed_from_scan[0, 3]), float(fixed_from_scan[1, 3]), yaw
    if is_bare:
        ranges = np.asarray(content.ranges)
        first, step = float(content.angle_min), float(content.angle_increment)
        bearings = np.asarray(first + np.arange(ranges.size) * step, np.float64)
        reach = float(content.range_min), float(content.range_max)
        return bare_beams(ranges, over * bearings, reach, place, time=time, bare=bare)
    bins = read_bins(content)
    hit = bins["state"] == State.HIT
    tells = hit | (bins["state"] == State.CLEAR)
    return Beams(
        time, place, over * bins["bearing"].astype(np.float64),
        np.where(hit, bins["range"], np.nan).astype(np.float64), bins["clear_from"].astype(np.float64),
        np.where(tells, bins["clear_to"], 0.0).astype(np.float64),
    )  # fmt: skip
