"""What a body that moves costs: motion, windows of frames and a fitted floor, each in turn with none of it.

The body drives at 1 m/s and turns at 60°/s; a frame takes 0.1 s and comes with poses at 100 Hz, of which the
motion is made anew for each. Answers are compared before anything is timed, with vectorised NumPy in float64
on returns that were carried by the closed form of this drive.

- motion: one frame with its motion against the same frame without, CLEAR off and on;
- window: each new frame with four older ones against each alone, both with motion;
- level: heights from a fitted floor against heights from gravity, the body at rest;
- walls: how far the walls of a room are off with exact poses, and with poses off by 0.2°.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks import answers, clouds, ground, plain, profiles
from benchmarks.contest import Run, contest, figures, one_core, ratio
from flatten import Cloud, Flattener, Motion, Profile, Stamped, State

Numbers = npt.NDArray[np.float64]
Row = dict[str, Any]

TURN, SPEED, PERIOD, RATE = ground.TURN, ground.SPEED, ground.PERIOD, 100.0
SIZES = (20_000, 200_000)
FRAMES = 5
STILL, MOVING, ALONE, GATHERED = "no motion", "motion", "each frame alone", f"{FRAMES} frames in a window"
GRAVITY, FLOOR = "level: gravity", "level: floor"
WALL = 0.02
"""Metres within which a wall is to stay with exact poses."""
CLEARS: dict[str, Any] = {"off": False, "on": profiles.FULL["clear"]}
DOUBT = 3.0 * math.sqrt(2.0)
"""Deviations by which two poses, that of a return and that of the frame's end, tell the direction of a wall
wrong in one of 370 (both are off, independently; normal distribution)."""


def measure(seconds: float = 4.0, sizes: tuple[int, ...] = SIZES, rooms: int = 10) -> list[Row]:
    """All rows; each contest lasts `seconds`."""
    with one_core():
        rows = [row for n in sizes for row in motions(n, seconds)]
        rows += windows(min(sizes), seconds)
        rows += [row for n in sizes for row in levels(n, seconds)]
    return [*rows, *walls(rooms)]


def profile_of(clear: str, **sections: Any) -> Profile:
    """The bare profile with CLEAR off or on, and sections of its own."""
    return Profile.from_dict({**profiles.BARE, "clear": CLEARS[clear], **sections})


def ranges_only(profile: Profile) -> Flattener:
    """A flattener that is asked for ranges alone."""
    return Flattener(profile, fields={"ranges"})


# the drive, in closed form


def poses_at(times: Numbers) -> Numbers:
    """Straight ahead in odom at an even speed, turning evenly: (k, 7). What lies between two is no guess."""
    zeros, half = np.zeros_like(times), 0.5 * TURN * times
    return np.stack([SPEED * times, zeros, zeros, zeros, zeros, np.sin(half), np.cos(half)], axis=1)


def motion_at(start: float) -> Motion:
    """The motion of the frame that begins then, as a node makes it from its last poses."""
    times = start + np.arange(-1, round(PERIOD * RATE) + 2) / RATE
    return Motion(times, poses_at(times), stamps=Stamped(zero=start))


def times_of(n: int) -> Numbers:
    """Times of n returns of a frame, from its start."""
    return np.linspace(0.0, PERIOD, n)


def carried(xyz: clouds.Points, start: float, end: float) -> clouds.Points:
    """The returns of the frame that begins at `start`, in the sensor's axes at `end`."""
    mount = plain.level_from_sensor()
    mount[:2, 3] += (profiles.BARE["mount"]["x"], profiles.BARE["mount"]["y"])
    times = start + times_of(len(xyz))
    body = xyz @ mount[:3, :3].T + mount[:3, 3]
    way = np.stack([SPEED * (times - end), 0.0 * times, 0.0 * times], axis=1)
    turned = turned_by(TURN * (times - end), body) + turned_by(np.full(len(xyz), -TURN * end), way)
    return np.asarray((turned - mount[:3, 3]) @ mount[:3, :3], np.float32)


def turned_by(yaw: Numbers, xyz: Numbers) -> Numbers:
    """Points (n, 3), each turned about z by an angle of its own."""
    c, s = np.cos(yaw), np.sin(yaw)
    return np.stack([c * xyz[:, 0] - s * xyz[:, 1], s * xyz[:, 0] + c * xyz[:, 1], xyz[:, 2]], axis=1)


class Stream:
    """Frames of one cloud, one after the other, each with its motion, through one flattener."""

    def __init__(self, flattener: Flattener, xyz: clouds.Points) -> None:
        self.flattener, self.number = flattener, 0
        self.cloud = Cloud(*xyz.T, time=times_of(len(xyz)))

    def __call__(self) -> Any:
        """Flatten the next frame."""
        motion = motion_at(self.number * PERIOD)
        self.number += 1
        return self.flattener.flatten(self.cloud, motion=motion)


# contests


