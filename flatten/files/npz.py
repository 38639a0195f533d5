"""NPZ: a zip archive of numpy arrays x, y, z, or xyz or points, with intensity and time where present."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.cloud import INTENSITY_NAMES, TIME_NAMES, Cloud, cloud_from_columns
from flatten.files.npy import array_bytes, cloud_from_array
from flatten.files.source import Source, plain_reason

NAME = "npz"
SUFFIXES = (".npz",)
MAGIC = b"PK\x03\x04"
TABLES = ("xyz", "points")
WANTED = frozenset("xyz") | {*TABLES, *INTENSITY_NAMES, *TIME_NAMES}


def recognise(source: Source) -> bool:
    """Say whether the file begins with the mark of a zip archive."""
    return source.head.startswith(MAGIC)


def read(source: Source) -> Cloud:
    """Read arrays x, y and z of one shape, or one (N, 3+) or structured array named xyz or points.

    An archive with a single array of any other name is read as that array. Python objects are refused.
    """
    names = members(source)
    wanted = [name for name in names if name.lower() in WANTED] or (names if len(names) == 1 else [])
    arrays = read_members(source, wanted.__contains__)
    lower = {name.lower(): array for name, array in reversed(list(arrays.items()))}
    if set("xyz") <= set(lower):
        return cloud_from_columns(lower, source.name)
    table = next((lower[name] for name in TABLES if name in lower), None)
    if table is None and len(names) == 1 and arrays:
        table = next(iter(arrays.values()))
    if table is None:
        have = ", ".join(names[:6]) + (", …" if len(names) > 6 else "") or "none"
        raise source.error(f"no arrays x, y, z, nor xyz, nor points (arrays: {have})", "name the arrays so")
    return _with_extras(cloud_from_array(table, source.name), lower)


def _with_extras(cloud: Cloud, lower: dict[str, npt.NDArray[Any]]) -> Cloud:
    extras = [
        next((lower[key] for key in names if key in lower), None) for names in (INTENSITY_NAMES, TIME_NAMES)
    ]
    strength = cloud.intensity if extras[0] is None else extras[0]
    time = cloud.time if extras[1] is None else extras[1]
    return Cloud(cloud.x, cloud.y, cloud.z, strength, time, cloud.name)


def holds_cloud(source: Source) -> bool:
    """Say whether the names of the arrays in an archive are those of a cloud."""
    lower = {name.lower() for name in members(source)}
    return set("xyz") <= lower or not lower.isdisjoint(TABLES)


def members(source: Source) -> list[str]:
    """List the names of the arrays in an archive."""
    return [info.filename[:-4] for info in _archive(source).infolist() if info.filename.endswith(".npy")]


def read_members(source: Source, wanted: Callable[[str], bool]) -> dict[str, npt.NDArray[Any]]:
    """Read the arrays whose name is wanted, after holding their declared sizes against the limits.

    Only stored and deflated members are read, as numpy writes them: these two alone stop unpacking
    at the declared size.
    """
    archive = _archive(source)
    chosen = [
        info for info in archive.infolist() if info.filename.endswith(".npy") and wanted(info.filename[:-4])
    ]
    source.check_unpacked(sum(info.file_size for info in chosen), source.size)
    arrays = {}
    for info in chosen:
        name = info.filename[:-4]
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise source.error(
                f"array {name} is packed in an uncommon way", "save it with numpy.savez_compressed"
            )
        with archive.open(info) as member:
            needed = array_bytes(source, member, info.file_size, f"{source.name}: array {name}")
            if member.tell() + needed != info.file_size:
                raise source.error(f"array {name} needs {needed} bytes, its member holds {info.file_size}")
            member.seek(0)
            arrays[name] = np.lib.format.read_array(member, allow_pickle=False)
    return arrays


def _archive(source: Source) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(source.stream)
    except Exception as error:  # zipfile raises half a dozen kinds on damaged directories
        raise source.error(
            f"cut short or not a zip archive ({plain_reason(error)})", "save it again with numpy.savez"
        ) from error
