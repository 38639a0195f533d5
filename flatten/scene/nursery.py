"""The plant nursery: where all examples play; and scattered places for tests.

The nursery's world, metres: the aisle between the benches runs along x at y = 0, from x = 1 to
x = 12, under hanging pipes. Beyond it a dock edge crosses at x = 18. South of y = −5 lies the
open yard with the test bodies about YARD; a ramp leads to a platform at its east end, a kerb
closes it to the west, shade posts stand west of the aisle.
"""

from __future__ import annotations

import math

import numpy as np

from flatten.scene.place import Place
from flatten.scene.solids import (
    Box,
    Floor,
    Ramp,
    Sheet,
    Solid,
    kerb,
    lying_body,
    pipe,
    post,
    pot,
    shrub,
    table,
    tall_body,
    upright_body,
    wall,
)

YARD = (-4.0, -11.0, 0.0)
"""Pose in the middle of the yard: the test bodies stand 2, 5 and 10 m from here."""
AISLE = (2.4, 0.0, 0.0)
"""Pose in the aisle, facing along it."""
RAMP_TOE = (8.3, -11.0, 0.0)
"""Pose 1.2 m before the toe of the ramp, facing up."""
KERB = (-9.0, -11.0, math.pi)
"""Pose 1.8 m before the kerb, facing it."""
DOCK = (15.6, 0.0, 0.0)
"""Pose 2.4 m before the dock edge, facing it."""
SHADE = (-5.0, 1.0, 0.0)
"""Pose among the shade posts, facing the aisle."""
PALLETS = (4.5, -6.3, 0.0)
"""Pose before the pallets and the parked cart."""

TABLE_TOPS = (0.71, 0.865)
"""Heights of table tops, metres (ADA/ABA 902.3)."""
RAMP_SLOPE = 1.0 / 12.0
"""Steepest ramp for general use (ADA 4.8.2)."""


def nursery(seed: int = 0, *, roughness: float = 0.01) -> Place:
    """Build the nursery. The seed sets heights, sizes and pots; roughness (m) is that of the gravel."""
    rng = np.random.default_rng([75, seed])
    parts: list[Solid] = [
        *_ground(roughness, seed),
        *_benches(rng, seed),
        *_overhead(rng),
        *_walls_and_posts(rng),
        *_ramp_and_kerb(),
        *_goods(rng, seed),
        *_test_bodies(),
    ]
    return Place(parts, name="nursery")


