"""What a recording of messages offers, whatever its format: topics, messages in recorded order, their times.

Clouds and poses are standard messages (common_interfaces, geometry2), so their definitions are known
here and not taken from the recording; messages of other types are counted and never looked into.
"""

from __future__ import annotations

import functools
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from flatten.errors import MissingPartError

CLOUD_TYPE = "sensor_msgs/msg/PointCloud2"
ODOMETRY = "nav_msgs/msg/Odometry"
POSE = "geometry_msgs/msg/PoseStamped"
POSE_COVARIANCE = "geometry_msgs/msg/PoseWithCovarianceStamped"
TRANSFORM = "geometry_msgs/msg/TransformStamped"
TRANSFORMS = "tf2_msgs/msg/TFMessage"
POSE_TYPES = (ODOMETRY, POSE, POSE_COVARIANCE, TRANSFORM, TRANSFORMS)
READ_TYPES = (CLOUD_TYPE, *POSE_TYPES)

OTHER_NAMES = {"tf/msg/tfMessage": TRANSFORMS}
"""Types that are another by content: the first generation's transforms."""


@dataclass(frozen=True)
class Topic:
    """One topic of a recording."""

    name: str
    type: str
    """Message type, as package/msg/Name."""
    count: int
    """Messages in the recording, as far as it tells."""
    encoding: str = "cdr"
    """How messages are put in bytes: cdr, or ros1 in the first generation."""


class Message(NamedTuple):
    """One message as it lies in the recording."""

    topic: Topic
    logged: int
    """When it was recorded, ns."""
    data: Any
    """Its bytes (bytes or memoryview)."""


class Store(Protocol):
    """An opened recording of messages."""

    kind: str
    """What it is, in words."""
    topics: list[Topic]
    start: int
    """When the first message was recorded, ns; 0 where there is none."""
    end: int
    """When the last was recorded, ns."""

    @property
    def faults(self) -> list[str]:
        """What is damaged, in words; grows while messages are read."""
        ...

    def messages(
        self, topics: Collection[str], start: int | None = None, stop: int | None = None
    ) -> Iterator[Message]:
        """Yield the messages of these topics in recorded order, one in memory at a time.

        From `start` up to, not including, `stop`: when they were recorded, ns; None for all of that side.
        """
        ...

    def verify(self) -> None:
        """Hold all of it against the checksums that there are; faults tell what does not agree."""
        ...

    def close(self) -> None:
        """Close files."""
        ...


def standard_type(name: str) -> str:
    """Write a message type as package/msg/Name, and that of another name as the one it is."""
    parts = name.split("/")
    full = f"{parts[0]}/msg/{parts[1]}" if len(parts) == 2 else name
    return OTHER_NAMES.get(full, full)


def decode(message: Message) -> Any:
    """Read a message of one of READ_TYPES; its arrays are views of its bytes. ValueError where it is none."""
    topic = message.topic
    store = standard_types(topic.encoding)
    # a view: slicing bytes would copy them, slicing a view does not
    data = memoryview(message.data)
    read = store.deserialize_ros1 if topic.encoding == "ros1" else store.deserialize_cdr
    try:
        return read(data, topic.type)
    except Exception as error:  # the library lets through whatever its generated code raises
        raise ValueError(f"{type(error).__name__}: {error}") from error


def stamp_of(header: Any) -> int:
    """Nanoseconds of a message's header; 0 where nobody set it."""
    return int(header.stamp.sec) * 10**9 + int(header.stamp.nanosec)


@functools.lru_cache(maxsize=2)
def standard_types(encoding: str = "cdr") -> Any:
    """Give what puts standard messages in bytes and reads them, in either generation's way."""
    stores, get = library()
    if encoding != "ros1":
        return get(stores.ROS2_HUMBLE)
    types = get(stores.ROS1_NOETIC)
    if TRANSFORMS not in types.types:  # of geometry2, which the library does not count among the first ones
        from rosbags.typesys import get_types_from_msg  # noqa: PLC0415 - of the desk

        types.register(get_types_from_msg("geometry_msgs/TransformStamped[] transforms", TRANSFORMS))
    return types


def library() -> tuple[Any, Any]:
    """Give what knows the standard messages; MissingPartError where it is not installed."""
    try:
        from rosbags.typesys import Stores, get_typestore  # noqa: PLC0415 - of the desk
    except ImportError as error:
        raise MissingPartError("recordings need rosbags: pip install 'flatten[desk]'") from error
    return Stores, get_typestore
