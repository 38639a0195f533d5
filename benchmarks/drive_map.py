"""The recorded drive from above: what stands, what hangs, the ground, and the way."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from flatten import frames
from flatten.recordings import open_recording
from flatten.recordings.trajectory import matrices
from flatten.samples import DRIVE_RECORDING, TRUTH

RAMP = "hose ramp"
"""How the names of its parts begin."""


class Kind(NamedTuple):
    """Returns that are drawn alike."""

    words: str
    colour: str
    size: float


WHITE = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}
KINDS = {
    "ground": Kind("gravel", "#dcd5c8", 0.2),
    "below": Kind("beyond the dock edge", "#0063a6", 0.6),
    "ramp": Kind("ramp", "#9c5700", 0.6),
    "hangs": Kind("pipes that hang", "#8c8c8c", 0.8),
    "stands": Kind("what stands there", "#2b2b2b", 0.6),
}


def kind_of(name: str) -> str:
    """Which kind a solid is."""
    if name.startswith(RAMP):
        return "ramp"
    if "pipe" in name:
        return "hangs"
    return {"gravel": "ground", "dock pit": "below", "dock face": "below"}.get(name, "stands")


def draw(folder: Path, path: Path) -> None:
    """Draw the map of the recording in a folder, by its odometry and the true mount."""
    from matplotlib.figure import Figure

    points, kinds, way = mapped(folder)
    figure = Figure(figsize=(9.0, 4.6), dpi=130, layout="constrained")
    axes = figure.subplots()
    for key, kind in KINDS.items():
        here = points[kinds == key]
        axes.scatter(here[:, 0], here[:, 1], s=kind.size, c=kind.colour, linewidths=0, label=kind.words)
    axes.plot(way[:, 0], way[:, 1], color="#c00000", linewidth=1.6, label="the rover's way")
    for second in range(0, 30, 5):
        x, y = way[min(10 * second, len(way) - 1)]
        axes.plot(x, y, "o", color="#c00000", markersize=4)
        axes.annotate(
            f"{second} s", (x, y), (0, 7), textcoords="offset points", ha="center", fontsize=9, bbox=WHITE
        )
    axes.set_aspect("equal")
    axes.set_xlim(-3.0, 36.0)
    axes.set_ylim(-8.0, 9.5)
    axes.set_xlabel("metres from where the drive began")
    axes.set_ylabel("metres")
    legend: Any = figure.legend(loc="outside lower center", ncols=6, fontsize=8, frameon=False)
    for handle in legend.legend_handles:
        if hasattr(handle, "set_sizes"):
            handle.set_sizes([24.0])
    figure.savefig(path)


def mapped(folder: Path) -> tuple[Any, Any, Any]:
    """Returns (N, 2) on the map, the kind of each, and the way (frames, 2)."""
    with np.load(folder / TRUTH) as packed:
        counts, labels, mount, names = (packed[key] for key in ("counts", "labels", "mount", "solids"))
    of_solid = np.array([*(kind_of(str(name)) for name in names), ""])
    body_from_sensor = frames.body_from_sensor(*mount)
    points, way = [], []
    with open_recording(folder / DRIVE_RECORDING) as recording:
        trajectory = recording.trajectory
        for frame in recording.frames():
            times = frame.time + (frame.cloud.time.astype(np.float64) * 1e9).astype(np.int64)
            poses = matrices(trajectory.at(times))
            body = frame.cloud.xyz @ body_from_sensor[:3, :3].T + body_from_sensor[:3, 3]
            points.append(np.einsum("nij,nj->ni", poses[:, :2, :3], body) + poses[:, :2, 3])
            way.append(trajectory.at([frame.time])[0][:2])
    assert sum(counts) == len(labels)
    return np.concatenate(points), of_solid[np.maximum(labels, -1)], np.array(way)
