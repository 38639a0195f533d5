"""The declared half, compiled once: a profile becomes plain numbers and arrays for the kernels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.kernels import gate, groups
from flatten.kernels import zones as zone_rows
from flatten.kernels.scatter import TABLES
from flatten.kernels.stretches import CELLS
from flatten.profile import BlindZone, Mount, Profile, Slice

Numbers = npt.NDArray[np.float64]

CLEAR_WORDS = CELLS // 64
"""64-bit words that hold a bin's witnessed cells: 256 cells over the reach, 98 mm at 25 m."""

QUARTER_DIRECTIONS = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))


class Levels(NamedTuple):
    """How the kernels part heights, and where in the tables the keys of each slice are."""

    borders: npt.NDArray[np.float32]
    """(2k, 2) bottoms and tops of the slices that ask for a height alone, ascending, and their rounding."""
    spans: npt.NDArray[np.int64]
    """(slices, 4), columns as in kernels.spans."""
    row: int
    """Cells of a row of tables."""
    groups: int
    """Groups of TABLES rows."""
    middle: float
    half: float
    """Middle of the heights from the lowest bottom to the highest top, and half of them, metres."""


@dataclass(frozen=True, eq=False)
class Plan:
    """A profile, compiled."""

    numbers: groups.Plan
    """What the kernels need to know."""
    fan_origin: tuple[float, float]
    """x and y of the fan's origin in the body frame, which the attitude does not move."""
    gravity: bool
    """Whether a given attitude is taken out."""
    first: float
    step: float
    """First edge and width of a bin, radians."""
    bearings: npt.NDArray[np.float32]
    """(bins,) centres, radians."""
    levels: Levels
    """Where the slices' heights part, and where their keys go."""

    @cached_property
    def zones(self) -> groups.Zones:
        """What belongs to the robot itself."""
        numbers = self.numbers
        return groups.Zones(numbers.body_from_sensor, numbers.body_matrix, numbers.zones, numbers.box)

    def level_from_body(self, attitude: tuple[float, float] | None) -> Numbers:
        """(4, 4) level frame moved to the fan's origin, from the body frame, at this attitude (rad)."""
        turn = frames.level_from_body(*attitude) if attitude is not None and self.gravity else np.eye(4)
        turn[0, 3] -= self.fan_origin[0]
        turn[1, 3] -= self.fan_origin[1]
        return turn

    def frame(self, attitude: tuple[float, float] | None) -> groups.Frame:
        """Where the sensor is at this attitude (rad)."""
        if attitude is None or not self.gravity:
            return self.standing
        return self._frame(attitude)

    @cached_property
    def standing(self) -> groups.Frame:
        """Where the sensor is while the body stands level."""
        return self._frame(None)

    def _frame(self, attitude: tuple[float, float] | None) -> groups.Frame:
        level_from_sensor = (self.level_from_body(attitude) @ self.numbers.body_from_sensor)[:3].copy()
        matrix = matrix_of(level_from_sensor)
        return groups.Frame(level_from_sensor, matrix, self._half_height(float(matrix[12])))

    def _half_height(self, shift: float) -> float:
        """Half of the heights that the sieve lets through: rounding and all that float32 may be off by."""
        levels = self.levels
        return float(levels.half + 2.0**-20 * (levels.half + 2 * abs(levels.middle) + shift))


def make_plan(profile: Profile) -> Plan:
    """Compile a profile; nothing of it is looked at again while clouds flow."""
    fan = profile.fan
    step = math.radians((fan.last - fan.first) / fan.bins)
    slices = np.array([slice_row(s) for s in profile.slices.values()])
    levels = levels_of(slices, fan.bins)
    return Plan(
        numbers=numbers_of(profile, slices, levels),
        fan_origin=(profile.mount.x, profile.mount.y),
        gravity=profile.level != "body",
        first=math.radians(fan.first),
        step=step,
        bearings=(math.radians(fan.first) + (np.arange(fan.bins) + 0.5) * step).astype(np.float32),
        levels=levels,
    )


