"""Where the scans of a map come from: clouds that are flattened on the way, or scans that were recorded.

Every source yields, moment by moment, the beams of each of its slices, placed by the poses that go with them.
What has no pose is left out and told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from flatten.batch.flattening import Flat, flatten_piece
from flatten.batch.order import Order, Piece
from flatten.batch.planning import make_plan
from flatten.batch.stream import Stream
from flatten.errors import MapError
from flatten.mapping.beams import Bare, Beams, Place, beams_of_scan
from flatten.mapping.scan_files import read_scan_file, scan_files
from flatten.mapping.scan_messages import ScanMessages, scan_topics
from flatten.profile import Profile
from flatten.recordings import Trajectory, read_trajectory
from flatten.recordings.opening import is_recording, store_of
from flatten.recordings.pose_choice import Whose
from flatten.recordings.trajectory import matrices

Moment = dict[str, Beams]


@dataclass(frozen=True)
class Wanted:
    """What is asked of a source."""

    profile: Profile | None = None
    """For clouds: how they are flattened. For scans in files: where the fan sits on the body."""
    slices: tuple[str, ...] = ()
    """Names; all if empty."""
    topic: str | None = None
    poses: Path | None = None
    """A file of poses, instead of those in the recording."""
    poses_topic: str | None = None
    poses_of: Whose | None = None
    bare: Bare = Bare.HITS

    def wants(self, name: str) -> bool:
        """Tell whether a slice is asked for."""
        return not self.slices or name in self.slices


class Source(Protocol):
    """Scans with their places."""

    kind: str
    """What it is, in words."""
    count: int
    """Scans of a slice, as far as it is known; 0 where it is not."""
    frame: str
    """Frame of the poses, "" where it is not named."""
    left_out: Counter[str]
    """Why scans were left out, and how many."""
    remarks: list[str]

    def moments(self) -> Iterator[Moment]:
        """Yield the beams of each slice, in recorded order."""
        ...

    def close(self) -> None:
        """Close files."""
        ...


def open_source(path: Path, wanted: Wanted) -> Source:
    """Open what is at a path; RecordingError, CloudError or MapError, in one line, where it makes no map."""
    if is_recording(path):
        store = store_of(path)
        assert store is not None  # it is one
        scans = scan_topics(store)
        other = [t for t in store.topics if t.type.endswith("/PointCloud2") and not t.name.endswith("/bins")]
        if scans and wanted.topic not in {t.name for t in other} and not (wanted.profile and other):
            return ScanMessages(path, store, scans, wanted)
        store.close()
        return Clouds(path, wanted)
    files = scan_files(path)
    return ScanFiles(path, files, wanted) if files else Clouds(path, wanted)


@dataclass
class Clouds:
    """Clouds of a recording, flattened on the way as `flatten batch` does it, from stamp to stamp."""

    path: Path
    wanted: Wanted
    kind: str = field(init=False)
    count: int = field(init=False)
    frame: str = ""
    left_out: Counter[str] = field(default_factory=Counter)
    remarks: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        profile, wanted = self.wanted.profile, self.wanted
        if profile is None:
            raise MapError(f"{self.path}: holds clouds: say how they are flattened (--profile)")
        _check_slices(wanted.slices, list(profile.slices), str(self.path))
        self._profile = profile
        self._order = Order(
            profile, Path(), topic=wanted.topic, poses=wanted.poses, poses_topic=wanted.poses_topic,
            poses_of=wanted.poses_of,
        )  # fmt: skip
        self._plan = make_plan(self._order, self.path, self.path.stem)
        if not self._plan.has_poses:
            raise MapError(f"{self.path}: has no poses, and a map needs them: give a file of poses (--poses)")
        self.kind, self.count = self._plan.kind, self._plan.clouds
        self.remarks += self._plan.remarks
        self._stream = Stream(self._order, self._plan)

    def moments(self) -> Iterator[Moment]:
        """Yield the beams of each slice, in recorded order."""
        pieces = self._plan.pieces
        whole = Piece(0, pieces[0].first, pieces[-1].stop)
        for item in flatten_piece(self._stream, self._order, self._plan, whole):
            if not isinstance(item, Flat):
                continue
            if item.why or not np.isfinite(item.pose).all():
                self.left_out[(item.why or "no pose at its time").partition(": ")[0]] += 1
                continue
            place, mount = place_of(item.pose), self._profile.mount
            yield {
                name: beams_of_scan(scan, place, mount, time=item.time)
                for name, scan in item.scans.items()
                if self.wanted.wants(name)
            }
        self.remarks += self._stream.faults

    def close(self) -> None:
        """Close the files."""
        self._stream.close()


@dataclass
class ScanFiles:
    """Scans in NPZ files: single ones, or the folder of a batch."""

    path: Path
    files: Sequence[Path]
    wanted: Wanted
    kind: str = "scans in files"
    count: int = 0
    frame: str = ""
    left_out: Counter[str] = field(default_factory=Counter)
    remarks: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        given = self.wanted.poses
        self._given: Trajectory | None = None
        if given is not None:
            self._given = read_trajectory(given, of=self.wanted.poses_of or "body")
            self.frame = self._given.frame
        profile = self.wanted.profile
        self._mount = None if profile is None else profile.mount

    def moments(self) -> Iterator[Moment]:
        """Yield the beams of each slice, in the order of the files' names."""
        for file in self.files:
            for told in read_scan_file(file, self._mount):
                pose = told.pose
                if self._given is not None:
                    covered = self._given.covers(told.time, told.time)
                    pose = self._given.at([told.time])[0] if covered else None
                if pose is None or not np.isfinite(pose).all():
                    self.left_out["no pose at its time"] += 1
                    continue
                place = place_of(pose)
                yield {
                    name: beams_of_scan(scan, place, told.mount, time=told.time, bare=self.wanted.bare)
                    for name, scan in told.scans.items()
                    if self.wanted.wants(name)
                }

    def close(self) -> None:
        """Close nothing."""


def place_of(pose: npt.NDArray[np.float64]) -> Place:
    """(x, y, yaw) of a pose x, y, z, qx, qy, qz, qw: roll, pitch and height taken out (REP 103)."""
    matrix: Any = matrices(pose.reshape(1, 7))[0]
    return float(matrix[0, 3]), float(matrix[1, 3]), float(np.arctan2(matrix[1, 0], matrix[0, 0]))


def _check_slices(asked: Sequence[str], there: Sequence[str], who: str) -> None:
    for name in asked:
        if name not in there:
            raise MapError(f"{who}: no slice {name}: there are {', '.join(there)}")
