"""Rough outdoor places with exact truth: ground, things on it, and a rover that stands there."""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from flatten.scene.cover import Cover, Wet
from flatten.scene.ground import Ground, GroundFaces
from flatten.scene.place import Place
from flatten.scene.solids import Shape, Solid
from flatten.scene.standing import Stance

AT_ORIGIN = Stance()
"""Upright at the world's origin."""


class Kind(enum.IntEnum):
    """What a return comes from."""

    OTHER = 0
    """Own robot, dust, mixed pixels."""
    GROUND = 1
    """The surface one drives on."""
    FACE = 2
    """A vertical face of the ground: kerb, side of a ditch, dock."""
    OBJECT = 3
    """A thing that stands on the ground."""
    HANGING = 4
    """A thing that does not reach down to the ground."""
    GRASS = 5
    """Neither to be seen nor not to be seen."""
    GHOST = 6
    """Mirrored by a wet patch."""
    MOVER = 7
    """A thing that walks."""


@dataclass(frozen=True, eq=False)
class Thing:
    """Something of one or more solids that stands on the ground, or hangs over it."""

    name: str
    solids: tuple[Solid, ...]
    """World frame."""
    kind: Kind = Kind.OBJECT

    @property
    def top(self) -> float:
        """Greatest z, metres."""
        return max(solid.extent[1] for solid in self.solids)


def stood(
    name: str,
    parts: Sequence[Solid] | Solid,
    ground: Ground,
    kind: Kind = Kind.OBJECT,
    *,
    highest: bool = False,
) -> Thing:
    """Stand a thing, built upright on z = 0, on the lowest ground under it, so that nothing floats.

    With `highest` it is put on the highest instead, as what hangs must clear all of it.
    """
    listed = [parts] if isinstance(parts, Solid) else list(parts)
    corners = np.concatenate([part.mesh.vertices for part in listed])
    under = ground.height(corners[:, 0], corners[:, 1])
    lift = float(under.max() if highest else under.min())
    moved = [
        Shape(
            name=part.name,
            surface=part.mesh.moved(np.eye(3), (0.0, 0.0, lift)),
            reflectance=part.reflectance,
        )
        for part in listed
    ]
    return Thing(name, tuple(moved), kind)


class Outdoors(Place):
    """Ground, its vertical faces, and things on it. Solid 0 is the ground, solid 1 its faces."""

    def __init__(
        self,
        ground: Ground,
        things: Iterable[Thing] = (),
        *,
        stance: Stance = AT_ORIGIN,
        gravel: float = 0.0,
        wet: tuple[Wet, ...] = (),
        seed: int = 0,
        name: str = "outdoors",
    ) -> None:
        self.ground = ground
        self.things = tuple(things)
        self.stance = stance
        """Where a rover stands."""
        faces = GroundFaces(name=f"{ground.name} faces", ground=ground, reflectance=0.4)
        parts: list[Solid] = [ground, faces]
        kinds, tops = [Kind.GROUND, Kind.FACE], [math.nan, math.nan]
        for thing in self.things:
            parts += thing.solids
            kinds += [thing.kind] * len(thing.solids)
            tops += [thing.top] * len(thing.solids)
        super().__init__(parts, name=name)
        self.kinds = np.array(kinds, np.uint8)
        """(solids,) `Kind` of each."""
        self.tops = np.array(tops)
        """(solids,) z of the top of the thing that the solid is part of; NaN for the ground."""
        self.cover = Cover(ground, 0, gravel, wet=wet, seed=seed)
