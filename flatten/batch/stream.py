"""One pass over a stretch of a recording: frames with the poses about them, and what passes as it is."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.batch.guides import BLOCK, MARGIN, NOBODY, Along, Guide, Held
from flatten.batch.order import Order, Plan
from flatten.errors import FlattenError
from flatten.plan import mount_transform
from flatten.recordings import Frame, Recording, open_recording
from flatten.recordings.messages import Message
from flatten.recordings.recording import MessageRecording, frame_of


@dataclass(frozen=True, eq=False)
class Seen:
    """A frame and the poses about it; or a cloud that cannot be read, and why."""

    logged: int
    """When it was recorded, ns; of cloud files their index."""
    frame: Frame | None
    guide: Guide
    why: str = ""


class Passing(NamedTuple):
    """A message that goes into the result as it is."""

    message: Message
    fault: str = ""
    """What is wrong with it as a pose, in words."""

    @property
    def logged(self) -> int:
        """When it was recorded, ns."""
        return self.message.logged


Item = Seen | Passing


class Stream:
    """A recording opened for one process, to be read stretch by stretch."""

    def __init__(self, order: Order, plan: Plan) -> None:
        self._plan, self._order = plan, order
        self._mount: npt.NDArray[np.float64] = mount_transform(order.profile.mount)
        self.recording = open_for(order, plan.source)
        self._along: Along | None = None
        if plan.has_poses and not plan.pose_topic:
            trajectory = self.recording.trajectory
            self._along = None if trajectory is None else Along(trajectory, self._mount)

    def items(self, first: int, stop: int) -> Iterator[Item]:
        """Yield what was recorded from `first` up to, not including, `stop`, in recorded order."""
        if isinstance(self.recording, MessageRecording):
            return self._of_messages(self.recording, first, stop)
        return self._of_files(first, stop)

    @property
    def faults(self) -> tuple[str, ...]:
        """What is damaged in the recording, in words, as far as it was read."""
        store = getattr(self.recording, "store", None)
        return tuple(self.recording.faults if store is None else store.faults)

    def close(self) -> None:
        """Close the files."""
        self.recording.close()

    def _of_files(self, first: int, stop: int) -> Iterator[Item]:
        for index in range(first, stop):
            try:
                frame = next(self.recording.frames(index, index + 1))
                yield Seen(index, frame, self._guide(frame, None, index))
            except FlattenError as error:
                yield Seen(index, None, NOBODY, str(error))

    def _of_messages(self, recording: MessageRecording, first: int, stop: int) -> Iterator[Item]:
        plan, store = self._plan, recording.store
        held = None
        wanted = [plan.topic, *(topic for topic, _ in plan.passing)]
        begin, end = first, stop
        if plan.pose_topic:
            held = Held(plan, self._order.poses_of, self._mount)
            begin = held.block_of(first) - MARGIN
            end = held.block_of(stop - 1) + BLOCK + MARGIN
        waiting: deque[Passing] = deque()
        for message in store.messages(wanted, max(begin, 0), end):
            fault = ""
            if held is not None and message.topic.name == plan.pose_topic:
                fault = held.add(message)
            if first <= message.logged < stop:
                waiting.append(Passing(message, fault))
            yield from self._ready(waiting, held, message.logged)
        yield from self._ready(waiting, held, None)

    def _ready(self, waiting: deque[Passing], held: Held | None, now: int | None) -> Iterator[Item]:
        """Yield what waits no longer: all poses about it are there. None: nothing comes any more."""
        while waiting:
            first = waiting[0]
            if first.message.topic.name != self._plan.topic:
                yield waiting.popleft()
                continue
            if held is not None and now is not None and not held.is_ready(first.logged, now):
                return
            yield self._seen(waiting.popleft().message, held)

    def _seen(self, message: Message, held: Held | None) -> Seen:
        try:
            frame = frame_of(message, 0, "cloud")
        except (FlattenError, ValueError, AttributeError) as error:
            return Seen(message.logged, None, NOBODY, f"cannot be read: {error}")
        return Seen(message.logged, frame, self._guide(frame, held, message.logged))

    def _guide(self, frame: Frame, held: Held | None, logged: int) -> Guide:
        if held is not None:
            return held.guide(logged)
        return NOBODY if self._along is None else self._along.guide(frame.time)


def open_for(order: Order, source: object) -> Recording:
    """Open a recording as an order wants it."""
    return open_recording(
        source, topic=order.topic, poses=order.poses, poses_topic=order.poses_topic, poses_of=order.poses_of
    )
