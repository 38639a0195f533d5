"""Whether a recheck tells what has changed, and nothing else: generated drives whose truth is known.

The rover's recorded drive (`flatten.scene.drive`) is driven anew in nurseries of other seeds, each with a
sensor that sits a little differently, which the profile knows to the digit; with other noise, and odometry
that is off by 0.02° anew every time. Then one thing is changed that the profile does not know:

- unmoved: nothing; each that fails is a false alarm;
- hair: the mount turned by 0.05° about a level axis in any direction: is to pass;
- remount: by 0.5°: is to be told, as roll or pitch;
- bolted on: a box of 6 cm to 12 cm on the hull: is to be told, as own returns outside of all zones.
"""

from __future__ import annotations

import functools
import math
import sys
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from flatten import Motion, Profile, frames, scene
from flatten.errors import FlattenError
from flatten.motion import Stamped
from flatten.scene import drive, rover
from flatten.scene.solids import Box, Solid
from flatten.tuning.recheck import Rechecked, Rechecker

RUNS = 40
EVERY = 20
"""One frame in so many is taken: 15 of a drive, a quarter of what the command looks at."""
HALF = round(0.5e9 * drive.PERIOD)
"""Nanoseconds to the middle of a frame."""
WANTED = {"unmoved": "passes", "hair": "passes", "remount": "mount", "bolted on": "zones"}
ANGLES = {"unmoved": 0.0, "hair": 0.05, "remount": 0.5, "bolted on": 0.0}
"""Degrees."""

FULL = ("bolted on",)
"""Cases with all 20,000 beams of the sensor; the others have one in twelve, as the recorded drive."""

Row = dict[str, Any]


class SetUp(NamedTuple):
    """A rover that drives, and the profile that it is held against."""

    profile: Profile
    mount: scene.Mount
    robot: tuple[Solid, ...]
    seed: int


def set_up(case: str, seed: int) -> SetUp:
    """A set-up of one of the cases."""
    rng = np.random.default_rng([97, seed])
    usual, _, _ = rover.layout_of("rover.yaml")
    shift, turn = rng.uniform(-0.03, 0.03), np.radians(rng.uniform(-2.0, 2.0, 3))
    known = usual._replace(z=usual.z + shift, roll=usual.roll + turn[0], pitch=usual.pitch + turn[1],
                           yaw=usual.yaw + turn[2])  # fmt: skip
    told = {
        f"mount.{key}": math.degrees(math.remainder(getattr(known, key), math.tau))
        for key in ("roll", "pitch", "yaw")
    }
    profile = Profile.parse(rover.PROFILES["rover.yaml"], "rover.yaml", {**told, "mount.z": known.z})
    robot = rover.own_solids()
    if case == "bolted on":
        side, x, y = rng.uniform(0.06, 0.12), rng.uniform(-0.40, 0.15), rng.uniform(-0.28, 0.28)
        robot += (Box(name="box", x=x, y=y, length=side, width=side, bottom=0.5, top=0.55 + side),)
    return SetUp(
        profile, tilted(known, math.radians(ANGLES[case]), rng.uniform(-math.pi, math.pi)), robot, seed
    )


def tilted(mount: scene.Mount, angle: float, bearing: float) -> scene.Mount:
    """The mount turned by an angle about a level axis of the body that points along a bearing."""
    about = frames.rotation_z(bearing) @ frames.rotation_x(angle) @ frames.rotation_z(-bearing)
    r = about @ frames.rotation(mount.roll, mount.pitch, mount.yaw)
    return mount._replace(
        roll=math.atan2(r[2, 1], r[2, 2]), pitch=-math.asin(r[2, 0]), yaw=math.atan2(r[1, 0], r[0, 0])
    )


@functools.lru_cache(maxsize=1)
def _place(seed: int) -> scene.Place:
    return drive.drive_place(seed)


@functools.cache
def _course() -> scene.Course:
    return drive.drive_course()


def rechecked(made: SetUp, every: int = EVERY, full: bool = False) -> Rechecked:
    """Drive, and hold the profile against it; `full`: with all beams."""
    place, course = _place(made.seed), _course()
    times, told = drive.drive_poses(course, made.seed)
    motion = Motion(times, told)
    rechecker = Rechecker(made.profile)
    numbers = range(0, drive.FRAMES, every)
    for shot in drive.drive_frames(
        made.mount,
        robot=made.robot,
        seed=made.seed,
        frames=numbers,
        place=place,
        course=course,
        sensor=scene.Rosette() if full else None,
    ):
        how = motion.for_frame(Stamped(1.0, shot.stamp), shot.stamp + HALF)
        rechecker.look(shot.cloud, f"{shot.index}", how)
    return rechecker.find()


def row_of(case: str, seed: int, every: int = EVERY) -> Row:
    """What is said of one set-up, and how far it is off."""
    made = set_up(case, seed)
    row: Row = {"case": case, "seed": seed}
    try:
        found = rechecked(made, every, case in FULL)
    except FlattenError as error:
        return {**row, "refused": str(error)}
    truth = {"roll": made.mount.roll, "pitch": made.mount.pitch, "z": made.mount.z, "yaw": made.mount.yaw}
    off = {
        part.name: part.now - truth[part.name] if part.name == "z"
        else math.degrees(math.remainder(part.now - truth[part.name], math.tau))
        for part in found.moved
    }  # fmt: skip
    return {
        **row, "passes": found.passes, "mount": not found.mount_passes, "zones": not found.zones_pass,
        "slices": not all(part.passes for part in found.slices), "off": off,
        "sigma": {p.name: p.sigma if p.name == "z" else math.degrees(p.sigma) for p in found.moved},
        "bare": found.bare.per_cloud,
    }  # fmt: skip


def measure(runs: int = RUNS) -> list[Row]:
    """All cases."""
    return list(_rows(runs))


def _rows(runs: int) -> Iterator[Row]:
    for case in WANTED:
        rows = []
        for seed in range(runs):
            rows.append(row_of(case, 1000 + seed))
            print(f"\r{case} {seed + 1}/{runs} ", end="", file=sys.stderr, flush=True)
        made = summed(case, rows)
        print(f"{made['right']} right, {made['refused']} refused", file=sys.stderr)
        yield made


def summed(case: str, rows: list[Row]) -> Row:
    """One row of the table."""
    told = [row for row in rows if "refused" not in row]
    right = sum(bool(row[WANTED[case]]) for row in told)
    errors = {
        name: {
            "p95": float(np.quantile([abs(row["off"][name]) for row in told if name in row["off"]], 0.95)),
            "two sigma": float(
                np.mean([abs(r["off"][name]) <= 2.0 * r["sigma"][name] for r in told if name in r["off"]])
            ),
            "told": sum(name in row["off"] for row in told),
        }
        for name in ("roll", "pitch", "z", "yaw")
    }
    failing = {what: sum(bool(row[what]) for row in told) for what in ("mount", "zones", "slices")}
    return {
        "case": case, "runs": len(rows), "refused": len(rows) - len(told), "right": right,
        "failing": failing, "errors": errors, "wrong seeds": [r["seed"] for r in told if not r[WANTED[case]]],
    }  # fmt: skip
