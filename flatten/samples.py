"""The sample clouds that come along: a made-up plant nursery, with the truth of each frame.

Found beside the package in a checkout, inside the package where it was installed.
"""

from __future__ import annotations

import enum
import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import yaml

from flatten.errors import CloudError, MissingPartError

LISTING, TRUTH = "clouds.yaml", "truth.npz"
ROUGH_FOLDER = "rough"
DRIVE_FOLDER, DRIVE_RECORDING = "drive", "drive.mcap"
TRUTH_PARTS, STANDING = ("nearest", "farthest_of_nearest", "farthest"), "standing"

Values = npt.NDArray[np.float32]
Listed = TypeVar("Listed")


@dataclass(frozen=True)
class Sample:
    """One sample cloud and what belongs to it."""

    name: str
    cloud: Path
    profile: Path
    sensor: str
    attitude: tuple[float, float]
    """Roll and pitch of the body, radians; pitch > 0 is nose down."""
    shows: str
    """What there is to see, in a sentence."""


@dataclass(frozen=True, eq=False)
class Truth:
    """True surfaces of one slice in each bin: (bins,) float32, metres from the fan's origin, inf for none."""

    nearest: Values
    """Nearest surface at any bearing of the bin."""
    farthest_of_nearest: Values
    """Farthest of the first surfaces that the bearings of the bin meet."""
    farthest: Values
    """Last surface at any bearing of the bin, hidden or not."""
    standing: Values | None
    """Farther side of the nearest thing that CLEAR denies: it stands on the floor, reaches
    `clear.smallest` above the slice's bottom, fills the bin and begins beyond `clear.from`. None
    where the file does not say."""


class What(enum.IntEnum):
    """What a return of a rough sample cloud is."""

    OTHER = 0
    """Of the robot itself, dust, or from between two surfaces."""
    FLOOR = 1
    """Ground that the rover can drive on from where it is."""
    THING = 2
    """Of a thing, higher above its ground than the rover climbs, inside the slice `drive`: must be shown."""
    LOW = 3
    """Of a thing, but lower or higher than that."""
    FACE = 4
    """Vertical face up, higher than the rover climbs: a kerb."""
    TERRACE = 5
    """Ground behind a face up that is higher than the rover climbs."""
    GRASS = 6
    """May be shown or not."""
    GHOST = 7
    """Mirrored by a wet patch: a place where nothing is."""


@dataclass(frozen=True)
class Way:
    """One way to flatten a rough sample."""

    name: str
    settings: Mapping[str, Any]
    """What is put above the profile, by dotted keys."""
    motion: bool
    """Whether the poses are used."""


@dataclass(frozen=True)
class RoughSample(Sample):
    """A rough sample cloud, and the ways in which it is flattened to be compared."""

    ways: tuple[Way, ...] = ()
    poses: Path | None = None
    """Poses of a body that moves: a line each, t x y z qx qy qz qw."""


@dataclass(frozen=True, eq=False)
class Edges:
    """True ways down in each bin: (bins,), metres from the fan's origin, inf for none."""

    nearest: Values
    farthest: Values
    """Nearest and farthest of the bin's bearings."""
    seen: npt.NDArray[np.bool_]
    """Whether nothing stands between the sensor and the edge, at every bearing."""


@dataclass(frozen=True, eq=False)
class RoughTruth:
    """What is true of a rough sample."""

    what: npt.NDArray[np.uint8] | None
    """(N,) `What` each return is, in the order of the file; None of a body that moves."""
    edges: Edges | None
    slices: Mapping[str, Truth]
    """Planar truth at the end of the frame of a body that moves; empty otherwise."""


def sample_folder() -> Path:
    """Find the folder of the sample clouds; raise MissingPartError where it is not there."""
    package = Path(__file__).resolve().parent
    for folder in (package / "_sample_clouds", package.parent / "sample_clouds"):
        if (folder / LISTING).is_file():
            return folder
    raise MissingPartError(f"the sample clouds are not beside {package}: install flatten again, whole")


