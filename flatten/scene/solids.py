"""Things that stand, lie and hang in a made-up place: world frame, z up, floor at z = 0, metres.

Every solid has a name and a triangle mesh. Flat-sided ones are exact; round ones are cut into
flats (see `meshes.turned`) and have their closed form in `flatten.scene.closed`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatten import frames
from flatten.scene import meshes
from flatten.scene.meshes import Mesh

SEGMENTS = 96
"""Flats of a round body: the sagitta at radius 0.1 m is 0.05 mm."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Solid:
    """Something that beams end on."""

    name: str
    reflectance: float = 0.5
    """Share of the light that comes back at right angles, 0 to 1: it makes the intensity."""

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Surface as triangles in the world frame."""
        raise NotImplementedError

    @property
    def extent(self) -> tuple[float, float]:
        """Lowest and highest z of the surface, metres."""
        z = self.mesh.vertices[:, 2]
        return float(z.min()), float(z.max())


@dataclass(frozen=True, eq=False, kw_only=True)
class Box(Solid):
    """Upright box: centre of its footprint, length × width, heights, turned by yaw (rad)."""

    x: float
    y: float
    length: float
    width: float
    bottom: float = 0.0
    top: float
    yaw: float = 0.0

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Twelve triangles; exact."""
        half = (0.5 * self.length, 0.5 * self.width)
        flat = meshes.block((-half[0], -half[1], self.bottom), (*half, self.top))
        return flat.moved(frames.rotation_z(self.yaw), (self.x, self.y, 0.0))


@dataclass(frozen=True, eq=False, kw_only=True)
class Cylinder(Solid):
    """Round bar between the centres of its two end discs, along any axis."""

    start: tuple[float, float, float]
    end: tuple[float, float, float]
    radius: float
    segments: int = SEGMENTS

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Flats whose edges lie on the true surface."""
        length = math.dist(self.start, self.end)
        upright = meshes.turned([(self.radius, 0.0), (self.radius, length)], self.segments)
        return upright.moved(meshes.axis_rotation(self.start, self.end), self.start)


@dataclass(frozen=True, eq=False, kw_only=True)
class Ramp(Solid):
    """Wedge that rises along its own x from the middle of its toe (x, y), turned by yaw (rad)."""

    x: float
    y: float
    length: float
    width: float
    height: float
    yaw: float = 0.0

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Eight triangles; exact."""
        flat = meshes.wedge(self.length, self.width, self.height)
        return flat.moved(frames.rotation_z(self.yaw), (self.x, self.y, 0.0))


@dataclass(frozen=True, eq=False, kw_only=True)
class Floor(Solid):
    """Level sheet over a rectangle x = (low, high), y = (low, high) at height z.

    With a roughness (m) its corners, `cell` m apart, lie uniformly within z ± roughness, as raked
    gravel does; the corners follow from the seed.
    """

    x: tuple[float, float]
    y: tuple[float, float]
    z: float = 0.0
    roughness: float = 0.0
    cell: float = 0.2
    seed: int = 0

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Two triangles, or a height field where the floor is rough."""
        shape = (2, 2)
        if self.roughness > 0.0:
            spans = (self.x[1] - self.x[0], self.y[1] - self.y[0])
            shape = (max(2, round(spans[0] / self.cell) + 1), max(2, round(spans[1] / self.cell) + 1))
        bumps = np.random.default_rng([71, self.seed]).uniform(-self.roughness, self.roughness, shape)
        return meshes.grid(self.x, self.y, self.z + bumps)


@dataclass(frozen=True, eq=False, kw_only=True)
class Sheet(Solid):
    """Flat patch with three or more corners (x, y, z) in order; it must be convex."""

    corners: tuple[tuple[float, float, float], ...]

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Triangles in a fan about the first corner; exact."""
        count = len(self.corners)
        triangles = [(0, k, k + 1) for k in range(1, count - 1)]
        return Mesh(np.array(self.corners, np.float64), np.array(triangles, np.int64))


@dataclass(frozen=True, eq=False, kw_only=True)
class Shape(Solid):
    """Any triangle mesh."""

    surface: Mesh

    @functools.cached_property
    def mesh(self) -> Mesh:
        """Give the mesh as it was handed in."""
        return self.surface


def post(name: str, x: float, y: float, diameter: float, height: float, *, bottom: float = 0.0) -> Cylinder:
    """Upright round post."""
    return Cylinder(name=name, start=(x, y, bottom), end=(x, y, height), radius=0.5 * diameter)


