"""Scans as messages: a planar scan a slice, beside it a cloud with all that its bins say, the fan's place.

The fields of the messages are those of sensor_msgs/LaserScan, sensor_msgs/PointCloud2 and tf2_msgs/TFMessage
(common_interfaces and geometry2, .msg files); rosbags puts them into bytes (CDR).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.profile import Profile
from flatten.scan import Scan

SCAN, CLOUD, TRANSFORMS = "sensor_msgs/msg/LaserScan", "sensor_msgs/msg/PointCloud2", "tf2_msgs/msg/TFMessage"
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
    encoding: str = "ros2msg"
    latched: bool = False
    """Whether who listens later is to hear it, too: a transform that never changes."""
    digest: str = ""
    """The type's digest, for bags."""


def topics_of(name: str) -> tuple[str, str]:
    """Topics of a slice: its scans, and all that their bins say."""
    return f"/scans/{name}", f"/scans/{name}/bins"


class Messages:
    """Makes the messages of one profile's scans; the arrays are used again from frame to frame."""

    def __init__(self, profile: Profile, frame: str, parent: str) -> None:
        from rosbags.typesys import Stores, get_typestore  # noqa: PLC0415 - the desk's

        self._store = get_typestore(Stores.LATEST)
        types: Mapping[str, Any] = self._store.types
        self._types = types
        self._frame, self._parent = frame, parent
        self._place = (profile.mount.x, profile.mount.y)
        field = types["sensor_msgs/msg/PointField"]
        self._fields = [
            field(name=name, offset=place[1], datatype=DATATYPES[place[0].str], count=1)
            for name, place in (BIN_RECORD.fields or {}).items()
        ]
        self._records = np.zeros(profile.fan.bins, BIN_RECORD)

    def channels(self, slices: Mapping[str, Any]) -> list[Channel]:
        """List the topics that are always there: the fan's place first, then two a slice."""
        made = [self._channel("/tf_static", TRANSFORMS, latched=True)]
        for name in slices:
            made += [self._channel(topic, kind) for topic, kind in zip(topics_of(name), (SCAN, CLOUD), strict=True)]
        return made

    def scan(self, scan: Scan, time: int) -> bytes:
        """Make the planar scan of a slice, stamped with a time (ns)."""
        message = self._types[SCAN](header=self._header(time, self._frame), **scan.message_fields())
        return self._bytes(message, SCAN)

    def bins(self, scan: Scan, time: int) -> bytes:
        """Make the cloud beside a scan: one record a bin, all that is known of it."""
        records = self._records
        records["bearing"] = scan.bearings
        for field, name in ARRAYS.items():
            records[field] = getattr(scan, name)
        message = self._types[CLOUD](
            header=self._header(time, self._frame), height=1, width=scan.bins, fields=self._fields,
            is_bigendian=False, point_step=BIN_RECORD.itemsize, row_step=BIN_RECORD.itemsize * scan.bins,
            data=records.view(np.uint8), is_dense=False,
        )  # fmt: skip
        return self._bytes(message, CLOUD)

    def fan(self, time: int) -> bytes:
        """Make the transform of the fan's origin in the body's footprint; it never changes."""
        t = self._types
        shift = t["geometry_msgs/msg/Vector3"](x=self._place[0], y=self._place[1], z=0.0)
        turn = t["geometry_msgs/msg/Quaternion"](x=0.0, y=0.0, z=0.0, w=1.0)
        place = t["geometry_msgs/msg/TransformStamped"](
            header=self._header(time, self._parent),
            child_frame_id=self._frame,
            transform=t["geometry_msgs/msg/Transform"](translation=shift, rotation=turn),
        )
        return self._bytes(t[TRANSFORMS](transforms=[place]), TRANSFORMS)

    def _channel(self, topic: str, kind: str, latched: bool = False) -> Channel:
        definition, _ = self._store.generate_msgdef(kind, ros_version=2)
        return Channel(topic, kind, definition, latched=latched, digest=self._store.hash_rihs01(kind))

    def _header(self, time: int, frame: str) -> Any:
        seconds, rest = divmod(time, 10**9)
        stamp = self._types["builtin_interfaces/msg/Time"](sec=seconds, nanosec=rest)
        return self._types["std_msgs/msg/Header"](stamp=stamp, frame_id=frame)

    def _bytes(self, message: Any, kind: str) -> bytes:
        return bytes(self._store.serialize_cdr(message, kind))


def read_bins(message: Any) -> npt.NDArray[Any]:
    """Read the records of a companion cloud's message: (bins,) of `BIN_RECORD`."""
    return np.frombuffer(message.data, BIN_RECORD)
