"""What comes in: the returns of one sensor frame, looked at where they lie, not copied."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from numbers import Real
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import CloudError

Array = npt.NDArray[Any]

INTENSITY_NAMES = (
    "intensity",
    "intensities",
    "scalar_intensity",
    "reflectivity",
    "reflectance",
    "remission",
    "i",
)
TIME_NAMES = ("time", "t", "timestamp", "time_stamp", "offset_time", "time_offset", "gps_time")

# datatype codes of sensor_msgs/PointField (common_interfaces)
POINT_FIELD_TYPES = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 8: "f8"}


@dataclass(frozen=True, eq=False)
class Cloud:
    """The returns of one sensor frame, in the sensor's own axes, metres.

    `x`, `y`, `z` share one shape, (N,) or (rows, columns) for an organised cloud, and are of any
    floating dtype, stride, alignment and byte order: they are views of what was read.
    """

    x: Array
    y: Array
    z: Array
    intensity: Array | None = None
    """Strength of each return in the sensor's own unit, same shape; None where there is none."""
    time: Array | None = None
    """Time of each return as recorded (unit and zero are the source's), same shape, or None."""
    name: str = ""
    """Where it came from, for messages and records."""
    corrected: bool = False
    """Whether the sensor's motion while the frame was taken is out of it already (see `flatten.Motion`)."""
    stamp: float | None = None
    """Time of the frame's end, seconds, by the clock of whoever stamped it; None where it is not known.

    Taken from a message's header as it is. Seconds since 1970 are known to 0.24 µs (float64).
    """
    records: tuple[Array, tuple[int, ...]] | None = field(default=None, init=False, repr=False)
    """The array that x, y and z are views of, and how many bytes after its first they begin; or None.

    Finding out where an array lies takes three microseconds: with this it is done once, not three times.
    Copies do not have it, as their arrays lie elsewhere.
    """

    def __getstate__(self) -> dict[str, Any]:
        """Give what copies and pickles take over."""
        return {**self.__dict__, "records": None}

    def _within(self, whole: Array, offsets: tuple[int, ...]) -> Cloud:
        """Remember what x, y and z are views of; give the cloud itself."""
        object.__setattr__(self, "records", (whole, offsets))
        return self

    def addresses(self) -> list[int] | None:
        """Where x, y and z begin in memory, as far as `records` tells it."""
        if self.records is None:
            return None
        whole, offsets = self.records
        start = whole.__array_interface__["data"][0]
        return [start + offset for offset in offsets]

    def __post_init__(self) -> None:
        who = self.name or "cloud"
        if self.stamp is not None and not isinstance(self.stamp, Real):
            raise CloudError(f"{who}: stamp {self.stamp!r}: wanted seconds, or None where it is not known")
        for axis, part in (("x", self.x), ("y", self.y), ("z", self.z)):
            if not isinstance(part, np.ndarray) or part.dtype.kind not in "fiu":
                raise CloudError(f"{who}: {axis} is no array of plain numbers: convert it to floats")
        shape = self.x.shape
        if self.y.shape != shape or self.z.shape != shape or len(shape) not in (1, 2):
            shapes = ", ".join(str(part.shape) for part in (self.x, self.y, self.z))
            raise CloudError(
                f"{who}: x, y and z have shapes {shapes}: they must share one shape, (N,) or (rows, columns)"
            )
        for extra in (self.intensity, self.time):
            if extra is None:
                continue
            if not isinstance(extra, np.ndarray) or extra.shape != shape:
                raise CloudError(f"{who}: intensity and time: they must be arrays with the shape of x")
            if extra.dtype.kind not in "fiub":
                raise CloudError(
                    f"{who}: intensity and time hold {extra.dtype}, not numbers: convert them to floats"
                )

    def __len__(self) -> int:
        """Count the returns, good or not."""
        return int(self.x.size)

    @property
    def xyz(self) -> npt.NDArray[np.float64]:
        """Coordinates as a fresh (N, 3) float64 array, for pictures and studies; not on the hot path."""
        return np.stack(
            [np.asarray(part, np.float64).reshape(-1) for part in (self.x, self.y, self.z)], axis=1
        )

    @classmethod
    def from_array(cls, array: Array, name: str = "", *, corrected: bool = False) -> Cloud:
        """Look at an (N, 3+) array of numbers, or at a structured array with fields x, y and z.

        In an unnamed array the columns are x, y, z and, where there is a fourth, the intensity.
        Raises CloudError for any other shape or dtype.
        """
        if array.dtype.names is not None:
            return cls._from_records(array, name, corrected)
        if array.ndim != 2 or array.shape[1] < 3 or array.dtype.kind not in "fiu":
            raise CloudError(
                f"{name or 'array'}: shape {array.shape}, dtype {array.dtype}: "
                "wanted numbers of shape (N, 3) or more columns: x, y, z, intensity"
            )
        intensity = array[:, 3] if array.shape[1] > 3 else None
        step = array.strides[1]
        return cls(array[:, 0], array[:, 1], array[:, 2], intensity, name=name, corrected=corrected)._within(
            array, (0, step, 2 * step)
        )

    @classmethod
    def from_message(cls, message: Any, name: str = "message", *, corrected: bool = False) -> Cloud:
        """Look at a message laid out like sensor_msgs/PointCloud2, without copying its points.

        Read are fields (name, offset, datatype), height, width, point_step, row_step,
        is_bigendian and data (bytes, memoryview, array or uint8 ndarray), and header.stamp (sec,
        nanosec: builtin_interfaces/Time) where there is one; all zeros is none. Whether it is dense
        makes no difference: returns that are not finite are skipped in any case.
        Raises CloudError where the numbers of the message contradict each other.
        """
        try:
            dtype = _record_dtype(message, name)
            data = _as_bytes(message.data)
            rows, columns = int(message.height), int(message.width)
            point_step, row_step = int(message.point_step), int(message.row_step)
        except (AttributeError, TypeError, ValueError, OverflowError) as error:
            raise CloudError(f"{name}: not laid out like a point-cloud message: {error}") from error
        if min(rows, columns, point_step, row_step) < 0:
            raise CloudError(f"{name}: height, width, point_step and row_step must not be negative")
        if rows * columns == 0:
            none = np.empty(0, dtype if dtype.names else "f4")  # a frame without returns may lack its fields
            if not dtype.names:
                return cls(none, none, none, name=name, corrected=corrected, stamp=_stamp_of(message))
            return cls._from_records(none, name, corrected, _stamp_of(message))
        if rows > 1 and row_step < columns * point_step:
            raise CloudError(
                f"{name}: row_step {row_step} is less than width {columns} times point_step {point_step}"
            )
        needed = (rows - 1) * row_step + columns * point_step
        if data.size < needed:
            raise CloudError(
                f"{name}: {rows} rows of {columns} returns need {needed} bytes of data, there are {data.size}"
            )
        if rows == 1:
            records = np.ndarray((columns,), dtype, buffer=data, strides=(point_step,))
        else:
            records = np.ndarray((rows, columns), dtype, buffer=data, strides=(row_step, point_step))
        return cls._from_records(records, name, corrected, _stamp_of(message))

    @classmethod
    def _from_records(cls, records: Array, name: str, corrected: bool, stamp: float | None = None) -> Cloud:
        fields = records.dtype.names or ()
        # of names that differ in case alone the small one counts, then the first
        names = {field.lower(): field for field in reversed(fields)}
        names.update({field: field for field in fields if field == field.lower()})
        missing = [axis for axis in "xyz" if axis not in names]
        if missing:
            have = ", ".join(fields) or "none"
            raise CloudError(f"{name or 'cloud'}: no field {', '.join(missing)} (fields: {have})")
        x, y, z = (_first_of(records, names[axis]) for axis in "xyz")
        intensity, time = (_find(records, names, wanted) for wanted in (INTENSITY_NAMES, TIME_NAMES))
        places: Any = records.dtype.fields  # there is x at least
        offsets = tuple(int(places[names[axis]][1]) for axis in "xyz")
        return cls(x, y, z, intensity, time, name, corrected, stamp)._within(records, offsets)


