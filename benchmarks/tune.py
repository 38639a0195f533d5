"""How good the slices are that are recommended: made-up places, and frames on which nothing was tuned.

Level ground with gravel of ±1 cm, kerb-high and taller things, tables, walls, and bars that hang from 10 cm
above what the rover needs. The rover creeps and shakes: its roll and pitch are drawn anew for every frame,
and the attitude that is passed in is off by another draw. Slices are tuned on one recording, and frames of
the same place that they were not tuned on are judged:

- shown: of the bins in which an object that must be seen (a return from CLIMB above robot.step to CLIMB below
  robot.height + clearance) was returned within the distance up to which bottom + rise·r exceeds three sigma
  of the shake times r, those that say HIT at most SLACK behind its nearest such return;
- leak: bins whose HIT the ground decided, of all bins;
- free: of the bins with a return of what hangs higher than CLIMB above the head and nothing to be seen before
  or under it, those that do not report it;
- halves: bottom and top by the first half of the recording and by the second.

Beside it: bins in which an object that must be seen stands, whether it was returned or not.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from flatten import Flattener, Motion, Profile, State, scene
from flatten.cloud import Cloud
from flatten.errors import FlattenError
from flatten.scene import rover, solids
from flatten.scene.effects import Effects
from flatten.scene.outdoors import stood
from flatten.tuning.tune import Frame, Tuned, Tuner
from flatten.tuning.tune_words import plain_choice

SENSORS = {"rosette": (scene.Rosette(), "rover.yaml"), "rotating": (scene.Rotating(), "rover_rotating.yaml")}
FIELD = Effects(
    range_noise=0.01, drop_far=0.3, drop_grazing=0.3, mixed=0.2, dust=0.002, robot=rover.own_solids()
)
FRAMES, JUDGED = 16, 5
"""Frames that are tuned on, and others of the same place that are judged."""
LEAN = math.radians(1.0)
"""Roll and pitch of the body, one sigma."""
CLIMB, SLACK = 0.04, 0.05
SAME = 1e-4
BARS = 4
WANTED = {"shown": 0.995, "leak": 0.001, "free": 0.99, "halves": 0.02}

Row = dict[str, Any]


class Shot(NamedTuple):
    """A frame, where the body was, and what was said of its lean."""

    capture: scene.Capture
    stance: scene.Stance
    attitude: tuple[float, float]

    @property
    def told(self) -> scene.Stance:
        """Where the body is by what is passed in."""
        return self.stance._replace(roll=self.attitude[0], pitch=self.attitude[1])

    def measured(self, mount: scene.Mount) -> np.ndarray:
        """The returns (N, 3) in the world, by what is passed in."""
        world = self.told.world_from_body @ mount.body_from_sensor
        return np.asarray(self.capture.cloud.xyz @ world[:3, :3].T + world[:3, 3])


def place_of(seed: int) -> scene.Outdoors:
    """A level place with bars that hang 0.10 to 0.60 m above what the rover needs."""
    base = scene.random_ground(seed, max_slope=0.0, drops=False, kerbs=False, tufts=False, wet=False)
    rng = np.random.default_rng([91, seed])
    head = 0.92 + 0.15
    bars = []
    for k in range(BARS):
        bearing, away, turn = rng.uniform(-math.pi, math.pi), rng.uniform(2.0, 8.0), rng.uniform(0.0, math.pi)
        x, y = away * math.cos(bearing), away * math.sin(bearing)
        c, s = 0.8 * math.cos(turn), 0.8 * math.sin(turn)
        bar = solids.pipe(
            f"bar {k}", (x - c, y - s), (x + c, y + s), rng.uniform(0.04, 0.1), head + rng.uniform(0.10, 0.60)
        )
        bars.append(stood(f"bar {k}", bar, base.ground, scene.Kind.HANGING, highest=True))
    return scene.Outdoors(
        base.ground, [*base.things, *bars], stance=base.stance, gravel=0.01, seed=seed, name=f"yard {seed}"
    )


def shots(
    place: scene.Outdoors, sensor: Any, mount: scene.Mount, seed: int, shake: float, frames: range
) -> Iterator[Shot]:
    """Frames of the creeping, shaking rover; `shake` radians."""
    yaw = place.stance.yaw
    for frame in frames:
        rng = np.random.default_rng([92, seed, frame])
        roll, pitch = rng.normal(0.0, LEAN, 2).tolist()
        off = rng.normal(0.0, shake, 2).tolist()
        way = 0.02 * frame
        stance = scene.Stance(
            place.stance.x + way * math.cos(yaw), place.stance.y + way * math.sin(yaw), place.stance.z, roll,
            pitch, yaw,
        )  # fmt: skip
        shot = scene.capture(
            place, sensor, mount=mount, effects=FIELD, seed=seed, frame=frame, trajectory=scene.Held(stance)
        )
        yield Shot(shot, stance, (roll + off[0], pitch + off[1]))


def tuned(profile: Profile, taken: list[Shot]) -> Tuned:
    """Tune on frames; the shaking is measured."""
    frames = [
        Frame(f"{k}", lambda cloud=shot.capture.cloud: cloud, shot.attitude) for k, shot in enumerate(taken)
    ]
    return Tuner(profile).tune(frames, distances=())


class View(NamedTuple):
    """A sensor on the rover."""

    name: str
    sensor: Any
    profile: Profile


def view(name: str, level: str = "gravity") -> View:
    """The sample rover with that sensor."""
    sensor, file = SENSORS[name]
    return View(name, sensor, Profile.parse(rover.PROFILES[file], file, {"level": level}))


def run(name: str, shake: float, level: str, windows: tuple[int, ...], seeds: range) -> Iterator[Row]:
    """A row a place and window; `shake` radians."""
    seen_by = view(name, level)
    mount = scene.Mount.of(seen_by.profile)
    for seed in seeds:
        place = place_of(seed)
        every = shots(place, seen_by.sensor, mount, seed, shake, range(FRAMES + JUDGED + max(windows) - 1))
        listed = list(every)
        taken, judged = listed[:FRAMES], listed[FRAMES:]
        row: Row = {"sensor": name, "shake": math.degrees(shake), "level": level, "seed": seed}
        try:
            told = tuned(seen_by.profile, taken)
            halves = [tuned(seen_by.profile, part) for part in (taken[: FRAMES // 2], taken[FRAMES // 2 :])]
        except FlattenError as error:
            yield from ({**row, "window": window, "refused": str(error)} for window in windows)
            continue
        row |= {
            **plain_choice(told.drive), "measured": math.degrees(told.shake.sigma),
            "map": None if told.mapping is None else [told.mapping.bottom, told.mapping.top],
            "halves": max(apart(halves)), "halves_map": map_apart(halves),
        }  # fmt: skip
        for window in windows:
            found = judge_all(place, seen_by, told, judged[-(JUDGED + window - 1) :], window, shake)
            yield {**row, "window": window, **found}
        if sys.stderr.isatty():
            print(f"\r{name} {seed} ", end="", file=sys.stderr)


def apart(halves: list[Tuned]) -> tuple[float, float, float]:
    """By how much two recommendations differ: bottom, top, bottom at 5 m; metres."""
    one, other = (half.drive for half in halves)
    return abs(one.bottom - other.bottom), abs(one.top - other.top), abs(one.at(5.0) - other.at(5.0))


def map_apart(halves: list[Tuned]) -> float | None:
    """Give the same for the mapping slice: the greater of bottom and top."""
    one, other = (half.mapping for half in halves)
    if one is None or other is None:
        return None
    return max(abs(one.bottom - other.bottom), abs(one.top - other.top))


def judge_all(
    place: scene.Outdoors, seen_by: View, told: Tuned, judged: list[Shot], window: int, shake: float
) -> Row:
    """Judge the driving slice on frames; with a window the first ones only fill it."""
    profile = told.after
    if window > 1:
        values = {**profile.to_dict(), "window": {"frames": window}, "clear": "off"}
        profile = Profile.from_dict(values)
    flattener = Flattener(profile)
    limit = told.drive.bottom / max(math.tan(3.0 * shake) - told.drive.rise, 1e-9)
    total: Counter[str] = Counter()
    for k, shot in enumerate(judged):
        scan = flatten_one(flattener, shot, k, window)[told.names[0]]
        if k < window - 1:
            continue
        gathered = judged[k - window + 1 : k + 1]
        total.update(judge(place, seen_by, profile, scan, gathered, limit))
    total.update(standing(place, seen_by, profile, judged[-1], min(limit, profile.reach.far)))
    return {**total, "limit": min(limit, profile.reach.far)}


def flatten_one(flattener: Flattener, shot: Shot, number: int, window: int) -> dict[str, Any]:
    """Flatten a frame; with a window along with where the body was, by the attitude that is passed in."""
    if window == 1:
        return flattener.flatten(shot.capture.cloud, shot.attitude)
    cloud = shot.capture.cloud
    times = np.array([number, number + 0.05]) * 0.1
    told = np.array([[*shot.stance[:3], *shot.attitude, shot.stance.yaw]] * 2)
    poses = np.column_stack([told[:, :3], scene.moving.quaternions(told[:, 3:])])
    timed = Cloud(cloud.x, cloud.y, cloud.z, time=np.full(len(cloud), times[1]))
    return flattener.flatten(timed, motion=Motion(times, poses))


def judge(
    place: scene.Outdoors, seen_by: View, profile: Profile, scan: Any, gathered: list[Shot], limit: float
) -> Row:
    """Count what one scan says of the returns of its frames."""
    mount, fan, robot = scene.Mount.of(profile), scene.Fan.of(profile), profile.robot
    # what a return is, is known from the truth; in which bin it lies, by the attitude that was passed in
    now = gathered[-1].told
    parts = [
        (*scene.known_returns(place, shot.capture), *scene.scan_places(shot.measured(mount), now, mount))
        for shot in gathered
    ]
    kinds, heights, _, bearing, reach, _ = (np.concatenate(part) for part in zip(*parts, strict=True))
    bins = fan.bin_of(bearing)
    head = robot.height + robot.clearance
    inside = (reach >= profile.reach.near) & (reach <= profile.reach.far) & (bins >= 0)
    thing = np.isin(kinds, (scene.Kind.OBJECT, scene.Kind.FACE)) & inside
    must = nearest(bins, reach, thing & (heights >= robot.step + CLIMB) & (heights <= head - CLIMB), fan.bins)
    over = nearest(bins, reach, (kinds == scene.Kind.HANGING) & inside & (heights >= head + CLIMB), fan.bins)
    hit = scan.states == State.HIT
    shown = np.where(hit, scan.ranges, np.where(scan.states == State.TOO_NEAR, 0.0, np.inf))
    wanted = np.isfinite(must) & (must <= limit)
    free = np.isfinite(over) & (must > over + SLACK)
    decided = decided_by(scan, bins, reach, kinds, SAME if len(gathered) == 1 else 10.0 * SAME)
    blocked = free & hit & (decided == scene.Kind.HANGING)
    return {
        "bins": fan.bins, "hits": int(hit.sum()), "wanted": int(wanted.sum()),
        "shown": int((wanted & (shown <= must + SLACK)).sum()),
        "leaks": int((hit & (decided == scene.Kind.GROUND)).sum()),
        "free": int(free.sum()), "blocked": int(blocked.sum()),
    }  # fmt: skip


def nearest(bins: Any, reach: Any, which: Any, number: int) -> np.ndarray:
    """Nearest distance of some returns in each bin, inf where there is none."""
    found = np.full(number, np.inf)
    np.minimum.at(found, bins[which], reach[which])
    return found


def decided_by(scan: Any, bins: Any, reach: Any, kinds: Any, same: float) -> np.ndarray:
    """Kind of the return whose range is nearest to that of each HIT, −1 where none is the same."""
    found = np.full(len(scan.ranges), -1)
    at = np.flatnonzero(bins >= 0)
    with np.errstate(invalid="ignore"):
        off = np.abs(reach[at] - scan.ranges[bins[at]])
    near = np.isfinite(off) & (off <= same) & (scan.states[bins[at]] == State.HIT)
    order = np.argsort(-np.where(near, off, np.inf))
    order = order[near[order]]
    found[bins[at[order]]] = kinds[at[order]]
    return found


def standing(place: scene.Outdoors, seen_by: View, profile: Profile, shot: Shot, limit: float) -> Row:
    """Bins in which something that must be seen stands within a distance, returned or not, in one frame."""
    mount, fan, robot = scene.Mount.of(profile), scene.Fan.of(profile), profile.robot
    low, head = robot.step + CLIMB, robot.height + robot.clearance - CLIMB
    pose = (shot.stance.x, shot.stance.y, shot.stance.yaw)
    # what hangs higher is not between these heights
    solid = scene.Place([part for part in place.solids if len(part.mesh.vertices)])
    true = scene.truth(solid, pose, mount, (low, head), fan, far=profile.reach.far, parts=1, heights=8)
    there = np.isfinite(true.nearest) & (true.nearest <= limit) & (true.nearest >= profile.reach.near)
    kinds, heights, _ = scene.known_returns(place, shot.capture)
    bearing, reach, _ = scene.scan_places(shot.measured(mount), shot.told, mount)
    bins = fan.bin_of(bearing)
    thing = np.isin(kinds, (scene.Kind.OBJECT, scene.Kind.FACE)) & (bins >= 0)
    back = nearest(bins, reach, thing & (heights >= low) & (heights <= head), fan.bins)
    seen = np.isfinite(back)
    outside = there & ~seen & ~in_field(seen_by, profile, shot, true.nearest, (low, head))
    return {
        "stand": int(there.sum()), "stand_returned": int((there & seen).sum()),
        "stand_outside": int(outside.sum()),
    }  # fmt: skip


def in_field(
    seen_by: View, profile: Profile, shot: Shot, distance: np.ndarray, heights: tuple[float, float]
) -> np.ndarray:
    """Say in which bins the sensor's field holds any height at the distance of what stands there."""
    fan = scene.Fan.of(profile)
    bearing = fan.first + (np.arange(fan.bins) + 0.5) * fan.step
    flat = np.where(np.isfinite(distance), distance, 1.0)
    body_from_sensor = scene.Mount.of(profile).body_from_sensor
    mount = scene.Mount.of(profile)
    level_from_sensor = (
        np.linalg.inv(shot.stance.world_from_level) @ shot.stance.world_from_body @ body_from_sensor
    )
    found = np.zeros(fan.bins, bool)
    for z in np.linspace(*heights, 6):
        level = np.stack(
            [mount.x + flat * np.cos(bearing), mount.y + flat * np.sin(bearing), np.full(fan.bins, z)], axis=1
        )
        local = (level - level_from_sensor[:3, 3]) @ level_from_sensor[:3, :3]
        rise = np.arctan2(local[:, 2], np.hypot(local[:, 0], local[:, 1]))
        found |= (rise >= seen_by.sensor.lowest) & (rise <= seen_by.sensor.highest)
    return found


