"""How well roll, pitch and height are found, and whether the errors that are stated are honest.

Random set-ups with known truth, in closed form (a beam against a plane, upright boxes, the walls of a
room): a sensor 0.2 to 1.5 m above flat gravel of ±1 cm, leaning up to 30° from upright or upside-down, two
kinds of beam patterns, range noise of 2 cm, a range bias of 1 cm (one sigma), clutter that takes three in ten
of the floor's returns, losses at grazing incidence. The profile's mount is off by up to 9° and 0.28 m.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from flatten import frames, scene
from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.tuning.lean import Pose
from flatten.tuning.mount import Combined, estimate

NOISE, BIAS, GRAVEL = 0.02, 0.01, 0.01
CLUTTER = 0.30
STONE = 0.05
"""Metres: the gravel's height is another one every so far."""
LEAN = math.radians(30.0)
FAR = 40.0
WANTED_ANGLE, WANTED_HEIGHT = math.radians(0.05), 0.005
RUNS = 2000
PARAMETERS = ("roll", "pitch", "z")
ROTATING, ROSETTE = scene.Rotating(columns=512), scene.Rosette()

Row = dict[str, Any]
Rng = np.random.Generator
Numbers = np.ndarray


class SetUp(NamedTuple):
    """A sensor above a floor, and what is known of it."""

    sensor: str
    truth: Pose
    start: Pose
    clouds: tuple[Cloud, ...]
    bias: float


def set_up(seed: int, clouds: int = 1) -> SetUp:
    """Draw a set-up; the robot stands elsewhere for each cloud."""
    rng = np.random.default_rng([41, seed])
    upside_down = rng.uniform() < 0.5
    lean, toward = rng.uniform(0.0, LEAN), rng.uniform(-math.pi, math.pi)
    roll, pitch = lean * math.cos(toward), lean * math.sin(toward)
    truth = Pose(
        0.3, 0.0, rng.uniform(0.2, 1.5), math.remainder(roll + math.pi * upside_down, 2 * math.pi), pitch,
        rng.uniform(-math.pi, math.pi),
    )  # fmt: skip
    off, way = rng.uniform(0.0, math.radians(9.0)), rng.uniform(-math.pi, math.pi)
    start = Pose(
        truth.x, truth.y, truth.z + rng.uniform(-0.28, 0.28),
        math.remainder(truth.roll + off * math.cos(way), 2 * math.pi), pitch + off * math.sin(way), truth.yaw,
    )  # fmt: skip
    rotating = rng.uniform() < 0.5
    bias = rng.normal(0.0, BIAS)
    made = tuple(frame(rng, ROTATING if rotating else ROSETTE, truth, bias, seed, k) for k in range(clouds))
    return SetUp("rotating" if rotating else "rosette", truth, start, made, bias)


def frame(rng: Rng, sensor: Any, truth: Pose, bias: float, seed: int, number: int) -> Cloud:
    """One cloud of the place: floor, gravel, boxes, walls, noise."""
    directions = sensor.rays(number, seed).directions
    level = directions @ frames.rotation(truth.roll, truth.pitch, truth.yaw).T
    with np.errstate(divide="ignore"):
        to_floor = np.where(level[:, 2] < 0.0, -truth.z / level[:, 2], np.inf)
        x, y = level[:, 0] * to_floor, level[:, 1] * to_floor
        on_floor = np.isfinite(to_floor) & (np.hypot(x, y) < FAR)
        height = np.zeros(len(level))
        height[on_floor] = gravel(x[on_floor], y[on_floor], rng)
        to_floor[on_floor] += height[on_floor] / level[on_floor, 2]
    to_wall = walls(level, rng)
    clear = int(np.count_nonzero(to_floor < to_wall))
    ranges, taken = np.minimum(to_floor, to_wall), 0
    while taken < CLUTTER * clear:
        to_box = box(level, truth.z, rng)
        ranges = np.minimum(ranges, to_box)
        taken = clear - int(np.count_nonzero((ranges == to_floor) & (to_floor < to_wall)))
    grazing = np.where(ranges == to_floor, np.minimum(-10.0 * level[:, 2], 1.0), 1.0)
    kept = (ranges < FAR) & (ranges > sensor.near) & (rng.uniform(size=len(ranges)) < grazing)
    measured = ranges[kept] + bias + rng.normal(0.0, NOISE, int(kept.sum()))
    return Cloud.from_array((directions[kept] * measured[:, None]).astype(np.float32), f"cloud {number}")


def gravel(x: Numbers, y: Numbers, rng: Rng) -> Numbers:
    """Height of gravel, one of ±GRAVEL every STONE: the same for the same stone."""
    table = rng.uniform(-GRAVEL, GRAVEL, (1024, 1024))
    i, j = (np.floor(part / STONE).astype(np.int64) % 1024 for part in (x, y))
    return np.asarray(table[i, j])


