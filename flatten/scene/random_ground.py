"""Rough outdoor places by the number: any seed gives a place in which a rover stands safely.

The rover stands at the world's origin, headed anywhere; creases of the ground may run under it. Within
ROOM metres of it there is no edge, kerb or thing, so that it may turn, and drive 0.6 m ahead.
"""

from __future__ import annotations

import math

import numpy as np

from flatten.scene import pieces
from flatten.scene.cover import Wet, grass
from flatten.scene.ground import Ground
from flatten.scene.outdoors import Kind, Outdoors, Thing, stood
from flatten.scene.pieces import ENDLESS, Piece
from flatten.scene.solids import Box, Solid, pipe, post, pot, shrub, table, wall
from flatten.scene.standing import stand

ROOM = 1.5
"""Metres about the rover without edges and things."""
HALF = 30.0
"""Metres from the rover to the ends of the ground."""
CROSSFALL = math.radians(3.0)
"""Steepest crossfall, radians: common practice, no source."""

Rng = np.random.Generator


def random_ground(
    seed: int,
    *,
    max_slope: float = math.radians(20.0),
    drops: bool = True,
    kerbs: bool = True,
    things: int = 18,
    gravel: float = 0.01,
    tufts: bool = True,
    wet: bool = True,
) -> Outdoors:
    """Build a rough part of the nursery; its `stance` is that of the rover.

    No ground is steeper than `max_slope` (radians; 0 makes it level). `drops` are dock edges,
    stairs down, ditches, holes and raised platforms, 0.2 to 1.2 m; kerbs are 100 mm, upwards.
    About so many things stand about; gravel lies within ± so many metres. Tufts of grass and wet
    patches may be left out. The same seed and options build the same place.

    Raises ValueError for a slope outside [0, 45°].
    """
    if not 0.0 <= max_slope <= math.radians(45.0):
        raise ValueError(f"max_slope {max_slope}: wanted 0 to 45 degrees, in radians")
    rng = np.random.default_rng([77, seed])
    ground = _ground(rng, max_slope, drops, kerbs)
    yaw = float(rng.uniform(-math.pi, math.pi))
    listed = [thing for number in range(things) for thing in _thing(rng, ground, number + 1)]
    listed += _walls(rng, ground)
    if tufts:
        listed += _meadows(rng, ground)
    pools = _pools(rng) if wet else ()
    return Outdoors(
        ground,
        listed,
        stance=stand(ground, 0.0, 0.0, yaw),
        gravel=gravel,
        wet=pools,
        seed=seed,
        name=f"random ground {seed}",
    )


