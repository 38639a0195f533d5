"""Whole recordings: what flattening and writing add to reading, a second process, memory, cut-off floor.

The recordings are made of the sample clouds, ranges blurred by 2 mm so that they cannot be packed away, at
10 Hz, with odometry at 100 Hz and a time for each return.

- cost: the rosbags library alone reads all messages of a recording and puts them into objects; `flatten
  batch` reads, corrects the motion, flattens, writes scans and companions, passes poses through, and takes
  digests; one process, one thread, in turn, processor time;
- jobs: one process and two, on the wall;
- resident: the largest resident set of the command on a recording of FLATTEN_GIGABYTES (10 if it is not set),
  and of a twentieth of that; FLATTEN_SCRATCH names a folder with room for it;
- memory: with `level: floor` what is remembered never fades altogether: how many bins a piece answers
  otherwise than an unbroken run, by how much is run before it.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import numpy as np

import flatten
from benchmarks import ground
from benchmarks.contest import contest, figures, one_core, ratio
from flatten import Cloud, Flattener, Profile, State
from flatten.batch import Batch, Order
from flatten.recordings import Trajectory
from flatten.recordings.writing import write_recording

Row = dict[str, Any]

START, STEP, RATE = 1_760_000_000_000_000_000, 100_000_000, 100
FRAMES = {20_000: 2_000, 200_000: 400}
"""Frames of a recording, by the returns of a frame."""
SAMPLES = Path(flatten.__file__).parents[1] / "sample_clouds"
SIMPLE = {"clear": False, "slices": {"drive": {"bottom": 0.08, "top": 1.07}}}
ONE, THREE = "one slice, clear: off", "three slices, clear"
CASES = ((ONE, True), (ONE, False), (THREE, False))
"""Profile, and whether the clouds are corrected already: then poses give the attitude alone."""
DECODED, WHOLE = "the library alone", "flatten batch"
LIMIT_MB, GIGABYTES = 400, 10.0
MEMORIES = (0, 1, 2, 4, 8)
APART = 0.01
"""Metres beyond which two ranges are not the same."""
SLOW = 0.5
"""m/s: five metres in a hundred frames keep the rover where the place is."""


def measure(seconds: float = 20.0, gigabytes: float | None = None) -> list[Row]:
    """All rows."""
    with tempfile.TemporaryDirectory(prefix="batch-", dir=os.environ.get("FLATTEN_SCRATCH")) as name:
        folder = Path(name)
        return [
            *costs(folder, seconds),
            *jobs(folder),
            *resident(folder, asked() if gigabytes is None else gigabytes),
            *memories(),
        ]


def asked() -> float:
    """Gigabytes of the long recording, by the environment."""
    return float(os.environ.get("FLATTEN_GIGABYTES", GIGABYTES))


def notes(gigabytes: float) -> list[str]:
    """What the figures do not show."""
    return [f"the long recording had {gigabytes:g} GB"]


# recordings


def profiles() -> dict[str, Profile]:
    """Profiles by what they ask for."""
    sample = Profile.load(SAMPLES / "rover.yaml")
    simple = Profile.from_dict({**sample.to_dict(), "window": False, **SIMPLE})
    return {ONE: simple, THREE: sample}


def clouds(returns: int, seed: int = 1, kinds: int = 8) -> Iterator[Cloud]:
    """Clouds of the aisle without end, a few kinds of them, each return with its time (ns from the stamp)."""
    seen = flatten.read_cloud(SAMPLES / "aisle.pcd")
    rng = np.random.default_rng(seed)
    pick = np.sort(rng.integers(0, len(seen), returns))
    times = np.linspace(0, STEP - 1, returns).astype(np.uint32)
    assert seen.intensity is not None
    made = []
    for _ in range(kinds):
        blur = 1.0 + rng.normal(0.0, 0.0005, returns)
        xyz = [(axis[pick] * blur).astype(np.float32) for axis in (seen.x, seen.y, seen.z)]
        made.append(Cloud(*xyz, seen.intensity[pick], times))
    return cycle(made)


def write_drive(path: Path, returns: int, frames: int, compression: str = "zstd") -> Path:
    """Write a recording of a rover that goes straight and turns slowly."""
    stamped = ((START + k * STEP, cloud) for k, cloud in enumerate(islice(clouds(returns), frames)))
    times = START - 50_000_000 + np.arange(frames * 10 + 30) * (10**9 // RATE)
    s = (times - START) / 1e9
    poses = np.zeros((s.size, 7))
    poses[:, 0], poses[:, 5], poses[:, 6] = 0.5 * s, np.sin(0.05 * s), np.cos(0.05 * s)
    write_recording(path, stamped, Trajectory.of_rows(times, poses), compression=compression)  # type: ignore[arg-type]
    return path


def read_alone(path: Path) -> int:
    """Read all messages with the library alone; give how many there are."""
    from rosbags.rosbag2 import Reader
    from rosbags.typesys import Stores, get_typestore

    store, count = get_typestore(Stores.ROS2_HUMBLE), 0
    with Reader(path) as reader:
        for connection, _, data in reader.messages():
            store.deserialize_cdr(data, connection.msgtype)
            count += 1
    return count


def flattened(path: Path, order: Order, processes: int = 1) -> int:
    """Flatten a recording into an empty folder; give the bytes of the result."""
    shutil.rmtree(order.folder, ignore_errors=True)
    (outcome,) = Batch([path], order).run(processes)
    if outcome.result is None:
        raise SystemExit(outcome.error)
    return outcome.result.stat().st_size


# contests


def costs(folder: Path, seconds: float, least: int = 5) -> Iterator[Row]:
    """What flattening and writing add to reading."""
    for returns, frames in FRAMES.items():
        path = write_drive(folder / f"{returns}.mcap", returns, frames)
        for name, corrected in CASES:
            order = Order(profiles()[name], folder / "out", corrected=corrected)
            size = flattened(path, order)
            runs = {
                DECODED: lambda path=path: read_alone(path),
                WHOLE: lambda path=path, order=order: flattened(path, order),
            }
            with one_core():
                timed = contest(runs, seconds, least)
            more = ratio(timed[WHOLE].cpu, timed[DECODED].cpu) - 1.0
            yield {
                "group": "cost", "returns": returns, "profile": name, "corrected": corrected, "added": more,
                "read_mb": path.stat().st_size / 1e6 / frames, "written_mb": size / 1e6 / frames,
                **{key: figures(timed[key].cpu, frames)["ns"] for key in runs},
            }  # fmt: skip


def jobs(folder: Path, rounds: int = 3, frames: int = 3_000) -> Iterator[Row]:
    """One process and two, on the wall, in turn."""
    path, order = write_drive(folder / "jobs.mcap", 20_000, frames), Order(profiles()[THREE], folder / "out")
    taken: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(rounds):
        for processes, samples in taken.items():
            begun = time.perf_counter()
            flattened(path, order, processes)
            samples.append(time.perf_counter() - begun)
    gained = statistics.median(one / two for one, two in zip(*taken.values(), strict=True))
    path.unlink()
    yield {
        "group": "jobs", "gained": gained, "frames": frames,
        **{f"seconds_{processes}": statistics.median(samples) for processes, samples in taken.items()},
    }  # fmt: skip


def resident(folder: Path, gigabytes: float) -> Iterator[Row]:
    """Largest resident set of the command, on a short recording and on a long one."""
    path, frame = folder / "long.mcap", 0.39e6  # bytes of a frame of 20,000 returns, unpacked
    for size in (gigabytes / 20.0, gigabytes):
        frames = round(size * 1e9 / frame)
        write_drive(path, 20_000, frames, compression="")
        command = [sys.executable, "-c", COMMAND, "batch", path, "-p", SAMPLES / "rover.yaml"]
        begun = time.perf_counter()
        done = subprocess.run(
            [*map(str, command), "--out", str(folder / f"out{size}")],
            capture_output=True,
            text=True,
            check=True,
        )
        yield {
            "group": "resident", "gigabytes": path.stat().st_size / 1e9, "frames": frames,
            "mb": int(done.stderr.split()[-1]) / 1024, "seconds": time.perf_counter() - begun,
        }  # fmt: skip
        path.unlink()
        shutil.rmtree(folder / f"out{size}")


COMMAND = (
    "import resource, sys; from flatten.cli import run; code = run(sys.argv[1:]); "
    "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr); sys.exit(code)"
)


# remembered floor


def memories(frames: int = 100, places: int = 3) -> Iterator[Row]:
    """Bins that the first frame of a piece answers otherwise, by how many memories were run before it."""
    seen_by = ground.view("rosette", level="floor", **{f"slices__{ground.SLICE}__drops": True})
    span = seen_by.profile.floor.memory
    rows = {many: {"bins": 0, "states": 0, "apart": 0} for many in MEMORIES}
    for seed in range(places):
        shots = list(drive_of(seen_by, seed, frames))
        whole = Flattener(seen_by.profile)
        expected = [whole.flatten(cloud, **how)[ground.SLICE] for cloud, how in shots]
        for many, row in rows.items():
            for first in range(90, frames, 5):
                begin = first - round(many * span / ground.PERIOD)
                late = Flattener(seen_by.profile)
                for cloud, how in shots[max(begin, 0) : first + 1]:
                    scan = late.flatten(cloud, **how)[ground.SLICE]
                row["bins"] += scan.bins
                row["states"] += int((scan.states != expected[first].states).sum())
                both = (scan.states == State.HIT) & (expected[first].states == State.HIT)
                off = np.abs(scan.ranges[both] - expected[first].ranges[both])
                row["apart"] += int((off > APART).sum())
    for many, row in rows.items():
        yield {"group": "memory", "memories": many, "seconds": many * span, **row}


def drive_of(seen_by: ground.View, seed: int, frames: int) -> Iterator[tuple[Cloud, dict[str, Any]]]:
    """Frames of a drive over rough ground, each with its motion."""
    place = ground.scene.random_ground(ground.FIRST + seed)
    drive = ground.scene.Drive((0.0, 0.0, place.stance.yaw), SLOW, ground=place.ground)
    for k in range(frames):
        shot = ground.scene.capture(
            place, seen_by.sensor, mount=seen_by.mount, effects=ground.FIELD, seed=seed, frame=k,
            trajectory=drive, start=k * ground.PERIOD,
        )  # fmt: skip
        yield shot.cloud, ground.motion_of(drive, k * ground.PERIOD)
