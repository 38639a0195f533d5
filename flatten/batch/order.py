"""What is wanted of a run, and how a recording is cut into pieces."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from flatten.profile import Profile

FORMATS = ("mcap", "bag", "npz")


@dataclass(frozen=True)
class Order:
    """What is wanted of every recording; it travels to worker processes and other machines."""

    profile: Profile
    folder: Path
    """Where the results go."""
    format: str = "mcap"
    topic: str | None = None
    """The topic of the clouds; None where a recording has one only."""
    poses: Path | None = None
    """A file with poses; None for those in the recording."""
    poses_topic: str | None = None
    poses_of: Literal["body", "sensor"] | None = None
    corrected: bool = False
    """Whether the clouds have the sensor's motion taken out already."""
    frame: str = "fan"
    """Name of the scans' frame."""
    parent: str = "base_footprint"
    """Name of the frame (REP 120) that the scans' frame is fixed to: under the body, upright."""
    overwrite: bool = False


@dataclass(frozen=True)
class Piece:
    """A part of a recording that is flattened, written and lost on its own."""

    number: int
    first: int
    """When it begins: time of recording in ns, or the index of a cloud file."""
    stop: int
    """When the next begins."""


@dataclass(frozen=True)
class ReturnTimes:
    """What the times of returns mean, by the first clouds of a recording."""

    scale: float
    """Seconds a unit."""
    from_stamp: bool
    """Whether they count from the cloud's stamp, or from the clock's zero."""
    before: float
    after: float
    """Seconds by which a cloud's returns lie before and after its stamp, at most."""


@dataclass(frozen=True)
class Plan:
    """What is known of a recording before its pieces are flattened; it depends on its content alone."""

    source: Path
    name: str
    """What its results are called."""
    pieces: tuple[Piece, ...]
    warm: int
    """How far before a piece its frames are run for the first try, in the pieces' own unit."""
    clouds: int
    """How many there are, as far as the recording tells."""
    kind: str
    topic: str
    """"" where it has no messages."""
    has_poses: bool
    pose_topic: str
    """The topic whose poses are read in the same pass as the clouds; "" where they were read as a whole."""
    passing: tuple[tuple[str, str], ...]
    """Topics and types whose messages go into the result as they are: poses, and what stands still."""
    cloud_frame: str
    times: ReturnTimes | None
    """None where returns carry no times that can be used."""
    start: int
    end: int
    remarks: tuple[str, ...] = field(default=())
    """What is worth a word, such as that there are no poses."""

    def for_workers(self) -> Plan:
        """Give all that a piece needs to know; without the list of all pieces it travels lightly."""
        return replace(self, pieces=self.pieces[:1])

    def told(self) -> dict[str, Any]:
        """Give it as plain values."""
        times = None if self.times is None else dict(vars(self.times))
        return {
            "kind": self.kind, "topic": self.topic, "poses": self.has_poses,
            "passed": [topic for topic, _ in self.passing],
            "start_ns": self.start, "end_ns": self.end, "pieces": len(self.pieces), "run_before": self.warm,
            "return_times": times,
            "remarks": list(self.remarks),
        }  # fmt: skip
