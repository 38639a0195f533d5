"""The rough sample clouds: ramps, kerb, dock edge, gravel, grass, a wet patch; frames of a body that moves.

They lie in the folder `rough` of the sample clouds, for the profile `rover.yaml` beside it:

- the clouds (PCD), as the sensor saw them, not corrected;
- `clouds.yaml`: what each shows, and the two ways in which it is flattened to be compared;
- `CLOUD.poses.txt` for a body that moves: a line a pose, t x y z qx qy qz qw, seconds since the frame began;
- `truth.npz`: of a body that stands CLOUD/what, what each return is (`What`), and CLOUD/edge_nearest,
  …/edge_farthest, …/edge_seen, the ways down of `flatten.scene.drops_in_bins`; of one that moves the planar
  truth at the end of the frame, as in `flatten.scene.samples`.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np
import yaml

from flatten.samples import LISTING, ROUGH_FOLDER, TRUTH, What
from flatten.scene import rover
from flatten.scene.capture import Capture, capture
from flatten.scene.ground_truth import drops_in_bins, known_returns, profile_along, scan_places
from flatten.scene.moving import measured_poses
from flatten.scene.outdoors import Kind, Outdoors
from flatten.scene.place import Place
from flatten.scene.rough_list import FIELD, POSE_RATE, QUIET, ROUGH, SEED, RoughSample
from flatten.scene.sample_files import (
    SAME,
    STRAYS,
    columns_of,
    compare,
    pcd_bytes,
    read_columns,
    replace_file,
    same_beams,
    text_of,
)
from flatten.scene.sample_list import SENSORS, Arrays, Sample, truth_of
from flatten.scene.standing import Stance

SENSOR = "rosette"
SLICE = "drive"
CLIMB = 0.04
"""Metres above robot.step from which on a thing must be seen: four times the noise of a range."""
DEEP, FAR = 0.2, 15.0
"""Metres: what a way down is, and how far it is looked for."""
ASIDE = 0.1
"""Metres beside the place of a face within which its returns lie: noise, and the width of a bin."""
STEP = 0.06
"""`robot.step` of the sample rover, metres: ground behind a higher face up is no floor yet."""

EDGE_PARTS = ("edge_nearest", "edge_farthest", "edge_seen")


def targets(folder: Path) -> list[Path]:
    """All files, in the folder of the sample clouds."""
    moving = [f"{sample.name}.poses.txt" for sample in ROUGH if sample.moves]
    names = [*(f"{sample.name}.pcd" for sample in ROUGH), *moving, LISTING, TRUTH]
    return [folder / ROUGH_FOLDER / name for name in names]


def write(folder: Path) -> None:
    """Make all rough samples and write them below the folder of the sample clouds; raises OSError."""
    place, known, attitudes = folder / ROUGH_FOLDER, {}, {}
    place.mkdir(exist_ok=True)
    for sample in ROUGH:
        where = sample.place()
        shot = make(sample, where)
        replace_file(place / f"{sample.name}.pcd", pcd_bytes(shot))
        if sample.moves:
            replace_file(place / f"{sample.name}.poses.txt", poses_text(sample, where).encode())
        known.update({f"{sample.name}/{key}": values for key, values in truth(sample, where, shot).items()})
        attitudes[sample.name] = attitude_of(sample, where, shot)
    replace_file(place / LISTING, listing_text(attitudes).encode())
    packed = io.BytesIO()
    np.savez_compressed(packed, **cast(dict[str, Any], known))
    replace_file(place / TRUTH, packed.getvalue())


def differences(folder: Path, chosen: Sequence[RoughSample] = ROUGH) -> Iterator[str]:
    """Make rough samples again and tell, a line each, in what the folder differs."""
    place = folder / ROUGH_FOLDER
    attitudes = {}
    with np.load(place / TRUTH) as packed:
        for sample in chosen:
            where = sample.place()
            shot, there = make(sample, where), read_columns(place / f"{sample.name}.pcd")
            told = compare(there, columns_of(shot))
            if told:
                yield f"{ROUGH_FOLDER}/{sample.name}.pcd: {told}"
            if sample.moves and text_of(place / f"{sample.name}.poses.txt") != poses_text(sample, where):
                yield f"{ROUGH_FOLDER}/{sample.name}.poses.txt: not the poses that are written now"
            yield from _truth_differences(packed, sample, truth(sample, where, shot), there, columns_of(shot))
            attitudes[sample.name] = attitude_of(sample, where, shot)
    if len(chosen) == len(ROUGH) and text_of(place / LISTING) != listing_text(attitudes):
        yield f"{ROUGH_FOLDER}/{LISTING}: not the list that is written now"


def _truth_differences(
    packed: Any, sample: RoughSample, known: Arrays, there: Arrays, here: Arrays
) -> Iterator[str]:
    """Tell in what the truth of one sample differs; what returns are is compared beam by beam."""
    a, b, _ = same_beams(there["time"], here["time"])
    for key, found in known.items():
        was = packed[f"{sample.name}/{key}"]
        same, now = len(was) == len(there["time"] if key == "what" else found), found
        if key == "what" and same:
            was, now = was[a], now[b]
        if not same or _strays(was, now) > STRAYS * len(now):
            yield f"{ROUGH_FOLDER}/{TRUTH}: {sample.name}/{key}: not what is found now"


def _strays(was: Any, now: Any) -> int:
    """How many numbers differ by more than SAME."""
    a, b = (np.where(np.isinf(part), -1.0, part.astype(np.float64)) for part in (was, now))
    return int(np.sum(np.abs(a - b) > SAME))


def make(sample: RoughSample, place: Place) -> Capture:
    """Take the frame of one sample."""
    sensor, profile = SENSORS[SENSOR]
    mount, _, _ = rover.layout_of(profile)
    effects, path = QUIET if sample.moves else FIELD, sample.drive(place)
    return capture(place, sensor, mount=mount, effects=effects, seed=SEED, trajectory=path)


def attitude_of(sample: RoughSample, place: Place, shot: Capture) -> tuple[float, float]:
    """Roll and pitch of the body at the end of the frame, degrees to 0.001."""
    roll, pitch = np.degrees(_end(sample, place, shot)[3:5]).round(3).tolist()
    return roll + 0.0, pitch + 0.0


def _end(sample: RoughSample, place: Place, shot: Capture) -> Any:
    """Pose of the body at the latest return: x, y, z, roll, pitch, yaw."""
    return sample.drive(place).at(np.array([float(columns_of(shot)["time"].max())]))[0]


def poses_text(sample: RoughSample, place: Place) -> str:
    """Poses of the body about the frame, a line each; exact but for their rate."""
    times = np.arange(-1, round(0.1 * POSE_RATE) + 2) / POSE_RATE
    rows = np.column_stack([times, measured_poses(sample.drive(place), times)])
    head = "# t x y z qx qy qz qw: seconds since the frame began, metres; body in a fixed frame, w last\n"
    return head + "".join(" ".join(f"{value + 0.0:.7f}" for value in row) + "\n" for row in rows.round(7))


def truth(sample: RoughSample, place: Place, shot: Capture) -> Arrays:
    """Find the truth of one sample, without its name before the keys."""
    if not isinstance(place, Outdoors):
        x, y, _, roll, pitch, yaw = _end(sample, place, shot).tolist()
        lean = (math.degrees(roll), math.degrees(pitch))
        return truth_of(Sample(sample.name, SENSOR, (x, y, yaw), sample.shows, lean), place)
    mount, _, fan = rover.layout_of(SENSORS[SENSOR][1])
    edges = drops_in_bins(place, mount, fan, deeper=DEEP, far=FAR)
    return {
        "what": what_of(place, shot),
        "edge_nearest": edges.nearest.astype(np.float32),
        "edge_farthest": edges.farthest.astype(np.float32),
        "edge_seen": edges.seen.astype(np.uint8),
    }


def what_of(place: Outdoors, shot: Capture) -> Any:
    """What each return is: (N,) uint8 of `What`."""
    mount, slices, fan = rover.layout_of(SENSORS[SENSOR][1])
    known = known_returns(place, shot)
    bearing, distance, _ = scan_places(shot.true_world(), place.stance, mount)
    up = first_face_up(place, place.stance, mount, fan)[fan.bin_of(bearing)]
    behind = distance >= up
    thing, least = known.kinds == Kind.OBJECT, STEP + CLIMB
    tall = thing & (known.tops > least) & (known.heights > least)
    tall &= known.heights < slices[SLICE].top - CLIMB
    kinds = {
        What.FLOOR: known.kinds == Kind.GROUND, What.TERRACE: (known.kinds == Kind.GROUND) & behind,
        What.FACE: (known.kinds == Kind.FACE) & (np.abs(distance - up) < ASIDE),
        What.LOW: thing, What.THING: tall,
        What.GRASS: known.kinds == Kind.GRASS, What.GHOST: known.kinds == Kind.GHOST,
    }  # fmt: skip
    found = np.zeros(len(thing), np.uint8)
    for what, mask in kinds.items():
        found[mask] = what
    return found


def first_face_up(place: Outdoors, stance: Stance, mount: Any, fan: Any) -> Any:
    """Distance (bins,) of the first face that leads up by more than the rover climbs; inf without one.

    The far side of a ditch, which leads up to no more than was before it, is none.
    """
    origin = (stance.world_from_level @ np.array([mount.x, mount.y, 0.0, 1.0]))[:2]
    s, before, after = profile_along(place.ground, origin, fan.bearings(2) + stance.yaw, 2 * FAR)
    passed = np.concatenate([before[:, :1], after[:, :-1]], axis=1)
    highest = np.maximum.accumulate(np.maximum(before, passed), axis=1)  # of all up to here
    up = np.where(after - highest > STEP, s, np.inf).min(axis=1)
    return up[2 * np.arange(fan.bins)[:, None] + np.arange(3)].min(axis=1)


def listing_text(attitudes: dict[str, tuple[float, float]]) -> str:
    """Text of clouds.yaml: degrees; the attitude is that at the end of the frame."""
    clouds = []
    for sample in ROUGH:
        roll, pitch = attitudes[sample.name]
        entry: dict[str, Any] = {
            "file": f"{sample.name}.pcd", "sensor": SENSOR, "profile": f"../{SENSORS[SENSOR][1]}",
            "attitude": {"roll": roll, "pitch": pitch}, "shows": sample.shows,
        }  # fmt: skip
        if sample.moves:
            entry["poses"] = f"{sample.name}.poses.txt"
        entry["ways"] = [
            {"name": way.name, "set": dict(way.settings), "motion": way.motion} for way in sample.ways
        ]
        clouds.append(entry)
    return (
        "# Rough sample clouds of the nursery. Attitude: degrees at the frame's end, pitch > 0 nose down.\n"
        "# Each is flattened in two ways: `set` goes above the profile, `motion` uses the poses.\n"
        + yaml.safe_dump(clouds, sort_keys=False, allow_unicode=True, width=110)
    )
