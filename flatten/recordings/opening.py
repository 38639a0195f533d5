"""Opening a recording: what it is, is told by its content first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flatten.errors import CloudError, RecordingError
from flatten.files import find_clouds
from flatten.files.source import open_source, path_name
from flatten.recordings.bags import BagStore
from flatten.recordings.cloud_files import CloudFiles
from flatten.recordings.messages import Store
from flatten.recordings.pose_choice import Whose
from flatten.recordings.recording import MessageRecording, Recording

MCAP_MAGIC = b"\x89MCAP0\r\n"
FIRST_GENERATION = b"#ROSBAG V"
SQLITE = b"SQLite format 3\x00"
METADATA = "metadata.yaml"
SUFFIXES = (".mcap", ".bag", ".db3")


def open_recording(
    path: Any,
    *,
    topic: str | None = None,
    poses: Any = None,
    poses_topic: str | None = None,
    poses_of: Whose | None = None,
    times: Any = None,
) -> Recording:
    """Open a recording; close it with `with` or `close`.

    Parameters
    ----------
    path:
        An MCAP file, a bag folder (metadata.yaml with sqlite3 or MCAP files), a bag file of the first
        generation, a folder of cloud files, or one cloud file.
    topic:
        The topic of the clouds; None where only one has any.
    poses:
        A Trajectory, or a file as `read_trajectory` reads it; None for those in the recording.
    poses_topic:
        The topic of the poses; None for the only odometry, else the only stamped poses, else transforms.
    poses_of:
        "body" or "sensor"; None where the recording tells by its child frame: the sensor's where that
        is the clouds' frame, else the body's.
    times:
        For cloud files: a table with a line each, name and time.

    Raises RecordingError, in one line, for what is no recording or has no such topic, CloudError for cloud
    files, MissingPartError where a library is not installed.
    """  # fmt: skip
    place = Path(path_name(path))
    how: dict[str, Any] = {"poses": poses, "poses_of": poses_of}
    store = _store_of(place)
    if store is None:
        if topic is not None or poses_topic is not None:
            raise RecordingError(f"{place}: cloud files have no topics: leave the topic out")
        return CloudFiles(place, find_clouds([place]), times=times, **how)
    try:
        return MessageRecording(place, store, topic=topic, poses_topic=poses_topic, **how)
    except BaseException:
        store.close()
        raise


def is_recording(path: Any) -> bool:
    """Tell whether a path is a recording of messages (and not cloud files), by content, then suffix."""
    place = Path(path_name(path))
    if place.is_dir():
        return (place / METADATA).is_file()
    try:
        with open_source(place) as source:
            head = source.head
    except CloudError:
        return place.suffix.lower() in SUFFIXES
    return head.startswith((MCAP_MAGIC, FIRST_GENERATION, SQLITE)) or place.suffix.lower() in SUFFIXES


def _store_of(place: Path) -> Store | None:
    """Open what holds messages; None for cloud files."""
    if not is_recording(place):
        return None
    if place.is_dir():
        return BagStore(place, first_generation=False)
    try:
        with open_source(place) as source:
            head = source.head
    except CloudError as error:
        raise RecordingError(str(error)) from error
    if head.startswith(FIRST_GENERATION):
        return BagStore(place, first_generation=True)
    if head.startswith((MCAP_MAGIC, SQLITE)):
        return BagStore(place, first_generation=False)
    raise RecordingError(
        f"{place}: is called {place.suffix} and is none: its first bytes are {head[:8]!r}: copy it again"
    )