def numbers_of(profile: Profile, slices: Numbers, levels: Levels) -> groups.Plan:
    """Give what the kernels need to know of a profile."""
    fan, reach, clear = profile.fan, profile.reach, profile.clear
    ends = least_square(reach.near), greatest_square(reach.far)
    body_from_sensor = mount_transform(profile.mount)
    zones = [zone_row(z, profile.mount) for z in profile.blind_zones]
    cell = reach.far / (64 * CLEAR_WORDS)
    return groups.Plan(
        first_turn=(fan.first / 90.0 + 2.0) % 4.0 - 2.0,
        span=(fan.last - fan.first) / 90.0,
        bins=fan.bins,
        edges=directions(fan.first + np.arange(fan.bins + 1) * ((fan.last - fan.first) / fan.bins)),
        near_square=ends[0],
        far_square=ends[1],
        far=reach.far,
        slices=slices,
        bands=bands_of(slices, *ends),
        spans=levels.spans,
        borders=levels.borders,
        row=levels.row,
        middle=levels.middle,
        body_from_sensor=body_from_sensor,
        body_matrix=matrix_of(body_from_sensor[:3]),
        zones=np.array(zones, np.float64).reshape(-1, zone_rows.COLUMNS),
        box=box_of(profile),
        cell=cell,
        cells_per_metre=1.0 / cell,
        smallest=clear.smallest if clear else 0.0,
        clear_from=clear.from_ if clear else 0.0,
        clear_to=clear.to if clear else -1.0,
        drop=profile.robot.drop,
    )


def matrix_of(a_from_sensor: Numbers) -> npt.NDArray[np.float32]:
    """Give the (13,) numbers of a transform (3, 4) as kernels.sift reads them.

    The last is twice the sum of the shifts; a trifle more, so that the bounds hold for the smallest floats.
    """
    numbers = np.empty(13, np.float32)
    numbers[:12] = a_from_sensor.ravel()
    numbers[12] = 2.0 * sum(map(abs, a_from_sensor[:, 3].tolist())) + 1e-30
    return numbers


def mount_transform(mount: Mount) -> Numbers:
    """(4, 4) body_from_sensor of a mount, whose angles are in degrees."""
    angles = (math.radians(a) for a in (mount.roll, mount.pitch, mount.yaw))
    return frames.body_from_sensor(mount.x, mount.y, mount.z, *angles)


def slice_row(band: Slice) -> list[float]:
    """Numbers of a slice, as kernels.gate reads them."""
    return [band.bottom, band.top, band.rise, float(band.pick == "farthest"), band.min_hits, band.within]


def levels_of(slices: Numbers, bins: int) -> Levels:
    """Lay the tables out: first the levels of all slices that ask for a height alone, then the others'."""
    alone = (
        (slices[:, gate.RISE] == 0.0) & (slices[:, gate.MIN_HITS] <= 1) & (slices[:, gate.FARTHEST] == 0.0)
    )
    heights = np.sort(slices[alone][:, [gate.BOTTOM, gate.TOP]].ravel())
    row, spans = row_of(bins), np.zeros((len(slices), 4), np.int64)
    groups = max(len(heights) - 1, 0)
    for s, band in enumerate(slices):
        if alone[s]:
            low = int(np.searchsorted(heights, band[gate.BOTTOM], "right"))
            beyond = int(np.searchsorted(heights, band[gate.TOP], "left")) + 1
            spans[s] = low, beyond, low - 1, beyond - 1
        elif band[gate.MIN_HITS] <= 1:
            spans[s] = 0, 0, groups, groups + 1
            groups += 2 if band[gate.FARTHEST] else 1
    lowest, highest = slices[:, gate.BOTTOM].min(), slices[:, gate.TOP].max()
    borders = np.column_stack([heights, 4 * 2.0**-24 * np.abs(heights)]).astype(np.float32)
    return Levels(borders, spans, row, groups, (lowest + highest) / 2, (highest - lowest) / 2)


def row_of(bins: int) -> int:
    """Cells of a row of tables: the same bin of two rows never lies 4 KiB apart, or nearly.

    Processors take a load for one of what was just stored where the last twelve bits of the address agree.
    """
    row = bins
    while any(min(8 * k * row % 4096, -8 * k * row % 4096) < 256 for k in range(1, TABLES)):
        row += 1
    return row


