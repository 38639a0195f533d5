"""Which rough sample clouds there are, and the two ways in which each is flattened to be compared."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from flatten.scene import pieces, rover
from flatten.scene.cover import Wet, grass
from flatten.scene.effects import Effects
from flatten.scene.ground import Ground
from flatten.scene.moving import Drive, Held, Shake, Trajectory
from flatten.scene.outdoors import Kind, Outdoors, Thing, stood
from flatten.scene.pieces import Piece
from flatten.scene.place import Place
from flatten.scene.solids import Box, Floor, Solid, post, pot, shrub, table, upright_body, wall
from flatten.scene.standing import stand

SEED = 5
GRAVITY: dict[str, Any] = {"level": "gravity"}
FLOOR: dict[str, Any] = {"level": "floor"}
DROPS: dict[str, Any] = {"level": "floor", "slices.drive.drops": True}
FIELD = Effects(
    range_noise=0.01, drop_far=0.3, drop_grazing=0.3, mixed=0.2, dust=0.002, robot=rover.own_solids()
)
QUIET = Effects(range_noise=0.01, robot=rover.own_solids())
"""Of a body that moves: what is off then is off by the motion."""
POSE_RATE = 200.0
"""Poses a second that come along with a moving body."""


@dataclass(frozen=True)
class Way:
    """One way to flatten a cloud: its name, what is put above the profile, whether the poses are used."""

    name: str
    settings: dict[str, Any] = field(default_factory=dict)
    motion: bool = False


@dataclass(frozen=True)
class RoughSample:
    """One rough sample cloud: where it is taken, how the body moves, what there is to see."""

    name: str
    shows: str
    place: Callable[[], Place]
    ways: tuple[Way, Way]
    drive: Callable[[Place], Trajectory]
    moves: bool = False


BY_LEVEL = (Way("level: gravity", GRAVITY), Way("level: floor", FLOOR))
BY_DROPS = (Way("level: floor", FLOOR), Way("level: floor, drops: on", DROPS))
BY_MOTION = (Way("without motion", GRAVITY), Way("with motion", GRAVITY, motion=True))


def _held(place: Place) -> Trajectory:
    assert isinstance(place, Outdoors)
    return Held(place.stance)


def _outdoors(
    name: str, parts: tuple[Piece, ...], things: Callable[[Ground], list[Thing]], **cover: Any
) -> Outdoors:
    """Build a rough part of the nursery; the rover stands at its origin and looks along x."""
    ground = Ground(name="ground", pieces=parts, reflectance=0.35)
    return Outdoors(
        ground, things(ground), stance=stand(ground, 0.0, 0.0, 0.0), seed=SEED, name=name, **cover
    )


def _stood(ground: Ground, solids: list[Solid | list[Solid]]) -> list[Thing]:
    """Stand each of these on the ground."""
    listed = [parts if isinstance(parts, list) else [parts] for parts in solids]
    return [stood(parts[0].name, parts, ground) for parts in listed]


def _crate(name: str, x: float, y: float, top: float = 0.6, size: float = 0.6) -> Solid:
    return Box(name=name, x=x, y=y, length=size, width=size, top=top)


def _long_wall(name: str, start: tuple[float, float], end: tuple[float, float], height: float) -> list[Solid]:
    """Wall in stretches of about a metre, so that each stands on the ground under it."""
    count = max(1, round(math.dist(start, end)))
    ends = [
        (start[0] + (end[0] - start[0]) * k / count, start[1] + (end[1] - start[1]) * k / count)
        for k in range(count + 1)
    ]
    return [wall(f"{name} {k}", ends[k], ends[k + 1], height) for k in range(count)]


def _loading_ramp() -> Outdoors:
    return _outdoors(
        "loading ramp",
        (pieces.ramp(2.0, pieces.LOADING, 0.7, across=(-2.2, 2.2)),),
        lambda ground: _stood(
            ground,
            [
                _crate("crate on the ramp", 5.6, 0.9), _crate("crate on the landing", 11.5, -0.8, 0.9),
                post("post", 8.2, -1.5, 0.1, 1.2), pot("tub", 2.8, -3.4, height=0.4, top=0.5),
                shrub("shrub", -3.5, 2.5, height=1.0, width=0.6), upright_body("test body", 3.6, -1.0),
                *_long_wall("shed", (-6.0, 5.0), (12.0, 5.0), 2.2), _crate("stack", -4.0, -2.5, 1.0, 0.9),
            ],
        ),
    )  # fmt: skip


def _steep_ramp() -> Outdoors:
    return _outdoors(
        "steep ramp",
        (pieces.ramp(1.2, math.radians(15.0), 1.2, across=(-2.0, 2.0)),),
        lambda ground: _stood(
            ground,
            [
                _crate("crate on the ramp", 3.2, 0.8, 0.5, 0.5), post("post on top", 6.6, -0.9, 0.1, 1.2),
                upright_body("test body", 2.4, -0.8), _crate("crate on top", 7.5, 0.6, 0.9, 0.8),
                *_long_wall("shed", (-6.0, -4.5), (9.0, -4.5), 2.2), _crate("stack", -3.0, 2.5, 1.0, 0.9),
                shrub("shrub", 2.0, 3.6, height=1.1, width=0.6),
            ],
        ),
    )  # fmt: skip


def _kerb() -> Outdoors:
    """Full kerb with a lowered crossing of 25 mm (Hampshire kerbing guide), both along the way's far side."""
    far = 60.0
    return _outdoors(
        "kerb",
        (
            pieces.step(2.2, pieces.KERB, across=(-far, -1.0)), pieces.step(2.2, 0.025, across=(-1.0, 1.0)),
            pieces.step(2.2, pieces.KERB, across=(1.0, far)), pieces.crossfall(math.radians(1.0)),
        ),
        lambda ground: _stood(
            ground,
            [
                post("bollard left", 2.8, 1.3, 0.12, 0.9), post("bollard right", 2.8, -1.3, 0.12, 0.9),
                pot("tub", 4.2, 2.4, height=0.45, top=0.6), _crate("crate", 5.5, -2.0, 0.7),
                table("bench", 6.5, 2.0, length=2.2, width=0.9, top=0.8), _crate("stack", -3.5, 2.0, 0.9),
                *_long_wall("hedge", (9.0, -7.0), (9.0, 7.0), 1.5),
            ],
        ),
    )  # fmt: skip


