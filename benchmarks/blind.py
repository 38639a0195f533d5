"""How well blind zones from recorded clouds cover the robot, and what else they swallow.

Made-up robots (deck, mast, lamp, antenna, crate, side pods) drive circles among scattered things that come
as near as 15 cm to their sides; 36 clouds, range noise 5 to 20 mm, dust, split beams. The zones are then
judged by clouds of another place: own returns that they hold, returns of anything else that they swallow.
Dust and split beams belong to nobody and are not counted.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from flatten import scene
from flatten.errors import TuningError
from flatten.profile import Profile
from flatten.scene.solids import Box, Cylinder, Solid
from flatten.tuning.blind import Blind, find_zones
from flatten.tuning.bodies import contains
from flatten.tuning.near import pose_of

RUNS = 40
FIRST_SEED = 1000
"""Seeds below were looked at while this was made."""
CLOUDS, JUDGED = 36, 8
PERIOD = 0.8
"""Seconds between the clouds that are taken of a drive."""
SPEED = 0.5
ARM_BEYOND = 0.08
"""Metres behind the deck from which on an arm is held against the zones."""
WANTED_OWN, WANTED_OTHERS = 0.999, 0.001
ROSETTE, ROTATING = scene.Rosette(), scene.Rotating(near=0.1)

Row = dict[str, Any]
Rng = np.random.Generator
Numbers = np.ndarray
Robot = tuple[Solid, ...]


class Made(NamedTuple):
    """A robot, its profile, and how it is seen."""

    profile: Profile
    sensor: Any
    mount: scene.Mount
    solids: Robot
    arm: Any
    """Cylinder of the arm by frame number, None for a robot without."""
    effects: scene.Effects
    half_width: float
    """Metres from the middle to the outermost side."""


def robot(seed: int, sensor: str, arm: bool = False) -> Made:
    """Draw a robot with its sensor; with an arm that swings beside the deck."""
    rng = np.random.default_rng([91, seed])
    length, width, top = rng.uniform(0.6, 1.2), rng.uniform(0.45, 0.9), rng.uniform(0.25, 0.6)
    deck = Box(name="deck", x=0.0, y=0.0, length=length, width=width, bottom=0.08, top=top, reflectance=0.4)
    high = top + rng.uniform(0.25, 0.5)
    eye = (rng.uniform(0.1, 0.45) * length, rng.uniform(-0.25, 0.25) * width, high - rng.uniform(0.0, 0.1))
    upside_down = sensor == "rosette"
    mount = scene.Mount(
        *(round(float(part), 3) for part in eye), math.pi * upside_down,
        math.radians(float(rng.uniform(-6.0, 6.0))), 0.0,
    )  # fmt: skip
    solids: list[Solid] = [deck, *_mast(rng, eye, top, high), *_on_deck(rng, eye, length, width, top)]
    pods = _pods(rng, length, width, top)
    solids += pods
    reach = width / 2 + max((pod.width for pod in pods), default=0.0)
    declared = 2.0 * reach if rng.uniform() < 0.7 else width
    told = {
        "robot": {"length": round(length, 2), "width": round(declared, 2), "height": round(high, 2)},
        "mount": {"x": mount.x, "y": mount.y, "z": mount.z, "roll": 180.0 * upside_down,
                  "pitch": math.degrees(mount.pitch)},
        "slices": {"drive": {"bottom": 0.08, "top": round(high, 2) + 0.15}},
        "fan": {"bins": 720},
    }  # fmt: skip
    effects = scene.Effects(
        range_noise=float(rng.uniform(0.005, 0.02)), drop_far=0.3, drop_grazing=0.3, mixed=0.3, dust=0.001,
        robot=tuple(solids),
    )  # fmt: skip
    swing = _arm(rng, length, width, top) if arm else None
    seen_by = ROSETTE if upside_down else ROTATING
    return Made(Profile.from_dict(told), seen_by, mount, tuple(solids), swing, effects, reach)


def _mast(rng: Rng, eye: Sequence[float], top: float, high: float) -> list[Solid]:
    """A mast a hand behind the sensor, with the arm that carries it above."""
    x, y = eye[0] - rng.uniform(0.14, 0.22), eye[1]
    foot, head, radius = (x, y, top), (x, y, high + 0.1), rng.uniform(0.015, 0.04)
    beam = Box(name="beam", x=(x + eye[0]) / 2, y=y, length=eye[0] - x + 0.06, width=0.05, bottom=high + 0.11,
               top=high + 0.15)  # fmt: skip
    return [Cylinder(name="mast", start=foot, end=head, radius=radius), beam]


def _on_deck(rng: Rng, eye: Sequence[float], length: float, width: float, top: float) -> list[Solid]:
    """Lamp, antenna and crate, at places of the deck away from the sensor."""
    made: list[Solid] = []
    for name in ("lamp", "antenna", "crate"):
        if rng.uniform() > 0.75:
            continue
        for _ in range(50):
            x, y = rng.uniform(-0.44, 0.44) * length, rng.uniform(-0.42, 0.42) * width
            if math.hypot(x - eye[0], y - eye[1]) > 0.28:
                break
        else:
            continue
        if name == "crate":
            side = rng.uniform(0.08, 0.2)
            made.append(
                Box(
                    name=name, x=x, y=y, length=side, width=side, bottom=top, top=top + rng.uniform(0.05, 0.2)
                )
            )
            continue
        tall, radius = (0.15, 0.04) if name == "lamp" else (rng.uniform(0.3, 0.6), rng.uniform(0.004, 0.01))
        made.append(Cylinder(name=name, start=(x, y, top), end=(x, y, top + tall), radius=radius))
    return made


def _pods(rng: Rng, length: float, width: float, top: float) -> list[Box]:
    """Boxes at one side, at both, or none."""
    wide, long, high = rng.uniform(0.08, 0.2), rng.uniform(0.4, 0.9) * length, top - rng.uniform(0.0, 0.12)
    sides = ((), (1.0,), (-1.0, 1.0))[int(rng.integers(3))]
    return [
        Box(
            name=f"pod {side:+.0f}",
            x=0.0,
            y=side * (width + wide) / 2,
            length=long,
            width=wide,
            bottom=0.1,
            top=high,
        )
        for side in sides
    ]


def _arm(rng: Rng, length: float, width: float, top: float) -> Any:
    """A bar at the rear end of the deck that swings about an upright axis, otherwise in every frame."""
    foot = np.array([-0.5 * length + 0.03, rng.uniform(-0.2, 0.2) * width, top + 0.08])
    reach, phase = rng.uniform(0.25, 0.4), rng.uniform(0.0, 6.0)

    def at(frame: int) -> Cylinder:
        turn = math.pi + 1.0 * math.sin(phase + 0.9 * frame)
        end = foot + reach * np.array([math.cos(turn), math.sin(turn), 0.2])
        return Cylinder(name="arm", start=tuple(foot), end=tuple(end), radius=0.03)

    return at


def drive(made: Made, seed: int, clouds: int, still: bool = False) -> Iterator[scene.Capture]:
    """Clouds of one drive among scattered things; or standing in the open."""
    rng = np.random.default_rng([92, seed])
    round_ = float(rng.uniform(0.6, 1.5))
    clear = 3.0 if still else round_ + max(made.half_width, 0.3) + float(rng.uniform(0.15, 0.5))
    place = scene.random_place(seed, objects=36, reach=9.0, clear=clear)
    left = 1.0 if rng.uniform() < 0.5 else -1.0
    path = scene.Drive(
        (0.0, -round_ * left, 0.0), 0.0 if still else SPEED, 0.0 if still else left * SPEED / round_,
        shake=scene.Shake(math.radians(0.4), 3.0),
    )  # fmt: skip
    if still:
        path = replace(path, start=(0.0, 0.0, float(rng.uniform(-3.0, 3.0))), shake=scene.Shake(0.0, 0.0))
    for k in range(clouds):
        effects = made.effects
        if made.arm is not None:
            effects = replace(effects, robot=(*made.solids, made.arm(k)))
        yield scene.capture(
            place, made.sensor, mount=made.mount, effects=effects, seed=seed, frame=k, trajectory=path,
            start=PERIOD * k,
        )  # fmt: skip


def judge(made: Made, found: Blind, seed: int) -> Row:
    """Count by clouds of another place what the zones hold."""
    own = own_held = others = others_held = arm = arm_held = 0
    for k, shot in enumerate(drive(made, seed, JUDGED)):
        pose = pose_of(made.profile.mount)
        points = shot.cloud.xyz @ pose[:3, :3].T + pose[:3, 3]
        held = np.zeros(len(points), bool)
        for zone in found.zones:
            held |= contains(zone, points, made.profile.mount)
        mine = shot.labels == scene.OWN_ROBOT
        moving = np.zeros(len(points), bool)
        if made.arm is not None:
            moving = mine & near_bar(points, made.arm(k))
            mine &= ~moving
            moving &= (
                points[:, 0] < -made.profile.robot.length / 2 - ARM_BEYOND
            )  # what is over the deck is in its zone
        other = shot.labels >= 0
        own, own_held = own + int(mine.sum()), own_held + int((mine & held).sum())
        others, others_held = others + int(other.sum()), others_held + int((other & held).sum())
        arm, arm_held = arm + int(moving.sum()), arm_held + int((moving & held).sum())
    return {
        "own": own, "own held": own_held, "others": others, "others held": others_held, "arm": arm,
        "arm held": arm_held,
    }  # fmt: skip


def near_bar(points: Numbers, bar: Cylinder) -> Numbers:
    """Tell which points (N, 3) lie on a bar, noise allowed."""
    start, along = np.array(bar.start), np.array(bar.end) - np.array(bar.start)
    share = np.clip((points - start) @ along / (along @ along), 0.0, 1.0)
    return np.linalg.norm(points - start - share[:, None] * along, axis=1) < bar.radius + 0.06


def run(seeds: range, sensor: str, still: bool = False, arm: bool = False) -> Iterator[Row]:
    """One row a robot: what its zones hold, or why nothing was proposed."""
    for seed in seeds:
        made = robot(seed, sensor, arm)
        clouds = [shot.cloud for shot in drive(made, seed, 4 if still else CLOUDS, still)]
        row: Row = {"seed": seed}
        try:
            found = find_zones(clouds, made.profile, replace=True, most_hidden=1.0)
        except TuningError as error:
            yield {**row, "refused": str(error)}
            continue
        yield {
            **row, **judge(made, found, seed + 500_000), "moved": found.own.moved, "zones": len(found.zones),
            "parts": len(found.own.parts), "blocked": found.effect.worst.lost,
            "most": max((part.effect.worst.lost for part in found.proposals), default=0.0),
        }  # fmt: skip
        if sys.stderr.isatty():
            print(f"\r{seed} of {seeds[-1]} ", end="", file=sys.stderr)


def summary(case: str, rows: list[Row]) -> Row:
    """Shares over all robots, and how many robots are within what is wanted."""
    good = [row for row in rows if "own" in row]
    covered = np.array([row["own held"] / max(1, row["own"]) for row in good])
    removed = np.array([row["others held"] / max(1, row["others"]) for row in good])
    total = {key: sum(row[key] for row in good) for key in ("own", "own held", "others", "others held")}
    return {
        "case": case, "robots": len(rows), "refused": len(rows) - len(good),
        "covered": total["own held"] / max(1, total["own"]),
        "covered within": float((covered >= WANTED_OWN).mean()), "covered worst": float(covered.min()),
        "removed": total["others held"] / max(1, total["others"]),
        "removed within": float((removed < WANTED_OTHERS).mean()), "removed worst": float(removed.max()),
        "zones": float(np.median([row["zones"] for row in good])),
        "told to move": float(np.mean([row["moved"] for row in good])),
        "parts told": float(np.mean([row["parts"] > 0 for row in good])),
        "arm held": sum(row["arm held"] for row in good) / max(1, sum(row["arm"] for row in good)),
        "blocked": float(np.median([row["blocked"] for row in good])),
        "one zone blocks": float(np.percentile([row["most"] for row in good], 90)),
    }  # fmt: skip


CASES: dict[str, Row] = {
    "driving, rosette": {"sensor": "rosette"},
    "driving, rotating": {"sensor": "rotating"},
    "driving, rosette, an arm that swings": {"sensor": "rosette", "arm": True},
    "standing in the open, rosette": {"sensor": "rosette", "still": True},
    "standing in the open, rotating": {"sensor": "rotating", "still": True},
}


def measure(runs: int = RUNS) -> list[Row]:
    """All cases."""
    seeds = range(FIRST_SEED, FIRST_SEED + runs)
    return [summary(case, list(run(seeds, **how))) for case, how in CASES.items()]
