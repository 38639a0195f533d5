"""A folder of cloud files, or one file, as a recording."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

from flatten.errors import RecordingError
from flatten.files import read_cloud
from flatten.recordings.pose_choice import Whose
from flatten.recordings.recording import Frame, Mark, Recording
from flatten.recordings.trajectory import Trajectory
from flatten.recordings.trajectory_files import nanoseconds_of, read_trajectory

TABLE = "times.csv"
"""In a folder of clouds: a line each, name and time."""
LARGEST = 1 << 26


class CloudFiles(Recording):
    """Cloud files in the order of their times; without times in the order of their names."""

    def __init__(
        self, path: Path, files: Sequence[Path], *, times: Any, poses: Any, poses_of: Whose | None
    ) -> None:
        self.path, self.kind, self.topic = path, "folder of clouds" if path.is_dir() else "cloud file", ""
        table = path / TABLE if times is None and path.is_dir() else times
        known = read_times(Path(table)) if table is not None and (times or Path(table).exists()) else {}
        self._files = [(known.get(file.name, known.get(file.stem, _named(file))), file) for file in files]
        untimed = [file.name for time, file in self._files if time is None]
        self._faults: list[str] = []
        if not untimed:
            self._files.sort(key=lambda pair: pair[0] or 0)
        elif len(self._files) > 1:
            self._faults.append(
                f"{len(untimed)} of {len(self._files)} clouds have no time in their name, nor in {TABLE}"
            )
        self.count = len(self._files)
        moments = [time for time, _ in self._files if time is not None]
        self.start, self.end = (min(moments), max(moments)) if moments else (0, 0)
        self._wanted = poses, poses_of

    def marks(self) -> list[Mark]:
        """List the files by their numbers and times, without reading them."""
        return [Mark(index, time or 0, time or 0) for index, (time, _) in enumerate(self._files)]

    def read(self, mark: Mark) -> Frame:
        """Read one file."""
        return next(self.frames(mark.index, mark.index + 1))

    def frames(self, first: int = 0, last: int | None = None) -> Iterator[Frame]:
        """Yield clouds, each read when its turn comes; CloudError for a file that cannot be read."""
        for index, (time, file) in list(enumerate(self._files))[first:last]:
            moment = time or 0
            yield Frame(index, moment, moment, "", read_cloud(file))

    @cached_property
    def _trajectory(self) -> Trajectory | None:
        given, of = self._wanted
        if given is None or isinstance(given, Trajectory):
            return given
        return read_trajectory(given, of=of or "body")

    @property
    def trajectory(self) -> Trajectory | None:
        """The poses that were given, if any."""
        return self._trajectory

    @property
    def faults(self) -> tuple[str, ...]:
        """Clouds without a time."""
        return tuple(self._faults)


def _named(file: Path) -> int | None:
    """The time in a file's name, if it is one: seconds (1764052812.35.pcd), or nanoseconds from 10¹⁵ on."""
    for words in (file.stem, file.name):
        try:
            return nanoseconds_of(words)
        except ValueError:
            continue
    return None


def read_times(path: Path) -> dict[str, int]:
    """Read names and times (ns) from a table: name,time a line; a heading and # comments may be there."""
    try:
        if path.stat().st_size > LARGEST:
            raise RecordingError(f"{path}: is larger than {LARGEST >> 20} MiB: no table of times")
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        raise RecordingError(
            f"{path}: cannot be read as a table of times ({error}): check the path"
        ) from error
    found: dict[str, int] = {}
    for number, line in enumerate(lines, 1):
        name, comma, word = line.partition("#")[0].strip().rpartition(",")
        if not comma:
            if line.partition("#")[0].strip():
                raise RecordingError(f"{path}:{number}: is no line of name,time")
            continue
        try:
            found[name.strip().strip('"')] = nanoseconds_of(word.strip())
        except ValueError as error:
            if number > 1:
                raise RecordingError(f"{path}:{number}: {word.strip()!r} is no time in seconds") from error
    return found
