"""Clouds for commands, from files, folders and recordings alike: named, timed, read when their turn comes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, suppress
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click

from flatten.errors import CloudError, MotionError, RecordingError

if TYPE_CHECKING:
    from flatten.cloud import Cloud
    from flatten.jobs import Taken
    from flatten.motion import Motion
    from flatten.profile import Profile
    from flatten.recordings import Mark, Recording, Trajectory
    from flatten.recordings.pose_choice import Whose

Command = TypeVar("Command", bound=Callable[..., Any])


def recording_options(command: Command) -> Command:
    """Add --topic, --poses-topic and --poses-of."""
    topic = click.option(
        "--topic", metavar="NAME", help="Topic of the clouds in a recording. Default: the only one."
    )
    poses = click.option(
        "--poses-topic", metavar="NAME",
        help="Topic of the poses. Default: the only odometry, else stamped poses, else transforms.",
    )  # fmt: skip
    of = click.option(
        "--poses-of", type=click.Choice(("body", "sensor")),
        help="Whose poses these are. Default: the sensor's where a recording names them by the frame of its "
        "clouds, else the body's.",
    )  # fmt: skip
    return topic(poses(of(command)))


def motion_option(command: Command) -> Command:
    """Add --no-motion."""
    option = click.option(
        "--no-motion", is_flag=True,
        help="Take no motion out of the clouds of a recording: it is out of them already.",
    )  # fmt: skip
    return option(command)


def mount_matrix(profile: Profile) -> Any:
    """(4, 4) body_from_sensor of a profile."""
    from flatten.tuning.timing import mount_of  # noqa: PLC0415

    m = profile.mount
    return mount_of(m.x, m.y, m.z, m.roll, m.pitch, m.yaw)


class Shot(NamedTuple):
    """A cloud that can be read, and what is known of it before that."""

    name: str
    read: Callable[[], Cloud]
    time: int | None = None
    """Its stamp, ns; None for a file, whose time is told by its cloud or its name."""
    recording: Recording | None = None
    """Where it is from; None for a file."""

    mark: Mark | None = None
    """Which cloud of it."""

    def taken(self, mount: Any, motion: bool) -> Taken:
        """Read it with attitude and motion of the body by the recording's poses, as far as these cover it.

        `mount`, (4, 4), turns poses of the sensor; without `motion` none is told.
        """
        from flatten.jobs import Taken  # noqa: PLC0415 - costs the compiler

        if self.recording is None or self.mark is None:
            return Taken(self.read())
        frame, trajectory = self.recording.read(self.mark), self.recording.trajectory
        if trajectory is None:
            return Taken(frame.cloud)
        moved = None
        if motion:
            with suppress(MotionError):  # without poses for all of its returns it is taken as it is
                moved = self.recording.motion(frame, mount)
        if moved is not None:
            return Taken(frame.cloud, moved.attitude, moved)
        if not trajectory.covers(frame.time, frame.time):
            return Taken(frame.cloud)
        return Taken(frame.cloud, trajectory.of_body(mount).attitude(frame.time))

    def pose(self) -> Any:
        """(7,) x, y, z, qx, qy, qz, qw by the recording's poses; None where these do not cover it."""
        trajectory = None if self.recording is None else self.recording.trajectory
        if trajectory is None or self.time is None or not trajectory.covers(self.time, self.time):
            return None
        return trajectory.at([self.time])[0]


class Shots(AbstractContextManager["Shots"]):
    """The clouds that a command was given: a sequence of shots, of which none is in memory.

    Recordings give their clouds in recorded order, folders and files their files.
    """

    def __init__(self, paths: Sequence[Path], **wanted: Any) -> None:
        from flatten.files import find_clouds  # noqa: PLC0415
        from flatten.recordings import open_recording  # noqa: PLC0415
        from flatten.recordings.opening import is_recording  # noqa: PLC0415

        self._recordings: list[Recording] = []
        self._shots: list[Shot] = []
        how = {key: wanted.get(key) for key in ("topic", "poses_topic", "poses_of")}
        try:
            for path in paths:
                if is_recording(path):
                    self._recordings.append(open_recording(path, **how))
                    self._shots += _of_recording(self._recordings[-1])
                else:
                    self._shots += [_of_file(file) for file in find_clouds([path])]
            for option in ("topic", "poses_topic"):
                if how[option] is not None and not self._recordings:
                    raise click.UsageError(f"--{option.replace('_', '-')}: cloud files have no topics")
            if not self._shots:
                raise CloudError(f"{paths[0]}: holds no clouds: record again")
        except BaseException:
            self.close()
            raise

    def __len__(self) -> int:
        return len(self._shots)

    def __iter__(self) -> Iterator[Shot]:
        return iter(self._shots)

    @property
    def all(self) -> list[Shot]:
        """All of them, in their order."""
        return self._shots

    def evenly(self, most: int) -> list[Shot]:
        """Give at most so many, evenly spaced, in their order."""
        shots = self._shots
        return shots if len(shots) <= most else [shots[k * len(shots) // most] for k in range(most)]

    @property
    def trajectory(self) -> Trajectory | None:
        """The poses in the recording, where there is one recording and it has some."""
        return self._recordings[0].trajectory if len(self._recordings) == 1 else None

    @property
    def faults(self) -> list[str]:
        """What is damaged, out of order or left out of the clouds, in words, as far as they were read."""
        return [f"{part.path.name}: {words}" for part in self._recordings for words in part.faults]

    def close(self) -> None:
        """Close the recordings."""
        for recording in self._recordings:
            recording.close()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _of_file(file: Path) -> Shot:
    from flatten.files import read_cloud  # noqa: PLC0415

    return Shot(file.name, partial(read_cloud, file))


def _of_recording(recording: Recording) -> list[Shot]:
    name = recording.path.name
    return [
        Shot(f"{name}:{mark.index}", partial(_read, recording, mark), mark.time, recording, mark)
        for mark in recording.marks()
    ]


def _read(recording: Recording, mark: Mark) -> Cloud:
    return recording.read(mark).cloud


def given_trajectory(path: Path, wanted: dict[str, Any], usual: Whose = "body") -> Trajectory:
    """Read what --poses names: a text file, or a recording that has poses.

    `usual`: whose poses a file has, which does not tell it, where --poses-of does not either.
    """
    from flatten.recordings import open_recording, read_trajectory  # noqa: PLC0415
    from flatten.recordings.opening import is_recording  # noqa: PLC0415

    if not is_recording(path):
        return read_trajectory(path, of=wanted["poses_of"] or usual)
    how = {key: wanted.get(key) for key in ("topic", "poses_topic", "poses_of")}
    with open_recording(path, **how) as recording:
        trajectory = recording.trajectory
    if trajectory is None:
        raise RecordingError(f"{path}: has no poses: name a recording with odometry, or a file of poses")
    return trajectory


def motion_of(trajectory: Trajectory | None) -> Motion | None:
    """All poses of a trajectory as one motion, gaps and jumps in it: for what looks at the poses alone."""
    from flatten.motion import Motion  # noqa: PLC0415

    if trajectory is None or len(trajectory) < 2:
        return None
    return Motion(trajectory.times, trajectory.poses)
