"""The recorded drive among the sample clouds: an MCAP file, its profile, and what is true of it.

It lies in the folder `drive` of the sample clouds:

- `drive.mcap`: clouds on /points at 10 Hz (x, y, z, time: seconds since the frame began), odometry at
  100 Hz, and where the sensor sits by the drawings as a static transform;
- `rover.yaml`: the profile, with the same mount;
- `truth.npz`: `mount`, (6,) where the sensor really sits (metres, radians); `counts`, (frames,) returns of
  each; `labels`, (returns,) the solid of each by its number in `solids`, or less than 0 as
  `flatten.scene.capture` has it; `poses`, (frames, 6) x, y, z, roll, pitch, yaw of the body when each began.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from flatten.errors import FlattenError
from flatten.recordings import open_recording
from flatten.recordings.writing import RecordingWriter
from flatten.samples import DRIVE_FOLDER, DRIVE_RECORDING, TRUTH
from flatten.scene import drive, rover
from flatten.scene.drive import FRAMES, GRAIN, PERIOD, TRUE_MOUNT, Shot
from flatten.scene.sample_files import STRAYS, replace_file, same_beams, text_of

PROFILE = "rover.yaml"
LATER = 12_000_000
"""Nanoseconds from a frame's end until it is recorded."""
EVERY = 10
"""Of so many frames one is made again to be compared."""


def targets(folder: Path) -> list[Path]:
    """All files, in the folder of the sample clouds."""
    return [folder / DRIVE_FOLDER / name for name in (DRIVE_RECORDING, PROFILE, TRUTH)]


def write(folder: Path) -> None:
    """Make the drive and write it below the folder of the sample clouds; raises OSError."""
    place = folder / DRIVE_FOLDER
    place.mkdir(exist_ok=True)
    shots = list(drive.drive_frames())
    replace_file(place / DRIVE_RECORDING, recorded(shots))
    replace_file(place / PROFILE, rover.DRIVE_PROFILE.encode())
    packed = io.BytesIO()
    np.savez_compressed(packed, **truth(shots))
    replace_file(place / TRUTH, packed.getvalue())


def recorded(shots: list[Shot]) -> bytes:
    """Content of an MCAP file: frames, odometry, the mount by the drawings, in the order of recording."""
    nominal, _, _ = rover.layout_of(PROFILE)
    times, poses = drive.drive_poses()
    stream = io.BytesIO()
    with RecordingWriter(stream) as writer:
        writer.mount(int(times[0]), nominal.body_from_sensor)
        done = 0
        for shot in shots:
            logged = shot.stamp + round(PERIOD * 1e9) + LATER
            while done < len(times) and times[done] <= logged:
                writer.pose(int(times[done]), poses[done])
                done += 1
            writer.cloud(shot.stamp, shot.cloud, logged)
        for k in range(done, len(times)):
            writer.pose(int(times[k]), poses[k])
    return stream.getvalue()


def truth(shots: list[Shot]) -> dict[str, Any]:
    """What is true of the drive, see above."""
    begun = np.array([shot.index * PERIOD for shot in shots])
    return {
        "mount": np.array(TRUE_MOUNT),
        "counts": np.array([len(shot.cloud) for shot in shots], np.int32),
        "labels": np.concatenate([shot.labels for shot in shots]).astype(np.int16),
        "solids": np.array([solid.name for solid in drive.drive_place().solids]),
        "poses": drive.drive_course().at(begun),
    }


def differences(folder: Path) -> Iterator[str]:
    """Make one frame in EVERY, and all poses, again and tell, a line each, in what the folder differs."""
    place = folder / DRIVE_FOLDER
    if text_of(place / PROFILE) != rover.DRIVE_PROFILE:
        yield f"{DRIVE_FOLDER}/{PROFILE}: not the text that is written now"
    try:
        yield from _against_recording(place / DRIVE_RECORDING)
        yield from _against_truth(place / TRUTH)
    except (FlattenError, OSError, ValueError, KeyError) as error:
        yield f"{DRIVE_FOLDER}: cannot be read: {error}"


def _against_recording(path: Path) -> Iterator[str]:
    times, poses = drive.drive_poses()
    strays = count = 0
    with open_recording(path) as recording:
        known = recording.trajectory
        if known is None or not np.array_equal(known.times, times):
            yield f"{DRIVE_FOLDER}/{DRIVE_RECORDING}: poses of other times"
        elif np.abs(known.poses - poses).max() > 1e-9:
            yield f"{DRIVE_FOLDER}/{DRIVE_RECORDING}: not the poses that are written now"
        if recording.count != FRAMES:
            yield f"{DRIVE_FOLDER}/{DRIVE_RECORDING}: {recording.count} frames, {FRAMES} are written now"
        there = (frame for frame in recording.frames() if frame.index % EVERY == 0)
        for frame, shot in zip(there, drive.drive_frames(frames=range(0, FRAMES, EVERY)), strict=False):
            strays += _strays(frame.cloud, shot.cloud) + len(shot.cloud) * (frame.time != shot.stamp)
            count += len(shot.cloud)
    if strays > STRAYS * count:
        yield f"{DRIVE_FOLDER}/{DRIVE_RECORDING}: {strays} of {count} returns differ"


def _strays(there: Any, here: Any) -> int:
    """How many returns are in one cloud only, or more than a grain apart."""
    a, b, alone = same_beams(there.time, here.time)
    off = np.abs(there.xyz[a] - here.xyz[b]).max(axis=1) > 1.01 * GRAIN
    return int(off.sum()) + alone


def _against_truth(path: Path) -> Iterator[str]:
    with np.load(path) as packed:
        mount, counts, labels, poses = (packed[key] for key in ("mount", "counts", "labels", "poses"))
    begun = np.arange(FRAMES, dtype=np.float64) * PERIOD
    if not np.allclose(mount, TRUE_MOUNT, atol=1e-12):
        yield f"{DRIVE_FOLDER}/{TRUTH}: not the mount that is written now"
    if counts.shape != (FRAMES,) or counts.sum() != len(labels):
        yield f"{DRIVE_FOLDER}/{TRUTH}: not a label for each return"
    if poses.shape != (FRAMES, 6) or np.abs(poses - drive.drive_course().at(begun)).max() > 1e-9:
        yield f"{DRIVE_FOLDER}/{TRUTH}: not the poses that are found now"