def summary(rows: list[Row]) -> Row:
    """Sum up the rows of one case."""
    good = [row for row in rows if "refused" not in row]
    total = {
        key: sum(row[key] for row in good)
        for key in (
            "bins", "wanted", "shown", "leaks", "free", "blocked", "stand", "stand_returned", "stand_outside"
        )
    }  # fmt: skip
    maps = [row["halves_map"] for row in good if row["halves_map"] is not None]
    return {
        **{key: rows[0][key] for key in ("sensor", "shake", "level", "window")},
        "scenes": len(rows), "refused": len(rows) - len(good), **total,
        "limit": float(np.median([row["limit"] for row in good])),
        "measured": float(np.median([row["measured"] for row in good])),
        "slices": [[row["bottom"], row["top"], row["rise"]] for row in good],
        "halves": float(np.mean([row["halves"] <= WANTED["halves"] + 1e-9 for row in good])),
        "halves_worst": max(row["halves"] for row in good),
        "halves_map": float(np.mean([part <= WANTED["halves"] + 1e-9 for part in maps])) if maps else None,
    }  # fmt: skip


CASES: tuple[tuple[str, float, str, tuple[int, ...], int], ...] = (
    ("rosette", 0.1, "gravity", (1, 5), 100),
    ("rotating", 0.1, "gravity", (1,), 40),
    ("rosette", 0.3, "gravity", (1, 5), 20),
    ("rosette", 0.3, "floor", (1,), 20),
)
"""Sensor; degrees, one sigma, by which the attitude passed in is off: what is left of the shaking; what
heights count from; frames gathered in a scan; places."""


def measure(most: int = 100, first: int = 0) -> list[Row]:
    """All cases, a row each, of at most so many places from a first seed on."""
    told = []
    for name, shake, level, windows, scenes in CASES:
        seeds = range(first, first + min(scenes, most))
        rows = list(run(name, math.radians(shake), level, windows, seeds))
        told += [summary([row for row in rows if row["window"] == window]) for window in windows]
    return told
