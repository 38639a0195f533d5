"""A recording, opened: its clouds one at a time, and where the robot was."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.errors import CloudError, RecordingError
from flatten.motion import Motion
from flatten.recordings.messages import CLOUD_TYPE, Message, Store, Topic, decode, stamp_of
from flatten.recordings.pose_choice import Poses, Whose, find_poses
from flatten.recordings.return_times import fit_times
from flatten.recordings.stamps import Stamps
from flatten.recordings.trajectory import Trajectory
from flatten.recordings.trajectory_files import read_trajectory


@dataclass(frozen=True, eq=False)
class Frame:
    """One cloud of a recording."""

    index: int
    """Its number among the topic's clouds, from 0, in recorded order."""
    time: int
    """The cloud's own stamp, ns; the time of recording where it has none; 0 where nothing is known."""
    logged: int
    """When it was recorded, ns."""
    frame_id: str
    """The axes that it names, "" where it names none."""
    cloud: Cloud
    """The returns, sensor frame; views of the message's bytes."""


@dataclass(frozen=True)
class Mark:
    """Where a cloud is in a recording, without the cloud: what `Recording.read` takes."""

    index: int
    time: int
    """The cloud's own stamp, as `Frame.time`; ns."""
    logged: int
    """When it was recorded, ns."""


class Recording:
    """Clouds in recorded order, read one at a time, and the trajectory that goes with them.

    A context manager. Memory does not grow with the length: of clouds one (and its chunk) is held, of poses
    all, 64 bytes each. Made by `open_recording`.
    """

    path: Path
    kind: str
    """What it is, in words: "MCAP file", "bag folder" …"""
    topic: str
    """The topic of the clouds; "" where there are none."""
    count: int
    """Clouds in it, as far as it tells; of a damaged one, those that can be read."""
    start: int
    """When the recording begins, ns (0 where it is not known)."""
    end: int
    """When its last message was recorded, ns."""

    def frames(self, first: int = 0, last: int | None = None) -> Iterator[Frame]:
        """Yield the clouds from index `first` up to, not including, `last` (None: to the end)."""
        raise NotImplementedError

    def marks(self) -> list[Mark]:
        """List where the clouds are, in their order: 100 bytes a cloud; unreadable ones are left out."""
        raise NotImplementedError

    def read(self, mark: Mark) -> Frame:
        """Read one cloud again, wherever it is. RecordingError where it cannot be read any more."""
        raise NotImplementedError

    @property
    def trajectory(self) -> Trajectory | None:
        """Where the robot was, read when first asked for; None where nothing tells it.

        Raises RecordingError where several topics could, MotionError where poses are none.
        """
        raise NotImplementedError

    @property
    def body_from_sensor(self) -> npt.NDArray[np.float64] | None:
        """(4, 4) where the sensor sits by transforms in the recording; None where they do not tell."""
        return None

    @property
    def faults(self) -> tuple[str, ...]:
        """What is damaged, out of order or left out, in words, as far as it was read."""
        raise NotImplementedError

    def motion(
        self, frame: Frame, body_from_sensor: npt.NDArray[np.float64] | None = None, at: int | None = None
    ) -> Motion | None:  # fmt: skip
        """How the body moved while a cloud was taken, for `Flattener.flatten(motion=…)`.

        `body_from_sensor`, (4, 4), is needed where the poses are the sensor's. `at` (ns): the moment that is
        wanted, None for the latest return. None where there are no poses, or the times of the returns
        cannot be told; MotionError where the poses do not cover them.
        """
        trajectory = self.trajectory
        timed = fit_times(frame.cloud, frame.time)
        if trajectory is None or isinstance(timed, str):
            return None
        if body_from_sensor is not None:
            trajectory = trajectory.of_body(body_from_sensor)
        at = timed.last if at is None else at
        return trajectory.motion(min(timed.first, at), max(timed.last, at), stamps=timed.stamps, at=at)

    def close(self) -> None:
        """Close the files."""

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class MessageRecording(Recording):
    """A recording of messages."""

    def __init__(
        self, path: Path, store: Store, *, topic: str | None, poses: Any, poses_topic: str | None,
        poses_of: Whose | None,
    ) -> None:  # fmt: skip
        self.path, self.store, self.kind = path, store, store.kind
        self._topic = cloud_topic(store, topic, str(path))
        self.topic, self.count = self._topic.name, self._topic.count
        self.start, self.end = store.start, store.end
        self._wanted = poses, poses_topic, poses_of
        self._stamps, self._unread = Stamps(), dict[int, str]()

    def frames(self, first: int = 0, last: int | None = None) -> Iterator[Frame]:
        """Yield clouds; one that cannot be read is left out and told, and keeps its number."""
        stamps = Stamps()
        for index, message in enumerate(self.store.messages([self.topic])):
            if last is not None and index >= last:
                break
            if index < first:
                continue
            try:
                frame = frame_of(message, index, str(self.path))
            except (CloudError, ValueError, AttributeError) as error:
                self._unread[index] = str(error)
                continue
            stamps.add(frame.time, frame.logged)
            yield frame
        self._stamps = stamps

    def marks(self) -> list[Mark]:
        """List where the clouds are; see `Recording.marks`."""
        return [Mark(frame.index, frame.time, frame.logged) for frame in self.frames()]

    def read(self, mark: Mark) -> Frame:
        """Read one cloud again; of several recorded at one moment the one with this stamp."""
        for message in self.store.messages([self.topic], mark.logged, mark.logged + 1):
            try:
                frame = frame_of(message, mark.index, str(self.path))
            except (CloudError, ValueError, AttributeError):
                continue
            if frame.time == mark.time:
                return frame
        raise RecordingError(f"{self.path}: cloud {mark.index} cannot be read again: did the file change?")

    @cached_property
    def _poses(self) -> Poses:
        given, topic, of = self._wanted
        frame = next(self.frames(0, 1), None)
        cloud_frame = frame.frame_id if frame else ""
        if given is not None and not isinstance(given, Trajectory):
            given = read_trajectory(given, of=of or "body")
        return find_poses(self.store, cloud_frame, topic, of, str(self.path), given)

    @property
    def trajectory(self) -> Trajectory | None:
        """Where the robot was; see `Recording.trajectory`."""
        return self._poses.trajectory

    @property
    def body_from_sensor(self) -> npt.NDArray[np.float64] | None:
        """Where the sensor sits; see `Recording.body_from_sensor`."""
        return self._poses.body_from_sensor

    @property
    def faults(self) -> tuple[str, ...]:
        """What is damaged, out of order or left out, as far as it was read."""
        told = [*self.store.faults, *self._stamps.faults()]
        told += [f"cloud {index} is left out: {words}" for index, words in sorted(self._unread.items())]
        told += self.__dict__["_poses"].faults if "_poses" in self.__dict__ else ()
        return tuple(dict.fromkeys(told))

    def close(self) -> None:
        """Close the files."""
        self.store.close()