def bands_of(slices: Numbers, near_square: float, far_square: float) -> npt.NDArray[np.float32]:
    """Rows of the slices as kernels.bands reads them: bottom, top, rise, rounding, near² and far²."""
    rounding = 4 * 2.0**-24 * np.abs(slices[:, :2]).max(axis=1)
    ends = np.broadcast_to([near_square, far_square], (len(slices), 2))
    return np.column_stack([slices[:, :3], rounding, ends]).astype(np.float32)


def box_of(profile: Profile) -> npt.NDArray[np.float32]:
    """Box around all blind zones: the least x, y and z (body frame, metres), then the greatest."""
    corners = [zone_corners(zone, profile.mount) for zone in profile.blind_zones]
    if not corners:
        return np.empty(0, np.float32)
    lows, highs = np.min([low for low, _ in corners], axis=0), np.max([high for _, high in corners], axis=0)
    rounding = 1e-6 + 1e-6 * np.maximum(np.abs(lows), np.abs(highs))
    rounding[~np.isfinite(rounding)] = 0.0
    return np.concatenate([lows - rounding, highs + rounding]).astype(np.float32)


def zone_corners(zone: BlindZone, mount: Mount) -> tuple[list[float], list[float]]:
    """Least and greatest x, y, z of a blind zone, or of a box around it."""
    if zone.box is not None:
        sides = zone.box.x, zone.box.y, zone.box.z
        return [low for low, _ in sides], [high for _, high in sides]
    if zone.cylinder is not None:
        x, y, radius, z = zone.cylinder.x, zone.cylinder.y, zone.cylinder.radius, zone.cylinder.z
    else:
        assert zone.sector is not None  # the profile has seen to it that a zone has one body
        x, y, radius, z = mount.x, mount.y, zone.sector.far, zone.sector.z
    bottom, top = z or (-math.inf, math.inf)
    return [x - radius, y - radius, bottom], [x + radius, y + radius, top]


def zone_row(zone: BlindZone, mount: Mount) -> list[float]:
    """Numbers of a blind zone, as kernels.zones reads them."""
    if zone.box is not None:
        return [zone_rows.BOX, *zone.box.x, *zone.box.y, 0.0, 0.0, 0.0, 0.0, 0.0, *zone.box.z]
    if zone.cylinder is not None:
        c = zone.cylinder
        z = c.z or (-math.inf, math.inf)
        return [zone_rows.CYLINDER, c.x, c.y, greatest_square(c.radius), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, *z]
    sector = zone.sector
    assert sector is not None  # the profile has seen to it that a zone has one body
    edges = directions(np.array([sector.first, sector.last])).ravel()
    squares = least_square(sector.near), greatest_square(sector.far)
    z = sector.z or (-math.inf, math.inf)
    return [zone_rows.SECTOR, mount.x, mount.y, *edges, float(sector.width > 180.0), *squares, *z]


def directions(degrees: npt.NDArray[np.floating[Any]]) -> Numbers:
    """Unit vectors (n, 2) of bearings in degrees; exact on the axes."""
    out = np.stack([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))], axis=1)
    on_axis = degrees % 90.0 == 0.0
    quarters = (degrees[on_axis] / 90.0).astype(int) % 4
    out[on_axis] = np.array(QUARTER_DIRECTIONS)[quarters]
    return out


def greatest_square(distance: float) -> float:
    """Greatest float64 whose square root, as rounded, is not above `distance`.

    Comparing squares with it is exactly comparing distances: the square root is monotonic.
    """
    square = distance * distance
    while math.sqrt(square) > distance:
        square = math.nextafter(square, 0.0)
    while math.sqrt(math.nextafter(square, math.inf)) <= distance:
        square = math.nextafter(square, math.inf)
    return square


def least_square(distance: float) -> float:
    """Least float64 whose square root, as rounded, is not below `distance`."""
    if distance <= 0.0:
        return 0.0
    return math.nextafter(greatest_square(math.nextafter(distance, 0.0)), math.inf)
