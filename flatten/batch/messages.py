"""Scans as messages: a planar scan a slice, beside it a cloud with all that its bins say, the fan's place.

The fields of the messages are those of sensor_msgs/LaserScan, sensor_msgs/PointCloud2 and tf2_msgs/TFMessage
(common_interfaces and geometry2, .msg files); rosbags puts them into bytes (CDR).
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.profile import Profile
from flatten.recordings.messages import CLOUD_TYPE as CLOUD
from flatten.recordings.messages import ODOMETRY, TRANSFORMS, Message, library
from flatten.scan import Scan

SCAN = "sensor_msgs/msg/LaserScan"
BIN_RECORD = np.dtype(
    {
        "names": [
            "bearing", "range", "clear_from", "clear_to", "height", "age", "hits", "state", "kind",
        ],
        "formats": ["<f4"] * 6 + ["<u4", "u1", "u1"],
        "offsets": [0, 4, 8, 12, 16, 20, 24, 28, 29],
        "itemsize": 32,
    }
)  # fmt: skip
"""What a companion cloud holds of a bin: m, rad, s; `flatten.State` and `flatten.Kind` as numbers."""
ARRAYS = {
    "range": "ranges", "clear_from": "clear_from", "clear_to": "clear_to", "height": "heights", "age": "ages",
    "hits": "hits", "state": "states", "kind": "kinds",
}  # fmt: skip
"""Field of the companion cloud, and the array of the scan behind it."""
DATATYPES = {"<f4": 7, "<u4": 6, "|u1": 2}
"""Datatype codes of sensor_msgs/PointField."""


class Channel(NamedTuple):
    """What one topic of a written recording carries."""

    topic: str
    kind: str
    """Name of the message type."""
    definition: str
    """The definition of the type with all that it uses, as recordings carry it."""
    digest: str
    """The type's digest, for bags."""
    latched: bool = False
    """Whether who listens later is to hear it, too: a transform that never changes."""


def topics_of(name: str) -> tuple[str, str]:
    """Topics of a slice: its scans, and all that their bins say."""
    return f"/scans/{name}", f"/scans/{name}/bins"


@functools.lru_cache(maxsize=2)
def types_of(name: str) -> Any:
    """Give what knows the standard messages of a generation; made once, as that takes 60 ms."""
    stores, get = library()
    return get(stores[name])


class Messages:
    """Makes the messages of one profile's scans; its arrays are used again from frame to frame."""

    def __init__(self, profile: Profile, frame: str, parent: str) -> None:
        self._store = types_of("LATEST")
        self._types: Mapping[str, Any] = self._store.types
        self._frame, self._parent = frame, parent
        self._place = (profile.mount.x, profile.mount.y)
        field = self._types["sensor_msgs/msg/PointField"]
        self._fields = [
            field(name=name, offset=place[1], datatype=DATATYPES[place[0].str], count=1)
            for name, place in (BIN_RECORD.fields or {}).items()
        ]
        self._records = np.zeros(profile.fan.bins, BIN_RECORD)

    def channel(self, topic: str, kind: str) -> Channel:
        """Describe a topic of one of the standard types."""
        definition, _ = self._store.generate_msgdef(kind, ros_version=2)
        latched = kind == TRANSFORMS and topic.strip("/").endswith("tf_static")
        return Channel(topic, kind, definition, self._store.hash_rihs01(kind), latched)

    def scan(self, scan: Scan, time: int) -> bytes:
        """Make the planar scan of a slice, stamped with a time (ns)."""
        return self._bytes(SCAN, self._header(time, self._frame), **scan.message_fields())

    def bins(self, scan: Scan, time: int) -> bytes:
        """Make the cloud beside a scan: one record a bin, all that is known of it."""
        records, step = self._records, BIN_RECORD.itemsize
        records["bearing"] = scan.bearings
        for field, name in ARRAYS.items():
            records[field] = getattr(scan, name)
        return self._bytes(
            CLOUD, self._header(time, self._frame), height=1, width=scan.bins, fields=self._fields,
            is_bigendian=False, point_step=step, row_step=step * scan.bins, data=records.view(np.uint8),
            is_dense=False,
        )  # fmt: skip

    def fan(self, time: int) -> bytes:
        """Make the transform of the fan's origin in the body's footprint; it never changes."""
        shift = self._made("geometry_msgs/msg/Vector3", x=self._place[0], y=self._place[1], z=0.0)
        turn = self._made("geometry_msgs/msg/Quaternion", x=0.0, y=0.0, z=0.0, w=1.0)
        place = self._made(
            "geometry_msgs/msg/TransformStamped", header=self._header(time, self._parent),
            child_frame_id=self._frame,
            transform=self._made("geometry_msgs/msg/Transform", translation=shift, rotation=turn),
        )  # fmt: skip
        return self._bytes(TRANSFORMS, transforms=[place])

    def pose(self, pose: npt.NDArray[np.float64], time: int) -> bytes:
        """Make odometry of a pose that came from a file, x y z qx qy qz qw; speeds are not told."""
        x, y, z, *turned = pose.tolist()
        turn = dict(zip(("x", "y", "z", "w"), turned, strict=True))
        placed = self._made(
            "geometry_msgs/msg/Pose", position=self._made("geometry_msgs/msg/Point", x=x, y=y, z=z),
            orientation=self._made("geometry_msgs/msg/Quaternion", **turn),
        )  # fmt: skip
        none = self._made("geometry_msgs/msg/Vector3", x=0.0, y=0.0, z=0.0)
        speed = self._made("geometry_msgs/msg/Twist", linear=none, angular=none)
        unknown = np.zeros(36)
        return self._bytes(
            ODOMETRY, self._header(time, "odom"), child_frame_id="base_link",
            pose=self._made("geometry_msgs/msg/PoseWithCovariance", pose=placed, covariance=unknown),
            twist=self._made("geometry_msgs/msg/TwistWithCovariance", twist=speed, covariance=unknown),
        )  # fmt: skip

    def passed(self, message: Message) -> bytes:
        """Give the bytes of a message that passes through; those of the first generation are put anew."""
        if message.topic.encoding == "ros1":
            return bytes(types_of("ROS1_NOETIC").ros1_to_cdr(message.data, message.topic.type))
        return bytes(message.data)

    def _made(self, kind: str, **values: Any) -> Any:
        return self._types[kind](**values)

    def _header(self, time: int, frame: str) -> Any:
        seconds, rest = divmod(time, 10**9)
        stamp = self._made("builtin_interfaces/msg/Time", sec=seconds, nanosec=rest)
        return self._made("std_msgs/msg/Header", stamp=stamp, frame_id=frame)

    def _bytes(self, kind: str, header: Any = None, **values: Any) -> bytes:
        head = {} if header is None else {"header": header}
        return bytes(self._store.serialize_cdr(self._made(kind, **head, **values), kind))


def read_bins(message: Any) -> npt.NDArray[Any]:
    """Read the records of a companion cloud's message: (bins,) of `BIN_RECORD`."""
    return np.frombuffer(message.data, BIN_RECORD)