def as_cloud(source: Any) -> Cloud:
    """Take a Cloud, an (N, 3+) or structured array, or a point-cloud message; raise CloudError otherwise."""
    if isinstance(source, Cloud):
        return source
    if isinstance(source, np.ndarray):
        return Cloud.from_array(source)
    if hasattr(source, "point_step"):
        return Cloud.from_message(source)
    if isinstance(source, (list, tuple)) and len(source) == 0:
        return Cloud.from_array(np.empty((0, 3)))
    raise CloudError(
        f"cannot read a cloud from {type(source).__name__}: "
        "wanted a Cloud, an (N, 3) array or a point-cloud message"
    )


def cloud_from_columns(columns: Mapping[str, Array], name: str) -> Cloud:
    """Build a Cloud from named columns of equal shape; case of the names does not matter."""
    lower = {key.lower(): np.asarray(value) for key, value in reversed(list(columns.items()))}
    missing = [axis for axis in "xyz" if axis not in lower]
    if missing:
        raise CloudError(f"{name}: no field {', '.join(missing)} (fields: {', '.join(columns) or 'none'})")
    pick = [
        next((lower[key] for key in names if key in lower), None) for names in (INTENSITY_NAMES, TIME_NAMES)
    ]
    return Cloud(lower["x"], lower["y"], lower["z"], pick[0], pick[1], name)


