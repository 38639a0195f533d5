"""Maps: what entering scans costs, and how right a map is around houses whose plan is known in closed form.

A rover drives once around the houses of a made-up nursery, 400 m, and 30 m more over the same ground; each
frame of the sample rover's rosette sensor, with 1 cm of range noise, is flattened with its motion and entered
at its pose.

- truth: with exact poses, cells held against the outlines of all that stands in the slice;
- speed: 3,000 scans of 1,440 bins, entered on one core (what it takes to make the scans is not in it);
- drift: the same scans with poses that drift, and what the passes over the same ground say of it.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from benchmarks.contest import one_core
from flatten import Flattener, Motion, Profile, Scan, Stamped
from flatten.files.writing import write_all
from flatten.mapping import Grid, OccupancyMap, beams_of_scan
from flatten.mapping.comparing import grown
from flatten.mapping.figures import figures, share
from flatten.mapping.passes import Passes
from flatten.mapping.words import view_lines
from flatten.pictures import MapView, map_view_job
from flatten.scene import Effects, Mount, Rosette, capture, loop, measured_poses

Numbers = npt.NDArray[np.float64]
Row = dict[str, Any]

PROFILE = Path(__file__).parent.parent / "sample_clouds" / "rover.yaml"
PICTURE = Path(__file__).parent / "pictures" / "maps.png"
SLICES = ("drive", "walls")
SPEED, STEP, PERIOD = 1.5, 0.3, 0.1
"""Metres a second, seconds from a frame to the next, seconds a frame."""
AGAIN = 30.0
"""Metres driven over the same ground."""
NOISE = 0.01
CELL = 0.05
SCANS = 3_000
ROUNDS = 5
DRIFTS = (0.0, 0.001, 0.002)
"""Share by which odometry tells ways too long."""
LOOKS = 4_000
"""Level beams a pose by which it is told what of an outline can be seen."""


class Seen(NamedTuple):
    """One frame of the drive."""

    time: float
    pose: tuple[float, float, float]
    """x, y, yaw at its end."""
    scans: dict[str, Scan]


@cache
def profile() -> Profile:
    """That of the sample rover."""
    return Profile.load(PROFILE)


@cache
def drive(metres: float) -> tuple[Seen, ...]:
    """Take and flatten the frames of a drive of so many metres, with exact poses."""
    place, way, flattener = loop.nursery_loop(), loop.LoopDrive(SPEED), Flattener(profile())
    mount, found = Mount.of(profile()), []
    for k in range(math.ceil(metres / (SPEED * STEP))):
        start = k * STEP
        shot = capture(
            place,
            Rosette(),
            mount=mount,
            effects=Effects(range_noise=NOISE),
            frame=k,
            trajectory=way,
            start=start,
        )
        times = start + np.linspace(0.0, 0.12, 13)
        motion = Motion(times, measured_poses(way, times), stamps=Stamped(zero=start), at=start + PERIOD)
        x, y, _, _, _, yaw = (float(part) for part in way.at(np.array([start + PERIOD]))[0])
        found.append(Seen(start, (x, y, yaw), flattener.flatten(shot.cloud, motion=motion)))
    return tuple(found)


def draw(metres: float = loop.AROUND + AGAIN) -> Path:
    """Draw the maps of both slices side by side."""
    views = []
    for name in SLICES:
        grid, made = entered(drive(metres), name)
        path = np.array([seen.pose for seen in drive(metres)])
        views.append(MapView(name, made, path, view_lines(figures(made, grid.counted)._asdict())))
    write_all([map_view_job(PICTURE, views)], overwrite=True)
    return PICTURE


def measure(metres: float = loop.AROUND + AGAIN, scans: int = SCANS, rounds: int = ROUNDS) -> list[Row]:
    """All rows."""
    frames = drive(metres)
    rows = [row for name in SLICES for row in truth(frames, name)]
    with one_core():
        rows += [speed(frames, name, scans, rounds) for name in SLICES]
    return [*rows, *drifts(frames)]


def entered(frames: tuple[Seen, ...], name: str) -> tuple[Grid, OccupancyMap]:
    """Make the map of a slice."""
    grid = Grid(CELL)
    for seen in frames:
        grid.enter(beams_of_scan(seen.scans[name], seen.pose, profile().mount))
    return grid, grid.finish(name)


# truth


def truth(frames: tuple[Seen, ...], name: str) -> Iterator[Row]:
    """Hold the map of a slice against the outlines of what stands in it."""
    band = profile().slices[name]
    solids = loop.solids_between(loop.nursery_loop(), band.bottom, band.top)
    grid, made = entered(frames, name)
    outline = laid(made, loop.outlines(solids, made.cell / 20.0))
    occupied, near = made.occupied, grown(outline)
    rows, columns = np.nonzero(made.free)
    middles = (np.stack([columns, rows], axis=1) + 0.5 + made.corner) * made.cell
    in_sight = laid(made, visible(frames, 0.5 * (band.bottom + band.top), profile().reach.far))
    told = figures(made, grid.counted)
    yield {
        "group": "truth", "slice": name, "scans": len(frames), "occupied": int(occupied.sum()),
        "near": int((occupied & near).sum()), "visible": int(in_sight.sum()),
        "found": int((in_sight & grown(occupied)).sum()), "free": len(rows),
        "wrong": int(loop.is_solid(solids, middles).sum()), "thickness": told.thickness,
        "entropy": told.entropy, "hits_in_free": told.hits_in_free,
        "cleared_then_occupied": told.cleared_then_occupied,
    }  # fmt: skip


def laid(made: OccupancyMap, points: Numbers) -> npt.NDArray[np.bool_]:
    """Mark the cells of a map in which points (N, 2) lie."""
    cells = np.floor(points / made.cell).astype(np.int64) - made.corner
    rows, columns = made.shape
    cells = cells[((cells >= 0) & (cells < (columns, rows))).all(axis=1)]
    marked = np.zeros(made.shape, bool)
    marked[cells[:, 1], cells[:, 0]] = True
    return marked


def visible(frames: tuple[Seen, ...], height: float, far: float) -> Numbers:
    """Where level beams from every fifth pose end within the reach, (N, 2): what can be seen of outlines."""
    caster = loop.nursery_loop().raycaster()
    turns = np.arange(LOOKS) * (2.0 * math.pi / LOOKS)
    along = np.stack([np.cos(turns), np.sin(turns), np.zeros(LOOKS)], axis=1)
    found = [np.empty((0, 2))]
    for seen in frames[::5]:
        start = np.array([*seen.pose[:2], height])
        hits = caster.cast(start, along)
        met = hits.distances < far
        found.append(start[:2] + hits.distances[met, None] * along[met, :2])
    return np.concatenate(found)


# speed


def speed(frames: tuple[Seen, ...], name: str, scans: int, rounds: int) -> Row:
    """Time entering so many scans into a new map; the median of some rounds."""
    beams = [beams_of_scan(seen.scans[name], seen.pose, profile().mount) for seen in frames]
    taken = []
    for _ in range(rounds):
        grid = Grid(CELL)
        start = time.process_time()
        for k in range(scans):
            grid.enter(beams[k % len(beams)])
        taken.append(time.process_time() - start)
    told = grid.counted
    cells = told.freed + told.hits
    median = float(np.median(taken))
    return {
        "group": "speed", "slice": name, "scans": scans, "bins": profile().fan.bins, "seconds": median,
        "low": min(taken), "high": max(taken), "cells": cells, "ns_a_cell": 1e9 * share(1, cells) * median,
        "bytes": 5 * grid.tiles * 4096,
    }  # fmt: skip


# drift


def drifts(frames: tuple[Seen, ...]) -> Iterator[Row]:
    """Let odometry tell ways too long, and compare what the passes say with what it is off by."""
    for drift in DRIFTS:
        for name in SLICES:
            passes = Passes()
            for seen in frames:
                x, y, yaw = seen.pose
                # all of the error eastward: so the truth is one number, however the way turns
                moved = (x + drift * SPEED * (seen.time + PERIOD), y, yaw)
                stamp = round(1e9 * seen.time)
                passes.add(beams_of_scan(seen.scans[name], moved, profile().mount, time=stamp))
            closings = passes.closings()
            fits = [(closing, closing.fit) for closing in closings if closing.fit is not None]
            off = [
                math.dist(fit.shift, (-drift * SPEED * (closing.second - closing.first) / 1e9, 0.0))
                for closing, fit in fits if not fit.slides
            ]  # fmt: skip
            true = [drift * SPEED * (each.second - each.first) / 1e9 for each in closings]
            told = [fit.length for _, fit in fits if not fit.slides]
            agreed = [each.agreement for each in closings]
            yield {
                "group": "drift", "drift": drift, "slice": name, "places": len(closings), "fit": len(fits),
                "slide": sum(fit.slides for _, fit in fits),
                "true": float(np.median(true)) if true else math.nan,
                "told": float(np.median(told)) if told else math.nan,
                "worst_off": max(off, default=math.nan),
                "agreement": float(np.median(agreed)) if agreed else math.nan,
                "step": float(np.median([fit.length for fit in passes.steps()])),
            }  # fmt: skip