def list_samples(folder: Path | None = None) -> tuple[Sample, ...]:
    """List the sample clouds of a folder (that of the package if None), in the order of its list.

    Raises CloudError where the list cannot be read, MissingPartError where there is none.
    """
    place = sample_folder() if folder is None else folder
    return _listed(place, _sample)


def read_truth(sample: Sample) -> dict[str, Truth]:
    """Read what is truly there around a sample, by the names of its profile's slices.

    Raises CloudError where the file is missing or holds nothing about the sample.
    """
    path = sample.cloud.with_name(TRUTH)
    try:
        with np.load(path, allow_pickle=False) as packed:
            marks = [key.split("/") for key in packed.files if key.startswith(f"{sample.name}/")]
            slices = dict.fromkeys(mark[1] for mark in marks if len(mark) == 3)
            found = {name: _truth(packed, f"{sample.name}/{name}/") for name in slices}
    except (OSError, ValueError, KeyError) as error:
        raise CloudError(f"{path}: the truth cannot be read ({error}): install flatten again") from error
    if not found:
        raise CloudError(f"{path}: says nothing about {sample.name}: install flatten again")
    return found


def list_rough(folder: Path | None = None) -> tuple[RoughSample, ...]:
    """List the rough sample clouds of a folder of sample clouds; raises as `list_samples` does."""
    return _listed((sample_folder() if folder is None else folder) / ROUGH_FOLDER, _rough)


def read_rough_truth(sample: RoughSample) -> RoughTruth:
    """Read what is true of a rough sample; raises CloudError as `read_truth` does."""
    if sample.poses is not None:
        return RoughTruth(None, None, read_truth(sample))
    path = sample.cloud.with_name(TRUTH)
    try:
        with np.load(path, allow_pickle=False) as packed:
            what, nearest, farthest, seen = (
                packed[f"{sample.name}/{key}"]
                for key in ("what", "edge_nearest", "edge_farthest", "edge_seen")
            )
    except (OSError, ValueError, KeyError) as error:
        raise CloudError(f"{path}: the truth cannot be read ({error}): install flatten again") from error
    return RoughTruth(what, Edges(nearest, farthest, seen.astype(bool)), {})


def _listed(place: Path, make: Callable[[Path, dict[str, Any]], Listed]) -> tuple[Listed, ...]:
    listing = place / LISTING
    try:
        entries = yaml.safe_load(listing.read_text(encoding="utf-8"))
        return tuple(make(place, entry) for entry in entries)
    except (OSError, ValueError, KeyError, TypeError, yaml.YAMLError) as error:
        raise CloudError(
            f"{listing}: not a list of sample clouds ({error}): install flatten again"
        ) from error


def _rough(place: Path, entry: dict[str, Any]) -> RoughSample:
    plain = _sample(place, entry)
    ways = tuple(Way(str(way["name"]), dict(way["set"]), bool(way["motion"])) for way in entry["ways"])
    poses = place / entry["poses"] if "poses" in entry else None
    return RoughSample(
        plain.name, plain.cloud, plain.profile, plain.sensor, plain.attitude, plain.shows, ways, poses
    )


def _truth(packed: Mapping[str, Values], head: str) -> Truth:
    nearest, middle, farthest = (packed[head + part] for part in TRUTH_PARTS)
    return Truth(nearest, middle, farthest, packed.get(head + STANDING))


def _sample(place: Path, entry: dict[str, Any]) -> Sample:
    cloud, tilt = place / entry["file"], entry["attitude"]
    return Sample(
        name=cloud.stem,
        cloud=cloud,
        profile=Path(os.path.normpath(place / entry["profile"])),
        sensor=str(entry["sensor"]),
        attitude=(math.radians(tilt["roll"]), math.radians(tilt["pitch"])),
        shows=str(entry["shows"]),
    )
