"""The sample clouds: small frames of the nursery with their profiles and their truth.

    python -m flatten.scene.samples [FOLDER]            write all (--overwrite: over what is there)
    python -m flatten.scene.samples [FOLDER] --check    make all again (--only NAME: one) and compare

The folder holds the clouds (PCD), `clouds.yaml` (what each shows), two profiles, and `truth.npz`:
for each cloud and slice the arrays CLOUD/SLICE/nearest, …/farthest_of_nearest and …/farthest, as
`flatten.scene.truth` gives them for the slices and the fan of the cloud's profile, …/standing (what
CLEAR denies, see `sample_list.truth_of`), and CLOUD/attitude, (roll, pitch) in radians. Its folders
`rough` and `drive` hold what `flatten.scene.rough_samples` and `flatten.scene.drive_samples` make.
"""

from __future__ import annotations

import argparse
import io
import math
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
import yaml

from flatten.errors import FlattenError, OutputError
from flatten.samples import sample_folder
from flatten.scene import drive_samples, rough_samples
from flatten.scene.rough_list import ROUGH
from flatten.scene.rover import PROFILES
from flatten.scene.sample_files import (
    SAME,
    STRAYS,
    columns_of,
    compare,
    pcd_bytes,
    read_columns,
    replace_file,
    text_of,
)
from flatten.scene.sample_list import (
    SAMPLES,
    SENSORS,
    Arrays,
    Sample,
    make,
    sample_place,
    truth_of,
)

DRIVE = "drive"
"""Name of the recorded drive, where one is chosen."""


def write(folder: Path, *, overwrite: bool = False) -> list[Path]:
    """Make all samples and write them to a folder, which is made if need be; give the files.

    Raises OutputError where a file cannot be written, or is there already and `overwrite` is false.
    """
    targets = [
        *(folder / name for name in _names()), *rough_samples.targets(folder), *drive_samples.targets(folder)
    ]  # fmt: skip
    there = [path for path in targets if path.exists()]
    if there and not overwrite:
        raise OutputError(f"{there[0]} is there already: give another folder, or --overwrite")
    texts, known = dict(PROFILES), _truth(SAMPLES)
    texts["clouds.yaml"] = _listing_text()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        place = sample_place()
        for sample in SAMPLES:
            replace_file(folder / f"{sample.name}.pcd", pcd_bytes(make(sample, place)))
        for name, text in texts.items():
            replace_file(folder / name, text.encode())
        packed = io.BytesIO()
        np.savez_compressed(packed, **cast(dict[str, Any], known))
        replace_file(folder / "truth.npz", packed.getvalue())
        rough_samples.write(folder)
        drive_samples.write(folder)
    except OSError as error:
        raise OutputError(f"cannot write the sample clouds to {folder}: {error}") from error
    return targets


def differences(folder: Path, chosen: Sequence[Sample] = SAMPLES) -> Iterator[str]:
    """Make samples again and tell, a line each, in what the folder differs: nothing if it is the same.

    Returns are matched by their time, which is that of their beam. Coordinates and truth must
    agree within SAME; up to the share STRAYS of returns and bins may not.
    """
    for name, text in PROFILES.items():
        if text_of(folder / name) != text:
            yield f"{name}: not the text that is written now"
    if text_of(folder / "clouds.yaml") != _listing_text():
        yield "clouds.yaml: not the list that is written now"
    place = sample_place()
    for sample in chosen:
        told = compare(read_columns(folder / f"{sample.name}.pcd"), columns_of(make(sample, place)))
        if told:
            yield f"{sample.name}.pcd: {told}"
    yield from _truth_differences(folder / "truth.npz", chosen)


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 if all is well, 1 if the folder differs, 2 if something is in the way."""
    parser = argparse.ArgumentParser(
        prog="python -m flatten.scene.samples", description="Make the sample clouds."
    )
    parser.add_argument("folder", nargs="?", type=Path, default=sample_folder(), help="default: %(default)s")
    parser.add_argument("--check", action="store_true", help="compare with what is there, write nothing")
    parser.add_argument("--overwrite", action="store_true", help="replace what is there")
    parser.add_argument("--only", choices=sorted(_names_known()), action="append", help="check this one only")
    chosen = parser.parse_args(arguments)
    only = _names_known() if chosen.only is None else set(chosen.only)
    try:
        if chosen.check:
            told = list(differences(chosen.folder, [one for one in SAMPLES if one.name in only]))
            rough = [one for one in ROUGH if one.name in only]
            told += rough_samples.differences(chosen.folder, rough)
            told += drive_samples.differences(chosen.folder) if DRIVE in only else []
            print("\n".join(told) if told else f"{chosen.folder}: as made now")
            return 1 if told else 0
        written = write(chosen.folder, overwrite=chosen.overwrite)
    except FlattenError as error:
        print(error, file=sys.stderr)
        return 2
    size = sum(path.stat().st_size for path in written)
    print(f"{len(written)} files, {size / 1e6:.2f} MB, in {chosen.folder}")
    return 0


def _names_known() -> set[str]:
    return {*(one.name for one in (*SAMPLES, *ROUGH)), DRIVE}


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


if __name__ == "__main__":
    sys.exit(main())