def pipe(name: str, start: Sequence[float], end: Sequence[float], diameter: float, height: float) -> Cylinder:
    """Hang a level pipe between two points (x, y), its underside at `height`."""
    z = height + 0.5 * diameter
    ends = ((start[0], start[1], z), (end[0], end[1], z))
    return Cylinder(name=name, start=ends[0], end=ends[1], radius=0.5 * diameter, reflectance=0.7)


def wall(
    name: str, start: Sequence[float], end: Sequence[float], height: float, thickness: float = 0.12
) -> Box:
    """Upright wall whose middle line runs between two points (x, y)."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    return Box(
        name=name,
        x=0.5 * (start[0] + end[0]),
        y=0.5 * (start[1] + end[1]),
        length=math.hypot(dx, dy),
        width=thickness,
        top=height,
        yaw=math.atan2(dy, dx),
        reflectance=0.6,
    )


def kerb(
    name: str, start: Sequence[float], end: Sequence[float], height: float = 0.10, width: float = 0.15
) -> Box:
    """Kerb of full height (100 mm: Hampshire kerbing guide) along a line between two points (x, y)."""
    return wall(name, start, end, height, width)


def table(
    name: str,
    x: float,
    y: float,
    *,
    length: float,
    width: float,
    top: float,
    leg: float = 0.03,
    yaw: float = 0.0,
) -> list[Solid]:
    """Bench table: a board 40 mm thick and four square legs set in by 50 mm."""
    board = Box(
        name=f"{name} board", x=x, y=y, length=length, width=width, bottom=top - 0.04, top=top, yaw=yaw
    )
    parts: list[Solid] = [board]
    turn = frames.rotation_z(yaw)
    for number, (u, v) in enumerate([(-1, -1), (1, -1), (1, 1), (-1, 1)], 1):
        offset = turn @ (u * (0.5 * length - 0.05 - 0.5 * leg), v * (0.5 * width - 0.05 - 0.5 * leg), 0.0)
        place = {"x": x + float(offset[0]), "y": y + float(offset[1])}
        part = Box(name=f"{name} leg {number}", **place, length=leg, width=leg, top=top - 0.04, yaw=yaw)
        parts.append(part)
    return parts


def upright_body(name: str, x: float, y: float) -> Cylinder:
    """Upright test body, Ø70 × 400 mm (ISO 3691-4, from memory)."""
    return post(name, x, y, 0.070, 0.400)


def lying_body(name: str, x: float, y: float, yaw: float = 0.0) -> Cylinder:
    """Lying test body, Ø200 × 600 mm (ISO 3691-4, from memory), its axis turned by yaw (rad)."""
    c, s = 0.3 * math.cos(yaw), 0.3 * math.sin(yaw)
    return Cylinder(name=name, start=(x - c, y - s, 0.1), end=(x + c, y + s, 0.1), radius=0.1)


def tall_body(name: str, x: float, y: float) -> Cylinder:
    """Upright cylinder of a grown-up's height, Ø400 × 1750 mm (common practice, no source)."""
    return post(name, x, y, 0.40, 1.75)


def pot(
    name: str, x: float, y: float, *, height: float = 0.35, top: float = 0.40, bottom: float = 0.0
) -> Shape:
    """Plant pot that widens upwards to the diameter `top` at its rim, standing at height `bottom`."""
    shape = [(0.35 * top, 0.0), (0.47 * top, 0.85 * height), (0.5 * top, 0.86 * height), (0.5 * top, height)]
    surface = meshes.turned(shape, 48).moved(np.eye(3), (x, y, bottom))
    return Shape(name=name, surface=surface, reflectance=0.3)


def shrub(
    name: str, x: float, y: float, *, height: float, width: float, bottom: float = 0.0, seed: int = 0
) -> Shape:
    """Ragged shrub: an egg of leaves whose rings lie within 15 % of a smooth egg."""
    rng = np.random.default_rng([72, seed])
    turns = np.linspace(0.08, math.pi - 0.08, 14)
    shape = [(0.5 * width * math.sin(a), 0.5 * height * (1.0 - math.cos(a))) for a in turns]
    egg = meshes.turned(shape, 20)
    ragged = egg.vertices * np.array([1.0, 1.0, 0.0]) * rng.uniform(0.85, 1.15, (len(egg.vertices), 1))
    ragged[:, 2] = egg.vertices[:, 2]
    surface = Mesh(ragged, egg.triangles).moved(np.eye(3), (x, y, bottom))
    return Shape(name=name, surface=surface, reflectance=0.35)
