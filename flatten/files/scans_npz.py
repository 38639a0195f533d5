"""Scans as NPZ: every array of every slice, and how they came about; reads back to equal scans.

Arrays are named `<slice>/<array>` (`drive/ranges`); `meta` is a JSON text with the version of the
library, the source, the attitude, the profile as YAML and the plain values of each scan.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import CloudError
from flatten.files.npz import read_members
from flatten.files.source import PathLike, Source, open_source, plain_reason
from flatten.files.writing import CAUTION, Attitude, Fill, ProfileText, check_scans, origin, target, write_all
from flatten.scan import Counts, Scan

NAME = "npz"
ARRAYS = {
    "ranges": np.float32,
    "states": np.uint8,
    "bearings": np.float32,
    "heights": np.float32,
    "intensities": np.float32,
    "hits": np.uint32,
    "ages": np.float32,
    "clear_from": np.float32,
    "clear_to": np.float32,
}
VALUES = ("first", "step", "bins", "near", "far")
LAYOUT = 1


def write_npz(
    path: PathLike,
    scans: Mapping[str, Scan],
    profile: ProfileText,
    *,
    source: str = "",
    attitude: Attitude | None = None,
    overwrite: bool = False,
) -> None:
    """Write all slices with the profile that made them; `attitude` is (roll, pitch) in radians.

    Raises OutputError, with nothing left behind, where the file is there already or cannot be written.
    """
    place = target(path)
    check_scans(scans, place)
    write_all([(place, filler(scans, profile, source, attitude))], overwrite)


def filler(scans: Mapping[str, Scan], profile: ProfileText, source: str, attitude: Attitude | None) -> Fill:
    """Make the function that writes the archive to a stream."""

    def fill(stream: io.BufferedIOBase) -> None:
        slices = {key: {"name": one.name, **_values(one)} for key, one in scans.items()}
        meta = {
            "layout": LAYOUT,
            **origin(source, attitude),
            "caution": CAUTION,
            "profile": profile.to_yaml(),
            "slices": slices,
        }
        arrays: dict[str, npt.NDArray[Any]] = {"meta": np.array(json.dumps(meta, allow_nan=False))}
        for key, one in scans.items():
            for name in ARRAYS:
                part = getattr(one, name)
                if part is not None:
                    arrays[f"{key}/{name}"] = part
        np.savez_compressed(stream, **arrays)  # type: ignore[arg-type]

    return fill


def read_npz(path: PathLike) -> tuple[dict[str, Scan], dict[str, Any]]:
    """Read scans back: ({slice: Scan}, meta) equal to what was written, array for array, bit for bit.

    Raises CloudError where the file is none that `write_npz` wrote, or is damaged.
    """
    with open_source(path) as source:
        try:
            arrays = read_members(source, lambda name: True)
            meta = json.loads(str(arrays["meta"][()]))
            if meta["layout"] != LAYOUT:
                raise source.error(
                    f"layout {meta['layout']} of the scans is not known", "read it with a newer version"
                )
            scans = {key: _scan(source, key, values, arrays) for key, values in meta["slices"].items()}
        except CloudError:
            raise
        except Exception as error:
            raise source.error(
                f"holds no scans that this library wrote ({plain_reason(error)})", "name a file of scans"
            ) from error
        return scans, meta


def _values(scan: Scan) -> dict[str, Any]:
    plain = {name: float(getattr(scan, name)) for name in ("first", "step", "near", "far")}
    return {**plain, "bins": int(scan.bins), "counts": [int(count) for count in scan.counts]}


def _scan(source: Source, key: str, values: dict[str, Any], arrays: Mapping[str, npt.NDArray[Any]]) -> Scan:
    parts: dict[str, Any] = {name: arrays.get(f"{key}/{name}") for name in ARRAYS}
    for name, part in parts.items():
        if part is not None and (part.shape != (values["bins"],) or part.dtype != ARRAYS[name]):
            raise source.error(
                f"array {key}/{name} has shape {part.shape}, dtype {part.dtype}: not as written"
            )
    plain = {name: values[name] for name in VALUES}
    return Scan(name=values["name"], counts=Counts(*values["counts"]), **plain, **parts)
