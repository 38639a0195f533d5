"""The sample clouds: small frames of the nursery with their profiles and their truth.

    python -m flatten.scene.samples [FOLDER]            write all (--overwrite: over what is there)
    python -m flatten.scene.samples [FOLDER] --check    make all again (--only NAME: one) and compare

The folder holds the clouds (PCD), `clouds.yaml` (what each shows), two profiles, and `truth.npz`:
for each cloud and slice the arrays CLOUD/SLICE/nearest, …/farthest_of_nearest and …/farthest, as
`flatten.scene.truth` gives them for the slices and the fan of the cloud's profile, …/standing (what
CLEAR denies, see `sample_list.truth_of`), and CLOUD/attitude, (roll, pitch) in radians.
"""

from __future__ import annotations

import argparse
import io
import math
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
import yaml

from flatten.errors import CloudError, FlattenError, OutputError
from flatten.samples import sample_folder
from flatten.scene.capture import Capture
from flatten.scene.rover import PROFILES
from flatten.scene.sample_list import (
    SAMPLES,
    SENSORS,
    Arrays,
    Sample,
    make,
    sample_place,
    truth_of,
)

_BY_NAME = {sample.name: sample for sample in SAMPLES}

SAME = 1e-3
"""Metres: coordinates and truth made again must agree to this."""
STRAYS = 1e-3
"""Share of the returns, and of the bins, that may differ: beams within float32 of an edge (about
1e-6 of its length) end on one side or the other of it by the processor's arithmetic."""


def read_columns(path: Path) -> Arrays:
    """Read a sample cloud: x, y, z, intensity, time as (N,) float32. Raises CloudError."""
    from pypcd4 import PointCloud  # noqa: PLC0415

    try:
        cloud = PointCloud.from_path(path)
        return {name: cloud.pc_data[name] for name in ("x", "y", "z", "intensity", "time")}
    except (OSError, ValueError, KeyError, RuntimeError) as error:
        raise CloudError(f"{path}: not a sample cloud that can be read: {error}") from error


def write(folder: Path, *, overwrite: bool = False) -> list[Path]:
    """Make all samples and write them to a folder, which is made if need be; give the files.

    Raises OutputError where a file cannot be written, or is there already and `overwrite` is false.
    """
    targets = [folder / name for name in _names()]
    there = [path for path in targets if path.exists()]
    if there and not overwrite:
        raise OutputError(f"{there[0]} is there already: give another folder, or --overwrite")
    texts, known = dict(PROFILES), _truth(SAMPLES)
    texts["clouds.yaml"] = _listing_text()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        place = sample_place()
        for sample in SAMPLES:
            _replace(folder / f"{sample.name}.pcd", _pcd(make(sample, place)))
        for name, text in texts.items():
            _replace(folder / name, text.encode())
        packed = io.BytesIO()
        np.savez_compressed(packed, **cast(dict[str, Any], known))
        _replace(folder / "truth.npz", packed.getvalue())
    except OSError as error:
        raise OutputError(f"cannot write the sample clouds to {folder}: {error}") from error
    return targets


def differences(folder: Path, chosen: Sequence[Sample] = SAMPLES) -> Iterator[str]:
    """Make samples again and tell, a line each, in what the folder differs: nothing if it is the same.

    Returns are matched by their time, which is that of their beam. Coordinates and truth must
    agree within SAME; up to the share STRAYS of returns and bins may not.
    """
    for name, text in PROFILES.items():
        if _text(folder / name) != text:
            yield f"{name}: not the text that is written now"
    if _text(folder / "clouds.yaml") != _listing_text():
        yield "clouds.yaml: not the list that is written now"
    place = sample_place()
    for sample in chosen:
        told = compare(read_columns(folder / f"{sample.name}.pcd"), columns_of(make(sample, place)))
        if told:
            yield f"{sample.name}.pcd: {told}"
    yield from _truth_differences(folder / "truth.npz", chosen)


def compare(there: Arrays, here: Arrays) -> str:
    """Say how two clouds differ, each x, y, z, intensity and time of (N,) float32: "" if they do not."""
    was, now = (
        np.rint(np.asarray(part["time"], np.float64) * 2e6).astype(np.int64) for part in (there, here)
    )
    _, a, b = np.intersect1d(was, now, return_indices=True)
    off = np.zeros(len(a), bool)
    for name, allowed in (("x", SAME), ("y", SAME), ("z", SAME), ("intensity", 1.0)):
        off |= ~(np.abs(there[name][a].astype(np.float64) - here[name][b]) <= allowed)
    alone = len(was) + len(now) - 2 * len(a)
    strays = int(off.sum()) + alone
    if strays <= STRAYS * len(now):
        return ""
    return f"{strays} of {len(now)} returns differ ({alone} of them are in one of the two only)"


