"""A drive around the houses of a nursery, 400 m, between upright walls: a place whose plan is closed form.

Everything that stands there has upright sides and a plan that is a rectangle or a circle, so that what is
solid, and where its outline runs, is known without triangles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.scene.place import Place
from flatten.scene.solids import Box, Cylinder, Floor, Solid, post, wall

Values = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LENGTH, WIDTH, BEND = 140.0, 66.87, 8.0
"""Metres: sides of the rectangle that the way runs along, and the radius of its corners: 400 m around."""
ASIDE = 3.0
"""Metres from the way to the walls on both sides."""
AROUND = 2.0 * (LENGTH + WIDTH) - (8.0 - 2.0 * math.pi) * BEND
"""Metres once around."""


@dataclass(frozen=True)
class LoopDrive:
    """Drive along the way, counter-clockwise, at `speed` m/s; at time 0 where its south side begins."""

    speed: float = 1.5

    def at(self, times: Values) -> Values:
        """Give (k, 6) x, y, z, roll, pitch, yaw at times (k,) seconds: metres, radians, world frame."""
        way = np.mod(self.speed * np.asarray(times, np.float64).reshape(-1), AROUND)
        long, short, bend = LENGTH - 2 * BEND, WIDTH - 2 * BEND, 0.5 * math.pi * BEND
        half = long + short + 2 * bend
        second = way >= half
        u = np.where(second, way - half, way)
        x, y, yaw = _quarter_ways(u, long, short, bend)
        # the second half is the first one turned by 180° about the middle
        x, y = np.where(second, LENGTH - x, x), np.where(second, WIDTH - y, y)
        yaw = yaw + np.where(second, math.pi, 0.0)
        zeros = np.zeros_like(x)
        return np.stack([x, y, zeros, zeros, zeros, yaw], axis=1)


def _quarter_ways(u: Values, long: float, short: float, bend: float) -> tuple[Values, Values, Values]:
    """Half of the way: along the south, a corner, up the east, a corner; u metres from its start."""
    first = np.clip((u - long) / bend, 0.0, 1.0) * 0.5 * math.pi
    second = np.clip((u - long - bend - short) / bend, 0.0, 1.0) * 0.5 * math.pi
    along = np.clip(u, 0.0, long)
    up = np.clip(u - long - bend, 0.0, short)
    x = BEND + along + BEND * np.sin(first) - BEND * (1.0 - np.cos(second))
    y = BEND * (1.0 - np.cos(first)) + up + BEND * np.sin(second)
    return x, y, first + second


def nursery_loop(seed: int = 0) -> Place:
    """Build the place: walls on both sides of the way, gaps between the houses, posts and stacked crates."""
    rng = np.random.default_rng([91, seed])
    parts: list[Solid] = [
        Floor(name="floor", x=(-30.0, LENGTH + 30.0), y=(-30.0, WIDTH + 30.0), reflectance=0.35)
    ]
    low, high = (-ASIDE, -ASIDE), (LENGTH + ASIDE, WIDTH + ASIDE)
    corners = [low, (high[0], low[1]), high, (low[0], high[1])]
    for k in range(4):
        parts.append(wall(f"boundary wall {k + 1}", corners[k], corners[(k + 1) % 4], 2.4))
    parts += _houses()
    for k, way in enumerate(np.arange(7.0, AROUND, 9.0)):
        side = (1.0 if k % 2 else -1.0) * float(rng.uniform(1.9, 2.4))
        x, y, *_, yaw = (float(part) for part in LoopDrive(1.0).at(np.array([way]))[0])
        at = (x - side * math.sin(yaw), y + side * math.cos(yaw))
        if k % 3:
            parts.append(post(f"shade post {k}", *at, round(float(rng.uniform(0.06, 0.12)), 3), 2.5))
        else:
            size = {"length": 0.6, "width": 0.4, "top": round(float(rng.uniform(0.4, 1.5)), 2)}
            parts.append(Box(name=f"crates {k}", x=at[0], y=at[1], **size, yaw=float(rng.uniform(0.0, 1.5))))
    return Place(parts, name="nursery loop")


def _houses() -> list[Solid]:
    """Houses in a row within the way, passages of 4 m between them."""
    left, bottom, right, top = ASIDE, ASIDE, LENGTH - ASIDE, WIDTH - ASIDE
    count, gap = 4, 4.0
    length = (right - left - gap * (count - 1)) / count
    parts: list[Solid] = []
    for k in range(count):
        a, b = left + k * (length + gap), left + k * (length + gap) + length
        ring = [(a, bottom), (b, bottom), (b, top), (a, top)]
        for side in range(4):
            parts.append(wall(f"house {k + 1} wall {side + 1}", ring[side], ring[(side + 1) % 4], 2.4))
    return parts


def solids_between(place: Place, bottom: float, top: float) -> list[Box | Cylinder]:
    """List the upright solids of the place that reach into heights [bottom, top)."""
    found = []
    for solid in place.solids:
        low, high = solid.extent
        if isinstance(solid, (Box, Cylinder)) and low < top and high > bottom:
            found.append(solid)
    return found


def is_solid(solids: list[Box | Cylinder], points: Values) -> Mask:
    """Tell which of (N, 2) points lie inside the plan of a solid, its outline included."""
    inside = np.zeros(len(points), bool)
    for solid in solids:
        if isinstance(solid, Cylinder):
            inside |= np.hypot(*(points - solid.start[:2]).T) <= solid.radius
            continue
        c, s = math.cos(solid.yaw), math.sin(solid.yaw)
        own = (points - (solid.x, solid.y)) @ np.array([[c, -s], [s, c]])
        inside |= (np.abs(own) <= (0.5 * solid.length, 0.5 * solid.width)).all(axis=1)
    return inside


def outlines(solids: list[Box | Cylinder], apart: float) -> Values:
    """Points (N, 2) along the outlines of the plans, at most `apart` metres from one to the next."""
    found = []
    for solid in solids:
        if isinstance(solid, Cylinder):
            turns = np.linspace(0.0, 2.0 * math.pi, 2 + math.ceil(2.0 * math.pi * solid.radius / apart))
            ring = np.stack([np.cos(turns), np.sin(turns)], axis=1)
            found.append(solid.start[:2] + solid.radius * ring)
            continue
        half = 0.5 * np.array([solid.length, solid.width])
        corners = half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        c, s = math.cos(solid.yaw), math.sin(solid.yaw)
        corners = corners @ np.array([[c, s], [-s, c]]) + (solid.x, solid.y)
        for one, other in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            steps = np.linspace(0.0, 1.0, 2 + math.ceil(math.dist(one, other) / apart))
            found.append(one + steps[:, None] * (other - one))
    return np.concatenate(found)
