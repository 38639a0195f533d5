"""How much a scan answers, and how often it calls free what is not: by object, distance, sensor and frames.

One object stands in an open yard with gravel of ±1 cm, 20 m from any wall, and the sample rover
looks at it from many headings. Every bin into which a true surface of the slice reaches is counted:

- shown: HIT no farther than the object's surface in the bin, plus 4 σ of the range noise;
- false-free: HIT beyond the surface, CLEAR, or a witnessed stretch that holds the surface;
- unanswered: the rest (UNSEEN, BLOCKED, TOO_NEAR, and HIT by something nearer).

A bin that the object fills over its whole width and one that it only touches are counted apart.
Several frames are gathered by putting their returns together while the rover stands still.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from typing import Any

import numpy as np

from flatten import Flattener, Profile, State, scene
from flatten.cloud import Cloud
from flatten.scene import rover, solids
from flatten.scene.effects import Effects

SENSORS = {"rosette": (scene.Rosette(), "rover.yaml"), "rotating": (scene.Rotating(), "rover_rotating.yaml")}
NOISE = 0.01
FIELD = Effects(
    range_noise=NOISE, drop_far=0.3, drop_grazing=0.3, mixed=0.2, dust=0.002, robot=rover.own_solids()
)
CLEAN = Effects(robot=rover.own_solids())
FRAMES = (1, 5, 10)
DISTANCES = (2.0, 5.0, 10.0, 15.0)
HEADINGS = 6


def objects(distance: float) -> dict[str, tuple[str, list[solids.Solid]]]:
    """The objects of the table at a distance straight ahead along x: name → slice to look at, solids."""
    d = distance
    return {
        "upright body Ø70 × 400": ("low", [solids.upright_body("body", d, 0.0)]),
        "lying body Ø200 × 600": ("low", [solids.lying_body("body", d, 0.0, math.pi / 2)]),
        "post Ø100 × 2500": ("drive", [solids.post("post", d, 0.0, 0.10, 2.5)]),
        "kerb 100": ("low", [solids.kerb("kerb", (d, -3.0), (d, 3.0))]),
        "pallet 144": (
            "low",
            [solids.Box(name="pallet", x=d + 0.6, y=0.0, length=1.2, width=0.8, top=0.144)],
        ),
        "table 865": ("drive", solids.table("table", d + 0.4, 0.0, length=0.8, width=2.0, top=0.865)),
        "wall 2000": ("drive", [solids.wall("wall", (d, -3.0), (d, 3.0), 2.0)]),
    }


def yard(things: list[solids.Solid]) -> scene.Place:
    """Gravel, four walls 20 m away, and the things."""
    corners = [(-20, -20), (20, -20), (20, 20), (-20, 20), (-20, -20)]
    walls = [solids.wall(f"far wall {k}", corners[k], corners[k + 1], 3.0) for k in range(4)]
    ground = solids.Floor(name="gravel", x=(-21.0, 21.0), y=(-21.0, 21.0), roughness=0.01)
    return scene.Place([ground, *walls, *things], name="yard")


def gathered(
    place: scene.Place, sensor: Any, pose: Any, mount: Any, effects: Effects, seed: int, frames: int
) -> Cloud:
    """The returns of several frames of a rover that stands still."""
    shots = [
        scene.capture(place, sensor, pose, mount, effects=effects, seed=seed, frame=k).cloud.xyz.astype(
            np.float32
        )
        for k in range(frames)
    ]
    return Cloud.from_array(np.concatenate(shots), "gathered")


def judge(scan: Any, truth: Any, thing: np.ndarray, slack: float) -> dict[str, int]:
    """Count what a scan says of the bins in which a thing of the slice stands."""
    surface = truth.farthest_of_nearest + slack
    hit = scan.states == State.HIT
    passed = (hit & (scan.ranges > surface)) | (scan.states == State.CLEAR)
    witnessed = (scan.clear_from < truth.nearest) & (scan.clear_to > surface)
    false_free = thing & (passed | witnessed)
    shown = thing & hit & ~false_free & (scan.ranges >= truth.nearest - slack)
    filled = thing & truth.filled
    return {
        "bins": int(thing.sum()),
        "shown": int(shown.sum()),
        "false_free": int(false_free.sum()),
        "clear": int((thing & (scan.states == State.CLEAR)).sum()),
        "filled": int(filled.sum()),
        "filled_shown": int((filled & shown).sum()),
        "filled_false_free": int((filled & false_free).sum()),
        "filled_witnessed": int((filled & witnessed).sum()),
    }


def measure(effects_name: str = "field") -> list[dict[str, Any]]:
    """All rows of the table."""
    effects = FIELD if effects_name == "field" else CLEAN
    rows = []
    for sensor_name, (sensor, profile_name) in SENSORS.items():
        profile = Profile.parse(rover.PROFILES[profile_name], profile_name)
        flattener, mount, fan = Flattener(profile), scene.Mount.of(profile), scene.Fan.of(profile)
        for distance in DISTANCES:
            for name, (slice_name, things) in objects(distance).items():
                place = yard(things)
                tallies = {frames: Counter[str]() for frames in FRAMES}
                for k in range(HEADINGS):
                    # the object comes to lie 40° to the left … 40° to the right, off the bins' edges
                    pose = (0.0, 0.0, math.radians(-40.0 + 80.0 * (k + 0.37) / HEADINGS))
                    band = scene.Slice.of(profile.slices[slice_name])
                    truth = scene.truth(place, pose, mount, band, fan)
                    thing = truth.nearest < distance + 4.0
                    for frames, tally in tallies.items():
                        cloud = gathered(place, sensor, pose, mount, effects, 100 * k, frames)
                        tally.update(judge(flattener.flatten(cloud)[slice_name], truth, thing, 4 * NOISE))
                for frames, tally in tallies.items():
                    rows.append({
                        "effects": effects_name, "sensor": sensor_name, "object": name, "slice": slice_name,
                        "distance": distance, "frames": frames, **tally,
                    })  # fmt: skip
    return rows


SMALLEST, STARTS, ENDS = (0.1, 0.2, 0.3, 0.4, 0.6), (1.0, 1.5, 2.0), (4.0, 6.0, 8.0, 10.0, 12.0)


def clear_defaults() -> list[dict[str, Any]]:
    """How CLEAR fares in the sample place for candidate values of the `clear` section.

    `clear_false` counts CLEAR bins with a true surface of the slice nearer than `to`, whatever it
    is: it may hang, be low or thin, none of which CLEAR speaks for.
    """
    place = scene.nursery(1)
    rng = np.random.default_rng(12)
    lanes = [-9.0, 0.0, -6.3]
    poses = [(rng.uniform(-10, 12), rng.choice(lanes), rng.uniform(-math.pi, math.pi)) for _ in range(10)]
    rows = []
    for sensor_name, (sensor, profile_name) in SENSORS.items():
        base = Profile.parse(rover.PROFILES[profile_name], profile_name)
        mount, fan, band = scene.Mount.of(base), scene.Fan.of(base), scene.Slice.of(base.slices["drive"])
        seen: dict[int, list[Any]] = {frames: [] for frames in FRAMES}
        for k, pose in enumerate(poses):
            truth = scene.truth(place, pose, mount, band, fan)
            for frames, clouds in seen.items():
                clouds.append((truth, gathered(place, sensor, pose, mount, FIELD, k, frames)))
        for smallest, start, to in itertools.product(SMALLEST, STARTS, ENDS):
            clear = {"clear.smallest": smallest, "clear.from": start, "clear.to": to}
            flattener = Flattener(
                Profile.parse(rover.PROFILES[profile_name], overrides=clear), fields={"states"}
            )
            for frames, clouds in seen.items():
                tally = sum(
                    (clear_tally(flattener, truth, cloud, to) for truth, cloud in clouds), Counter[str]()
                )
                row = {"sensor": sensor_name, "smallest": smallest, "from": start, "to": to, "frames": frames}
                rows.append({**row, **dict.fromkeys(TALLIED, 0), **tally})
    return rows


TALLIED = ("free", "clear", "clear_free", "clear_false")


def clear_tally(flattener: Flattener, truth: Any, cloud: Cloud, to: float) -> Counter[str]:
    """Count the bins that are CLEAR, those that are truly free to `to`, and where the two disagree."""
    clear = flattener.flatten(cloud)["drive"].states == State.CLEAR
    free, taken = truth.nearest > to, truth.nearest < to - 4 * NOISE
    return Counter(
        free=int(free.sum()),
        clear=int(clear.sum()),
        clear_free=int((clear & free).sum()),
        clear_false=int((clear & taken).sum()),
    )
