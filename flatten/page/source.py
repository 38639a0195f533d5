"""The frames there are to look at: cloud files or a recording, read when they are wanted."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatten.cloud import Cloud
from flatten.errors import CloudError, FlattenError, PageError
from flatten.files import find_clouds, read_cloud
from flatten.plan import mount_transform
from flatten.profile import Profile
from flatten.recordings import Recording, open_recording
from flatten.recordings.opening import is_recording
from flatten.tuning.seen import in_metres

KEPT = 4
"""Frames that stay in memory, so that stepping back and forth reads nothing again."""


@dataclass(frozen=True, eq=False)
class Shot:
    """One frame: its returns in metres, and how it came about."""

    number: int
    name: str
    cloud: Cloud
    time: int = 0
    """Nanoseconds; 0 where nothing is known."""
    note: str = ""


class Source:
    """Frames by their numbers, from 0. Made by `open_source`; closed with `close`."""

    def __init__(self, name: str, count: int) -> None:
        self.name, self.count = name, count
        self._kept: OrderedDict[int, Shot] = OrderedDict()

    def shot(self, number: int) -> Shot:
        """Give a frame. Raises FlattenError in one line where it cannot be read."""
        if not 0 <= number < self.count:
            raise PageError(f"frame {number + 1}: there are {self.count}")
        if number not in self._kept:
            self._kept[number] = self._metric(self._read(number))
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(number)
        return self._kept[number]

    def _read(self, number: int) -> Shot:
        raise NotImplementedError

    def attitude(self, shot: Shot, profile: Profile) -> tuple[float, float] | None:
        """Roll and pitch of the body (rad) as recorded; None where nothing tells them."""
        return None

    def close(self) -> None:
        """Close the files."""

    @staticmethod
    def _metric(shot: Shot) -> Shot:
        try:
            cloud, shrunk = in_metres(shot.cloud, shot.name)
        except FlattenError:  # no return at all is a frame too
            return shot
        return Shot(shot.number, shot.name, cloud, shot.time, "taken as millimetres") if shrunk else shot


class Files(Source):
    """Cloud files."""

    def __init__(self, paths: Sequence[Path]) -> None:
        super().__init__(paths[0].name if len(paths) == 1 else f"{len(paths)} clouds", len(paths))
        self._paths = paths

    def _read(self, number: int) -> Shot:
        path = self._paths[number]
        return Shot(number, path.name, read_cloud(path))


class Recorded(Source):
    """A recording."""

    def __init__(self, recording: Recording) -> None:
        self._recording, self._marks = recording, recording.marks()
        super().__init__(recording.path.name, len(self._marks))

    def _read(self, number: int) -> Shot:
        frame = self._recording.read(self._marks[number])
        since = (frame.time - self._recording.start) * 1e-9
        name = f"frame {frame.index + 1}, {since:.2f} s" if frame.time else f"frame {frame.index + 1}"
        return Shot(number, name, frame.cloud, frame.time)

    def attitude(self, shot: Shot, profile: Profile) -> tuple[float, float] | None:
        """Roll and pitch by the recording's poses, where they cover the frame."""
        trajectory = self._recording.trajectory
        if trajectory is None or not trajectory.covers(shot.time, shot.time):
            return None
        return trajectory.of_body(mount_transform(profile.mount)).attitude(shot.time)

    def close(self) -> None:
        """Close the recording."""
        self._recording.close()


def open_frames(paths: Sequence[Path], **how: Any) -> Source:
    """Open cloud files, folders of them, or one recording; `how` goes to `open_recording`.

    Raises CloudError, RecordingError, MotionError or PageError in one line.
    """
    given = {key: value for key, value in how.items() if value is not None}
    if len(paths) == 1 and is_recording(paths[0]):
        source: Source = Recorded(open_recording(paths[0], **given))
    elif any(is_recording(path) for path in paths):
        raise PageError("a recording is looked at by itself: give one, or cloud files")
    elif given:
        raise PageError(
            f"--{min(given).replace('_', '-')}: cloud files have no topics and no poses: leave it out"
        )
    else:
        source = Files(find_clouds(paths))
    if source.count == 0:
        source.close()
        raise CloudError(f"{paths[0]}: there are no clouds in it: give another")
    return source