def frame_of(message: Message, index: int, who: str) -> Frame:
    """Read one cloud message, without copying its bytes."""
    content = decode(message)
    stamp = stamp_of(content.header)
    cloud = Cloud.from_message(content, f"{who}:{index}")
    return Frame(
        index, stamp or message.logged, message.logged, str(content.header.frame_id).strip("/"), cloud
    )


def cloud_topic(store: Store, wanted: str | None, who: str) -> Topic:
    """Give the topic of the clouds: the one wanted, or the only one; RecordingError otherwise."""
    clouds = [topic for topic in store.topics if topic.type == CLOUD_TYPE]
    have = ", ".join(topic.name for topic in clouds) or "none"
    if wanted is not None:
        named = [topic for topic in store.topics if topic.name.strip("/") == wanted.strip("/")]
        chosen = next((topic for topic in named if topic in clouds), None)
        if chosen is None:
            why = f"has messages of type {named[0].type}" if named else "is not in it"
            raise RecordingError(f"{who}: topic {wanted} {why}: topics with clouds are {have}")
        return chosen
    filled = [topic for topic in clouds if topic.count] or clouds
    if len(filled) > 1:
        raise RecordingError(f"{who}: clouds on several topics, {have}: choose one (--topic)")
    if not filled:
        types = ", ".join(sorted({topic.type for topic in store.topics})) or "none"
        raise RecordingError(
            f"{who}: no topic with clouds ({CLOUD_TYPE}); types in it: {types}: record the "
            "sensor's cloud topic"
        )
    return filled[0]