def _stamp_of(message: Any) -> float | None:
    """Seconds of a message's header; None without a header, or with a stamp that nobody set."""
    stamp: Any = getattr(getattr(message, "header", None), "stamp", None)
    try:
        return float(stamp.sec) + 1e-9 * float(stamp.nanosec) or None
    except (AttributeError, TypeError, ValueError, OverflowError):
        return None


def _record_dtype(message: Any, name: str) -> np.dtype[Any]:
    """Dtype of a message's records; messages of one sensor share it, and it is made once."""
    fields = tuple((str(field.name), int(field.offset), int(field.datatype)) for field in message.fields)
    return _dtype_of(fields, int(message.point_step), bool(message.is_bigendian), name)


@functools.lru_cache(maxsize=64)
def _dtype_of(
    fields: tuple[tuple[str, int, int], ...], point_step: int, big_endian: bool, name: str
) -> np.dtype[Any]:
    names: list[str] = []
    formats, offsets = [], []
    for label, offset, datatype in fields:
        code = POINT_FIELD_TYPES.get(datatype)
        if code is None:
            raise CloudError(f"{name}: field {label} has datatype {datatype}, allowed are 1 to 8")
        size = int(code[1])
        if offset < 0 or offset + size > point_step:
            raise CloudError(f"{name}: field {label} at offset {offset} does not fit point_step {point_step}")
        if label and label not in names:
            names.append(label)
            formats.append((">" if big_endian else "<") + code)
            offsets.append(offset)
    return np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": point_step})


def _as_bytes(data: Any) -> npt.NDArray[np.uint8]:
    if isinstance(data, (list, tuple)):
        return np.array(data, np.uint8)
    return np.frombuffer(data, np.uint8)


def _first_of(records: Array, field: str) -> Array:
    """Take the first number of a field that holds several a return."""
    part: Array = records[field]
    while part.ndim > records.ndim:
        part = part[..., 0]
    return part


def _find(records: Array, names: Mapping[str, str], wanted: tuple[str, ...]) -> Array | None:
    for key in wanted:
        if key in names:
            part = records[names[key]]
            if part.shape == records.shape and part.dtype.kind in "fiu":
                return part
    return None
