"""What a real sensor adds to the clean picture: noise, drop-outs, mixed pixels, dust, the own robot."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.scene.place import Hits
from flatten.scene.solids import Solid

Values = npt.NDArray[np.float64]

GRAZING_POWER = 4
"""Drop-outs grow with this power of 1 - cos(incidence): common practice, no source."""

SPLIT = 0.2
"""Metres between two surfaces that a beam tells apart no longer: common practice, no source."""


@dataclass(frozen=True)
class Effects:
    """What is added to a clean frame; by default nothing.

    Raises ValueError for a probability outside [0, 1] or a negative size.
    """

    range_noise: float = 0.0
    """Standard deviation of the distance, metres (normal)."""
    drop_far: float = 0.0
    """Probability that a return at the sensor's far end is lost; it grows with the distance squared."""
    drop_grazing: float = 0.0
    """Probability that a return at grazing incidence is lost."""
    mixed: float = 0.0
    """Probability that a beam split by an edge returns from between the two surfaces."""
    divergence: float = 0.0015
    """Half-width of a beam, radians: what lies within it may split it."""
    dust: float = 0.0
    """Probability that a beam ends on dust, if nothing is nearer."""
    dust_reach: float = 3.0
    """Dust lies evenly along the beam from the sensor's near end to here, metres."""
    robot: tuple[Solid, ...] = field(default=())
    """Hull, mast and the like: solids in the body frame, which ride with the body."""

    def __post_init__(self) -> None:
        for name in ("drop_far", "drop_grazing", "mixed", "dust"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} is {getattr(self, name)}: wanted a probability, 0 to 1")
        for name in ("range_noise", "divergence", "dust_reach"):
            if not 0.0 <= getattr(self, name) < math.inf:
                raise ValueError(f"{name} is {getattr(self, name)}: wanted 0 or more")

    @property
    def clean(self) -> bool:
        """Say whether nothing is random."""
        return not any(
            getattr(self, part.name)
            for part in fields(self)
            if part.name not in ("divergence", "dust_reach", "robot")
        )


CLEAN = Effects()
"""No effects."""


class Draws(NamedTuple):
    """One random number of every kind for every beam, whether it is used or not.

    So a beam that meets something else on another processor leaves all others as they were.
    """

    noise: Values
    drop: Values
    mixed: Values
    between: Values
    tilt: Values
    dust: Values
    dust_place: Values

    @classmethod
    def make(cls, beams: int, seed: int, frame: int) -> Draws:
        """Draw for so many beams: noise normal, all else even in [0, 1)."""
        rng = np.random.default_rng([74, seed, frame])
        noise = rng.standard_normal(beams)
        return cls(noise, *(rng.uniform(0.0, 1.0, beams) for _ in cls._fields[1:]))


def beside(directions: Values, effects: Effects, draws: Draws) -> Values:
    """Directions (N, 3) at the rim of each beam, where a second surface may split it."""
    aside = np.where(np.abs(directions[:, 2:3]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    right = np.cross(directions, aside)
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    up = np.cross(right, directions)
    angle = 2.0 * math.pi * draws.tilt[:, None]
    rim = np.cos(angle) * right + np.sin(angle) * up
    turned: Values = math.cos(effects.divergence) * directions + math.sin(effects.divergence) * rim
    return turned


def mix(middle: Hits, rim: Hits, effects: Effects, draws: Draws) -> tuple[Values, npt.NDArray[np.bool_]]:
    """Distances with mixed pixels, and where they are.

    A beam is split where its middle and its rim end over SPLIT apart, beyond twice what the
    slant of a single surface explains.
    """
    both = np.isfinite(middle.distances) & np.isfinite(rim.distances)
    near, other = np.where(both, middle.distances, 0.0), np.where(both, rim.distances, 0.0)
    cosine = np.maximum(np.minimum(middle.cosines, rim.cosines), 1e-6)
    slanted = near * effects.divergence * np.sqrt(np.maximum(1.0 - cosine**2, 0.0)) / cosine
    mixed = both & (np.abs(other - near) > SPLIT + 2.0 * slanted) & (draws.mixed < effects.mixed)
    return np.where(mixed, near + draws.between * (other - near), middle.distances), mixed


def dropped(hits: Hits, far: float, effects: Effects, draws: Draws) -> npt.NDArray[np.bool_]:
    """Say which returns are lost, by distance and by incidence."""
    distant = effects.drop_far * np.clip(hits.distances / far, 0.0, 1.0) ** 2
    grazing = effects.drop_grazing * (1.0 - hits.cosines) ** GRAZING_POWER
    return np.asarray(draws.drop < 1.0 - (1.0 - distant) * (1.0 - grazing))


def dust_distances(near: float, effects: Effects, draws: Draws) -> Values:
    """Distance of the dust on each beam; inf where there is none."""
    where = near + draws.dust_place * max(0.0, effects.dust_reach - near)
    return np.where(draws.dust < effects.dust, where, np.inf)
