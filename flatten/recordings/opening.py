"""Opening a recording: what it is, is told by its content first."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from flatten.errors import CloudError, RecordingError
from flatten.files import find_clouds
from flatten.files.source import open_source, path_name, plain_reason
from flatten.recordings.bags import BagStore, ChainStore
from flatten.recordings.cloud_files import CloudFiles
from flatten.recordings.mcap_file import McapStore
from flatten.recordings.mcap_records import MAGIC
from flatten.recordings.messages import Store
from flatten.recordings.pose_choice import Whose
from flatten.recordings.recording import MessageRecording, Recording

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
    store = store_of(place)
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
        return (place / METADATA).is_file() or bool(_stored(place))
    return _head(place).startswith((MAGIC, FIRST_GENERATION, SQLITE)) or place.suffix.lower() in SUFFIXES


def store_of(place: Path) -> Store | None:
    """Open what holds messages; None for cloud files."""
    if not is_recording(place):
        return None
    return _folder(place) if place.is_dir() else _file(place)


def _file(place: Path) -> Store:
    try:
        with open_source(place) as source:
            head = source.head
    except CloudError as error:
        raise RecordingError(str(error)) from error
    if head.startswith(FIRST_GENERATION):
        return BagStore(place, first_generation=True)
    if head.startswith(SQLITE):
        return BagStore(place, first_generation=False)
    if head.startswith(MAGIC) or place.suffix.lower() == ".mcap":
        return McapStore(place)
    raise RecordingError(
        f"{place}: is called {place.suffix} and is none: its first bytes are {head[:8]!r}: copy it again"
    )


def _folder(place: Path) -> Store:
    """Open a bag folder: by its metadata, or file by file where that is missing or damaged."""
    faults: list[str] = []
    told = _metadata(place, faults)
    names = [Path(str(name)).name for name in told.get("relative_file_paths") or ()]
    if names and (told.get("storage_identifier") != "mcap" or told.get("compression_mode")):
        return BagStore(place, first_generation=False)
    missing = [name for name in names if not (place / name).is_file()]
    if missing:
        faults.append(f"files named in {METADATA} are missing: {', '.join(missing)}")
    files = [place / name for name in names if name not in missing] if names else _stored(place)
    stores: list[Store] = []
    try:
        for file in files:
            stores.append(_file(file))
    except BaseException:
        for store in stores:
            store.close()
        raise
    if not stores:
        raise RecordingError(f"{place}: is a bag folder without its files: copy all of it")
    return ChainStore("bag folder", stores, faults)


def _metadata(place: Path, faults: list[str]) -> dict[str, Any]:
    """Read what a bag folder says of itself; nothing, and a fault, where that cannot be read."""
    try:
        content = yaml.safe_load((place / METADATA).read_text(encoding="utf-8"))
        told = content["rosbag2_bagfile_information"]
        if isinstance(told, dict):
            return told
        faults.append(f"{METADATA} is not what a bag folder has: its files are read by their names")
    except (OSError, ValueError, KeyError, TypeError, yaml.YAMLError) as error:
        faults.append(f"{METADATA} cannot be read ({plain_reason(error)}): files are read by their names")
    return {}


def _stored(place: Path) -> list[Path]:
    """Files in a folder that hold messages, by their suffix, sorted by name."""
    try:
        return sorted(file for file in place.iterdir() if file.suffix.lower() in (".mcap", ".db3"))
    except OSError:
        return []


def _head(place: Path) -> bytes:
    try:
        with open_source(place) as source:
            return source.head
    except CloudError:
        return b""
