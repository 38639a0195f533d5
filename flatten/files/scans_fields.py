"""One scan as the field values of a standard planar-scan message, in YAML, to look into."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import numpy as np

from flatten.errors import OutputError
from flatten.files.source import PathLike
from flatten.files.spelling import shortest
from flatten.files.writing import Attitude, Fill, remarks, target, write_all
from flatten.scan import Scan

NAME = "fields"


def write_fields(
    path: PathLike,
    scan: Scan,
    *,
    source: str = "",
    attitude: Attitude | None = None,
    overwrite: bool = False,
) -> None:
    """Write the message fields of one slice, all but the header; see `Scan.message_fields`.

    .nan, .inf and -.inf are YAML's own spellings; every number is the shortest that gives the same
    float32. `attitude` is (roll, pitch) in rad.
    Raises OutputError, with nothing left behind, where the file is there already, cannot be
    written, or the scan has no ranges.
    """
    write_all([(target(path), filler(scan, source, attitude))], overwrite)


def filler(scan: Scan, source: str, attitude: Attitude | None) -> Fill:
    """Make the function that writes the message fields to a stream."""

    def fill(stream: io.BufferedIOBase) -> None:
        import yaml  # noqa: PLC0415 - only here

        values = scan.message_fields()
        _check(scan.name, values)
        plain: dict[str, Any] = {}
        for key, value in values.items():
            listed = shortest(np.atleast_1d(np.asarray(value)))
            plain[key] = listed if np.ndim(value) else listed[0]
        head = [f"slice: {scan.name}", *remarks(source, attitude), "all but the header; m, rad, s"]
        text = "".join(f"# {' '.join(line.split())}\n" for line in head)
        text += yaml.safe_dump(plain, default_flow_style=None, sort_keys=False, width=110)
        stream.write(text.encode())

    return fill


def _check(name: str, values: Mapping[str, Any]) -> None:
    """Refuse what a consumer that counts by round() would reject, or a range beyond the stated maximum."""
    first, last, step = (np.float32(values[f"angle_{part}"]) for part in ("min", "max", "increment"))
    ranges = np.asarray(values["ranges"])
    if round(float((last - first) / step)) + 1 != len(ranges):
        raise OutputError(f"slice {name}: its angles do not count {len(ranges)} ranges: use fewer bins")
    if np.any(ranges[np.isfinite(ranges)] > np.float32(values["range_max"])):
        raise OutputError(f"slice {name}: a range lies beyond the stated maximum: flatten the cloud again")
