"""Looking at a recording before it is flattened: what is in it, what its times mean, where to cut it."""

from __future__ import annotations

import math
from pathlib import Path

from flatten.batch.guides import BLOCK
from flatten.batch.order import Order, Piece, Plan, ReturnTimes
from flatten.batch.settling import SECOND, warm_seconds
from flatten.batch.stream import open_for
from flatten.errors import RecordingError
from flatten.recordings import Frame, Recording
from flatten.recordings.messages import TRANSFORM, TRANSFORMS
from flatten.recordings.pose_choice import choose_topic, is_static
from flatten.recordings.recording import MessageRecording
from flatten.recordings.return_times import fit_times

PIECE_SECONDS = 20
"""Seconds of a piece: what a stop can cost, and one second or two of work."""
PIECE_FILES = 200
"""Cloud files of a piece."""
WARM_SHARE = 4
"""A piece is at least so many times as long as what is run before it."""
MOST_PIECES = 100_000
"""Of a recording whose times lie far apart; then pieces are longer."""
BIN_BYTES = 48
"""Bytes that a bin of a slice takes until its piece is written, amply."""
MOST_BYTES = 64 << 20
"""Bytes of answers held at most until a piece is written."""
LOOKED_AT = 8
"""Clouds by which it is told what the times of returns mean."""
LONGEST = 1.0
"""Seconds from one frame to the next that are counted with, at most."""


def make_plan(order: Order, source: Path, name: str) -> Plan:
    """Look at a recording; RecordingError, in one line, where it cannot be flattened as ordered."""
    with open_for(order, source) as recording:
        if not recording.count:
            raise RecordingError(f"{source}: has no clouds: record the sensor's cloud topic")
        frames = list(recording.frames(0, LOOKED_AT))
        has_poses, pose_topic, passing = _poses(order, recording)
        remarks = []
        times = None if order.corrected else times_of(frames)
        if not has_poses:
            if order.profile.window is not None:
                raise RecordingError(
                    f"{source}: has no poses, and the profile's window needs them: give --poses, or --set "
                    "window=off"
                )
            if order.profile.level == "gravity":
                remarks.append("no poses: slices lie as if the body stood level all the time")
        elif times is None and not order.corrected:
            remarks.append("returns carry no times that fit: their motion within a frame is left in")
        pieces, warm = _pieces(order, recording, has_poses)
        frame_id = frames[0].frame_id if frames else ""
        return Plan(
            source, name, pieces, warm, recording.count, recording.kind, recording.topic, has_poses,
            pose_topic, passing, frame_id, times, recording.start, recording.end, tuple(remarks),
        )  # fmt: skip


def times_of(frames: list[Frame]) -> ReturnTimes | None:
    """Tell what the times of returns mean; None where there are none, or none that fit the stamps."""
    for frame in frames:
        found = fit_times(frame.cloud, frame.time)
        if not isinstance(found, str):
            before, after = (frame.time - found.first) / SECOND, (found.last - frame.time) / SECOND
            from_stamp = found.stamps.zero == frame.time
            return ReturnTimes(found.stamps.scale, from_stamp, max(before, 0.0), max(after, 0.0))
    return None


def _poses(order: Order, recording: Recording) -> tuple[bool, str, tuple[tuple[str, str], ...]]:
    """Whether there are poses, the topic to read them from along with the clouds, and what passes through."""
    if not isinstance(recording, MessageRecording):
        return recording.trajectory is not None, "", ()
    store = recording.store
    passing = tuple((topic.name, topic.type) for topic in store.topics if is_static(topic))
    if order.poses is not None:
        return recording.trajectory is not None, "", passing
    topic = choose_topic(store, order.poses_topic, str(recording.path))
    if topic is None:
        return False, "", passing
    passing = (*passing, (topic.name, topic.type))
    if topic.type in (TRANSFORM, TRANSFORMS):  # who moves is told by all of them together
        return recording.trajectory is not None, "", passing
    return True, topic.name, passing


def _pieces(order: Order, recording: Recording, has_poses: bool) -> tuple[tuple[Piece, ...], int]:
    """Cut a recording by its length, its rate and the profile alone; give what to run before a piece, too."""
    profile = order.profile
    seconds = (recording.end - recording.start) / SECOND
    period = min(max(seconds / max(recording.count - 1, 1), 1e-3), LONGEST) if seconds > 0 else 0.1
    warm = warm_seconds(profile, period) if has_poses else 0.0
    frames_held = MOST_BYTES / (BIN_BYTES * profile.fan.bins * len(profile.slices))
    if not isinstance(recording, MessageRecording):
        before = math.ceil(warm / period)
        files = max(min(PIECE_FILES, int(frames_held)), WARM_SHARE * before, 1)
        return _cut(0, recording.count, files), before
    length = max(min(PIECE_SECONDS, frames_held * period), WARM_SHARE * warm)
    blocks = max(
        math.ceil(length * SECOND / BLOCK), 1, (recording.end - recording.start) // BLOCK // MOST_PIECES
    )
    return _cut(recording.start, recording.end + 1, blocks * BLOCK), round(warm * SECOND)


def _cut(first: int, stop: int, length: int) -> tuple[Piece, ...]:
    edges = [*range(first, stop, length), stop]
    return tuple(Piece(k, edges[k], edges[k + 1]) for k in range(len(edges) - 1))
