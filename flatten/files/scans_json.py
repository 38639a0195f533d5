"""Scans as strict JSON (RFC 8259), which has no spelling for NaN and infinity."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from typing import Any

import numpy.typing as npt

from flatten.files.source import PathLike
from flatten.files.spelling import COLUMNS, bearings, shortest, state_names
from flatten.files.writing import CAUTION, Attitude, Fill, ProfileText, check_scans, origin, target, write_all
from flatten.scan import Scan

NAME = "json"
KEYS = {"ranges": "ranges_m", "heights": "heights_m", "clear_from": "clear_from_m", "clear_to": "clear_to_m"}


def write_json(
    path: PathLike,
    scans: Mapping[str, Scan],
    profile: ProfileText,
    *,
    source: str = "",
    attitude: Attitude | None = None,
    overwrite: bool = False,
) -> None:
    """Write one JSON text with version, profile and all slices; null stands for what is no number.

    What a null in `ranges_m` means is said by the name in `states` at the same place: CLEAR,
    TOO_NEAR, BLOCKED or UNSEEN. `attitude` is (roll, pitch) in rad.
    Raises OutputError, with nothing left behind, where the file is there already or cannot be written.
    """
    place = target(path)
    check_scans(scans, place)
    write_all([(place, filler(scans, profile, source, attitude))], overwrite)


def filler(scans: Mapping[str, Scan], profile: ProfileText, source: str, attitude: Attitude | None) -> Fill:
    """Make the function that writes the JSON text to a stream."""

    def fill(stream: io.BufferedIOBase) -> None:
        slices = {key: _plain(one) for key, one in scans.items()}
        whole = {
            **origin(source, attitude),
            "caution": CAUTION,
            "profile": profile.to_dict(),
            "slices": slices,
        }
        stream.write(json.dumps(whole, allow_nan=False, ensure_ascii=False).encode() + b"\n")

    return fill


def _plain(scan: Scan) -> dict[str, Any]:
    values: dict[str, Any] = {
        "first_rad": float(scan.first),
        "step_rad": float(scan.step),
        "bins": int(scan.bins),
        "near_m": float(scan.near),
        "far_m": float(scan.far),
        "counts": {key: int(count) for key, count in scan.counts._asdict().items()},
        "bearings_rad": bearings(scan),
    }
    for name in COLUMNS.values():
        part = getattr(scan, name)
        if part is not None:
            values[KEYS.get(name, name)] = _listed(name, part)
    return values


def _listed(name: str, part: npt.NDArray[Any]) -> list[Any]:
    if name == "states":
        return list(state_names(part))
    if part.dtype.kind in "iu":
        return list(part.tolist())
    return [value if math.isfinite(value) else None for value in shortest(part)]
