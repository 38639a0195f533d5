"""How scans cope with rough ground, drops and a body that moves: made-up places with exact truth.

- leak: bins whose HIT inside NEAR metres was decided by a return of the ground one drives on; ground behind a
  kerb higher than robot.step, and behind a drop deeper than robot.drop, is told apart (`terraces`, `ledges`):
  there the rover cannot get without a ramp;
- kept: bins with a return of a thing from higher than robot.step + CLIMB above its ground (and below the top
  of the slice) that are HIT there or nearer;
- drops: bins in whose direction a drop of 0.2 m or more is in plain sight up to 3 m away, and that say so;
- walls: how far the walls of a room are off while the rover turns at 60°/s and drives at 1 m/s.

What the profile does not know yet is left out, and a note says so.
"""

from __future__ import annotations

import inspect
import math
from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

import flatten
from flatten import Flattener, Profile, State, scene
from flatten.errors import ProfileError
from flatten.scan import FIELDS
from flatten.scene import ground_truth, rover, solids
from flatten.scene.effects import Effects

SENSORS = {"rosette": (scene.Rosette(), "rover.yaml"), "rotating": (scene.Rotating(), "rover_rotating.yaml")}
SETTINGS: dict[str, dict[str, Any]] = {
    "level": {"max_slope": 0.0, "drops": False},
    "up to 5°": {"max_slope": math.radians(5.0), "drops": False},
    "up to 20°": {"max_slope": math.radians(20.0), "drops": False},
    "up to 20°, drops": {"max_slope": math.radians(20.0), "drops": True},
}
LEVELS = ("gravity", "floor")
FIRST = 1000
"""First of the seeds: the floor was built with those below."""
FIELD = Effects(
    range_noise=0.01, drop_far=0.3, drop_grazing=0.3, mixed=0.2, dust=0.002, robot=rover.own_solids()
)
CLEAN = Effects(robot=rover.own_solids())
SLICE = "drive"
NEAR = 15.0
CLIMB = 0.04
"""Metres above robot.step from which on a thing must be seen."""
SAME = 1e-5
"""Metres: a HIT's range and that of the return that decided it agree to this."""
SLACK = 0.05
"""Metres by which a HIT may lie behind the return that it is to show: noise of what came nearer."""
DEEP = 0.2
BEFORE, BEHIND = 0.5, 0.3
"""Metres before and behind the lip within which a drop counts as told."""
FRAMES = 5
PERIOD = 0.1
DROP = 2
"""What `scan.kinds` says of a drop."""
OWN = 1.2
"""Metres: in the room all walls are farther; a HIT up to here is the rover itself."""
TURN, SPEED = math.radians(60.0), 1.0
JITTER = math.radians(0.2)

Row = dict[str, Any]


class View(NamedTuple):
    """A sensor on the rover, by its profile."""

    name: str
    sensor: Any
    profile: Profile

    @property
    def mount(self) -> scene.Mount:
        """Pose of the sensor in the body."""
        return scene.Mount.of(self.profile)

    @property
    def fan(self) -> scene.Fan:
        """The bins."""
        return scene.Fan.of(self.profile)


def view(name: str, **overrides: Any) -> View:
    """The sample rover with that sensor; keys of overrides have __ for the dot. Raises ProfileError."""
    sensor, file = SENSORS[name]
    wanted = {key.replace("__", "."): value for key, value in overrides.items()}
    return View(name, sensor, Profile.parse(rover.PROFILES[file], file, overrides=wanted))


def known(**overrides: Any) -> bool:
    """Say whether profiles may say this."""
    try:
        Flattener(view("rosette", **overrides).profile, fields={"ranges"})
    except (ProfileError, flatten.FlattenError):
        return False
    return True


DROPS_TOLD: dict[str, Any] = {"level": "floor", f"slices__{SLICE}__drops": True, "window__frames": FRAMES}


def tells_drops() -> bool:
    """Say whether scans tell drops."""
    return "kinds" in FIELDS and known(**DROPS_TOLD)


def moves() -> bool:
    """Say whether a motion can be handed in."""
    return hasattr(flatten, "Motion") and "motion" in inspect.signature(Flattener.flatten).parameters


def notes() -> list[str]:
    """What was left out."""
    left = [f"level: {level} is not known" for level in LEVELS if not known(level=level)]
    if not tells_drops():
        left.append("drops are not told: no figures of them")
    if not moves():
        left.append("no motion can be handed in: no figures with poses")
    return left