def motions(n: int, seconds: float) -> Iterator[Row]:
    """One frame with and without its motion."""
    xyz = clouds.room(n)
    expected = {STILL: plain.by_numpy(xyz)(), MOVING: plain.by_numpy(carried(xyz, 0.0, PERIOD))()}
    for clear in CLEARS:
        profile = profile_of(clear)
        still, stream = ranges_only(profile), Stream(ranges_only(profile), xyz)
        cloud = stream.cloud
        runs: dict[str, Run] = {STILL: lambda f=still, c=cloud: f.flatten(c), MOVING: stream}
        yield from rows_of(runs, expected, STILL, seconds, {"group": "motion", "returns": n, "clear": clear})


def windows(n: int, seconds: float) -> Iterator[Row]:
    """Frames gathered in a window, and each alone."""
    xyz = clouds.room(n)
    end = FRAMES * PERIOD
    parts = [carried(xyz, k * PERIOD, end) for k in range(FRAMES)]
    expected = {
        ALONE: plain.by_numpy(parts[-1])(),
        GATHERED: plain.by_numpy(np.concatenate(parts))(),
    }
    for clear in CLEARS:
        runs: dict[str, Run] = {
            ALONE: Stream(ranges_only(profile_of(clear)), xyz),
            GATHERED: Stream(ranges_only(profile_of(clear, window={"frames": FRAMES})), xyz),
        }
        for run in runs.values():  # the answers that are compared are those of the fifth frame
            for _ in range(FRAMES - 1):
                run()
        if clear == "on":  # what the newest frame overrules is for the tests
            expected.pop(GATHERED)
        yield from rows_of(runs, expected, ALONE, seconds, {"group": "window", "returns": n, "clear": clear})


def levels(n: int, seconds: float) -> Iterator[Row]:
    """Heights from a fitted floor and from gravity; the floor of the room is level."""
    xyz = clouds.room(n)
    answer = plain.by_numpy(xyz)()
    for clear in CLEARS:
        runs: dict[str, Run] = {}
        for level in ("gravity", "floor"):
            flattener = ranges_only(profile_of(clear, level=level))
            runs[f"level: {level}"] = lambda f=flattener: f.flatten(xyz)
        labels = {"group": "level", "returns": n, "clear": clear}
        yield from rows_of(runs, {GRAVITY: answer, FLOOR: answer}, GRAVITY, seconds, labels)


def rows_of(
    runs: Mapping[str, Run],
    expected: Mapping[str, answers.Ranges],
    base: str,
    seconds: float,
    labels: Mapping[str, Any],
) -> Iterator[Row]:
    """Compare the answers, time the runs side by side, give a row each: ns a frame, and the ratio to `base`.

    CLEAR, which the expected ranges do not know, counts as nothing seen.
    """
    told = {}
    for name, run in runs.items():
        ours = answers.ranges_of(run())
        ours[np.isposinf(ours)] = np.nan
        told[name] = answers.differing(ours, expected[name]) if name in expected else {}
    timed = contest(runs, seconds)
    for name, samples in timed.items():
        ratios = {} if name == base else {base: ratio(samples.cpu, timed[base].cpu)}
        yield {**labels, "case": name, **figures(samples.cpu), **told[name], "ratios": ratios}


# accuracy


def walls(rooms: int) -> Iterator[Row]:
    """How far HITs on walls are off, exact poses and poses off by ground.JITTER, against a stated bound."""
    place = ground.room()
    cases = {"exact poses": 0.0, "poses off by 0.2°": ground.JITTER}
    for name in ground.SENSORS:
        seen_by = ground.view(name)
        flattener = Flattener(seen_by.profile)
        for case, noise in cases.items():
            off, allowed, total = [], 0, 0
            for k in range(rooms):
                drive = ground.driver(k, False)
                shot, truth, _ = ground.driven(place, seen_by, drive, k)
                motion = ground.motion_of(drive, 0.0, rate=RATE, noise=noise, seed=k)
                scan = flattener.flatten(shot.cloud, **motion)[ground.SLICE]
                errors = ground.off_by(scan, truth)
                off.append(errors)
                allowed += within(scan, truth, DOUBT * noise)
                total += len(errors)
            row = {"group": "walls", "case": case, "sensor": name, "bound": DOUBT * noise}
            yield {**row, **ground.spread(off), "within_bound": allowed, "ratios": {}}


def within(scan: Any, truth: Any, angle: float) -> int:
    """Count the HITs within WALL of what is true of their bin or of those up to `angle` beside it."""
    beside = math.ceil(angle / scan.step)
    ends = [np.where(np.isfinite(end), end, np.nan) for end in (truth.nearest, truth.farthest_of_nearest)]
    around = range(-beside, beside + 1)  # on a full circle
    near = np.fmin.reduce([np.roll(ends[0], k) for k in around])
    far = np.fmax.reduce([np.roll(ends[1], k) for k in around])
    hit = (scan.states == State.HIT) & np.isfinite(truth.nearest) & (scan.ranges > ground.OWN)
    ranges = scan.ranges[hit].astype(np.float64)
    return int(((ranges >= near[hit] - WALL) & (ranges <= far[hit] + WALL)).sum())
