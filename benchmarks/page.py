"""How long the page takes to follow a slider: from the event's message to the scan, and to all figures.

The server runs as `flatten page` in a process of its own; this one plays the browser. Each event waits
for the figures of the one before.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks import clouds
from benchmarks.profiles import HEIGHT, PITCH
from flatten.page.wire import split

Row = dict[str, Any]

RETURNS = (20_000, 200_000)
EVENTS = 20
WARMING = 3
"""Moves of each slider that are measured, and before them some that are not."""
PROFILE = f"""\
robot: {{length: 0.95, width: 0.72, height: 0.88, step: 0.06, drop: 0.06, clearance: 0.15}}
mount: {{x: 0.0, y: 0.0, z: {HEIGHT}, roll: 0.0, pitch: {PITCH}, yaw: 0.0}}
level: gravity
slices:
  drive: {{bottom: 0.08, top: 1.03}}
  low: {{bottom: 0.06, top: 0.4, rise: 0.01}}
  walls: {{bottom: 1.2, top: 1.8, pick: farthest, min_hits: 2, within: 0.2}}
fan: {{first: -180, last: 180, bins: 1440}}
reach: {{near: 0.3, far: 25.0}}
clear: {{smallest: 0.4, from: 1.5, to: 8.0}}
blind_zones:
  - {{name: hull, box: {{x: [-0.7, -0.1], y: [-0.36, 0.36], z: [0.0, 1.2]}}}}
"""

Values = tuple[float, float]
SLIDERS: dict[str, tuple[str, Values]] = {
    "slice, bottom": ("slices.drive.bottom", (0.08, 0.12)),
    "slice, rise": ("slices.drive.rise", (0.0, 0.01)),
    "mount, z": ("mount.z", (HEIGHT, HEIGHT + 0.005)),
    "mount, pitch": ("mount.pitch", (PITCH, PITCH + 0.1)),
    "fan, bins": ("fan.bins", (1440, 720)),
    "reach, far": ("reach.far", (25.0, 15.0)),
    "blind zone, border": ("blind_zones[0].box.x[0]", (-0.7, -0.6)),
}
VIEWS: dict[str, tuple[str, Values]] = {
    "shaking": ("shake", (1.0, 1.5)),
    "body, pitch": ("pitch", (0.0, 0.5)),
    "frame": ("frame", (0, 1)),
}


def measure() -> list[Row]:
    """All sliders on clouds of two sizes."""
    return [row for n in RETURNS for row in of_size(n)]


def of_size(n: int, events: int = EVENTS) -> Iterator[Row]:
    """All sliders on two frames of n returns."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "rover.yaml").write_text(PROFILE)
        for k in range(2):
            np.save(folder / f"frame{k}.npy", clouds.room(n + k)[:n])
        with served(folder) as browser:
            for name, (key, values) in {**SLIDERS, **VIEWS}.items():
                kind = "set" if name in SLIDERS else "view"
                yield {"returns": n, "slider": name, **timed(browser, kind, key, values, events)}


class Browser:
    """Plays the page: numbers its messages and waits for their answers."""

    def __init__(self, socket: Any, server: int) -> None:
        self.socket, self.server, self.number = socket, server, 0

    def processor(self) -> float:
        """Seconds of processor that the server has used so far (proc(5): fields 14 and 15, in ticks)."""
        after_name = Path(f"/proc/{self.server}/stat").read_text().rpartition(")")[2].split()
        return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")

    def move(self, kind: str, key: str, value: float) -> tuple[float, float, int]:
        """Seconds to the scan and to the figures, and bytes of the message with the scan."""
        self.number += 1
        start, first, size = time.perf_counter(), 0.0, 0
        self.socket.send(json.dumps({"id": self.number, kind: {key: value}}))
        while True:
            message = self.socket.recv(timeout=60)
            now = time.perf_counter() - start
            if isinstance(message, str):
                raise ValueError(f"{key} = {value}: {message}")
            told, _ = split(message)
            if told["answers"] < self.number:
                continue
            if not size:
                first, size = now, len(message)
            if told["studied"]:
                return first, now, size


@contextmanager
def served(folder: Path) -> Iterator[Browser]:
    """Serve a folder's clouds and play its page."""
    from websockets.sync.client import connect

    frames = [str(folder / f"frame{k}.npy") for k in range(2)]
    with (
        started(frames, folder / "rover.yaml") as (address, number),
        connect(f"ws://{address}/link", max_size=None, compression=None) as socket,
    ):
        yield Browser(socket, number)


@contextmanager
def started(frames: Sequence[str], profile: Path) -> Iterator[tuple[str, int]]:
    """Run `flatten page`; gives address and number of the process."""
    command = [
        sys.executable,
        "-u",
        "-m",
        "flatten",
        "page",
        *frames,
        "-p",
        str(profile),
        "--port",
        "0",
        "-q",
    ]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        address = re.search(r"http://(\S+)/", server.stdout.readline())
        if address is None:
            raise SystemExit("benchmarks: `flatten page` did not begin")
        yield address[1], server.pid
    finally:
        server.terminate()
        server.wait(20)


def timed(browser: Browser, kind: str, key: str, values: Values, events: int) -> Row:
    """Move one slider to and fro, and leave it where it was."""
    for k in range(WARMING):
        browser.move(kind, key, values[(k + 1) % 2])
    used = browser.processor()
    moved = [browser.move(kind, key, values[(k + WARMING + 1) % 2]) for k in range(events)]
    used = browser.processor() - used
    if (events + WARMING) % 2:
        browser.move(kind, key, values[0])
    scan, figures, size = zip(*moved, strict=True)
    return {
        "scan_ms": spread(scan), "figures_ms": spread(figures), "bytes": int(np.median(size)),
        "events": events, "processor_ms": round(1e3 * used / events, 1),
    }  # fmt: skip


def spread(seconds: Sequence[float]) -> list[float]:
    """Median, 95 % and worst, ms."""
    found = 1e3 * np.array(seconds)
    return [round(float(v), 2) for v in (np.median(found), np.quantile(found, 0.95), found.max())]
