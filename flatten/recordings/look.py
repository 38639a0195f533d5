"""What is in a recording, what fits together, and what is missing: gathered in one pass over it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import CloudError, FlattenError, RecordingError
from flatten.files.source import path_name
from flatten.recordings.messages import CLOUD_TYPE, POSE_TYPES, Message, Store, decode
from flatten.recordings.opening import open_recording, store_of
from flatten.recordings.recording import MessageRecording, Recording, cloud_topic, frame_of
from flatten.recordings.return_times import ReturnTimes, fit_times
from flatten.recordings.stamps import Stamps
from flatten.recordings.trajectory import Trajectory

FIELD_WORDS = {
    1: "int8",
    2: "uint8",
    3: "int16",
    4: "uint16",
    5: "int32",
    6: "uint32",
    7: "float32",
    8: "float64",
}
"""Names of the codes of sensor_msgs/PointField."""
MOST_TIMED = 50
"""Clouds of a topic whose returns' times are looked at: the first ones."""


@dataclass
class TopicLook:
    """One topic, as its messages went by."""

    name: str
    type: str
    listed: int
    """Messages by the recording's own count."""
    logged: Stamps = field(default_factory=Stamps)
    """When they were recorded."""


@dataclass
class CloudLook:
    """The clouds of one topic."""

    topic: str
    stamps: Stamps = field(default_factory=Stamps)
    frames: dict[str, int] = field(default_factory=dict)
    """Axes that the clouds name, and how many do."""
    layouts: dict[str, int] = field(default_factory=dict)
    """Fields of a return, in words, and how many clouds have them."""
    least: int = 0
    most: int = 0
    """Returns in a cloud."""
    unread: int = 0
    unset: int = 0
    """Clouds without a stamp."""
    delay: float = 0.0
    """Longest time from stamp to recording, s."""
    timed: list[ReturnTimes | str] = field(default_factory=list)
    """How the returns of the first clouds are timed, or why that cannot be told."""
    spans: list[tuple[int, int]] = field(default_factory=list)
    """First and last moment of every cloud, ns; all that grows with the recording."""


@dataclass
class Look:
    """All that was found."""

    path: str
    kind: str
    start: int
    end: int
    topics: list[TopicLook] = field(default_factory=list)
    clouds: list[CloudLook] = field(default_factory=list)
    trajectory: Trajectory | None = None
    body_from_sensor: npt.NDArray[np.float64] | None = None
    chosen: str = ""
    """The topic of the clouds that the poses are held against."""
    covered: int | None = None
    """How many clouds the poses cover, from their first return to the last; None without poses."""
    missing: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def look(
    path: Any, *, topic: str | None = None, step: Callable[[str], None] = lambda name: None, **how: Any
) -> Look:  # fmt: skip
    """Look through a recording once, and once more for its poses.

    `topic` is that of the clouds which the poses are held against; `how` goes to `open_recording`. `step`
    is called with the name of the topic for every message. RecordingError for what is no recording.
    """
    place = Path(path_name(path))
    store = store_of(place)
    if store is None:
        with open_recording(place, **how) as recording:
            return _files(recording, step)
    try:
        found = Look(str(place), store.kind, store.start, store.end)
        _pass(store, found, step)
        _place(store, found, topic, how)
        store.verify()
        _missing(store, found)
        found.faults = list(dict.fromkeys([*store.faults, *found.faults]))
        return found
    finally:
        store.close()


def _pass(store: Store, found: Look, step: Callable[[str], None]) -> None:
    topics = {(t.name, t.type): TopicLook(t.name, t.type, t.count) for t in store.topics}
    clouds = {t.name: CloudLook(t.name) for t in store.topics if t.type == CLOUD_TYPE}
    found.topics, found.clouds = list(topics.values()), list(clouds.values())
    for message in store.messages({topic.name for topic in store.topics}):
        topics[message.topic.name, message.topic.type].logged.add(message.logged, message.logged)
        if message.topic.type == CLOUD_TYPE:
            add_cloud(clouds[message.topic.name], message)
        step(message.topic.name)


def add_cloud(seen: CloudLook, message: Message) -> None:
    """Look at one cloud."""
    try:
        content = decode(message)
        frame = frame_of(message, seen.stamps.count, seen.topic)
    except (CloudError, ValueError, AttributeError):
        seen.unread += 1
        return
    fields = ", ".join(
        f"{part.name} {FIELD_WORDS.get(int(part.datatype), '?')}@{part.offset}" for part in content.fields
    )
    layout = f"{fields}; {content.point_step} bytes" + (", big-endian" if content.is_bigendian else "")
    seen.layouts[layout] = seen.layouts.get(layout, 0) + 1
    _add(seen, frame.frame_id, frame.time, frame.logged, frame.cloud)
    seen.unset += frame.cloud.stamp is None