def _draw(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a length in whole millimetres."""
    return round(float(rng.uniform(low, high)), 3)


def _ground(roughness: float, seed: int) -> list[Solid]:
    gravel = Floor(
        name="gravel", x=(-15.0, 18.0), y=(-18.0, 8.0), roughness=roughness, seed=seed, reflectance=0.35
    )
    edge = ((18.0, -18.0, -0.6), (18.0, 8.0, -0.6), (18.0, 8.0, 0.0), (18.0, -18.0, 0.0))
    return [
        gravel,
        Floor(name="dock pit", x=(18.0, 26.0), y=(-18.0, 8.0), z=-0.6, reflectance=0.4),
        Sheet(name="dock face", corners=edge, reflectance=0.5),
    ]


def _benches(rng: np.random.Generator, seed: int) -> list[Solid]:
    parts: list[Solid] = []
    for row, y in enumerate((-1.35, 1.35)):
        for column in range(4):
            x = 2.2 + 2.6 * column
            top = _draw(rng, *TABLE_TOPS)
            leg = _draw(rng, 0.02, 0.04)
            name = f"bench {'right' if row == 0 else 'left'} {column + 1}"
            parts += table(name, x, y, length=2.2, width=0.9, top=top, leg=leg)
            for number, along in enumerate((-0.7, 0.0, 0.7), 1):
                height, width = _draw(rng, 0.18, 0.30), _draw(rng, 0.20, 0.32)
                where = (x + along, y + _draw(rng, -0.2, 0.2))
                parts.append(pot(f"{name} pot {number}", *where, height=height, top=width, bottom=top))
                leaves = seed + 100 * row + 10 * column + number
                size = {"height": _draw(rng, 0.2, 0.5), "width": _draw(rng, 0.25, 0.5)}
                parts.append(
                    shrub(f"{name} shrub {number}", *where, **size, bottom=top + height, seed=leaves)
                )
    return parts


def _overhead(rng: np.random.Generator) -> list[Solid]:
    along = [
        pipe(f"water pipe {k + 1}", (1.0, y), (12.0, y), 0.05, _draw(rng, 1.95, 2.1))
        for k, y in enumerate((-0.55, 0.55))
    ]
    across = [
        pipe(f"heating pipe {k + 1}", (x, -2.2), (x, 2.2), 0.09, _draw(rng, 1.9, 1.94))
        for k, x in enumerate((4.5, 8.4, 11.6))
    ]
    return [*along, *across]


def _walls_and_posts(rng: np.random.Generator) -> list[Solid]:
    parts: list[Solid] = [
        wall("north wall", (-15.0, 7.0), (17.5, 7.0), 2.6),
        wall("potting shed west", (-1.5, 3.2), (-1.5, 7.0), 2.4),
        wall("potting shed south", (-1.5, 3.2), (0.6, 3.2), 2.4),
        wall("yard wall", (-13.0, -17.0), (12.0, -17.0), 2.2),
        wall("screen", (13.5, -3.2), (16.0, -3.2), 1.9),
    ]
    for column, x in enumerate((-13.0, -10.0, -7.0, -4.0)):
        for row, y in enumerate((-3.0, 0.0, 3.0)):
            diameter = _draw(rng, 0.05, 0.08)
            parts.append(post(f"shade post {column * 3 + row + 1}", x, y - 0.2 * (column % 2), diameter, 2.5))
    return parts


def _ramp_and_kerb() -> list[Solid]:
    height = 0.35
    length = height / RAMP_SLOPE
    return [
        Ramp(name="loading ramp", x=9.5, y=-11.0, length=length, width=1.6, height=height, reflectance=0.45),
        Box(name="platform", x=9.5 + length + 1.3, y=-11.0, length=2.6, width=3.0, top=height),
        kerb("kerb", (-11.0, -16.0), (-11.0, -6.0)),
    ]


def _goods(rng: np.random.Generator, seed: int) -> list[Solid]:
    parts: list[Solid] = [
        # 1200 × 800 × 144 mm: EN 13698-1
        Box(name="pallet 1", x=8.0, y=-5.9, length=1.2, width=0.8, top=0.144, yaw=0.3),
        Box(name="pallet 2", x=8.3, y=-7.4, length=1.2, width=0.8, top=3 * 0.144, yaw=-0.2),
        Box(name="cart tray", x=6.3, y=-4.6, length=1.3, width=0.7, bottom=0.30, top=0.36, yaw=0.5),
        tall_body("standing figure", 9.6, -4.4),
    ]
    c, s = math.cos(0.5), math.sin(0.5)
    for number, (u, v) in enumerate([(-0.5, -0.25), (0.5, -0.25), (0.5, 0.25), (-0.5, 0.25)], 1):
        where = (6.3 + c * u - s * v, -4.6 + s * u + c * v)
        parts.append(post(f"cart wheel strut {number}", *where, 0.06, 0.30))
    parts.append(post("cart handle", 6.3 - 0.6 * c, -4.6 - 0.6 * s, 0.04, 1.0, bottom=0.36))
    for number in range(6):
        where = (-1.0 + 1.1 * number, -4.6 + _draw(rng, -0.3, 0.3))
        size = {"height": _draw(rng, 0.25, 0.45), "top": _draw(rng, 0.3, 0.5)}
        parts.append(pot(f"pot {number + 1}", *where, **size))
        if number % 2:
            leaves = {"height": _draw(rng, 0.4, 0.9), "width": _draw(rng, 0.4, 0.7)}
            parts.append(
                shrub(f"shrub {number + 1}", *where, **leaves, bottom=size["height"], seed=seed + number)
            )
    return parts


def _test_bodies() -> list[Solid]:
    parts: list[Solid] = []
    for distance in (2.0, 5.0, 10.0):
        for kind, bearing in (("upright", 0.35), ("lying", -0.35)):
            x = YARD[0] + distance * math.cos(bearing)
            y = YARD[1] + distance * math.sin(bearing)
            name = f"{kind} body at {distance:.0f} m"
            parts.append(upright_body(name, x, y) if kind == "upright" else lying_body(name, x, y, 0.9))
    return parts


def random_place(seed: int, *, objects: int = 24, reach: float = 12.0, clear: float = 1.2) -> Place:
    """Scatter boxes, posts, walls and tables about the origin on a level floor, for tests.

    Nothing comes nearer to the origin than `clear` metres, where a robot is to stand; centres lie
    within `reach`. Things may overlap and hide one another. The same seed builds the same place.
    """
    rng = np.random.default_rng([76, seed])
    parts: list[Solid] = [Floor(name="floor", x=(-60.0, 60.0), y=(-60.0, 60.0))]
    for number in range(1, objects + 1):
        size = _draw(rng, 0.1, 1.6)
        bearing, yaw = (float(a) for a in rng.uniform(-math.pi, math.pi, 2))
        distance = float(rng.uniform(clear + size, max(reach, clear + size)))
        x, y = distance * math.cos(bearing), distance * math.sin(bearing)
        parts += _scattered(rng, number, (x, y), size, yaw)
    return Place(parts, name=f"random place {seed}")


def _scattered(
    rng: np.random.Generator, number: int, where: tuple[float, float], size: float, yaw: float
) -> list[Solid]:
    """One thing whose footprint lies within `size` of (x, y)."""
    x, y = where
    kind = ("box", "post", "wall", "table")[int(rng.integers(4))]
    height = _draw(rng, 0.15, 2.2)
    name = f"{kind} {number}"
    if kind == "post":
        return [post(name, x, y, min(2.0 * size, _draw(rng, 0.04, 0.4)), height)]
    if kind == "wall":
        reach = 0.95 * size
        c, s = reach * math.cos(yaw), reach * math.sin(yaw)
        return [wall(name, (x - c, y - s), (x + c, y + s), 1.0 + height, min(0.12, 0.3 * size))]
    length, width = 1.4 * size, 1.4 * size * _draw(rng, 0.3, 1.0)
    if kind == "table" and size > 0.4:
        leg = _draw(rng, 0.02, 0.04)
        return table(name, x, y, length=length, width=width, top=_draw(rng, *TABLE_TOPS), leg=leg, yaw=yaw)
    return [Box(name=name, x=x, y=y, length=length, width=width, top=height, yaw=yaw)]