def _dock() -> Outdoors:
    return _outdoors(
        "dock",
        (pieces.step(2.4, -0.6), pieces.trench(-4.0, 0.8, 0.5, across=(-3.0, 3.0))),
        lambda ground: _stood(
            ground,
            [
                _crate("crate on the dock", 1.4, 2.2, 0.6), post("bollard", 2.0, -1.6, 0.12, 0.9),
                _crate("van", 5.2, 1.2, 1.9, 1.8), _crate("stack below", 4.5, -3.0, 0.8, 0.9),
                *_long_wall("shed", (-7.0, -5.0), (2.0, -5.0), 2.2),
            ],
        ),
    )  # fmt: skip


def _gravel() -> Outdoors:
    """Crossfall of 3 degrees, a hollow and a rise: common practice, no source."""
    return _outdoors(
        "gravel",
        (pieces.crossfall(math.radians(3.0)), pieces.crest(3.0, 5.0, math.radians(6.0))),
        lambda ground: _stood(
            ground,
            [
                pot("tub", 2.6, -1.8, height=0.4, top=0.5), upright_body("test body", 3.0, 1.0),
                _crate("crate", 6.0, 2.5, 0.7), shrub("shrub", 5.5, -3.0, height=1.0, width=0.6),
                table("bench", -3.0, 3.2, length=2.2, width=0.9, top=0.8), post("post", 8.5, 0.5, 0.1, 1.5),
                *_long_wall("hedge", (-4.0, -6.0), (9.0, -6.0), 1.4),
            ],
        ),
        gravel=0.01,
    )  # fmt: skip


def _grass() -> Outdoors:
    def things(ground: Ground) -> list[Thing]:
        stands = _stood(
            ground,
            [
                _crate("crate", 4.6, 0.4, 0.6), post("post", 3.0, -1.6, 0.08, 1.2),
                shrub("shrub", 5.5, 3.0, height=1.0, width=0.6), pot("tub", -2.5, -2.0, height=0.4, top=0.5),
                *_long_wall("hedge", (-5.0, 5.5), (9.0, 5.5), 1.4),
            ],
        )  # fmt: skip
        places = ((2.4, 0.9, 0.7), (3.4, -0.4, 0.8), (1.6, -2.4, 0.8), (5.8, -1.8, 1.0))
        patches = [
            grass(f"grass {k}", ground, x, y, radius, tufts=int(24 * radius**2) + 5, seed=SEED + k)
            for k, (x, y, radius) in enumerate(places)
        ]
        return [*stands, *(Thing(patch.name, (patch,), Kind.GRASS) for patch in patches)]

    hump = pieces.crest(2.0, 6.0, math.radians(5.0))
    return _outdoors("grass", (hump, pieces.crossfall(math.radians(1.5))), things, gravel=0.01)


