"""A small place to run commands in, and two ways to run them: inside this process and as a user would."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import flatten
from flatten.cli import run

HOUSE = Path(flatten.__file__).parents[1]

PROFILE = """\
robot: {length: 0.95, width: 0.72, height: 0.88, step: 0.06, drop: 0.06, clearance: 0.15}
mount: {x: 0.0, y: 0.0, z: 0.95, roll: 0.0, pitch: 0.0, yaw: 0.0}
level: gravity
slices:
  drive: {bottom: 0.06, top: 1.03}
  walls: {bottom: 1.20, top: 1.80, pick: farthest, min_hits: 2}
fan: {first: -180, last: 180, bins: 72}
reach: {near: 0.3, far: 15.0}
clear: {smallest: 0.4, from: 1.5, to: 8.0}
blind_zones:
  - {name: hull, box: {x: [-0.48, 0.48], y: [-0.36, 0.36], z: [0.0, 0.88]}}
"""
"""Gives no warning."""


def ring(distance: float = 4.0, height: float = 0.0) -> np.ndarray[Any, np.dtype[np.float32]]:
    """360 returns all round at one height of the sensor frame, (360, 4) with intensity."""
    bearing = np.radians(np.arange(360) + 0.5)
    columns = [distance * np.cos(bearing), distance * np.sin(bearing), np.full(360, height), np.arange(360.0)]
    return np.stack(columns, axis=1).astype(np.float32)


def make_nursery(folder: Path) -> Path:
    """Put a profile, three good clouds and several bad ones into a folder."""
    (folder / "rover.yaml").write_text(PROFILE)
    good = folder / "good"
    good.mkdir()
    for number, name in enumerate(("aisle", "bench", "kerb")):
        np.save(good / f"{name}.npy", ring(3.0 + number))
    other = folder / "other"
    other.mkdir()
    np.save(other / "aisle.npy", ring(7.0))
    (folder / "empty.pcd").write_bytes(b"")
    (folder / "words.pcd").write_text("pots and pipes\n")
    (folder / "cut.npy").write_bytes((good / "aisle.npy").read_bytes()[:1000])
    (folder / "nothing.npy").write_bytes(_npy_bytes(folder, np.empty((0, 3), np.float32)))
    (folder / "two_columns.npy").write_bytes(_npy_bytes(folder, np.ones((5, 2), np.float32)))
    (folder / "broken.yaml").write_text("slices: {drive: {bottom: 1.0, top: 0.5}}\n")
    (folder / "misspelt.yaml").write_text("slises: {drive: {bottom: 0.1, top: 0.5}}\n")
    (folder / "taken.txt").write_text("mine\n")
    (folder / "bare").mkdir()
    return folder


def _npy_bytes(folder: Path, array: np.ndarray[Any, Any]) -> bytes:
    path = folder / "made.npy"
    np.save(path, array)
    made = path.read_bytes()
    path.unlink()
    return made


@dataclass
class Ran:
    """What a command answered."""

    code: int
    out: str
    err: str


def run_here(capsys: pytest.CaptureFixture[str], *arguments: object) -> Ran:
    """Run a command inside this process."""
    capsys.readouterr()
    code = run([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return Ran(code, out, err)


def environment(**changes: str) -> dict[str, str]:
    """Environment of a child that finds this checkout, whatever its folder."""
    return {**os.environ, "PYTHONPATH": str(HOUSE), **changes}


def run_alone(folder: Path, *arguments: object, timeout: float = 300, **changes: str) -> Ran:
    """Run a command as a process of its own, in a folder."""
    command = [sys.executable, "-m", "flatten", *map(str, arguments)]
    done = subprocess.run(
        command,
        cwd=folder,
        env=environment(**changes),
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )
    return Ran(done.returncode, done.stdout, done.stderr)