def measure(scenes: int = 100, rooms: int = 10) -> list[Row]:
    """All rows."""
    return [*leaks(scenes), *drops(scenes), *walls(rooms)]


# leak and kept: the rover stands


def leaks(scenes: int) -> Iterator[Row]:
    """Leak and kept by setting, sensor and level, one frame each of so many places."""
    for setting, options in SETTINGS.items():
        for name in SENSORS:
            levels = [level for level in LEVELS if known(level=level)]
            flatteners = {level: Flattener(view(name, level=level).profile) for level in levels}
            tallies = {level: Counter[str]() for level in levels}
            for seed in range(FIRST, FIRST + scenes):
                place = scene.random_ground(seed, **options)
                shot = still_frame(place, view(name), seed)
                for level, flattener in flatteners.items():
                    found = flattener.flatten(shot.cloud, attitude=place.stance.attitude)[SLICE]
                    tallies[level].update(judge(place, shot, view(name), found))
            for level, tally in tallies.items():
                row = {"part": "leak", "setting": setting, "sensor": name, "level": level, "scenes": scenes}
                yield {**row, **tally}


def still_frame(place: scene.Outdoors, seen_by: View, seed: int) -> scene.Capture:
    """One frame of the rover where it stands."""
    held = scene.Held(place.stance)
    return scene.capture(
        place, seen_by.sensor, mount=seen_by.mount, effects=FIELD, seed=seed, trajectory=held
    )


def judge(place: scene.Outdoors, shot: scene.Capture, seen_by: View, scan: Any) -> dict[str, int]:
    """Count what decided the HITs of a scan, and which returns of things it shows."""
    kinds, heights, tops = scene.known_returns(place, shot)
    bearing, reach, level = scene.scan_places(shot.true_world(), place.stance, seen_by.mount)
    bins = seen_by.fan.bin_of(bearing)
    robot, band = seen_by.profile.robot, seen_by.profile.slices[SLICE]
    hit = (scan.states == State.HIT) & (scan.ranges <= NEAR)
    decided = deciders(scan, hit, bins, reach, level, kinds)
    shown = np.where(
        scan.states == State.HIT, scan.ranges, np.where(scan.states == State.TOO_NEAR, 0.0, np.inf)
    )
    thing = (kinds == scene.Kind.OBJECT) & (reach <= NEAR) & (tops > robot.step + CLIMB)
    high = thing & (heights > robot.step + CLIMB) & (heights < band.top - CLIMB)
    told = {"bins": seen_by.fan.bins, "hits": int(hit.sum())}
    beyond = scan.ranges >= first_kerb(place, seen_by) - SLACK
    fallen = scan.ranges >= first_drop(place, seen_by) - SLACK
    told["leaks"] = int(((decided == scene.Kind.GROUND) & ~beyond & ~fallen).sum())
    told["ledges"] = int(((decided == scene.Kind.GROUND) & ~beyond & fallen).sum())
    told["terraces"] = int(((decided == scene.Kind.GROUND) & beyond).sum())
    for kind in (scene.Kind.GRASS, scene.Kind.GHOST, scene.Kind.FACE, scene.Kind.OTHER):
        told[f"by_{kind.name.lower()}"] = int((decided == kind).sum())
    told["unmatched"] = int((hit & (decided < 0)).sum())
    for name, wanted in (("wanted", high), ("things", thing)):
        nearest = np.full(seen_by.fan.bins, np.inf)
        np.minimum.at(nearest, bins[wanted], reach[wanted])
        there = np.isfinite(nearest)
        told[name] = int(there.sum())
        told[f"{name}_kept"] = int((there & (shown <= nearest + SLACK)).sum())
    return told


def first_kerb(place: scene.Outdoors, seen_by: View) -> np.ndarray:
    """Distance (bins,) of the first face that leads up by more than robot.step; inf where there is none."""
    s, rise = steps_along(place, seen_by, place.stance)
    return np.asarray(np.where(rise > seen_by.profile.robot.step, s, np.inf).min(axis=(1, 2)))


def first_drop(place: scene.Outdoors, seen_by: View) -> np.ndarray:
    """Distance (bins,) of the first face that leads down by more than robot.drop; inf where there is none."""
    s, rise = steps_along(place, seen_by, place.stance)
    return np.asarray(np.where(rise < -seen_by.profile.robot.drop, s, np.inf).min(axis=(1, 2)))