def _add(seen: CloudLook, frame_id: str, time: int, logged: int, cloud: Any) -> None:
    returns = len(cloud)
    seen.least = returns if seen.stamps.count == 0 else min(seen.least, returns)
    seen.most = max(seen.most, returns)
    seen.frames[frame_id] = seen.frames.get(frame_id, 0) + 1
    seen.delay = max(seen.delay, (logged - time) / 1e9)
    seen.stamps.add(time, logged)
    timed = fit_times(cloud, time)
    if len(seen.timed) < MOST_TIMED:
        seen.timed.append(timed)
    seen.spans.append((time, time) if isinstance(timed, str) else (timed.first, timed.last))


def _place(store: Store, found: Look, topic: str | None, how: dict[str, Any]) -> None:
    """Find the poses, and hold them against the clouds of the topic."""
    try:
        chosen = found.chosen = cloud_topic(store, topic, found.path).name
    except RecordingError as error:
        if topic is not None:
            raise
        found.missing.append(str(error).removeprefix(f"{found.path}: "))
        return
    how = {"poses": None, "poses_topic": None, "poses_of": None} | {
        key: value for key, value in how.items() if key.startswith("poses")
    }
    recording = MessageRecording(Path(found.path), store, topic=chosen, **how)
    try:
        found.trajectory = recording.trajectory
        found.body_from_sensor = recording.body_from_sensor
    except FlattenError as error:
        if how["poses"] is not None or how["poses_topic"] is not None:
            raise
        found.missing.append(str(error).removeprefix(f"{found.path}: "))
    found.faults += recording.faults
    _hold(found)


def _hold(found: Look) -> None:
    """Hold the poses against the clouds."""
    path, seen = found.trajectory, next(seen for seen in found.clouds if seen.topic == found.chosen)
    if path is None:
        return
    found.faults += path.faults
    found.covered = sum(path.covers(first, last) for first, last in seen.spans)
    if found.covered == 0 and seen.spans:
        found.missing.append("the poses cover none of the clouds: another drive, or another clock")
    elif found.covered < len(seen.spans):
        found.missing.append(f"the poses cover {found.covered} of {len(seen.spans)} clouds")


def _missing(store: Store, found: Look) -> None:
    """Say what somebody who wants scans of this recording would want."""
    for seen in found.clouds:
        _of_clouds(found, seen)
    if not any(topic.type in POSE_TYPES for topic in store.topics) and found.trajectory is None:
        found.missing.append("no poses: no odometry, stamped poses or transforms, so bodies count as level")
    if found.body_from_sensor is None and found.clouds:
        found.missing.append("no transform tells where the sensor sits: the profile's mount has to")
    unchecked = getattr(store, "unchecked", ())
    if unchecked:
        found.missing.append(f"{len(unchecked)} chunks have no checksum: damage within them cannot be told")


def _of_clouds(found: Look, seen: CloudLook) -> None:
    """Say what is missing and wrong with the clouds of one topic."""
    who = f"{seen.topic}: " if seen.topic else ""
    if not seen.unset or seen.topic:
        found.faults += [f"{who}{words}" for words in seen.stamps.faults()]
    if seen.unread:
        found.faults.append(f"{who}{seen.unread} clouds cannot be read")
    if seen.unset and seen.topic:
        found.missing.append(f"{who}{seen.unset} clouds have no stamp: times of recording stand in")
    reasons = dict.fromkeys(told for told in seen.timed if isinstance(told, str))
    found.missing += [f"{who}{reason}: no motion is taken out of a frame" for reason in reasons]
    if len(seen.frames) > 1:
        found.faults.append(f"{who}clouds name several axes: {', '.join(seen.frames)}")
    if len(seen.layouts) > 1:
        found.faults.append(f"{who}clouds have {len(seen.layouts)} different layouts")


def _files(recording: Recording, step: Callable[[str], None]) -> Look:
    """Look at cloud files."""
    found = Look(str(recording.path), recording.kind, recording.start, recording.end)
    seen = CloudLook("")
    found.clouds.append(seen)
    for frame in recording.frames():
        kinds = [name for name in ("intensity", "time") if getattr(frame.cloud, name) is not None]
        layout = ", ".join(["x", "y", "z", *kinds]) + f"; {frame.cloud.x.dtype}"
        seen.layouts[layout] = seen.layouts.get(layout, 0) + 1
        _add(seen, "", frame.time, frame.logged, frame.cloud)
        seen.unset += frame.time == 0
        step(frame.cloud.name)
    found.faults += recording.faults
    found.trajectory = recording.trajectory
    if found.trajectory is None:
        found.missing.append("no poses: files of clouds have none, give them with --poses")
    _hold(found)
    _of_clouds(found, seen)
    return found