def _draw(rng: Rng, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _ground(rng: Rng, max_slope: float, drops: bool, kerbs: bool) -> Ground:
    parts: list[Piece] = []
    fall = _draw(rng, -1.0, 1.0) * min(CROSSFALL, 0.5 * max_slope)
    steepest = math.atan(max(0.0, math.tan(max_slope) - abs(math.tan(fall))))  # gradients add up at worst
    if max_slope > 0.0:
        parts += [pieces.crossfall(fall), _rolling(rng, steepest)]
    if drops:
        parts += [_drop(rng) for _ in range(int(rng.integers(1, 4)))]
    if kerbs:
        parts += [_kerb(rng) for _ in range(int(rng.integers(0, 3)))]
    first = _draw(rng, -math.pi, math.pi)
    second = first + math.radians(_draw(rng, 65.0, 115.0))
    return Ground(name="ground", pieces=tuple(parts), first=first, second=second, half=HALF, reflectance=0.35)


def _rolling(rng: Rng, steepest: float) -> Piece:
    """Ramps with toes and landings, loading ramps, crests and dips, all along the ground."""
    knots = [(-HALF - _draw(rng, 0.0, 8.0), 0.0)]
    while knots[-1][0] < HALF:
        s, z = knots[-1]
        sign = -1.0 if z > 2.0 else 1.0 if z < -2.0 else float(rng.choice([-1.0, 1.0]))
        angle = sign * steepest * _draw(rng, 0.15, 1.0)
        kind = int(rng.integers(5))
        if kind == 0:
            knots.append((s + _draw(rng, 2.0, 7.0), z))
        elif kind == 1:
            chords = pieces.crest(s, _draw(rng, 2.0, 6.0), angle).knots[1:]
            knots += [(at, z + height) for at, height in chords]
        else:
            angle = sign * min(pieces.LOADING, steepest) if kind == 2 else angle
            rise = _draw(rng, 0.25, 1.5)
            length = min(12.0, rise / math.tan(abs(angle)))
            knots += [(s + length, z + length * math.tan(angle))]
            knots += [(knots[-1][0] + _draw(rng, 0.8, 4.0), knots[-1][1])]
    return Piece(tuple(knots), 0)


def _drop(rng: Rng) -> Piece:
    """Way down, of 0.2 to 1.2 m, that keeps ROOM about the origin."""
    axis, side = int(rng.integers(2)), int(rng.choice([-1, 1]))
    where, depth = _draw(rng, ROOM + 0.1, 7.0), _draw(rng, 0.2, 1.2)
    middle, half = _draw(rng, -3.0, 3.0), _draw(rng, 1.0, 4.0)
    across = ENDLESS if rng.uniform() < 0.4 else (middle - half, middle + half)
    kind = int(rng.integers(5))
    if kind == 0:  # dock edge: all beyond it lies lower
        heights = (0.0, -depth) if side > 0 else (-depth, 0.0)
        return Piece(((side * where, heights[0]), (side * where, heights[1])), axis, across)
    if kind == 1:  # stair: riser 100 to 180 mm (ADA/ABA 504.2)
        riser, tread = _draw(rng, 0.10, 0.18), _draw(rng, 0.26, 0.34)
        return pieces.stair(side * where, max(2, round(depth / riser)), -riser, side * tread, axis, across)
    if kind == 2:  # ditch
        width = _draw(rng, 0.3, 1.2)
        return pieces.trench(where if side > 0 else -where - width, width, depth, axis, across)
    if kind == 3:  # hole
        size = _draw(rng, 0.4, 1.5)
        across = (middle - 0.5 * size, middle + 0.5 * size)
        return pieces.trench(where if side > 0 else -where - size, size, depth, axis, across)
    return _platform(rng, axis, side * where, min(depth, 0.6), (middle - 0.5 * half, middle + 0.5 * half))


def _platform(rng: Rng, axis: int, toe: float, rise: float, across: tuple[float, float]) -> Piece:
    """Loading ramp away from the origin with vertical sides, a platform, and its edge at the far end."""
    side = math.copysign(1.0, toe)
    run, landing = rise / math.tan(pieces.LOADING), _draw(rng, 1.5, 3.0)
    knots = [(toe, 0.0), (toe + side * run, rise), (toe + side * (run + landing), rise)]
    knots.append((knots[-1][0], 0.0))
    return Piece(tuple(knots) if side > 0 else tuple(reversed(knots)), axis, across)


def _kerb(rng: Rng) -> Piece:
    """Ground 100 mm higher beyond a line."""
    axis, where, side = int(rng.integers(2)), _draw(rng, ROOM + 0.1, 8.0), int(rng.choice([-1, 1]))
    heights = (0.0, pieces.KERB) if side > 0 else (pieces.KERB, 0.0)
    return Piece(((side * where, heights[0]), (side * where, heights[1])), axis)


def _thing(rng: Rng, ground: Ground, number: int) -> list[Thing]:
    """One thing where the ground under it has no edge; none if twenty places tried have one."""
    kind = ("post", "table", "pallet", "pot", "crate", "crate", "crate", "cart", "pipe", "shrub")[
        int(rng.integers(10))
    ]
    name = f"{kind} {number}"
    size = {
        "post": 0.1,
        "pot": 0.3,
        "shrub": 0.4,
        "crate": 0.7,
        "pallet": 0.8,
        "cart": 0.8,
        "table": 1.4,
        "pipe": 2.0,
    }
    reach = size[kind]
    for _ in range(20):
        bearing = _draw(rng, -math.pi, math.pi)
        distance = ROOM + reach + 11.0 * _draw(rng, 0.0, 1.0) ** 1.3
        x, y = distance * math.cos(bearing), distance * math.sin(bearing)
        if kind == "pipe" or _unbroken(ground, x, y, reach):
            parts = _parts(rng, kind, name, (x, y), _draw(rng, -math.pi, math.pi))
            hangs = kind == "pipe"
            return [stood(name, parts, ground, Kind.HANGING if hangs else Kind.OBJECT, highest=hangs)]
    return []


def _unbroken(ground: Ground, x: float, y: float, reach: float) -> bool:
    """Say whether no vertical face comes within `reach` metres of (x, y)."""
    edges = ground.edges
    along = edges.end - edges.start
    length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-12)
    share = np.clip(np.einsum("ij,ij->i", np.array([x, y]) - edges.start, along) / length, 0.0, 1.0)
    gap = np.array([x, y]) - edges.start - share[:, None] * along
    return not np.any(np.hypot(gap[:, 0], gap[:, 1]) < reach)


def _parts(rng: Rng, kind: str, name: str, where: tuple[float, float], yaw: float) -> list[Solid]:
    """Solids of one thing that stands on z = 0, within its size about (x, y)."""
    if kind == "table":  # table tops 710 to 865 mm: ADA/ABA 902.3
        return table(name, *where, length=2.2, width=0.9, top=_draw(rng, 0.71, 0.865), yaw=yaw)
    if kind == "cart":
        return _cart(name, *where, yaw)
    return [_single(rng, kind, name, where, yaw)]


