"""Writing a recording: clouds, odometry and where the sensor sits, as standard messages in an MCAP file.

Messages are put in bytes by rosbags, records by mcap; every chunk has its checksum, so that damage shows.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Literal

import numpy as np
import numpy.typing as npt

from flatten.cloud import POINT_FIELD_TYPES, Cloud
from flatten.errors import MissingPartError, OutputError
from flatten.files.writing import write_all
from flatten.recordings.messages import CLOUD_TYPE, ODOMETRY, TRANSFORMS, standard_types
from flatten.recordings.trajectory import Trajectory, quaternions

Numbers = npt.NDArray[np.float64]
Compression = Literal["zstd", "lz4", ""]

FIELD_CODES = {np.dtype(code): number for number, code in POINT_FIELD_TYPES.items()}


class RecordingWriter(AbstractContextManager["RecordingWriter"]):
    """Writes messages to a stream in the order in which they are handed in; finished by `close`.

    Parameters
    ----------
    stream:
        Opened for bytes.
    clouds, odometry:
        Topics.
    fixed, body, sensor:
        Names of the frames (REP 105: odom, base_link).
    compression:
        Of chunks: "zstd", "lz4" or "" for none.
    chunk:
        Bytes in a chunk, about; what one damaged byte can cost.
    """

    def __init__(
        self, stream: IO[bytes], *, clouds: str = "/points", odometry: str = "/odometry", fixed: str = "odom",
        body: str = "base_link", sensor: str = "lidar", compression: Compression = "zstd",
        chunk: int = 1 << 20,
    ) -> None:  # fmt: skip
        self._types = standard_types()
        self._writer = _writer(stream, compression, chunk)
        self._topics = {CLOUD_TYPE: clouds, ODOMETRY: odometry, TRANSFORMS: "/tf_static"}
        self._channels: dict[str, int] = {}
        self._frames = fixed, body, sensor

    def cloud(self, time: int, cloud: Cloud, logged: int | None = None) -> None:
        """Write a cloud of the sensor; times in ns; `logged`: when it is recorded, default `time`."""
        records = packed(cloud)
        fields = [
            self._made("sensor_msgs/msg/PointField", name, records.dtype.fields[name][1], code, 1)  # type: ignore[index]
            for name in records.dtype.names or ()
            for code in (FIELD_CODES[records.dtype[name]],)
        ]
        step, width = records.dtype.itemsize, records.size
        data = records.view(np.uint8).reshape(-1)
        header = self._header(time, self._frames[2])
        self._put(
            CLOUD_TYPE,
            self._made(CLOUD_TYPE, header, 1, width, fields, False, step, step * width, data, False),
            time if logged is None else logged,
        )

    def pose(self, time: int, pose: Any, logged: int | None = None) -> None:
        """Write odometry: x, y, z, qx, qy, qz, qw of the body in the fixed frame; no speeds."""
        place, turn = self._place_turn("Point", pose)
        none = self._made("geometry_msgs/msg/Vector3", 0.0, 0.0, 0.0)
        twist = self._made("geometry_msgs/msg/Twist", none, none)
        message = self._made(
            ODOMETRY, self._header(time, self._frames[0]), self._frames[1],
            self._made(
                "geometry_msgs/msg/PoseWithCovariance", self._made("geometry_msgs/msg/Pose", place, turn),
                np.zeros(36),
            ),
            self._made("geometry_msgs/msg/TwistWithCovariance", twist, np.zeros(36)),
        )  # fmt: skip
        self._put(ODOMETRY, message, time if logged is None else logged)

    def mount(self, time: int, body_from_sensor: Numbers) -> None:
        """Write where the sensor sits, (4, 4), as a transform that stands still."""
        turn = quaternions(np.asarray(body_from_sensor, np.float64)[None])[0]
        place, turned = self._place_turn("Vector3", [*np.asarray(body_from_sensor)[:3, 3], *turn])
        transform = self._made("geometry_msgs/msg/Transform", place, turned)
        header = self._header(time, self._frames[1])
        stamped = self._made("geometry_msgs/msg/TransformStamped", header, self._frames[2], transform)
        self._put(TRANSFORMS, self._made(TRANSFORMS, [stamped]), time)

    def close(self) -> None:
        """Write the index; the stream stays open."""
        self._writer.finish()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()

    def _made(self, name: str, *values: Any) -> Any:
        return self._types.types[name](*values)

    def _header(self, time: int, frame: str) -> Any:
        whole, rest = divmod(int(time), 10**9)
        return self._made(
            "std_msgs/msg/Header", self._made("builtin_interfaces/msg/Time", whole, rest), frame
        )

    def _place_turn(self, kind: str, pose: Any) -> tuple[Any, Any]:
        numbers = [float(number) for number in pose]
        place = self._made(f"geometry_msgs/msg/{kind}", *numbers[:3])
        return place, self._made("geometry_msgs/msg/Quaternion", *numbers[3:])

    def _put(self, name: str, message: Any, logged: int) -> None:
        if name not in self._channels:
            text, _ = self._types.generate_msgdef(name, ros_version=2)
            schema = self._writer.register_schema(name, "ros2msg", text.encode())
            self._channels[name] = self._writer.register_channel(self._topics[name], "cdr", schema)
        data = bytes(self._types.serialize_cdr(message, name))
        self._writer.add_message(self._channels[name], logged, data, logged)


def write_recording(
    path: Any, clouds: Iterable[tuple[int, Cloud]], trajectory: Trajectory | None = None,
    body_from_sensor: Numbers | None = None, *, overwrite: bool = False, **how: Any,
) -> None:  # fmt: skip
    """Write a recording; `clouds` are (time in ns, cloud) in the order of their times.

    Poses are put between the clouds by their times. `how` goes to `RecordingWriter`. Raises OutputError, with
    nothing left behind, where it cannot be written.
    """
    place = Path(path)
    if place.suffix.lower() != ".mcap":
        raise OutputError(f"{place}: recordings are written as .mcap: choose such a name")

    def fill(stream: io.BufferedIOBase) -> None:
        fill_recording(stream, clouds, trajectory, body_from_sensor, how)

    write_all([(place, fill)], overwrite)


def fill_recording(
    stream: Any, clouds: Iterable[tuple[int, Cloud]], trajectory: Trajectory | None,
    body_from_sensor: Numbers | None, how: dict[str, Any],
) -> None:  # fmt: skip
    """Write a recording to a stream, see `write_recording`."""
    with RecordingWriter(stream, **how) as writer:
        told, done = body_from_sensor is None, 0
        for time, cloud in clouds:
            if not told and body_from_sensor is not None:
                writer.mount(time if trajectory is None else min(time, trajectory.start), body_from_sensor)
                told = True
            while trajectory is not None and done < len(trajectory) and trajectory.times[done] <= time:
                writer.pose(int(trajectory.times[done]), trajectory.poses[done])
                done += 1
            writer.cloud(time, cloud)
        for k in range(done, 0 if trajectory is None else len(trajectory)):
            assert trajectory is not None
            writer.pose(int(trajectory.times[k]), trajectory.poses[k])


def packed(cloud: Cloud) -> npt.NDArray[Any]:
    """Returns as records (N,) of x, y, z in float32, and intensity and time where the cloud has them.

    Times keep their kind, in float64 or whole numbers up to 32 bits; intensity is float32.
    """
    columns: list[tuple[str, npt.NDArray[Any], str]] = [
        ("x", cloud.x, "<f4"), ("y", cloud.y, "<f4"), ("z", cloud.z, "<f4"),
    ]  # fmt: skip
    if cloud.intensity is not None:
        columns.append(("intensity", cloud.intensity, "<f4"))
    if cloud.time is not None:
        kind = cloud.time.dtype.newbyteorder("<")
        known = kind in FIELD_CODES
        columns.append(("time", cloud.time, kind.str if known else "<f8"))
    records = np.empty(len(cloud), [(name, kind) for name, _, kind in columns])
    for name, column, _ in columns:
        records[name] = column.reshape(-1)
    return records


def _writer(stream: IO[bytes], compression: Compression, chunk: int) -> Any:
    try:
        from mcap.writer import CompressionType, Writer  # noqa: PLC0415 - of the desk
    except ImportError as error:
        raise MissingPartError("recordings need mcap: pip install 'flatten[desk]'") from error
    kind = {"zstd": CompressionType.ZSTD, "lz4": CompressionType.LZ4, "": CompressionType.NONE}[compression]
    writer = Writer(stream, chunk_size=chunk, compression=kind, enable_data_crcs=True)
    writer.start("ros2", library="flatten")
    return writer
