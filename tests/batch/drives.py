"""A small drive that is recorded: rings of returns about a robot that goes in a curve, with odometry."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

import flatten
from flatten import Cloud, Profile, Trajectory
from flatten.batch import Batch, Order, Outcome, planning
from flatten.plan import mount_transform
from flatten.recordings.writing import write_recording
from tests.command_line import HOUSE

START = 1_760_000_000_000_000_000
STEP = 100_000_000
FRAMES = 120
PIECE_SECONDS = 2
"""Of the tests: 120 frames are six pieces."""

PROFILE: dict[str, Any] = {
    "robot": {"length": 0.95, "width": 0.72, "height": 0.88, "step": 0.06, "drop": 0.06, "clearance": 0.15},
    "mount": {"x": 0.3, "y": -0.1, "z": 0.95, "roll": 0.0, "pitch": 5.0, "yaw": 0.0},
    "slices": {"drive": {"bottom": 0.06, "top": 1.03}, "walls": {"bottom": 1.2, "top": 1.8}},
    "fan": {"first": -180, "last": 180, "bins": 90},
    "reach": {"near": 0.3, "far": 15.0},
    "clear": {"smallest": 0.9, "from": 1.5, "to": 6.0},
}


def profile(**sections: Any) -> Profile:
    """The profile of the drive, with sections of its own."""
    return Profile.from_dict({**PROFILE, **sections})


def clouds(
    frames: int = FRAMES, returns: int = 240, seed: int = 1, timed: bool = True
) -> list[tuple[int, Cloud]]:
    """Stamp (that of the frame's start) and cloud of each frame; times are ns from the stamp."""
    rng = np.random.default_rng(seed)
    made = []
    for k in range(frames):
        bearing = rng.uniform(-np.pi, np.pi, returns)
        distance, height = rng.uniform(1.0, 12.0, returns), rng.uniform(-1.0, 1.0, returns)
        xyz = np.stack([distance * np.cos(bearing), distance * np.sin(bearing), height]).astype(np.float32)
        times = np.sort(rng.integers(0, STEP, returns)).astype(np.uint32)
        intensity = rng.uniform(0, 255, returns).astype(np.float32)
        made.append((START + k * STEP, Cloud(*xyz, intensity, times if timed else None)))
    return made


def trajectory(frames: int = FRAMES) -> Trajectory:
    """Odometry at 50 Hz from before the first frame to after the last: 0.5 m/s, turning and nodding."""
    times = START - 50_000_000 + 20_000_000 * np.arange(frames * 5 + 10)
    s = (times - START) / 1e9
    yaw, pitch = 0.3 * np.sin(0.5 * s), 0.05 * np.sin(2.0 * s)
    zeros = np.zeros_like(s)
    poses = np.stack(
        [0.5 * s, 0.1 * s, zeros, -np.sin(pitch / 2) * np.sin(yaw / 2), np.sin(pitch / 2) * np.cos(yaw / 2),
         np.cos(pitch / 2) * np.sin(yaw / 2), np.cos(pitch / 2) * np.cos(yaw / 2)], axis=1,
    )  # fmt: skip
    return Trajectory.of_rows(times, poses)


def record(path: Path, frames: int = FRAMES, poses: bool = True, **how: Any) -> Path:
    """Write the drive as MCAP; chunks are small, so that each piece has several."""
    mount = mount_transform(profile().mount)
    write_recording(path, clouds(frames, **how), trajectory(frames) if poses else None, mount, chunk=20_000)
    return path


def run(sources: Sequence[Path], order: Order, seconds: float = PIECE_SECONDS, **how: Any) -> list[Outcome]:
    """Run a batch with short pieces."""
    usual, planning.PIECE_SECONDS = planning.PIECE_SECONDS, seconds  # type: ignore[misc]
    try:
        return list(Batch(sources, order).run(**how))
    finally:
        planning.PIECE_SECONDS = usual


def good(outcomes: Sequence[Outcome]) -> list[Path]:
    """Results of outcomes that all have one."""
    assert [outcome.error for outcome in outcomes] == [""] * len(outcomes)
    return [outcome.result for outcome in outcomes if outcome.result is not None]


def results(folder: Path) -> Mapping[str, bytes]:
    """All files that are the same whoever made them, by name: all but the logs of runs."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in files
        if not path.name.endswith(".run.json")
    }


COMMAND = (
    "import sys; from flatten.batch import planning; planning.PIECE_SECONDS = {seconds}; "
    "from flatten.cli import run; sys.exit(run(sys.argv[1:]))"
)


def start(*arguments: object, seconds: float = PIECE_SECONDS) -> subprocess.Popen[str]:
    """Start `flatten batch` as a process of its own, with short pieces."""
    return subprocess.Popen(
        [sys.executable, "-c", COMMAND.format(seconds=seconds), "batch", *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(HOUSE)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip


def scans_alone(recording: Path, wanted: Profile) -> list[dict[str, Any]]:
    """What one Flattener answers that is given all frames, by the library's own means."""
    flattener, made = flatten.Flattener(wanted), []
    with flatten.open_recording(recording) as opened:
        poses = opened.trajectory
        assert poses is not None
        for frame in opened.frames():
            stamps = flatten.Stamped(1e-9, frame.time)
            motion = poses.motion(frame.time, frame.time + STEP, stamps=stamps, at=frame.time)
            made.append(flattener.flatten(frame.cloud, motion=motion))
    return made