def _single(rng: Rng, kind: str, name: str, where: tuple[float, float], yaw: float) -> Solid:
    x, y = where
    if kind == "post":
        return post(name, x, y, _draw(rng, 0.05, 0.12), _draw(rng, 0.4, 2.5))
    if kind == "pot":
        return pot(name, x, y, height=_draw(rng, 0.2, 0.45), top=_draw(rng, 0.25, 0.5))
    if kind == "shrub":
        height, width = _draw(rng, 0.4, 1.4), _draw(rng, 0.4, 0.65)
        return shrub(name, x, y, height=height, width=width, seed=int(rng.integers(1000)))
    if kind == "pipe":  # under what the clear height of a door is (2032 mm, guide to ADA 404.2.3)
        c, s = 1.9 * math.cos(yaw), 1.9 * math.sin(yaw)
        return pipe(name, (x - c, y - s), (x + c, y + s), _draw(rng, 0.04, 0.1), _draw(rng, 1.7, 2.03))
    length, width, top = _draw(rng, 0.3, 0.9), _draw(rng, 0.3, 0.9), _draw(rng, 0.10, 1.0)
    if kind == "pallet":  # 1200 × 800 × 144 mm: EN 13698-1
        length, width, top = 1.2, 0.8, 0.144 * int(rng.integers(1, 4))
    return Box(name=name, x=x, y=y, length=length, width=width, top=top, yaw=yaw)


def _cart(name: str, x: float, y: float, yaw: float) -> list[Solid]:
    """Parked cart: tray, four struts, a handle."""
    c, s = math.cos(yaw), math.sin(yaw)
    parts: list[Solid] = [
        Box(name=f"{name} tray", x=x, y=y, length=1.3, width=0.7, bottom=0.30, top=0.36, yaw=yaw)
    ]
    for k, (u, v) in enumerate([(-0.5, -0.25), (0.5, -0.25), (0.5, 0.25), (-0.5, 0.25)], 1):
        parts.append(post(f"{name} strut {k}", x + c * u - s * v, y + s * u + c * v, 0.06, 0.30))
    return [*parts, post(f"{name} handle", x - 0.6 * c, y - 0.6 * s, 0.04, 1.0, bottom=0.36)]


def _walls(rng: Rng, ground: Ground) -> list[Thing]:
    """Up to three walls or hedges, 6 to 14 m away, in stretches of 1 m that follow the ground."""
    made = []
    for number in range(1, int(rng.integers(0, 4)) + 1):
        bearing, distance = _draw(rng, -math.pi, math.pi), _draw(rng, 6.0, 14.0)
        height, half, hedge = _draw(rng, 1.0, 2.4), int(rng.integers(2, 7)), bool(rng.integers(2))
        along = (-math.sin(bearing), math.cos(bearing))
        foot = (distance * math.cos(bearing), distance * math.sin(bearing))
        name, thick = f"{'hedge' if hedge else 'wall'} {number}", 0.5 if hedge else 0.12
        for k in range(-half, half):
            one, two = ((foot[0] + t * along[0], foot[1] + t * along[1]) for t in (k, k + 1))
            made.append(
                stood(
                    f"{name} part {k + half + 1}",
                    wall(f"{name} {k + half + 1}", one, two, height, thick),
                    ground,
                )
            )
    return made


def _meadows(rng: Rng, ground: Ground) -> list[Thing]:
    """Up to three patches of grass; they may come as near as 0.9 m."""
    made = []
    for number in range(1, int(rng.integers(0, 4)) + 1):
        radius = _draw(rng, 0.4, 1.5)
        bearing, distance = _draw(rng, -math.pi, math.pi), radius + _draw(rng, 1.0, 7.0)
        where = (distance * math.cos(bearing), distance * math.sin(bearing))
        tufts, leaves = int(30 * radius**2) + 5, int(rng.integers(1 << 30))
        patch = grass(f"grass {number}", ground, *where, radius, tufts=tufts, seed=leaves)
        if len(patch.mesh.vertices):
            made.append(Thing(f"grass {number}", (patch,), Kind.GRASS))
    return made


def _pools(rng: Rng) -> tuple[Wet, ...]:
    """Up to two wet patches."""
    made = []
    for _ in range(int(rng.integers(0, 3))):
        bearing, distance = _draw(rng, -math.pi, math.pi), _draw(rng, 2.0, 9.0)
        made.append(
            Wet(
                distance * math.cos(bearing),
                distance * math.sin(bearing),
                _draw(rng, 0.3, 1.2),
                _draw(rng, 0.2, 0.8),
            )
        )
    return tuple(made)
