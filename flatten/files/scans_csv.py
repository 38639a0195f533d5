"""Scans as CSV: one table, a row a slice and bin, below # comments."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from flatten.files.source import PathLike
from flatten.files.spelling import COLUMNS, bearings, state_names
from flatten.files.writing import Attitude, Fill, ProfileText, check_scans, remarks, target, write_all
from flatten.scan import Scan

NAME = "csv"
UNITS = (
    "units: m, rad; bearings counter-clockwise; range inf = CLEAR, -inf = TOO_NEAR, nan = UNSEEN or BLOCKED"
)


def write_csv(
    path: PathLike,
    scans: Mapping[str, Scan],
    profile: ProfileText,
    *,
    source: str = "",
    attitude: Attitude | None = None,
    overwrite: bool = False,
) -> None:
    """Write one table of all slices; version, units and profile stand in comments above it.

    Columns: slice, bin, bearing_rad, range_m, state, height_m, intensity, hits, clear_from_m,
    clear_to_m; those that were not asked of the flattener are left out. Values that are no number
    are spelled nan, inf and -inf, as numpy and pandas read them. `attitude` is (roll, pitch) in rad.
    Raises OutputError, with nothing left behind, where the file is there already or cannot be written.
    """
    place = target(path)
    check_scans(scans, place)
    write_all([(place, filler(scans, profile, source, attitude))], overwrite)


def filler(scans: Mapping[str, Scan], profile: ProfileText, source: str, attitude: Attitude | None) -> Fill:
    """Make the function that writes the table to a stream."""

    def fill(stream: io.BufferedIOBase) -> None:
        text = io.StringIO()
        head = [*remarks(source, attitude), UNITS, "profile:"]
        head += ["  " + line for line in profile.to_yaml().splitlines()]
        text.writelines(f"# {line}\n" for line in head)
        shown = {
            column: name for column, name in COLUMNS.items() if any(_has(one, name) for one in scans.values())
        }
        table = csv.writer(text, lineterminator="\n")
        table.writerow(["slice", "bin", "bearing_rad", *shown])
        for key, one in scans.items():
            columns = [_cells(one, name) for name in shown.values()]
            table.writerows(zip([key] * one.bins, range(one.bins), bearings(one), *columns, strict=True))
        stream.write(text.getvalue().encode())

    return fill


def _has(scan: Scan, name: str) -> bool:
    return getattr(scan, name) is not None


def _cells(scan: Scan, name: str) -> list[Any]:
    part = getattr(scan, name)
    if part is None:
        return ["" if name == "states" else "nan"] * scan.bins
    if name == "states":
        return list(state_names(part))
    return list(part.tolist() if part.dtype.kind in "iu" else part.astype(str).tolist())
