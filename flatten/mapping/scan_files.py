"""Scans out of NPZ files: those of `flatten convert`, one moment each, and those of `flatten batch`."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.errors import CloudError, MapError
from flatten.files.scans_npz import read_npz
from flatten.files.source import plain_reason
from flatten.mapping.beams import Mounted
from flatten.profile import Profile
from flatten.recordings.trajectory_files import nanoseconds_of
from flatten.scan import Counts, Scan

PART = "odom_from_body.npy"
SINGLE = "meta.npy"
NOTHING = Counts(0, 0, 0, 0)


class FileScans(NamedTuple):
    """The scans of one moment."""

    time: int
    """ns."""
    pose: npt.NDArray[np.float64] | None
    """(7,) odom_from_body; None where the file has none."""
    scans: Mapping[str, Scan]
    mount: Mounted


def scan_files(path: Path) -> list[Path]:
    """List the NPZ files of scans at a path, a file or a folder, by name; empty where there are none."""
    places = sorted(path.glob("*.npz")) if path.is_dir() else [path]
    return places if places and is_scan_file(places[0]) else []


def is_scan_file(path: Path) -> bool:
    """Tell whether a file is an archive of scans, by the names in it."""
    try:
        with zipfile.ZipFile(path) as packed:
            names = set(packed.namelist())
    except (OSError, zipfile.BadZipFile):
        return False
    return PART in names or (SINGLE in names and any(name.endswith("/states.npy") for name in names))


def read_scan_file(path: Path, mount: Mounted | None) -> Iterator[FileScans]:
    """Yield the scans of a file; CloudError for one that is damaged, MapError where the mount is not known.

    `mount` goes above what the file itself tells.
    """
    with zipfile.ZipFile(path) as packed:
        is_part = PART in packed.namelist()
    yield from _part(path, mount) if is_part else _single(path, mount)


def _single(path: Path, mount: Mounted | None) -> Iterator[FileScans]:
    scans, meta = read_npz(path)
    try:
        time = nanoseconds_of(path.stem)
    except ValueError:
        source = Path(str(meta.get("source", ""))).stem
        try:
            time = nanoseconds_of(source)
        except ValueError as error:
            raise MapError(
                f"{path}: its time is not known: neither it nor its cloud ({source or '?'}) is named by a "
                "number of seconds"
            ) from error
    own = mount if mount is not None else Profile.parse(str(meta["profile"]), str(path)).mount
    yield FileScans(time, None, scans, own)


def _part(path: Path, mount: Mounted | None) -> Iterator[FileScans]:
    if mount is None:
        raise MapError(f"{path}: does not tell where the fan sits on the body: give the profile (--profile)")
    try:
        with np.load(path, allow_pickle=False) as packed:
            arrays: dict[str, npt.NDArray[Any]] = {name: packed[name] for name in packed.files}
        names = sorted({name.partition("/")[0] for name in arrays if "/" in name})
        for k, time in enumerate(arrays["times"]):
            scans = {name: _row(name, arrays, k) for name in names}
            yield FileScans(int(time), np.asarray(arrays["odom_from_body"][k], np.float64), scans, mount)
    except (KeyError, ValueError, OSError, EOFError, zipfile.BadZipFile, json.JSONDecodeError) as error:
        raise CloudError(f"{path}: is damaged ({plain_reason(error)}): make the scans again") from error


def _row(name: str, arrays: Mapping[str, npt.NDArray[Any]], k: int) -> Scan:
    bearings = arrays[f"{name}/bearings"]
    bins = len(bearings)
    step = float(bearings[-1] - bearings[0]) / max(bins - 1, 1)
    parts = {part: arrays[f"{name}/{part}"][k] for part in ("ranges", "states", "clear_from", "clear_to")}
    return Scan(
        name=name, first=float(bearings[0]) - 0.5 * step, step=step, bins=bins, near=0.0, far=float("inf"),
        counts=NOTHING, bearings=bearings, **parts,
    )  # fmt: skip