def walls(level: Numbers, rng: Rng) -> Numbers:
    """Distance to the walls of a room around the sensor."""
    turn = rng.uniform(0.0, math.pi)
    across = level[:, :2] @ np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    nearest = np.full(len(level), np.inf)
    with np.errstate(divide="ignore"):
        for axis in (0, 1):
            for side in (-1.0, 1.0):
                away = rng.uniform(3.0, 15.0) / (side * across[:, axis])
                nearest = np.minimum(nearest, np.where(away > 0.0, away, np.inf))
    return nearest


def box(level: Numbers, height: float, rng: Rng) -> Numbers:
    """Distance to an upright box that stands on the floor somewhere about, by slabs."""
    away, bearing = math.sqrt(rng.uniform(0.8**2, 8.0**2)), rng.uniform(-math.pi, math.pi)
    turn, size = rng.uniform(0.0, math.pi), rng.uniform(0.1, 1.2, 2)
    low, top = -height, -height + rng.uniform(0.03, 1.8)
    c, s = math.cos(turn), math.sin(turn)
    local = np.stack([c * level[:, 0] + s * level[:, 1], c * level[:, 1] - s * level[:, 0], level[:, 2]])
    middle = away * np.array([math.cos(bearing - turn), math.sin(bearing - turn)])
    middle = np.array([*(np.sign(middle) * np.maximum(np.abs(middle), size / 2 + 0.1)), 0.5 * (low + top)])
    half = np.array([*size, top - low]) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (middle - half)[:, None] / local, (middle + half)[:, None] / local
    enter, leave = np.fmin(a, b).max(axis=0), np.fmax(a, b).min(axis=0)
    return np.where((enter < leave) & (enter > 0.0), enter, np.inf)


def errors_of(drawn: SetUp, found: Combined) -> Numbers:
    """Roll, pitch (radians) and z (metres): found less true."""
    truth = drawn.truth
    return np.array(
        [
            math.remainder(found.values[0] - truth.roll, 2 * math.pi),
            found.values[1] - truth.pitch,
            found.values[2] - truth.z,
        ]
    )


def tilt_of(drawn: SetUp, found: Combined) -> float:
    """Angle between the true and the found vertical, radians."""
    truth = frames.rotation(drawn.truth.roll, drawn.truth.pitch, 0.0)[2]
    other = frames.rotation(float(found.values[0]), float(found.values[1]), 0.0)[2]
    return float(np.linalg.norm(truth - other))


def run(seeds: range, clouds: int = 1, blind: bool = False) -> Iterator[Row]:
    """One row a set-up: errors, stated errors, or why it was refused."""
    for seed in seeds:
        drawn = set_up(seed, clouds)
        row: Row = {"seed": seed, "sensor": drawn.sensor, "z": drawn.truth.z}
        try:
            found = estimate(drawn.clouds, drawn.start, blind=blind)
        except TuningError as error:
            yield {**row, "refused": str(error)}
            continue
        yield {
            **row, "errors": errors_of(drawn, found).tolist(), "sigmas": found.sigmas[:3].tolist(),
            "tilt": tilt_of(drawn, found), "bias": float(found.values[3] - drawn.bias),
            "bias_sigma": float(found.sigmas[3]),
            "patches": [part.support.patches for part in found.clouds],
        }  # fmt: skip
        if sys.stderr.isatty() and seed % 20 == 0:
            print(f"\r{seed} of {seeds[-1]} ", end="", file=sys.stderr)


def summary(case: str, rows: list[Row]) -> Row:
    """Shares within the wanted limits and within two stated sigma, and how large errors are."""
    good = [row for row in rows if "errors" in row]
    errors = np.array([row["errors"] for row in good])
    sigmas = np.array([row["sigmas"] for row in good])
    tilt = np.array([row["tilt"] for row in good])
    told: Row = {"case": case, "runs": len(rows), "refused": len(rows) - len(good)}
    told["tilt within"] = float((tilt <= WANTED_ANGLE).mean())
    told["z within"] = float((np.abs(errors[:, 2]) <= WANTED_HEIGHT).mean())
    for k, name in enumerate(PARAMETERS):
        unit = 1.0 if name == "z" else 180.0 / math.pi
        told[name] = {
            "within": float((np.abs(errors[:, k]) <= (WANTED_HEIGHT, WANTED_ANGLE)[name != "z"]).mean()),
            "two sigma": float((np.abs(errors[:, k]) <= 2.0 * sigmas[:, k]).mean()),
            "p95": float(np.percentile(np.abs(errors[:, k]), 95)) * unit,
            "mean": float(errors[:, k].mean()) * unit,
            "median sigma": float(np.median(sigmas[:, k])) * unit,
        }
    return told


CASES: dict[str, Row] = {
    "one cloud": {},
    "one cloud, blind": {"blind": True, "runs": 60},
    "three clouds": {"clouds": 3, "runs": 60},
}


def measure(runs: int = RUNS) -> list[Row]:
    """All cases; figures in metres and degrees."""
    told = []
    for case, options in CASES.items():
        how = dict(options)
        seeds = range(min(runs, how.pop("runs", runs)))
        told.append(summary(case, list(run(seeds, **how))))
    return told
