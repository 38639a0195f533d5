"""Clouds as point-cloud messages, and messages as bytes on the wire where rosbags is installed."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud

FLOAT32 = 7
"""Code of sensor_msgs/PointField (common_interfaces)."""


@dataclass(frozen=True)
class PlainField:
    """One field of a point, laid out as the standard message says."""

    name: str
    offset: int
    datatype: int
    count: int = 1


@dataclass(frozen=True, eq=False)
class PlainMessage:
    """A cloud laid out like a standard point-cloud message: what a `Flattener` is handed in a node."""

    height: int
    width: int
    fields: list[PlainField]
    point_step: int
    row_step: int
    data: npt.NDArray[np.uint8]
    is_bigendian: bool = False
    is_dense: bool = False


def message_of(cloud: Cloud) -> PlainMessage:
    """Pack a cloud as a sensor's driver does: float32 x, y, z, intensity and time where there are some."""
    names = ["x", "y", "z", *(name for name in ("intensity", "time") if getattr(cloud, name) is not None)]
    step = 4 * len(names) if len(names) <= 4 else 32
    offsets = [4 * place for place in range(len(names))]
    records = np.zeros(
        len(cloud), {"names": names, "formats": ["<f4"] * len(names), "offsets": offsets, "itemsize": step}
    )  # fmt: skip
    for name in names:
        records[name] = getattr(cloud, name).reshape(-1)
    rows, columns = (1, *cloud.x.shape)[-2:]
    fields = [PlainField(name, offset, FLOAT32) for name, offset in zip(names, offsets, strict=True)]
    return PlainMessage(
        rows, columns, fields, step, step * columns, np.frombuffer(records.tobytes(), np.uint8)
    )


class Wire:
    """Messages to bytes and back (CDR), by the independent library rosbags."""

    CLOUD, SCAN = "sensor_msgs/msg/PointCloud2", "sensor_msgs/msg/LaserScan"

    def __init__(self, store: Any) -> None:
        self._store = store
        types = store.types
        stamp = types["builtin_interfaces/msg/Time"](sec=1, nanosec=0)
        self._header = types["std_msgs/msg/Header"](stamp=stamp, frame_id="lidar")
        self._scan = types[self.SCAN]

    def encode_cloud(self, plain: PlainMessage) -> bytes:
        """Give the bytes of a point-cloud message."""
        types = self._store.types
        point_field = types["sensor_msgs/msg/PointField"]
        fields = [
            point_field(name=f.name, offset=f.offset, datatype=f.datatype, count=f.count)
            for f in plain.fields
        ]
        message = types[self.CLOUD](
            header=self._header, height=plain.height, width=plain.width, fields=fields,
            is_bigendian=plain.is_bigendian, point_step=plain.point_step, row_step=plain.row_step,
            data=plain.data, is_dense=plain.is_dense,
        )  # fmt: skip
        return bytes(self._store.serialize_cdr(message, self.CLOUD))

    def decode_cloud(self, raw: bytes) -> Any:
        """Give the message that some bytes are."""
        return self._store.deserialize_cdr(raw, self.CLOUD)

    def encode_scan(self, fields: Mapping[str, Any]) -> bytes:
        """Give the bytes of a planar-scan message with these field values."""
        return bytes(self._store.serialize_cdr(self._scan(header=self._header, **fields), self.SCAN))

    def decode_scan(self, raw: bytes) -> Any:
        """Give the planar-scan message that some bytes are."""
        return self._store.deserialize_cdr(raw, self.SCAN)


def find_wire() -> Wire | None:
    """Load the coder of messages; None where rosbags is not installed."""
    try:
        typesys = importlib.import_module("rosbags.typesys")
    except ImportError:
        return None
    return Wire(typesys.get_typestore(typesys.Stores.LATEST))
