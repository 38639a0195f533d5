"""Where the body was while a frame was taken, by the poses that were recorded about it.

Poses lie between the clouds of a recording. They are read in the one pass that reads the clouds, a block at
a time: frames recorded within the same BLOCK share the poses recorded from MARGIN before it to MARGIN after
it. So what a frame is told depends on the frame and the recording, and not on where reading began.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from flatten.batch.order import Plan, ReturnTimes
from flatten.cloud import Cloud
from flatten.errors import FlattenError, MotionError
from flatten.motion import Motion, Stamped
from flatten.recordings import Frame, Trajectory
from flatten.recordings.messages import Message
from flatten.recordings.pose_choice import Whose
from flatten.recordings.pose_messages import Rows, read_rows

Matrix = npt.NDArray[np.float64]

BLOCK = 2 * 10**9
MARGIN = 10**9
"""ns: poses recorded later than this after the block of their frame are not waited for."""
DISORDER = 2 * 10**8
"""ns: by so much messages may lie out of the order in which they were recorded."""


@dataclass(frozen=True, eq=False)
class Guide:
    """The body's poses about some frames; or why there are none."""

    trajectory: Trajectory | None
    motion: Motion | None
    why: str = ""

    @classmethod
    def of(cls, trajectory: Trajectory | None, body_from_sensor: Matrix) -> Guide:
        """Make the guide of a trajectory; the sensor's is turned into the body's."""
        if trajectory is None or len(trajectory) < 2:
            return cls(None, None, "fewer than two were recorded about it")
        body = trajectory.of_body(body_from_sensor)
        return cls(body, Motion(body.times, body.poses))

    def motion_at(self, frame: Frame, times: ReturnTimes | None) -> Motion:
        """Give the motion that brings a frame to its own stamp; MotionError where it is not covered.

        Without `times` all returns are taken to be of the stamp (see `at_one_moment`).
        """
        if self.trajectory is None or self.motion is None:
            raise MotionError(f"no poses: {self.why}")
        first = last = frame.time
        if times is not None:
            first, last = first - round(times.before * 1e9), last + round(times.after * 1e9)
        start, end = self.trajectory.start, self.trajectory.end
        if not start <= frame.time <= end:
            raise MotionError("no poses: none before it, or none after it")
        if not self.trajectory.covers(max(first, start), min(last, end)):
            raise MotionError("no poses: they have a gap or a jump while it was taken")
        from_stamp = times is None or times.from_stamp
        stamps = Stamped(1.0 if times is None else times.scale, frame.time if from_stamp else 0)
        return self.motion.for_frame(stamps, frame.time)

    def pose_at(self, time: int) -> npt.NDArray[np.float64]:
        """odom_from_body (7,) at a time (ns): x, y, z, qx, qy, qz, qw; NaN where it is not known."""
        if self.trajectory is None or not self.trajectory.covers(time, time):
            return np.full(7, np.nan)
        return np.asarray(self.trajectory.at([time])[0])


UNREAD = "poses that cannot be read"
BACK = "poses older than one before them, left out"
TWICE = "poses with the stamp of one before them, left out"
NOBODY = Guide(None, None, "there are none in the recording")


class Along:
    """Guides out of a trajectory that is there as a whole."""

    def __init__(self, trajectory: Trajectory, body_from_sensor: Matrix) -> None:
        self._whole, self._mount = trajectory, body_from_sensor
        self._block, self._guide = -1, NOBODY

    def guide(self, time: int) -> Guide:
        """Give the guide of a frame by its stamp (ns)."""
        block = time // BLOCK
        if block != self._block:
            whole = self._whole
            borders = [block * BLOCK - MARGIN, (block + 1) * BLOCK + MARGIN]
            first, last = np.searchsorted(whole.times, borders)
            first, last = max(int(first) - 1, 0), min(int(last) + 1, len(whole))
            part = replace(
                whole, times=whole.times[first:last], poses=whole.poses[first:last],
                torn=whole.torn[first : max(last - 1, first)],
            )  # fmt: skip
            self._block, self._guide = block, Guide.of(part, self._mount)
        return self._guide


class Held:
    """The poses that were read and may still be asked for; guides out of them."""

    def __init__(self, plan: Plan, whose: Whose | None, body_from_sensor: Matrix) -> None:
        self._plan, self._whose, self._mount = plan, whose, body_from_sensor
        self._rows: deque[tuple[int, Rows]] = deque()
        self._block, self._guide = -1, NOBODY
        self._latest: dict[tuple[str, str], int] = {}

    def add(self, message: Message) -> str:
        """Read the pose of a message and hold it; give what is wrong with it, in words."""
        found, unread = read_rows([message])
        fault = UNREAD if unread else ""
        for key, row in found.items():
            self._rows.append((message.logged, row))
            time, latest = row.times[0], self._latest.get(key, row.times[0] - 1)
            fault = BACK if time < latest else TWICE if time == latest else fault
            self._latest[key] = max(time, latest)
        return fault

    def is_ready(self, logged: int, now: int) -> bool:
        """Tell whether all poses for a frame are held, once messages of `now` are being read (ns)."""
        return now >= self.block_of(logged) + BLOCK + MARGIN + DISORDER

    def block_of(self, logged: int) -> int:
        """When the block of a frame begins (ns)."""
        return self._plan.start + (logged - self._plan.start) // BLOCK * BLOCK

    def guide(self, logged: int) -> Guide:
        """Give the guide of a frame by when it was recorded (ns); asked for in about that order."""
        block = self.block_of(logged)
        if block != self._block:
            while self._rows and self._rows[0][0] < block - 2 * MARGIN:
                self._rows.popleft()
            self._block, self._guide = block, self._read(block - MARGIN, block + BLOCK + MARGIN)
        return self._guide

    def _read(self, first: int, stop: int) -> Guide:
        """Make a guide of what was recorded in a stretch; the poses of the most frequent frame count."""
        found: dict[tuple[str, str], list[Rows]] = {}
        for logged, row in self._rows:
            if first <= logged < stop:
                found.setdefault((row.parent, row.child), []).append(row)
        if not found:
            return Guide(None, None, "none were recorded about it")
        rows = max(found.values(), key=len)
        child, frame = rows[0].child, self._plan.cloud_frame
        is_sensor = bool(child) and child == frame
        try:
            trajectory = Trajectory.of_rows(
                np.array([row.times[0] for row in rows], np.int64), np.array([row.poses[0] for row in rows]),
                of=self._whose or ("sensor" if is_sensor else "body"), name="poses",
            )  # fmt: skip
            return Guide.of(trajectory, self._mount)
        except FlattenError as error:
            return Guide(None, None, str(error))


def at_one_moment(cloud: Cloud) -> Cloud:
    """Give a cloud whose returns are all taken to be of its stamp, as they carry no times of their own."""
    times = np.broadcast_to(np.float64(0.0), cloud.x.shape)
    return Cloud(cloud.x, cloud.y, cloud.z, cloud.intensity, times, cloud.name, stamp=cloud.stamp)