def columns_of(shot: Capture) -> Arrays:
    """Columns of a frame as the files hold them: x, y, z, intensity, time, (N,) float32."""
    cloud = shot.cloud
    assert cloud.intensity is not None and cloud.time is not None  # every capture has both
    return {"x": cloud.x, "y": cloud.y, "z": cloud.z, "intensity": cloud.intensity, "time": cloud.time}


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 if all is well, 1 if the folder differs, 2 if something is in the way."""
    parser = argparse.ArgumentParser(
        prog="python -m flatten.scene.samples", description="Make the sample clouds."
    )
    parser.add_argument("folder", nargs="?", type=Path, default=sample_folder(), help="default: %(default)s")
    parser.add_argument("--check", action="store_true", help="compare with what is there, write nothing")
    parser.add_argument("--overwrite", action="store_true", help="replace what is there")
    parser.add_argument("--only", choices=sorted(_BY_NAME), action="append", help="check this cloud only")
    chosen = parser.parse_args(arguments)
    wanted = [_BY_NAME[name] for name in chosen.only] if chosen.only else SAMPLES
    try:
        if chosen.check:
            told = list(differences(chosen.folder, wanted))
            print("\n".join(told) if told else f"{chosen.folder}: as made now")
            return 1 if told else 0
        written = write(chosen.folder, overwrite=chosen.overwrite)
    except FlattenError as error:
        print(error, file=sys.stderr)
        return 2
    size = sum(path.stat().st_size for path in written)
    print(f"{len(written)} files, {size / 1e6:.2f} MB, in {chosen.folder}")
    return 0


def _names() -> list[str]:
    return [*(f"{sample.name}.pcd" for sample in SAMPLES), *PROFILES, "clouds.yaml", "truth.npz"]


def _listing_text() -> str:
    """Text of clouds.yaml: metres and degrees; the pose is that of the body in the nursery."""
    clouds = [
        {
            "file": f"{sample.name}.pcd",
            "sensor": sample.sensor,
            "profile": SENSORS[sample.sensor][1],
            "pose": {"x": sample.pose[0], "y": sample.pose[1], "yaw": round(math.degrees(sample.pose[2]), 3)},
            "attitude": {"roll": sample.attitude[0], "pitch": sample.attitude[1]},
            "shows": sample.shows,
        }
        for sample in SAMPLES
    ]
    return (
        "# Sample clouds of a made-up plant nursery: metres, degrees; attitude.pitch > 0 is nose down.\n"
        "# The pose is where the body stands in the nursery. The truth is in truth.npz.\n"
        + yaml.safe_dump(clouds, sort_keys=False, allow_unicode=True, width=110)
    )


def _truth(chosen: Sequence[Sample]) -> Arrays:
    place, known = sample_place(), {}
    for sample in chosen:
        known.update({f"{sample.name}/{key}": values for key, values in truth_of(sample, place).items()})
        known[f"{sample.name}/attitude"] = np.array(sample.tilt)
    return known


def _truth_differences(path: Path, chosen: Sequence[Sample]) -> Iterator[str]:
    try:
        with np.load(path) as packed:
            names = {sample.name for sample in chosen}
            there = {key: packed[key] for key in packed.files if key.split("/")[0] in names}
    except (OSError, ValueError) as error:
        yield f"{path.name}: cannot be read: {error}"
        return
    here = _truth(chosen)
    if set(there) != set(here):
        yield f"{path.name}: holds other arrays: {', '.join(sorted(set(there) ^ set(here))[:4])} …"
    for key in sorted(set(there) & set(here)):
        a, b = there[key].astype(np.float64), here[key].astype(np.float64)
        same = a.shape == b.shape and (a == b) | (np.abs(np.where(np.isinf(a), -1.0, a) - b) <= SAME)
        strays = len(b) - int(np.sum(same))
        if strays > STRAYS * len(b):
            yield f"{path.name}: {key}: {strays} of {len(b)} bins differ"


def _pcd(shot: Capture) -> bytes:
    from pypcd4 import Encoding, PointCloud  # noqa: PLC0415

    columns = columns_of(shot)
    packed = io.BytesIO()
    cloud = PointCloud.from_points(list(columns.values()), tuple(columns), (np.float32,) * len(columns))
    cloud.save(packed, encoding=Encoding.BINARY_COMPRESSED)
    return packed.getvalue()


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: cannot be read: {error}") from error


def _replace(path: Path, content: bytes) -> None:
    """Write to a temporary name beside the file, then put it in its place."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


if __name__ == "__main__":
    sys.exit(main())
