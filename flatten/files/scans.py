"""Which writer writes what: scans to one or several formats at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from flatten.errors import OutputError
from flatten.files import scans_csv, scans_fields, scans_json, scans_npz
from flatten.files.source import PathLike
from flatten.files.writing import Attitude, Job, ProfileText, check_scans, target, write_all
from flatten.scan import Scan

WHOLE = {module.NAME: module.filler for module in (scans_npz, scans_csv, scans_json)}
FORMATS = (*WHOLE, scans_fields.NAME)


def scan_formats() -> list[str]:
    """List the names of the formats that `write_scans` writes."""
    return list(FORMATS)


def write_scans(
    path_stem: PathLike,
    scans: Mapping[str, Scan],
    profile: ProfileText,
    format: str | Iterable[str] = "npz",
    *,
    source: str = "",
    attitude: Attitude | None = None,
    overwrite: bool = False,
) -> list[Path]:
    """Write scans as `<stem>.npz`, `.csv`, `.json`, or `<stem>.<slice>.fields.yaml` a slice.

    `format` is one of `scan_formats()` or several; `attitude` is (roll, pitch) in rad. All files
    are written before the first is moved into place. Gives the paths written. Raises OutputError,
    with nothing left behind, where a file is there already (unless `overwrite`) or cannot be written.
    """
    stem = target(path_stem)
    check_scans(scans, stem)
    jobs: list[Job] = []
    for name in dict.fromkeys([format] if isinstance(format, str) else format):
        if name in WHOLE:
            jobs.append((_beside(stem, name), WHOLE[name](scans, profile, source, attitude)))
        elif name == scans_fields.NAME:
            for key, one in scans.items():
                jobs.append((_beside(stem, f"{key}.fields.yaml"), scans_fields.filler(one, source, attitude)))
        else:
            raise OutputError(f"{stem}: format {name} is not known: use one of {', '.join(FORMATS)}")
    write_all(jobs, overwrite)
    return [path for path, _ in jobs]


def _beside(stem: Path, ending: str) -> Path:
    try:
        return stem.with_name(f"{stem.name}.{ending}")
    except ValueError as error:
        raise OutputError(
            f"{stem}: no file name can be made of it with {ending}: choose plain names"
        ) from error