def steps_along(place: scene.Outdoors, seen_by: View, stance: scene.Stance) -> tuple[np.ndarray, np.ndarray]:
    """Distances and steps up, (bins, 3, K), of the ground at both edges and in the middle of each bin."""
    mount, fan = seen_by.mount, seen_by.fan
    origin = (stance.world_from_level @ np.array([mount.x, mount.y, 0.0, 1.0]))[:2]
    bearings = fan.bearings(2) + stance.yaw
    s, before, after = ground_truth.profile_along(place.ground, origin, bearings, 2 * NEAR)
    three = 2 * np.arange(fan.bins)[:, None] + np.arange(3)
    return s[three], (after - before)[three]


def deciders(scan: Any, hit: Any, bins: Any, reach: Any, level: Any, kinds: Any) -> np.ndarray:
    """Kind of the return that decided each HIT, −1 where there is none: the one of its range (and height)."""
    decided = np.full(len(hit), -1)
    best = np.full(len(hit), np.inf)
    near = hit[bins] & (np.abs(reach - scan.ranges[bins]) < SAME)
    for k in np.flatnonzero(near):
        # heights above a fitted floor are other heights: they choose between returns of one range only
        off = abs(float(level[k]) - float(scan.heights[bins[k]]))
        if off < best[bins[k]]:
            best[bins[k]], decided[bins[k]] = off, kinds[k]
    return decided


# drops: several frames, the rover standing or driving


def drops(scenes: int) -> Iterator[Row]:
    """Drops told and false ones, FRAMES gathered, by sensor and motion."""
    if not tells_drops():
        return
    for name in SENSORS:
        seen_by = view(name, **DROPS_TOLD)
        for way, speed in (("still", 0.0), ("drive", SPEED)):
            tally = Counter[str]()
            for seed in range(FIRST, FIRST + scenes):
                place = scene.random_ground(seed)
                drive = scene.Drive((0.0, 0.0, place.stance.yaw), speed, ground=place.ground)
                scans, end = gathered(place, seen_by, drive, seed)
                tally.update(
                    judge_drops(place, seen_by, scene.Stance(*drive.at(np.array([end]))[0]), scans[SLICE])
                )
            yield {"part": "drops", "sensor": name, "motion": way, "scenes": scenes, **tally}


def gathered(place: scene.Outdoors, seen_by: View, drive: scene.Drive, seed: int) -> tuple[Any, float]:
    """Scans after FRAMES frames in a row, and the time that they hold for."""
    flattener = Flattener(seen_by.profile)  # a new one, which has seen nothing
    scans, end = None, 0.0
    for frame in range(FRAMES):
        start = frame * PERIOD
        shot = scene.capture(
            place, seen_by.sensor, mount=seen_by.mount, effects=FIELD, seed=seed, frame=frame,
            trajectory=drive, start=start,
        )  # fmt: skip
        end = start + float(shot.cloud.time.max())
        attitude = tuple(drive.at(np.array([end]))[0, 3:5])
        scans = flattener.flatten(shot.cloud, attitude=attitude, **motion_of(drive, start))
    return scans, end


def motion_of(
    drive: scene.Drive, start: float, rate: float = 100.0, noise: float = 0.0, seed: int = 0
) -> Row:
    """The argument `motion` of a frame, where there is one: poses at a rate about the frame."""
    if not moves():
        return {}
    times = start + np.arange(-1, round(PERIOD * rate) + 2) / rate
    poses = scene.measured_poses(drive, times, noise=noise, seed=seed)
    return {"motion": flatten.Motion(times, poses, stamps=flatten.Stamped(zero=start))}


def judge_drops(place: scene.Outdoors, seen_by: View, stance: scene.Stance, scan: Any) -> dict[str, int]:
    """Count the bins that tell a drop that is in sight, and those that tell one where there is none."""
    truth = scene.drops_in_bins(place, seen_by.mount, seen_by.fan, stance=stance, deeper=DEEP)
    said = (scan.states == State.HIT) & (scan.kinds == DROP)
    right = said & (scan.ranges >= truth.nearest - BEFORE) & (scan.ranges <= truth.farthest + BEHIND)
    told = {"bins": seen_by.fan.bins, "said": int(said.sum())}
    for reach in (3.0, 5.0):
        there = truth.seen & (truth.farthest <= reach)
        told[f"edges_{reach:g}"] = int(there.sum())
        told[f"told_{reach:g}"] = int((there & right).sum())
    told["false"] = int((said & ~falls_near(place, seen_by, stance, scan.ranges)).sum())
    return told