def _wet() -> Outdoors:
    """Puddles that mirror half of the beams, before a wall, on ground that falls by 2 degrees."""
    return _outdoors(
        "wet patch",
        (pieces.crossfall(math.radians(2.0), axis=0), pieces.crossfall(math.radians(1.0))),
        lambda ground: _stood(
            ground,
            [
                _crate("crate", 5.2, 1.4, 0.9, 0.7), post("post", 4.6, -1.0, 0.1, 1.5),
                upright_body("test body", 3.2, 1.6), *_long_wall("shed", (7.0, -5.0), (7.0, 5.0), 2.2),
                shrub("shrub", -3.0, 2.5, height=1.0, width=0.6),
            ],
        ),
        wet=(Wet(3.4, -0.1, 1.1, 0.5), Wet(2.0, 2.4, 0.7, 0.5), Wet(4.8, -2.8, 0.9, 0.5)),
    )  # fmt: skip


@functools.cache
def _packing_shed() -> Place:
    """Level floor, 16 m × 10 m between walls, with benches, posts and stacks."""
    corners = [(-8.0, -5.0), (8.0, -5.0), (8.0, 5.0), (-8.0, 5.0), (-8.0, -5.0)]
    sides: list[Solid] = [wall(f"wall {k}", corners[k], corners[k + 1], 3.0) for k in range(4)]
    stands: list[Solid] = [
        _crate("stack left", 3.0, 3.6, 1.1, 1.0), _crate("stack right", 5.5, -3.4, 0.9, 0.9),
        _crate("crate", 1.5, -3.0, 0.7, 0.7), post("post left", 2.0, 1.6, 0.15, 3.0),
        post("post right", -4.0, -1.6, 0.15, 3.0), post("post ahead", 6.0, 1.0, 0.15, 3.0),
        _crate("stack behind", -6.0, 2.5, 1.2, 1.2),
    ]  # fmt: skip
    floor = Floor(name="floor", x=(-9.0, 9.0), y=(-6.0, 6.0))
    return Place([floor, *sides, *stands], name="packing shed")


START = (-1.5, -0.3, 0.2)

ROUGH = (
    RoughSample(
        "loading_ramp",
        "A loading ramp of 1:12 begins 2 m ahead and leads to a landing; crate, post and test body on it.",
        _loading_ramp, BY_LEVEL, _held,
    ),
    RoughSample(
        "steep_ramp",
        "A ramp of 15 degrees begins 1.2 m ahead, as steep as the sample rover would ever be sent up.",
        _steep_ramp, BY_LEVEL, _held,
    ),
    RoughSample(
        "kerb_crossing",
        "A kerb of 100 mm, lowered to 25 mm straight ahead: the one stops the rover, the other does not.",
        _kerb, BY_LEVEL, _held,
    ),
    RoughSample(
        "dock_drop",
        "The dock ends 2.4 m ahead, 0.6 m deep, and a ditch runs behind: nothing stands there to be hit.",
        _dock, BY_DROPS, _held,
    ),
    RoughSample(
        "gravel",
        "Gravel, stones of ±1 cm, on a crossfall of 3 degrees with a rise ahead.",
        _gravel, BY_LEVEL, _held,
    ),
    RoughSample(
        "grass",
        "Tufts of grass, 80 to 150 mm tall, on a hump: a rover may drive through, scans may show them.",
        _grass, BY_LEVEL, _held,
    ),
    RoughSample(
        "wet_patch",
        "Puddles mirror half of the beams: ghosts of the wall, the crate and the post lie below the floor.",
        _wet, BY_LEVEL, _held,
    ),
    RoughSample(
        "shake",
        "The frame shakes by 1.5 degrees at 20 Hz while the rover drives at 1 m/s through the packing shed.",
        _packing_shed, BY_MOTION, lambda place: Drive(START, 1.0, shake=Shake(math.radians(1.5), 20.0)),
        moves=True,
    ),
    RoughSample(
        "turn",
        "The rover turns by 60 degrees a second on the spot in the packing shed: 6 degrees within the frame.",
        _packing_shed, BY_MOTION, lambda place: Drive(START, 0.0, math.radians(60.0)), moves=True,
    ),
)  # fmt: skip
"""All rough sample clouds."""