def falls_near(place: scene.Outdoors, seen_by: View, stance: scene.Stance, ranges: Any) -> np.ndarray:
    """Say in which bins the ground falls anywhere near a distance, seen or not."""
    s, rise = steps_along(place, seen_by, stance)
    with np.errstate(invalid="ignore"):
        near = np.abs(s - ranges[:, None, None]) <= BEFORE
    return np.asarray((near & (rise < -ground_truth.FACE_STEP)).any(axis=(1, 2)))


# walls: the rover turns and drives in a room

CASES: dict[str, dict[str, Any] | None] = {
    "no poses": None,
    "exact poses, 100 Hz": {},
    "exact poses, 1 kHz": {"rate": 1000.0},
    "poses off by 0.2°, 100 Hz": {"noise": JITTER},
}


def room() -> scene.Place:
    """Level floor, 16 m × 10 m; nothing juts out, so that the same walls are seen all through a frame."""
    corners = [(-8.0, -5.0), (8.0, -5.0), (8.0, 5.0), (-8.0, 5.0), (-8.0, -5.0)]
    sides = [solids.wall(f"wall {k}", corners[k], corners[k + 1], 3.0) for k in range(4)]
    floor = solids.Floor(name="floor", x=(-9.0, 9.0), y=(-6.0, 6.0))
    return scene.Place([floor, *sides], name="room")


def walls(rooms: int) -> Iterator[Row]:
    """How far HITs are off what is true of their bins at the end of the frame."""
    place, cases = room(), {case: more for case, more in CASES.items() if more is None or moves()}
    for name in SENSORS:
        seen_by = view(name)
        flattener = Flattener(seen_by.profile)
        for shaking in (False, True):
            errors: dict[str, list[np.ndarray]] = {case: [] for case in cases}
            own = Counter[str]()
            for k in range(rooms):
                drive = driver(k, shaking)
                shot, truth, attitude = driven(place, seen_by, drive, k)
                for case, more in cases.items():
                    how = {"attitude": attitude} if more is None else motion_of(drive, 0.0, seed=k, **more)
                    found = flattener.flatten(shot.cloud, **how)
                    errors[case].append(off_by(found[SLICE], truth))
                    own[case] += int(
                        ((found[SLICE].states == State.HIT) & (found[SLICE].ranges <= OWN)).sum()
                    )
            for case, parts in errors.items():
                row = {"part": "walls", "sensor": name, "shake": shaking, "case": case, "own": own[case]}
                yield {**row, **spread(parts)}


def driven(
    place: scene.Place, seen_by: View, drive: scene.Drive, seed: int
) -> tuple[scene.Capture, scene.SliceTruth, tuple[float, float]]:
    """A frame, and what is true, and how the body leans, at its end."""
    shot = scene.capture(
        place, seen_by.sensor, mount=seen_by.mount, effects=CLEAN, seed=seed, trajectory=drive
    )
    x, y, _, roll, pitch, yaw = drive.at(np.array([float(shot.cloud.time.max())]))[0].tolist()
    band = scene.Slice.of(seen_by.profile.slices[SLICE])
    return shot, scene.truth(place, (x, y, yaw), seen_by.mount, band, seen_by.fan), (roll, pitch)


def driver(number: int, shaking: bool) -> scene.Drive:
    """A drive that begins somewhere in the room."""
    rng = np.random.default_rng([90, number])
    start = (rng.uniform(-5.0, 0.0), rng.uniform(-3.0, 3.0), rng.uniform(-math.pi, math.pi))
    return scene.Drive(start, SPEED, TURN, shake=scene.Shake() if shaking else scene.Shake(0.0, 0.0))


def off_by(scan: Any, truth: scene.SliceTruth) -> np.ndarray:
    """Metres by which each HIT beyond OWN lies outside of what is true of its bin."""
    hit = (scan.states == State.HIT) & np.isfinite(truth.nearest) & (scan.ranges > OWN)
    ranges = scan.ranges[hit].astype(np.float64)
    near, far = truth.nearest[hit], truth.farthest_of_nearest[hit]
    return np.maximum(np.maximum(near - ranges, ranges - far), 0.0)


def spread(parts: list[np.ndarray]) -> Row:
    """Bins, and the errors' median, 95 % and greatest, metres."""
    errors = np.concatenate(parts)
    middle, high = np.percentile(errors, [50.0, 95.0])
    return {"bins": len(errors), "median": float(middle), "p95": float(high), "worst": float(errors.max())}
